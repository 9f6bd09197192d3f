"""Which settings give a wanted blade speed, and which of them leave most torque in hand?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibration import NOTHING_KNOWN, Known
from kerfbeat.drive import motor as motors
from kerfbeat.drive.calibrated import calibrated_curves, calibrated_prediction
from kerfbeat.drive.chain import DriveCurve, Prediction, require_motor
from kerfbeat.drive.frequency import fine_hz, limits_hz
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.words import speed_words
from kerfbeat.errors import DriveError
from kerfbeat.machine import BeltStage, Machine, Setting, belt_choices

__all__ = ["Choice", "choose", "middle_m_per_s"]

# A single wanted speed is met within this part of it, which is finer than any band of prediction.
SPEED_TOLERANCE = 0.01
FINE_PLACES = 201  # places of a variable-width sheave tried where no inverter can fill in between


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """One setting that gives the speed.

    from_hz, to_hz : frequencies of this belt and gear that keep the speed inside the wanted range, and pass no limit
        if there are any that do not.
    curve : of this belt and gear, over the inverter's range.
    """

    prediction: Prediction
    from_hz: float
    to_hz: float
    curve: DriveCurve

    @property
    def hours_pull(self) -> float:
        """Torque at the wheel that cooling allows for hours, in the motor's rated torques."""
        return self.prediction.continuous_torque_ratio[0] * self.curve.ratio

    @property
    def forbidden(self) -> bool:
        """Whether a limit would be passed."""
        return self.prediction.forbidden


def middle_m_per_s(curve: DriveCurve) -> NDArray[np.float64]:
    """Blade speed halfway between no load and full load: the one number to aim with."""
    return (curve.blade_m_per_s.no_load + curve.blade_m_per_s.full_load) / 2.0


def choose(machine: Machine, wanted: SpeedRange, *, known: Known = NOTHING_KNOWN) -> list[Choice]:
    """Find settings whose speed, halfway between no load and full load, lies in the wanted range; best first.

    known : what was measured of the machine, which takes the place of what is described.

    Best is: no limit passed, then most pull along the blade for hours (torque in hand and cooling), then most distance
    to breakdown.  Frequencies are rounded to the inverter's display.
    Raises DriveError if no setting gives it; the message tells the nearest.
    """
    motor = require_motor(machine)
    wanted.require_runnable()
    low, high = wanted.low_m_per_s, wanted.high_m_per_s
    if high - low < 2 * SPEED_TOLERANCE * low:
        middle = (low + high) / 2.0
        low, high = middle * (1.0 - SPEED_TOLERANCE), middle * (1.0 + SPEED_TOLERANCE)
    curves = _curves(machine, known)
    found = [choice for curve in curves if (choice := _on_curve(machine, known, curve, low, high)) is not None]
    if not found:
        raise DriveError(_nearest_words(machine, curves, wanted))
    best = max(choice.hours_pull for choice in found)

    def rank(choice: Choice) -> tuple[float, ...]:
        hz = choice.prediction.setting.hz or motor.base_hz
        margin = float(motors.breakdown_torque_ratio(hz, motor=motor)) / choice.prediction.torque_ratio
        return (choice.forbidden, -round(choice.hours_pull / best, 2), -margin)

    return _nearest_places(machine, sorted(found, key=rank), (low + high) / 2.0)


def _places(machine: Machine) -> int | None:
    """How many places of a variable-width sheave to try: many where no inverter fills in between."""
    varies = any(isinstance(stage, BeltStage) and stage.varies for stage in machine.stages)
    return FINE_PLACES if varies and limits_hz(machine) is None else None


def _curves(machine: Machine, known: Known) -> list[DriveCurve]:
    places = _places(machine)
    belts = None if places is None else belt_choices(machine, places=places)
    return calibrated_curves(machine, known, supply_hz=fine_hz(machine), belts=belts)


