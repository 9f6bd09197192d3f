"""What do the old and the new drive give at the same blade speed?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive import motor as motors
from kerfbeat.drive.chain import require_motor
from kerfbeat.drive.frequency import limits_hz
from kerfbeat.machine import BeltStage, Machine, Setting, belt_choices, stage_ratios

__all__ = ["Reach", "common_speeds", "reach"]

Array = NDArray[np.float64]
GRID = 2001


@dataclass(frozen=True, kw_only=True, slots=True)
class Reach:
    """One drive in one gear, over blade speed; arrays of shape (n,), NaN where it cannot run at that speed.

    torque : at the wheel under full load, in the motor's rated torques, before losses.
    hours_torque : the same that the motor's cooling allows for hours, by its cautious edge.
    power_ratio : at the motor's shaft under full load, in rated powers.
    supply_hz : inverter (or mains) frequency.
    ratio : motor turns per wheel turn.
    belts : for each speed the step the belt runs in; None where there is no choice, or none reaches it.
    """

    blade_m_per_s: Array
    torque: Array
    hours_torque: Array
    power_ratio: Array
    supply_hz: Array
    ratio: Array
    belts: tuple[str | None, ...]


def reach(machine: Machine, blade_m_per_s: Array, *, gear: str | None) -> Reach:
    """Work out what a machine gives at these blade speeds under full load.

    A stepless belt is taken to run at base frequency and to be set to the speed; stepped belts take the step with
    most torque; otherwise the inverter is set to the speed.
    """
    motor = require_motor(machine)
    wheel_hz = np.asarray(blade_m_per_s, dtype=float) / machine.wheel.blade_per_turn_m
    if any(isinstance(stage, BeltStage) and stage.varies for stage in machine.stages):
        ratio = float(motors.full_load_hz(motor.base_hz, motor=motor)) / wheel_hz
        ends = [
            math.prod(stage_ratios(machine, Setting(belt=belt, gear=gear))) for belt in belt_choices(machine, places=2)
        ]
        fits = (ratio >= min(ends) * (1 - 1e-9)) & (ratio <= max(ends) * (1 + 1e-9))
        names: tuple[str | None, ...] = (None,)
        ratios = [np.where(fits, ratio, np.nan)]
        supplies = [np.where(fits, motor.base_hz, np.nan)]
    else:
        low, high = limits_hz(machine) or (motor.base_hz, motor.base_hz * (1 + 1e-9))
        grid_hz = np.linspace(low, high, GRID)
        loaded_hz = motors.full_load_hz(grid_hz, motor=motor)
        ratios, supplies = [], []
        names = belt_choices(machine) or (None,)
        for belt in names:
            total = math.prod(stage_ratios(machine, Setting(belt=belt, gear=gear)))
            turns_hz = wheel_hz * total
            fits = (turns_hz >= loaded_hz[0] * (1 - 1e-9)) & (turns_hz <= loaded_hz[-1] * (1 + 1e-9))
            supplies.append(np.where(fits, np.interp(turns_hz, loaded_hz, grid_hz), np.nan))
            ratios.append(np.where(fits, total, np.nan))
    return _best(machine, np.asarray(blade_m_per_s, dtype=float), names, ratios, supplies)


def _best(
    machine: Machine,
    blade_m_per_s: Array,
    names: Sequence[str | None],
    ratios: Sequence[Array],
    supplies: Sequence[Array],
) -> Reach:
    """Of several ways to run at each speed take the one with most torque."""
    motor = require_motor(machine)
    supply_hz, ratio = np.array(supplies), np.array(ratios)
    torque = np.where(np.isnan(supply_hz), np.nan, motors.torque_ratio(supply_hz, motor=motor)) * ratio
    best = np.argmax(np.where(np.isnan(torque), -1.0, torque), axis=0)
    columns = np.arange(len(blade_m_per_s))
    supply_hz, ratio, torque = (table[best, columns] for table in (supply_hz, ratio, torque))
    known = ~np.isnan(supply_hz)
    safe_hz = np.where(known, supply_hz, motor.base_hz)
    hours = motors.continuous_torque_ratio(safe_hz, motor=motor).low
    turning = motors.full_load_hz(safe_hz, motor=motor) / (motor.rpm / 60.0)
    power = motors.torque_ratio(safe_hz, motor=motor) * turning
    return Reach(
        blade_m_per_s=blade_m_per_s,
        torque=torque,
        hours_torque=np.where(known, hours * ratio, np.nan),
        power_ratio=np.where(known, power, np.nan),
        supply_hz=supply_hz,
        ratio=ratio,
        belts=tuple(names[int(k)] if there else None for k, there in zip(best, known, strict=True)),
    )


def common_speeds(low_m_per_s: float, high_m_per_s: float, *, count: int) -> Array:
    """Evenly spaced blade speeds over a range, ends included."""
    return np.linspace(low_m_per_s, high_m_per_s, count)
