"""What becomes of a prediction once the chain, the motor's slip or the wheel were measured?

A measured ratio holds belt creep at no load and takes the place of that by diameters, with its own uncertainty instead
of the diameters'; a measured slip lowers the no-load speed; a measured wheel takes the place of the described one.
What was not measured stays as predicted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from kerfbeat.calibration import Known, setting_name
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.drive.cautions import cautions_at
from kerfbeat.drive.chain import (
    WHEEL_HALF_WIDTH,
    Band,
    DriveCurve,
    Prediction,
    drive_curve,
    drive_curves,
    require_motor,
)
from kerfbeat.machine import BeltStage, Machine, Setting, stage_ratios

__all__ = ["calibrated_curve", "calibrated_curves", "calibrated_prediction", "calibrated_words"]

K95 = 1.96  # half-width of a band, over the standard uncertainty of what was measured


def calibrated_words(curves: Sequence[DriveCurve], known: Known) -> tuple[str, ...]:
    """What of the store the curves rest on, one line each; () if nothing does."""
    settings = [Setting(belt=curve.belt, gear=curve.gear) for curve in curves]
    used = {("wheel diameter", ""), ("motor slip", ""), *(("total ratio", setting_name(each)) for each in settings)}
    return replace(known, results={key: result for key, result in known.results.items() if key in used}).described()


def calibrated_curves(
    machine: Machine,
    known: Known,
    *,
    supply_hz: ArrayLike,
    belts: Sequence[str | None] | None = None,
    gears: Sequence[str | None] | None = None,
) -> list[DriveCurve]:
    """Predict every belt position and gear, or the named ones, with what is known of each; slowest gear first."""
    curves = drive_curves(machine, supply_hz=supply_hz, belts=belts, gears=gears)
    return [calibrated_curve(curve, machine, known) for curve in curves]


def calibrated_curve(curve: DriveCurve, machine: Machine, known: Known) -> DriveCurve:
    """One belt position and gear over frequency, with what was measured in place of what was described."""
    setting = Setting(belt=curve.belt, gear=curve.gear)
    measured, slip, wheel = known.total_ratio(setting), known.motor_slip_hz, known.wheel_diameter_m
    if measured is None and slip is None and wheel is None:
        return curve
    motor_hz = _motor(curve, machine, slip)
    wheel_hz = _wheel(curve, machine, motor_hz, measured)
    ratio = curve.ratio if measured is None else measured[0]
    shown = machine if wheel is None else replace(machine, wheel=replace(machine.wheel, diameter_m=wheel[0]))
    part = WHEEL_HALF_WIDTH
    if wheel is not None:
        part = K95 * wheel[1] / (wheel[0] + machine.wheel.blade_thickness_m)
    surface = shown.wheel.surface_speed_m_per_s
    blade = Band(
        no_load=surface(wheel_hz.no_load),
        full_load=surface(wheel_hz.full_load),
        lowest=surface(wheel_hz.lowest) * (1.0 - part),
        highest=surface(wheel_hz.highest) * (1.0 + part),
    )
    return replace(
        curve,
        ratio=ratio,
        motor_hz=motor_hz,
        wheel_hz=wheel_hz,
        blade_m_per_s=blade,
        cautions=cautions_at(
            machine,
            supply_hz=curve.supply_hz,
            motor_hz=curve.motor_hz.no_load,
            slowest_motor_hz=motor_hz.lowest,
            blade_m_per_s=blade.highest,
            stage_ratios=stage_ratios(machine, setting),
        ),
    )


def _motor(curve: DriveCurve, machine: Machine, slip: tuple[float, float] | None) -> Band[np.ndarray]:
    """No-load speed less the measured slip; loaded speeds as they were, but never above it."""
    if slip is None:
        return curve.motor_hz
    base_hz = require_motor(machine).base_hz
    grown = np.maximum(curve.supply_hz / base_hz, 1.0) ** 2  # constant to base frequency, then with its square
    free_hz = curve.motor_hz.no_load
    no_load = free_hz - slip[0] * grown
    return Band(
        no_load=no_load,
        full_load=np.minimum(curve.motor_hz.full_load, no_load),
        lowest=curve.motor_hz.lowest,
        highest=np.minimum(no_load + K95 * slip[1] * grown, free_hz),
    )


def _wheel(
    curve: DriveCurve, machine: Machine, motor_hz: Band[np.ndarray], measured: tuple[float, float] | None
) -> Band[np.ndarray]:
    belts = sum(isinstance(stage, BeltStage) for stage in machine.stages)
    if measured is None:
        before = curve.motor_hz
        return Band(
            no_load=motor_hz.no_load / curve.ratio,
            full_load=motor_hz.full_load / curve.ratio,
            lowest=curve.wheel_hz.lowest,
            highest=curve.wheel_hz.highest * motor_hz.highest / before.highest,
        )
    ratio, part = measured[0], K95 * measured[1] / measured[0]
    return Band(
        no_load=motor_hz.no_load / ratio,
        full_load=motor_hz.full_load / ratio,
        # Under load belts still creep more than they did at no load.
        lowest=motor_hz.lowest / ratio * (1.0 - part) * (1.0 - CREEP_HIGH) ** belts,
        highest=motor_hz.highest / ratio * (1.0 + part),
    )


def calibrated_prediction(machine: Machine, setting: Setting, known: Known) -> Prediction:
    """Predict one setting with all that was measured; its frequency is the base frequency where it is not said.

    Raises DriveError without a motor or for an impossible frequency, MachineError for an unknown belt or gear.
    """
    hz = setting.hz if setting.hz is not None else require_motor(machine).base_hz
    curve = drive_curve(machine, belt=setting.belt, gear=setting.gear, supply_hz=hz)
    return calibrated_curve(curve, machine, known).predictions()[0]
