"""Which belt fits a pair of pulleys, does the old one still, and how tight must it be?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kerfbeat.drive import belt
from kerfbeat.errors import DriveError
from kerfbeat.machine.stages import DATUM_BELOW_OUTSIDE_M
from kerfbeat.units import M_PER_IN

__all__ = [
    "BeltFacts",
    "BeltFit",
    "OldBelt",
    "StockBelt",
    "Tension",
    "belt_tension",
    "fit_belt",
    "old_belt",
    "small_pulley_caution",
]

# Least datum diameters of classical sections, inches: Machinery's Handbook, 31st ed., table 9 (ANSI/RMA IP-20-1988).
LEAST_DATUM_IN = {"A": 3.0, "B": 5.4, "C": 9.0, "D": 13.0}
# Wrap friction of a V-belt in its groove that designers count on: a tension ratio of 5 at half a turn (Shigley).
DESIGN_FRICTION = 0.5123


@dataclass(frozen=True, kw_only=True, slots=True)
class StockBelt:
    """A belt by its designation, and the distance of the shafts it needs."""

    designation: str
    centre_m: float


@dataclass(frozen=True, kw_only=True, slots=True)
class OldBelt:
    """Whether the belt that is there still fits."""

    length_m: float
    centre_m: float
    moved_m: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BeltFit:
    """An open belt round a pair of pulleys at a given distance of the shafts.

    arc_factor : part of a belt's rated power left at this wrap.
    stock : classical belts just below and above, where the section is told.
    """

    centre_m: float
    length_m: float
    wrap_rad: float
    arc_factor: float
    span_m: float
    stock: tuple[StockBelt, ...]


def fit_belt(driver_m: float, driven_m: float, *, centre_m: float, section: str | None = None) -> BeltFit:
    """Fit a belt to pitch diameters.

    section : A, B, C or D to name the stock belts next to it; their datum length goes with datum diameters.
    Raises DriveError if the pulleys overlap or the belt would hardly wrap the smaller one.
    """
    small_m, large_m = sorted((driver_m, driven_m))
    wrap = float(belt.wrap_rad(small_m, large_m, centre_m=centre_m))
    return BeltFit(
        centre_m=centre_m,
        length_m=float(belt.belt_length_m(small_m, large_m, centre_m=centre_m)),
        wrap_rad=wrap,
        arc_factor=float(belt.arc_factor(wrap)),
        span_m=float(belt.span_m(small_m, large_m, centre_m=centre_m)),
        stock=() if section is None else _stock(driver_m, driven_m, centre_m, section),
    )


def _stock(driver_m: float, driven_m: float, centre_m: float, section: str) -> tuple[StockBelt, ...]:
    if section not in belt.DATUM_OVER_DESIGNATION_IN:
        known = ", ".join(belt.DATUM_OVER_DESIGNATION_IN)
        raise DriveError(f'no belt lengths are known here for section "{section}"; write one of {known}.')
    less_m = DATUM_BELOW_OUTSIDE_M[section]
    one_m, other_m = driver_m - less_m, driven_m - less_m
    wanted_m = float(belt.belt_length_m(one_m, other_m, centre_m=centre_m))
    number = math.floor(wanted_m / M_PER_IN - belt.DATUM_OVER_DESIGNATION_IN[section])
    found = []
    for size in (number, number + 1):
        try:
            length_m = belt.datum_length_m(f"{section}{size}")
        except DriveError:
            continue  # the table ends; the pitch length is told all the same
        found.append(
            StockBelt(designation=f"{section}{size}", centre_m=belt.centre_m(one_m, other_m, length_m=length_m))
        )
    return tuple(found)


def old_belt(driver_m: float, driven_m: float, *, length_m: float, centre_m: float | None) -> OldBelt:
    """Where the shafts must stand for the belt that is there; DriveError if it is too short to go round."""
    needed_m = belt.centre_m(driver_m, driven_m, length_m=length_m)
    return OldBelt(length_m=length_m, centre_m=needed_m, moved_m=None if centre_m is None else needed_m - centre_m)


def small_pulley_caution(driver_m: float, driven_m: float, section: str | None) -> str | None:
    """Say if a pulley is below its section's least diameter: the belt bends too sharply, heats and dies early."""
    if section is None:
        return None
    least_m = LEAST_DATUM_IN[section] * M_PER_IN + DATUM_BELOW_OUTSIDE_M[section]
    small_m = min(driver_m, driven_m)
    if small_m >= least_m - 1e-9:
        return None
    return (
        f"a pulley of {small_m * 1e3:.1f} mm ({small_m / M_PER_IN:.2f} in) is below the least pitch diameter of "
        f"section {section}, {least_m * 1e3:.1f} mm ({least_m / M_PER_IN:.2f} in): the belt overheats and cracks"
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class BeltFacts:
    """What is known of the belt itself; None where it is not.

    density_kg_per_m : mass per length.   stiffness_n : E A, force per unit stretch.   hum_hz : of a plucked span, as
    measured.   friction, groove_rad : of belt on pulley and the groove's wedge angle; without them the tension ratio
    that designers count on.
    """

    density_kg_per_m: float | None = None
    stiffness_n: float | None = None
    hum_hz: float | None = None
    friction: float | None = None
    groove_rad: float | None = None

    def __post_init__(self) -> None:
        for value, most, words in (
            (self.density_kg_per_m, 50.0, "a belt's mass per length must be above 0, up to 50 kg/m; write 0.19 kg/m."),
            (self.stiffness_n, 1e9, "a belt's stiffness must be above 0, up to 1,000,000 kN; write it such as 120 kN."),
            (self.hum_hz, 1000.0, "a span's hum must be above 0, up to 1000 Hz; write it such as 24 Hz."),
        ):
            if value is not None and not 0.0 < value <= most:
                raise DriveError(words)
        if self.hum_hz is not None and self.density_kg_per_m is None:
            raise DriveError("a hum tells the tension only with the belt's mass per length; give --belt-mass too.")
        if self.groove_rad is not None and self.friction is None:
            raise DriveError("a groove's angle needs the friction too; give --friction, about 0.3 for rubber on iron.")


@dataclass(frozen=True, kw_only=True, slots=True)
class Tension:
    """What the belt must be tightened to, to carry the motor's full-load torque without slipping bodily.

    static_n : of each span, standing still.   slip_ratio : tight over slack tension at which it slips.
    hum_hz : note of a plucked span at that tension.   measured_n : tension by the measured hum.
    holds : part of full-load torque that the measured tension carries.   creep : speed lost to stretch at full load.
    All four are None where the belt's facts do not tell.
    """

    effective_n: float
    tight_n: float
    slack_n: float
    static_n: float
    slip_ratio: float
    hum_hz: float | None
    measured_n: float | None
    holds: float | None
    creep: float | None


def belt_tension(torque_n_m: float, fit: BeltFit, *, driver_m: float, facts: BeltFacts) -> Tension:
    """Least tensions that carry a torque on the driver, by the capstan equation on the smaller pulley.

    The belt's own centrifugal force is left out (it matters above some 20 m/s).
    Sources: Shigley, V-belt section; Khurmi & Gupta, Theory of Machines, art. 11.10 for creep.
    """
    friction = DESIGN_FRICTION if facts.friction is None else facts.friction
    ratio = float(belt.capstan_ratio(fit.wrap_rad, friction=friction, groove_rad=facts.groove_rad))
    effective_n = torque_n_m / (driver_m / 2.0)
    slack_n = effective_n / (ratio - 1.0)
    static_n = slack_n + effective_n / 2.0
    hum_hz = measured_n = holds = creep = None
    if facts.density_kg_per_m is not None:
        hum_hz = float(belt.span_hz(static_n, span_m=fit.span_m, density_kg_per_m=facts.density_kg_per_m))
        if facts.hum_hz is not None:
            measured_n = float(
                belt.span_tension_n(facts.hum_hz, span_m=fit.span_m, density_kg_per_m=facts.density_kg_per_m)
            )
            holds = measured_n / static_n
    if facts.stiffness_n is not None:
        creep = float(belt.elastic_creep(slack_n + effective_n, slack_n, stiffness_n=facts.stiffness_n))
    return Tension(
        effective_n=effective_n,
        tight_n=slack_n + effective_n,
        slack_n=slack_n,
        static_n=static_n,
        slip_ratio=ratio,
        hum_hz=hum_hz,
        measured_n=measured_n,
        holds=holds,
        creep=creep,
    )
