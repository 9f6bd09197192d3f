"""Which fixed pulley and which inverter limits give a wanted blade range?

A variable-width or worn-out belt stage is replaced by one fixed pair.  The pulley is chosen so that the wanted range
lies in the middle of what the inverter may be set to, with equal hertz to spare at both ends.  Speeds are those under
full load, since the range is wanted for the cut.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive import motor as motors
from kerfbeat.drive.chain import drive_curve, require_motor
from kerfbeat.drive.coverage import Coverage, cover_of, gaps_between, other_ratio, ways_beside
from kerfbeat.drive.frequency import limits_hz
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.words import speed_words
from kerfbeat.errors import DriveError
from kerfbeat.machine import (
    BeltPosition,
    BeltStage,
    Inverter,
    Machine,
    Setting,
    Sheave,
    belt_choices,
    gear_choices,
)
from kerfbeat.machine.stages import LARGEST_SHEAVE_M, SMALLEST_SHEAVE_M
from kerfbeat.units import M_PER_IN

__all__ = ["Sized", "old_range", "replaced_stage", "size_drive"]

Array = NDArray[np.float64]

# Where the inverter's own limits are not told: half to double base frequency.  Common practice, no published source.
LEAST_PART, MOST_PART = 0.5, 2.0
STEP_M = {"metric": 1e-3, "inch": 0.1 * M_PER_IN}  # sizes in which pulleys are looked for
CURVE_POINTS = 2001


@dataclass(frozen=True, kw_only=True, slots=True)
class Sized:
    """A fixed pair for one belt stage, and what it gives.

    machine : the machine with that pair and with the inverter's limits in place.
    exact_driver_m : pitch diameter that would centre the range exactly; `driver_m` is a size to look for.
    needed_hz : frequencies at the ends of the wanted range, inside the limits.
    needed_at : belt position and gear of either end: the slowest way and the fastest.
    """

    machine: Machine
    stage_index: int
    wanted: SpeedRange
    exact_driver_m: float
    driver_m: float
    driven_m: float
    limits_hz: tuple[float, float]
    needed_hz: tuple[float, float]
    needed_at: tuple[Setting, Setting]
    coverage: tuple[Coverage, ...]
    gaps: tuple[str, ...]


def replaced_stage(machine: Machine, name: str | None = None) -> int:
    """Index of the belt stage to replace: the named one, or the first that varies, or the first belt.

    name : a stage's name, or its place counted from 1.
    Raises DriveError if there is no such belt stage.
    """
    belts = [index for index, stage in enumerate(machine.stages) if isinstance(stage, BeltStage)]
    if not belts:
        raise DriveError(
            f'{machine.name}: no belt is described, so none can be sized; add a [[stage]] with kind = "belt".'
        )
    if name is not None:
        for index in belts:
            if name.casefold() in ((machine.stages[index].name or "").casefold(), str(index + 1)):
                return index
        known = ", ".join(machine.stages[index].name or f"stage {index + 1}" for index in belts)
        raise DriveError(f'there is no belt stage "{name}"; belts here: {known} (or its number, from 1).')
    return next((index for index in belts if _varies(machine, index)), belts[0])


def _varies(machine: Machine, index: int) -> bool:
    stage = machine.stages[index]
    return isinstance(stage, BeltStage) and stage.varies


def old_range(machine: Machine, gears: Sequence[str | None]) -> SpeedRange:
    """Blade range of the machine as it is, under full load: at base frequency, or over its inverter's limits.

    A machine with a variable-width belt is taken to run at base frequency.
    """
    motor = require_motor(machine)
    varies = any(_varies(machine, index) for index in range(len(machine.stages)))
    limits = limits_hz(machine)
    supply_hz = [motor.base_hz] if varies or limits is None else list(limits)
    speeds = [
        speed
        for belt in belt_choices(machine, places=2) or (None,)
        for gear in gears
        for speed in drive_curve(machine, belt=belt, gear=gear, supply_hz=supply_hz).blade_m_per_s.full_load
    ]
    return SpeedRange(low_m_per_s=float(min(speeds)), high_m_per_s=float(max(speeds)))


def size_drive(
    machine: Machine,
    *,
    wanted: SpeedRange | None = None,
    stage_index: int | None = None,
    gears: Sequence[str] | None = None,
    limits: tuple[float, float] | None = None,
    driver_m: float | None = None,
    driven_m: float | None = None,
    centre_m: float | None = None,
) -> Sized:
    """Find the driving pulley, or check a given one, for a wanted blade range.

    wanted : None for the range the machine has now.   gears : those to use; None for all.
    limits : lowest and highest frequency the inverter may be set to; None for the machine file's, else half to double
        base frequency.
    driver_m, driven_m : pitch diameters already decided; the driven one is kept as it is if not told.
    centre_m : distance of the shafts, if it is not as the machine file has it.
    Raises DriveError if the range cannot be reached, with what would, and for a pulley or a distance that cannot be.
    """
    motor = require_motor(machine)
    index = replaced_stage(machine) if stage_index is None else stage_index
    using: tuple[str | None, ...] = tuple(gears or ()) or gear_choices(machine) or (None,)
    low_hz, high_hz = _limits(machine, limits)
    wanted = wanted or old_range(machine, using)
    wanted.require_runnable()
    stage = machine.stages[index]
    assert isinstance(stage, BeltStage)
    for told_m in (driver_m, driven_m):
        if told_m is not None:
            _require_pulley(told_m, "write")
    driven_m = stage.positions[0].driven.pitch_m if driven_m is None else driven_m
    ways = ways_beside(machine, index, using)
    ways_by_speed = sorted(ways, key=lambda way: -other_ratio(machine, index, way))
    slow_way, fast_way = ways_by_speed[0], ways_by_speed[-1]
    around_m = machine.wheel.blade_per_turn_m
    # motor speed wanted at each end, per unit of d / D: slow end in the slowest gear, fast end in the fastest
    slow_hz = wanted.low_m_per_s / around_m * other_ratio(machine, index, slow_way) * driven_m
    fast_hz = wanted.high_m_per_s / around_m * other_ratio(machine, index, fast_way) * driven_m
    grid_hz = np.linspace(low_hz, high_hz, CURVE_POINTS)
    loaded_hz = motors.full_load_hz(grid_hz, motor=motor)
    exact_m = _centred_driver_m(slow_hz, fast_hz, grid_hz, loaded_hz)
    step_m = STEP_M[machine.lengths]
    chosen_m = round(exact_m / step_m) * step_m if driver_m is None else driver_m
    asked = speed_words(machine, wanted.low_m_per_s, wanted.high_m_per_s)
    _require_pulley(chosen_m, f"{asked} would need it; choose gears that need")
    need_low, need_high = slow_hz / chosen_m, fast_hz / chosen_m
    if need_low < loaded_hz[0] * 0.995 or need_high > loaded_hz[-1] * 1.005:
        raise DriveError(
            _unreachable_words(
                machine,
                wanted,
                need=(need_low, need_high),
                loaded_hz=loaded_hz,
                limits=(low_hz, high_hz),
                fixed=driver_m,
            )
        )
    needed = np.interp((need_low, need_high), loaded_hz, grid_hz)
    new = _with_pair(machine, index, (chosen_m, driven_m), limits=(low_hz, high_hz), centre_m=centre_m)
    coverage = tuple(cover_of(new, index, way, (low_hz, high_hz)) for way in ways)
    return Sized(
        machine=new,
        stage_index=index,
        wanted=wanted,
        exact_driver_m=exact_m,
        driver_m=chosen_m,
        driven_m=driven_m,
        limits_hz=(low_hz, high_hz),
        needed_hz=(float(needed[0]), float(needed[1])),
        needed_at=(slow_way, fast_way),
        coverage=coverage,
        gaps=gaps_between(machine, coverage, wanted),
    )


def _require_pulley(diameter_m: float, how: str) -> None:
    """Refuse a pitch diameter that no pulley has; `how` leads to what would be right."""
    if not SMALLEST_SHEAVE_M <= diameter_m <= LARGEST_SHEAVE_M:
        raise DriveError(
            f"a pulley of {diameter_m * 1e3:.4g} mm cannot be; {how} "
            f"a pitch diameter from {SMALLEST_SHEAVE_M * 1e3:g} mm to {LARGEST_SHEAVE_M:g} m."
        )


def _limits(machine: Machine, limits: tuple[float, float] | None) -> tuple[float, float]:
    base_hz = require_motor(machine).base_hz
    low, high = limits or limits_hz(machine) or (LEAST_PART * base_hz, MOST_PART * base_hz)
    if not (math.isfinite(high) and 0.0 < low < high <= 1000.0):
        raise DriveError(
            f"inverter limits of {low:g} to {high:g} Hz cannot be; write the lower one first, up to 1000 Hz."
        )
    return low, high


def _centred_driver_m(slow_hz: float, fast_hz: float, grid_hz: Array, loaded_hz: Array) -> float:
    """Driver for which the frequencies of both ends lie equally far inside the limits.

    slow_hz, fast_hz : motor speed wanted at the ends, times the driver's diameter.
    The sum of both frequencies falls as the driver grows, so halving finds it.
    """
    middle_hz = float(grid_hz[0] + grid_hz[-1])
    # beyond the grid the curve goes on in a straight line, so that a range that does not fit still has a middle
    slope_low = (loaded_hz[1] - loaded_hz[0]) / (grid_hz[1] - grid_hz[0])
    slope_high = (loaded_hz[-1] - loaded_hz[-2]) / (grid_hz[-1] - grid_hz[-2])

    def supply(turns_hz: float) -> float:
        if turns_hz < loaded_hz[0]:
            return float(grid_hz[0] + (turns_hz - loaded_hz[0]) / slope_low)
        if turns_hz > loaded_hz[-1]:
            return float(grid_hz[-1] + (turns_hz - loaded_hz[-1]) / slope_high)
        return float(np.interp(turns_hz, loaded_hz, grid_hz))

    least_m, most_m = 1e-6, 1e3
    for _ in range(200):
        trial_m = math.sqrt(least_m * most_m)
        if supply(slow_hz / trial_m) + supply(fast_hz / trial_m) > middle_hz:
            least_m = trial_m
        else:
            most_m = trial_m
    return math.sqrt(least_m * most_m)


def _unreachable_words(
    machine: Machine,
    wanted: SpeedRange,
    *,
    need: tuple[float, float],
    loaded_hz: Array,
    limits: tuple[float, float],
    fixed: float | None,
) -> str:
    """Say why the motor, needed at speeds from `need[0]` to `need[1]`, does not give them within the limits."""
    need_low, need_high = need
    asked = speed_words(machine, wanted.low_m_per_s, wanted.high_m_per_s)
    span, reach = need_high / need_low, float(loaded_hz[-1] / max(loaded_hz[0], 1e-9))
    if span > reach:
        return (
            f"{asked} asks the motor for a span of 1 to {span:.1f}; between {limits[0]:g} and {limits[1]:g} Hz "
            f"it gives 1 to {reach:.1f}: narrow the range, widen the limits, or use more gears."
        )
    assert fixed is not None
    return (
        f"a driver of {fixed * 1e3:.1f} mm needs the motor at {need_low * 60:.0f} to {need_high * 60:.0f} rpm for "
        f"{asked}; between {limits[0]:g} and {limits[1]:g} Hz it turns {loaded_hz[0] * 60:.0f} to "
        f"{loaded_hz[-1] * 60:.0f} rpm; leave the driver out to have one found."
    )


def _with_pair(
    machine: Machine,
    index: int,
    pair_m: tuple[float, float],
    *,
    limits: tuple[float, float],
    centre_m: float | None,
) -> Machine:
    """Put the fixed pair (driver, driven) and the inverter's limits into the description."""
    driver_m, driven_m = pair_m
    stage = machine.stages[index]
    assert isinstance(stage, BeltStage)
    pair = BeltPosition(driver=Sheave.from_pitch(driver_m), driven=Sheave.from_pitch(driven_m))
    centre_m = stage.centre_distance_m if centre_m is None else centre_m
    if centre_m is not None and centre_m <= (driver_m + driven_m) / 2:
        raise DriveError(
            f"pulleys of {driver_m * 1e3:.1f} and {driven_m * 1e3:.1f} mm overlap when their shafts are "
            f"{centre_m * 1e3:g} mm apart; move the shafts apart or choose a smaller driven pulley."
        )
    new_stage = BeltStage(name=stage.name, positions=(pair,), centre_distance_m=centre_m)
    resolution = machine.inverter.resolution_hz if machine.inverter is not None else None
    return dataclasses.replace(
        machine,
        stages=(*machine.stages[:index], new_stage, *machine.stages[index + 1 :]),
        inverter=Inverter(minimum_hz=limits[0], maximum_hz=limits[1], resolution_hz=resolution),
        text="",
    )
