"""How large, heavy and tight are the parts of a drive of which a description says nothing?

As those of a sound machine of its size (common practice, no published source for the numbers).
"""

from __future__ import annotations

import math

from kerfbeat.errors import SimulateError
from kerfbeat.machine import BeltStage, Motor
from kerfbeat.simulate.friction import CALM, Coupling

__all__ = [
    "DEFAULT_POWER_W",
    "IRON_KG_PER_M3",
    "belt_length_m",
    "rotor_kg_m2",
    "sheave_kg_m2",
    "sized_coupling",
    "wrap_rad",
]

IRON_KG_PER_M3 = 7200.0
SHEAVE_WIDTH_M = 0.03
SHEAVE_FILL = 0.5  # webs and hub instead of a full disc
DEFAULT_POWER_W = 1100.0


def sheave_kg_m2(diameter_m: float) -> float:
    """Moment of inertia of a sheave: half m r² of a disc."""
    radius_m = diameter_m / 2
    mass_kg = math.pi * radius_m**2 * SHEAVE_WIDTH_M * SHEAVE_FILL * IRON_KG_PER_M3
    return 0.5 * mass_kg * radius_m**2


def rotor_kg_m2(motor: Motor | None) -> float:
    """Moment of inertia of the rotor of an ordinary closed motor of its power and pole count; next to none without."""
    if motor is None:
        return 1e-4
    size: float = ((motor.power_w or DEFAULT_POWER_W) / 1500) ** 1.4
    return 0.0035 * size * motor.poles / 4


def wrap_rad(stage: BeltStage, driver_m: float, driven_m: float) -> float:
    """Contact angle on the smaller sheave, pi - 2 asin((D - d) / 2C).  Source: Shigley, eq. 17-1."""
    centre_m = _centre_m(stage, driver_m, driven_m)
    return math.pi - 2 * math.asin(min(abs(driven_m - driver_m) / (2 * centre_m), 0.99))


def _centre_m(stage: BeltStage, driver_m: float, driven_m: float) -> float:
    """Centre distance as described, else from the belt's length, else a usual one."""
    if stage.centre_distance_m is not None:
        return stage.centre_distance_m
    if stage.belt_length_m is not None:
        # Mott, Machine Elements in Mechanical Design, eq. 7-4.
        b_m = 4 * stage.belt_length_m - math.tau * (driver_m + driven_m)
        inside = b_m * b_m - 32 * (driven_m - driver_m) ** 2
        if b_m > 0 and inside > 0:
            return (b_m + math.sqrt(inside)) / 16
    return 1.5 * (driver_m + driven_m)


def belt_length_m(stage: BeltStage, driver_m: float, driven_m: float) -> float:
    """Pitch length as described, else that of an open belt.  Source: Mott, eq. 7-3."""
    if stage.belt_length_m is not None:
        return stage.belt_length_m
    centre_m = _centre_m(stage, driver_m, driven_m)
    return 2 * centre_m + math.pi / 2 * (driver_m + driven_m) + (driven_m - driver_m) ** 2 / (4 * centre_m)


def sized_coupling(
    name: str, *, full_load_n: float, creep: float, grip: float, friction: float, wrap_rad: float, rise: float,
    speed_m_per_s: float,
) -> Coupling:  # fmt: skip
    """Size a belt: its stiffness from the creep wanted at full load, its tension from the pull at which it slips."""
    ratio = math.exp(friction * wrap_rad)
    tension_n = grip * full_load_n * (ratio + 1) / (2 * (ratio - 1))
    stretch_n = full_load_n * (1 / creep - 0.5)  # EA + T0, from creep = F / (EA + T0 + F/2)
    if stretch_n <= tension_n:
        raise SimulateError(
            f"{name}: creep {creep:g} and grip {grip:g} together ask for a belt of no stiffness; lower one"
        )
    return Coupling(
        name=name, stiffness_n=stretch_n - tension_n, tension_n=tension_n, friction=friction, wrap_rad=wrap_rad,
        rise=rise, least_speed_m_per_s=CALM * speed_m_per_s,
    )  # fmt: skip
