"""How hard does the motor pull, by how much it falls behind its idle speed?

Slip is in proportion to torque to some 20 % (nameplate tolerance, NEMA MG 1 as quoted by DOE/GO-10097-517; a
laboratory load test in the literature shows up to 30 %).  Only the fall against idle running is used: the display's
hertz and the clock then matter little.  The idle drag itself is not in it.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.drive.motor import (
    LEAST_BREAKDOWN_RATIO,
    full_load_hz,
    rated_slip_hz,
    slowest_full_load_hz,
    synchronous_hz,
)
from kerfbeat.machine import Motor

__all__ = [
    "LOADED",
    "LOAD_U95",
    "OVERLOAD",
    "SUSTAINED_S",
    "breakdown_slip_hz",
    "full_load_slip_hz",
    "light_fall",
    "load_of",
    "most_slip_hz",
]

Floats = NDArray[np.float64]

LOAD_U95 = 0.25  # relative, of a load told from slip
LOADED = 0.15  # of full load: from here on a cut shows creep
OVERLOAD = 1.2  # of full load: more than the nameplate's tolerance may make of it (test_verdict_names_the_cause)
# What passes sooner is no load but the bite of a tooth, a knot, chatter.  A motor bears 1.6 times its torque for 15 s
# (IEC 60034-1, from memory), and a stall from there takes a few (test_verdict_names_the_cause, confusion.py).
SUSTAINED_S = 2.0


def full_load_slip_hz(motor: Motor, *, supply_hz: float) -> float:
    """Slip at full load, in turns per second, at a supply frequency."""
    return float(synchronous_hz(supply_hz, poles=motor.poles) - full_load_hz(supply_hz, motor=motor))


def light_fall(motor: Motor) -> float:
    """Fall below the idle speed that is still no load, as a part of the field's speed at base frequency."""
    field_hz = float(synchronous_hz(motor.base_hz, poles=motor.poles))
    return LOADED * full_load_slip_hz(motor, supply_hz=motor.base_hz) / field_hz


def most_slip_hz(motor: Motor, *, supply_hz: float, full_loads: float = 1.0) -> float:
    """Slip that full load (or so many of it) may take at most, in turns per second: the low edge of the predicted band.

    Nameplate's tolerance, a rotor warmer than rated, a voltage too low for the frequency and the bend of the torque
    curve look like load: only what is beyond is more load for sure.
    """
    slowest_hz = slowest_full_load_hz(supply_hz, motor=motor, full_loads=full_loads)
    return float(synchronous_hz(supply_hz, poles=motor.poles) - slowest_hz)


def breakdown_slip_hz(motor: Motor) -> float:
    """Slip at the greatest torque, in turns per second: Kloss's curve through the nameplate point, k + sqrt(k^2 - 1).

    Kloss: T / T_m = 2 / (s / s_m + s_m / s).  Worked textbook example: T_m = 2 T_N, s_m = 10 % give s_N = 2.6795 %.
    """
    ratio = motor.breakdown_torque_ratio or LEAST_BREAKDOWN_RATIO
    return rated_slip_hz(motor) * (ratio + math.sqrt(ratio * ratio - 1.0))


def load_of(fall_hz: ArrayLike, *, motor: Motor, supply_hz: float | None) -> Floats:
    """Load above idle as a part of full load, from how far the motor fell below its idle speed (turns per second).

    supply_hz : None where it was not marked; then the nameplate's.
    """
    slip_hz = full_load_slip_hz(motor, supply_hz=supply_hz or motor.base_hz)
    return np.asarray(fall_hz, dtype=float) / slip_hz
