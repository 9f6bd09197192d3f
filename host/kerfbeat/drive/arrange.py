"""What does the whole new arrangement look like, beside the old one?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive import motor as motors
from kerfbeat.drive.belt import belt_speed_m_per_s
from kerfbeat.drive.belt_fit import (
    BeltFacts,
    BeltFit,
    OldBelt,
    Tension,
    belt_tension,
    fit_belt,
    old_belt,
    small_pulley_caution,
)
from kerfbeat.drive.chain import DriveCurve, drive_curve, require_motor
from kerfbeat.drive.compare import Reach, common_speeds, reach
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.size import Sized, old_range, replaced_stage, size_drive
from kerfbeat.errors import DriveError
from kerfbeat.machine import BeltStage, Machine, Setting, belt_choices, gear_choices, stage_ratios

__all__ = ["LOOK_STEP_HZ", "Arrangement", "GearBesides", "arrange"]

# Hertz between the frequencies at which the new arrangement is looked over: as fine as most inverters show them.
# Test: test_size_tells_to_what_hertz_the_limit_must_come_down.
LOOK_STEP_HZ = 0.1
TABLE_POINTS = 7


@dataclass(frozen=True, kw_only=True, slots=True)
class GearBesides:
    """Old and new in one gear, at the same blade speeds; new_forbidden: where the new drive is not to be used."""

    gear: str | None
    old: Reach
    new: Reach
    new_forbidden: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrangement:
    """Everything that is known of the change before anything is bought.

    old_range : blade range of the machine as it is, under full load.
    fit, old_belt, tension : None where the distance of the shafts, the old belt or the motor's power is not known.
    old_belt_words : why the old belt does not fit, if it does not.
    belt_speed_m_per_s : at the fast end of the wanted range, at no load.
    curves : the new machine between its inverter's limits, one for each of the sized drive's `coverage`.
    """

    old: Machine
    old_range: SpeedRange
    sized: Sized
    fit: BeltFit | None
    old_belt: OldBelt | None
    old_belt_words: str
    tension: Tension | None
    belt_speed_m_per_s: float
    belt_cautions: tuple[str, ...]
    curves: tuple[DriveCurve, ...]
    gears: tuple[GearBesides, ...]


def arrange(
    machine: Machine,
    *,
    wanted: SpeedRange | None = None,
    stage: str | None = None,
    gears: Sequence[str] | None = None,
    limits_hz: tuple[float, float] | None = None,
    driver_m: float | None = None,
    driven_m: float | None = None,
    centre_m: float | None = None,
    section: str | None = None,
    facts: BeltFacts | None = None,
    points: int = TABLE_POINTS,
) -> Arrangement:
    """Size the drive, fit its belt and compare it with what is there.

    wanted, gears, limits_hz, driver_m, driven_m : as in `size_drive`.   stage : name or place of the belt to replace.
    centre_m : distance of the shafts, if it is not as the machine file has it.   section : of a classical V-belt.
    facts : of the belt itself, for its tension.   points : blade speeds to compare in each gear.
    Raises DriveError for what cannot be.
    """
    index = replaced_stage(machine, stage)
    before = machine.stages[index]
    assert isinstance(before, BeltStage)
    sized = size_drive(
        machine, wanted=wanted, stage_index=index, gears=gears, limits=limits_hz, driver_m=driver_m, driven_m=driven_m,
        centre_m=centre_m,
    )  # fmt: skip
    centre_m = before.centre_distance_m if centre_m is None else centre_m
    section = section or before.positions[0].driver.section
    fit = None if centre_m is None else fit_belt(sized.driver_m, sized.driven_m, centre_m=centre_m, section=section)
    still, still_words = None, ""
    if before.belt_length_m is not None:
        try:
            still = old_belt(sized.driver_m, sized.driven_m, length_m=before.belt_length_m, centre_m=centre_m)
        except DriveError as problem:
            still_words = str(problem)
    torque_n_m = _most_torque_n_m(sized)
    tension = None
    if fit is not None and torque_n_m is not None:
        tension = belt_tension(torque_n_m, fit, driver_m=sized.driver_m, facts=facts or BeltFacts())
    small = small_pulley_caution(sized.driver_m, sized.driven_m, section)
    using: Sequence[str | None] = gears or gear_choices(machine) or (None,)
    low_hz, high_hz = sized.limits_hz
    look_hz = np.linspace(low_hz, high_hz, max(2, round((high_hz - low_hz) / LOOK_STEP_HZ) + 1))
    return Arrangement(
        old=machine,
        old_range=old_range(machine, using),
        sized=sized,
        fit=fit,
        old_belt=still,
        old_belt_words=still_words,
        tension=tension,
        belt_speed_m_per_s=_belt_speed_m_per_s(sized),
        belt_cautions=() if small is None else (small,),
        curves=tuple(
            drive_curve(sized.machine, belt=cover.belt, gear=cover.gear, supply_hz=look_hz) for cover in sized.coverage
        ),
        gears=tuple(_besides(machine, sized, gear, points) for gear in using),
    )


def _ratios_before(sized: Sized) -> list[float]:
    """Motor turns per turn of the new driver, in every choice that stands before it."""
    belts: Sequence[str | None] = belt_choices(sized.machine, places=2) or (None,)
    gears: Sequence[str | None] = gear_choices(sized.machine) or (None,)
    return [
        math.prod(stage_ratios(sized.machine, Setting(belt=belt, gear=gear))[: sized.stage_index])
        for belt in belts
        for gear in gears
    ]


def _most_torque_n_m(sized: Sized) -> float | None:
    """Full-load torque on the new driver in the choice that gears the motor down most; None if no power is stated."""
    rated_n_m = motors.rated_torque_n_m(require_motor(sized.machine))
    return None if rated_n_m is None else rated_n_m * max(_ratios_before(sized))


def _belt_speed_m_per_s(sized: Sized) -> float:
    """Belt speed at the fast end of the wanted range, in the choice that runs it fastest."""
    motor = require_motor(sized.machine)
    turns_hz = motors.synchronous_hz(sized.needed_hz[1], poles=motor.poles)
    return float(belt_speed_m_per_s(turns_hz / min(_ratios_before(sized)), pitch_m=sized.driver_m))


def _besides(machine: Machine, sized: Sized, gear: str | None, points: int) -> GearBesides:
    """Compare over what either drive reaches in this gear."""
    was = old_range(machine, (gear,))
    covers = [cover for cover in sized.coverage if cover.gear == gear]
    speeds = common_speeds(
        min(was.low_m_per_s, *(cover.low_m_per_s for cover in covers)),
        max(was.high_m_per_s, *(cover.high_m_per_s for cover in covers)),
        count=points,
    )
    old, new = reach(machine, speeds, gear=gear), reach(sized.machine, speeds, gear=gear)
    return GearBesides(gear=gear, old=old, new=new, new_forbidden=_forbidden(sized.machine, new, gear))


def _forbidden(machine: Machine, reached: Reach, gear: str | None) -> NDArray[np.bool_]:
    """At which of the blade speeds the drive may pass a limit; never where it does not reach the speed."""
    out = np.zeros(len(reached.blade_m_per_s), dtype=np.bool_)
    known = ~np.isnan(reached.supply_hz)
    for belt in {name for name, there in zip(reached.belts, known, strict=True) if there}:
        here = known & np.array([name == belt for name in reached.belts])
        out[here] = drive_curve(machine, belt=belt, gear=gear, supply_hz=reached.supply_hz[here]).forbidden
    return out
