"""What should be run at the machine, in which order and for how long, to calibrate everything?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.drive.chain import drive_curve
from kerfbeat.machine import Machine, Setting, gear_choices

__all__ = ["Step", "planned_minutes", "planned_steps"]

POINTS = 6  # frequencies in each gear: three are needed, six show which one is wrong
DWELL_S = 20.0  # at each: the clock, the targets and the blade's passes live from the sum
WHEEL_TURNS = 3.4  # and at least so many turns of the wheel, so that a slow one is timed over whole turns
LONGEST_S = 60.0
ALONE_S = 150.0  # without a sweep: two minutes for the clock, and some for the blade
HANDLING_S = 15.0  # to set a frequency, or a gear, and type it
GEAR_S = 40.0
LIMIT_PART = 0.98  # of a limit of the machine: nobody is asked to run closer


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One steady stretch: the setting, and how long to stay."""

    setting: Setting
    dwell_s: float


def planned_steps(
    machine: Machine, *, belt: str | None = None, gears: Sequence[str | None] = (), points: int = POINTS
) -> list[Step]:
    """Frequencies in every gear, from the lowest up, inside the limits of inverter, motor and blade.

    belt : position that is in; the guide does not ask to change it.   gears : to run, all without it.
    A machine without a described motor is run once, at any steady speed.
    Raises MachineError for an unknown belt or gear.
    """
    if machine.motor is None:
        return [Step(setting=Setting(belt=belt), dwell_s=ALONE_S)]
    chosen = list(gears) or list(gear_choices(machine)) or [None]
    steps = []
    for gear in chosen:
        for hz in _frequencies_hz(machine, belt=belt, gear=gear, points=points):
            curve = drive_curve(machine, belt=belt, gear=gear, supply_hz=hz)
            turning_s = WHEEL_TURNS / float(curve.wheel_hz.lowest[0]) if curve.wheel_hz.lowest[0] > 0 else LONGEST_S
            steps.append(
                Step(setting=Setting(belt=belt, gear=gear, hz=hz), dwell_s=min(max(DWELL_S, turning_s), LONGEST_S))
            )
    return steps


def _frequencies_hz(machine: Machine, *, belt: str | None, gear: str | None, points: int) -> list[float]:
    """Evenly spread, in whole hertz, as high as no limit forbids."""
    assert machine.motor is not None
    if machine.inverter is None:
        return [machine.motor.base_hz]
    low, high = machine.inverter.minimum_hz, machine.inverter.maximum_hz
    low = max(low, 0.1 * high)
    tried = np.arange(math.ceil(low), math.floor(high) + 1, dtype=float)
    curve = drive_curve(machine, belt=belt, gear=gear, supply_hz=tried / LIMIT_PART)
    allowed = [
        hz
        for hz, cautions in zip(tried.tolist(), curve.cautions, strict=True)
        if not any(caution.kind in ("blade speed", "motor speed", "rim speed") for caution in cautions)
    ]
    if not allowed:
        return [float(tried[0])]
    return sorted({float(round(hz)) for hz in np.linspace(allowed[0], allowed[-1], points)})


def planned_minutes(steps: Sequence[Step]) -> float:
    """About how long it takes at the machine."""
    gears = len({step.setting.gear for step in steps})
    return (sum(step.dwell_s + HANDLING_S for step in steps) + GEAR_S * gears) / 60.0
