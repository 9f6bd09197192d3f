"""What do the gears reach between them, once one belt stage is fixed?"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from kerfbeat.drive.chain import drive_curve
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.words import speed_words
from kerfbeat.machine import BeltPosition, BeltStage, Machine, Sensor, Sheave, belt_choices, stage_ratios
from kerfbeat.machine.settings import Setting

__all__ = ["Coverage", "cover_of", "gaps_between", "other_ratio", "ways_beside"]

GAP_GRACE = 1.01  # a pulley is rounded to a size that exists; that much may be missing at an end
WHEEL_ONLY = Sensor(channel="wheel", targets=1, input=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """What one gear reaches: blade speeds under full load at the inverter's limits, and shaft speeds after the belt.

    belt : position of the other belt stages, where they have a choice.

    driven_hz : (no load, full load) of the shaft after the replaced stage, at the lower and at the upper limit.
    """

    belt: str | None
    gear: str | None
    low_m_per_s: float
    high_m_per_s: float
    driven_low_hz: tuple[float, float]
    driven_high_hz: tuple[float, float]


def ways_beside(machine: Machine, index: int, gears: Sequence[str | None]) -> list[Setting]:
    """Every choice that stays beside the replaced stage: gears, and positions of other belts."""
    belts = belt_choices(_without_choice(machine, index), places=2) or (None,)
    return [Setting(belt=belt, gear=gear) for belt in belts for gear in gears]


def _without_choice(machine: Machine, index: int) -> Machine:
    """Put a pair of 1:1 in the place of the stage, so that what remains to be chosen is what the others offer."""
    even = Sheave.from_pitch(0.1)
    stages = list(machine.stages)
    stages[index] = BeltStage(positions=(BeltPosition(driver=even, driven=even),))
    return dataclasses.replace(machine, stages=tuple(stages), sensors={"wheel": WHEEL_ONLY}, text="")


def other_ratio(machine: Machine, index: int, way: Setting) -> float:
    """Turns in per turn out of everything but the replaced stage."""
    return math.prod(stage_ratios(_without_choice(machine, index), way))


def cover_of(new: Machine, index: int, way: Setting, limits: tuple[float, float]) -> Coverage:
    """Work out what one gear reaches between the inverter's limits, in Hz; `index` is the replaced stage."""
    curve = drive_curve(new, belt=way.belt, gear=way.gear, supply_hz=list(limits))
    before = math.prod(stage_ratios(new, way)[: index + 1])
    ends = [
        (float(curve.motor_hz.no_load[end]) / before, float(curve.motor_hz.full_load[end]) / before) for end in (0, 1)
    ]
    return Coverage(
        belt=way.belt,
        gear=way.gear,
        low_m_per_s=float(curve.blade_m_per_s.full_load[0]),
        high_m_per_s=float(curve.blade_m_per_s.full_load[-1]),
        driven_low_hz=ends[0],
        driven_high_hz=ends[1],
    )


def gaps_between(machine: Machine, coverage: Sequence[Coverage], wanted: SpeedRange) -> tuple[str, ...]:
    """Say which parts of the wanted range no gear reaches."""
    said = []
    reached = wanted.low_m_per_s
    for cover in sorted(coverage, key=lambda item: item.low_m_per_s):
        next_m_per_s = min(cover.low_m_per_s, wanted.high_m_per_s)
        if next_m_per_s > reached * GAP_GRACE:
            said.append(f"no gear gives {speed_words(machine, reached, next_m_per_s)}")
        reached = max(reached, cover.high_m_per_s)
    return tuple(said)
