"""What speed and torque does an induction motor give on an inverter?

Below base frequency the inverter keeps the flux: one torque has one slip in rpm.  Above it the voltage stays and the
flux falls: constant power then has one slip in per cent.  Frequencies are in Hz, shaft speeds in turns per second.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.machine import Motor
from kerfbeat.units import W_PER_HP

__all__ = [
    "Torques",
    "breakdown_torque_ratio",
    "continuous_torque_ratio",
    "full_load_hz",
    "rated_slip_hz",
    "rated_torque_n_m",
    "slowest_full_load_hz",
    "synchronous_hz",
    "top_speed_hz",
    "torque_ratio",
]

Array = NDArray[np.float64]

# Rated slip may differ from the nameplate's by this fraction (NEMA MG 1, as quoted by DOE/GO-10097-517, Determining
# Electric Motor Load and Efficiency).
SLIP_TOLERANCE = 0.20
# Slip at one torque grows at low frequency, where inverters hold the flux badly: 70.9 rpm at half base frequency
# against 61.2 rpm at base frequency in a published simulated 2.2 kW motor (motulator 0.5.0), drawn on linearly.
FLUX_DROOP_SLIP = 2 * (70.9 / 61.2 - 1)
# Least breakdown torque of general-purpose (design A, B) motors, in full-load torques (NEMA MG 10, table 2-1).
LEAST_BREAKDOWN_RATIO = 1.75
# Full-load slip at the very pull-out point cannot be held; this part of the breakdown torque is still steady.
STEADY_PART_OF_BREAKDOWN = 0.95

# Continuous torque of a motor cooled by its own fan, against frequency over base frequency: (low, high) of a band.
# Shape only: falls smoothly from rated torque near base frequency to about 0.8 at half speed and 0.5 to 0.7 at a tenth
# of it (figures remembered of IEC TS 60034-25 and NEMA MG 1 part 30, not read; the motor maker's curve comes first).
SELF_COOLED_AT = (0.0, 0.1, 0.5, 1.0)
SELF_COOLED_LOW = (0.40, 0.50, 0.75, 0.95)
SELF_COOLED_HIGH = (0.65, 0.70, 0.85, 1.00)

# Safe top speed where the nameplate does not say: twice synchronous speed up to 5 hp, 1.5 times above.  From memory of
# NEMA MG 1 (two recollections differ), and not for belted motors: only ever a warning, never a permission.
SMALL_MOTOR_W = 5 * W_PER_HP
SMALL_MOTOR_TOP, LARGE_MOTOR_TOP = 2.0, 1.5


def synchronous_hz(supply_hz: ArrayLike, *, poles: int) -> Array:
    """Speed of the rotating field, 2 f / p, in turns per second.

    supply_hz : any shape.  Source: NEMA MG 1 (n_s = 120 f / p rpm).
    """
    return np.asarray(supply_hz, dtype=float) * (2.0 / poles)


def rated_slip_hz(motor: Motor) -> float:
    """Full-load slip of the nameplate, in turns per second."""
    return 2.0 * motor.base_hz / motor.poles - motor.rpm / 60.0


def rated_torque_n_m(motor: Motor) -> float | None:
    """Full-load torque P / omega of the nameplate; None if it states no power."""
    return None if motor.power_w is None else motor.power_w / (2 * np.pi * motor.rpm / 60.0)


def breakdown_torque_ratio(supply_hz: ArrayLike, *, motor: Motor) -> Array:
    """Greatest torque before the motor stalls, in rated torques.

    Constant to base frequency, falling with the square of f_b / f above it (fixed voltage: T_max goes as (V / f)^2;
    Chapman, Electric Machinery Fundamentals).  Where the motor's own figure is not known, the least of its kind.
    """
    at_base = motor.breakdown_torque_ratio or LEAST_BREAKDOWN_RATIO
    return at_base * _weakening(supply_hz, motor) ** 2


def torque_ratio(supply_hz: ArrayLike, *, motor: Motor) -> Array:
    """Full-load torque in rated torques: 1 to base frequency, then f_b / f (constant power), capped by breakdown.

    Short of cooling, which `continuous_torque_ratio` adds.  Source: Chapman; NEMA MG 1 part 30.
    """
    weakening = _weakening(supply_hz, motor)
    if motor.breakdown_torque_ratio is None:
        return weakening
    return np.minimum(weakening, STEADY_PART_OF_BREAKDOWN * breakdown_torque_ratio(supply_hz, motor=motor))


class Torques(NamedTuple):
    """The two edges of a band of torque, in rated torques."""

    low: Array
    high: Array


def continuous_torque_ratio(supply_hz: ArrayLike, *, motor: Motor) -> Torques:
    """Torque the motor can give for hours without cooking, as a band, in rated torques.

    A motor cooled by its own fan loses cooling as it slows; one with a blower does not; where the nameplate's owner
    did not say, the band spans both.  Never above `torque_ratio`.
    """
    most = torque_ratio(supply_hz, motor=motor)
    if motor.self_cooled is False:
        return Torques(most, most)
    relative = np.asarray(supply_hz, dtype=float) / motor.base_hz
    low = np.minimum(most, np.interp(relative, SELF_COOLED_AT, SELF_COOLED_LOW))
    high = (
        most if motor.self_cooled is None else np.minimum(most, np.interp(relative, SELF_COOLED_AT, SELF_COOLED_HIGH))
    )
    return Torques(low, high)


def full_load_hz(supply_hz: ArrayLike, *, motor: Motor, load: ArrayLike | None = None) -> Array:
    """Shaft speed under load, in turns per second.

    load : torque in rated torques; None for the full load of `torque_ratio`.
    Slip is in proportion to torque and scaled from the nameplate.  Below base frequency its rpm do not depend on the
    frequency; above it they grow with (f / f_b)^2 at one torque, that is with f / f_b at constant power.
    Sources: rotor frequency constant to base frequency, per-unit slip constant above it at constant power: Modelica
    Standard Library, quasi-static induction machine with inverter; slip in proportion to torque: Chapman.
    """
    torque = torque_ratio(supply_hz, motor=motor) if load is None else np.asarray(load, dtype=float)
    slip_hz = rated_slip_hz(motor) * torque / _weakening(supply_hz, motor) ** 2
    return np.maximum(synchronous_hz(supply_hz, poles=motor.poles) - slip_hz, 0.0)


def slowest_full_load_hz(supply_hz: ArrayLike, *, motor: Motor, full_loads: float = 1.0) -> Array:
    """Lowest shaft speed to expect under full load, in turns per second: the low edge of the band.

    full_loads : another load, in full loads at each frequency.
    The nameplate's tolerance, the flux missing at low frequency, and the bend of the torque curve towards breakdown
    (Kloss, scaled so that the nameplate point lies on it) all make the slip larger than `full_load_hz` has it.
    """
    weakening = _weakening(supply_hz, motor)
    torque = full_loads * torque_ratio(supply_hz, motor=motor)
    slip_hz = rated_slip_hz(motor) * torque / weakening**2
    at_base = motor.breakdown_torque_ratio or LEAST_BREAKDOWN_RATIO
    part = np.minimum(torque / breakdown_torque_ratio(supply_hz, motor=motor), STEADY_PART_OF_BREAKDOWN)
    bent_hz = rated_slip_hz(motor) * _kloss(part) / _kloss(np.asarray(1.0 / at_base))
    droop = 1.0 + FLUX_DROOP_SLIP * np.maximum(1.0 - np.asarray(supply_hz, dtype=float) / motor.base_hz, 0.0)
    worst_hz = np.maximum(slip_hz, bent_hz) * droop * (1.0 + SLIP_TOLERANCE)
    return np.maximum(synchronous_hz(supply_hz, poles=motor.poles) - worst_hz, 0.0)


def top_speed_hz(motor: Motor) -> tuple[float, str]:
    """Safe top speed of the shaft in turns per second, and where that limit comes from."""
    if motor.maximum_rpm is not None:
        return motor.maximum_rpm / 60.0, "the motor's stated maximum"
    small = motor.power_w is not None and motor.power_w <= SMALL_MOTOR_W * 1.001
    times = SMALL_MOTOR_TOP if small else LARGE_MOTOR_TOP
    return times * 2.0 * motor.base_hz / motor.poles, f"{times:g} times its synchronous speed; ask the motor's maker"


def _weakening(supply_hz: ArrayLike, motor: Motor) -> Array:
    """Flux against rated flux, on a supply whose voltage stays at its base value above base frequency."""
    out: Array = motor.base_hz / np.maximum(np.asarray(supply_hz, dtype=float), motor.base_hz)
    return out


def _kloss(part: Array) -> Array:
    """Slip over breakdown slip at a torque that is `part` of breakdown torque: T / T_m = 2 / (x + 1 / x)."""
    out: Array = part / (1.0 + np.sqrt(1.0 - part**2))
    return out