def _on_curve(machine: Machine, known: Known, curve: DriveCurve, low: float, high: float) -> Choice | None:
    """Take the frequency that gives the middle of the wanted range, or the nearest to it that may be used."""
    speed, supply_hz = middle_m_per_s(curve), curve.supply_hz
    if speed[-1] < low or speed[0] > high:
        return None
    from_hz, aim_hz, to_hz = (float(hz) for hz in np.interp((low, (low + high) / 2.0, high), speed, supply_hz))
    from_hz, to_hz = _usable(curve, from_hz, aim_hz, to_hz)
    hz = min(max(aim_hz, from_hz), to_hz)
    if len(supply_hz) > 1:
        resolution = machine.inverter.resolution_hz if machine.inverter is not None else None
        hz = _shown_hz(hz, resolution or 0.1, from_hz, to_hz)
        hz = min(max(hz, float(supply_hz[0])), float(supply_hz[-1]))
    setting = Setting(belt=curve.belt, gear=curve.gear, hz=hz)
    exact = calibrated_prediction(machine, setting, known)
    return Choice(prediction=exact, from_hz=from_hz, to_hz=to_hz, curve=curve)


def _usable(curve: DriveCurve, from_hz: float, aim_hz: float, to_hz: float) -> tuple[float, float]:
    """The part of a range of frequencies that passes no limit, next to the aim; all of it if every part does."""
    inside = (curve.supply_hz >= from_hz) & (curve.supply_hz <= to_hz)
    forbidden = curve.forbidden
    allowed = inside & ~forbidden
    if not np.any(allowed) or not np.any(inside & forbidden):
        return from_hz, to_hz
    places = np.flatnonzero(allowed)
    nearest = int(places[np.argmin(np.abs(curve.supply_hz[places] - aim_hz))])
    barred = np.flatnonzero(forbidden)
    before, after = barred[barred < nearest], barred[barred > nearest]
    if len(before):
        from_hz = max(from_hz, float(curve.supply_hz[before[-1] + 1]))
    if len(after):
        to_hz = min(to_hz, float(curve.supply_hz[after[0] - 1]))
    return from_hz, to_hz


def _shown_hz(hz: float, step_hz: float, from_hz: float, to_hz: float) -> float:
    """The nearest frequency that the inverter's display can show, inside the range where one lies there."""
    shown = round(hz / step_hz) * step_hz
    for near in (shown, shown - step_hz, shown + step_hz):
        if from_hz <= near <= to_hz:
            return round(near, 6)
    return round(shown, 6)


def _nearest_places(machine: Machine, ranked: list[Choice], aim_m_per_s: float) -> list[Choice]:
    """Of many places of one variable-width sheave keep the one nearest to the wanted speed."""
    if _places(machine) is None:
        return ranked
    choosing = [stage for stage in machine.stages if isinstance(stage, BeltStage)]
    choosing = [stage for stage in choosing if stage.varies or stage.positions[0].name is not None]

    def steps(choice: Choice) -> tuple[str, ...]:
        names = (choice.prediction.setting.belt or "").split(" / ")
        return tuple(name for name, stage in zip(names, choosing, strict=True) if not stage.varies)

    def miss(choice: Choice) -> float:
        blade = choice.prediction.blade_m_per_s
        return abs((blade.no_load + blade.full_load) / 2.0 - aim_m_per_s)

    kept: dict[tuple[str, ...], Choice] = {}
    for choice in ranked:
        key = (choice.prediction.setting.gear or "", *steps(choice))
        if key not in kept or miss(choice) < miss(kept[key]):
            kept[key] = choice
    return [choice for choice in ranked if choice in kept.values()]


def _nearest_words(machine: Machine, curves: Sequence[DriveCurve], wanted: SpeedRange) -> str:
    def miss(pair: tuple[DriveCurve, int]) -> float:
        speed = float(middle_m_per_s(pair[0])[pair[1]])
        return max(wanted.low_m_per_s - speed, speed - wanted.high_m_per_s)

    curve, index = min(((curve, index) for curve in curves for index in (0, -1)), key=miss)
    speed = float(middle_m_per_s(curve)[index])
    at = ", ".join(
        [f"belt {curve.belt}"] * (curve.belt is not None)
        + [f"gear {curve.gear}"] * (curve.gear is not None)
        + [f"{curve.supply_hz[index]:g} Hz"]
    )
    low, high = wanted.low_m_per_s, wanted.high_m_per_s
    asked = speed_words(machine, low, None if high - low < 2 * SPEED_TOLERANCE * low else high)
    return f"no setting gives {asked}; the nearest is {at} with {speed_words(machine, speed)}."
