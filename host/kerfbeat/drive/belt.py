"""How long is a belt, how far does it wrap, how fast does it run, and what can it hold?

Lengths are in metres, angles in radians.  Pulleys are given by pitch diameters unless said otherwise.
"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.errors import DriveError
from kerfbeat.units import M_PER_FT, M_PER_IN

__all__ = [
    "CREEP_HIGH",
    "CREEP_LOW",
    "RIM_LIMIT_M_PER_S",
    "arc_factor",
    "belt_length_m",
    "belt_speed_m_per_s",
    "belt_turns_hz",
    "capstan_ratio",
    "centre_m",
    "datum_length_m",
    "elastic_creep",
    "span_hz",
    "span_m",
    "span_tension_n",
    "wrap_rad",
]

Array = NDArray[np.float64]

# A healthy belt's creep under load, as a fraction of speed.  0.5 to 1 % by a trade glossary, 0.5 to 2 % as commonly
# quoted (no standard found): the wider band is taken.
CREEP_LOW, CREEP_HIGH = 0.005, 0.02
# Cast-iron rims: stop and think above it (MPTA-B13i-2013; Bloch & Geitner, Practical Machinery Management vol. 4).
RIM_LIMIT_M_PER_S = 6500 * M_PER_FT / 60

# Arc-of-contact factor against (D - d) / C: Machinery's Handbook, 31st ed., p. 2581, table 12.
ARC_AT = tuple(0.1 * step for step in range(16))
ARC_V_V = (1.00, 0.99, 0.97, 0.96, 0.94, 0.93, 0.91, 0.89, 0.87, 0.85, 0.82, 0.80, 0.77, 0.73, 0.70, 0.65)
ARC_V_FLAT = (0.75, 0.76, 0.78, 0.79, 0.80, 0.81, 0.83, 0.84, 0.85, 0.85, 0.82, 0.80, 0.77, 0.73, 0.70, 0.65)

# What friction and wedge angle can be.  Rubber on iron has some 0.3, and grooves run from 22 degrees (variable-width
# sheaves) to 40; the limits are wider and keep the exponent within what a number holds.
MOST_FRICTION = 1.0
GROOVE_DEG = (20.0, 60.0)

# Datum length less designation, inches: Machinery's Handbook, 31st ed., table 8; longer belts differ and are refused.
DATUM_OVER_DESIGNATION_IN = {"A": 1.3, "B": 1.8, "C": 2.9}
LONGEST_DESIGNATION = 210


def wrap_rad(small_m: ArrayLike, large_m: ArrayLike, *, centre_m: ArrayLike) -> Array:
    """Contact angle of an open belt on its smaller pulley; on the larger one it is 2 pi less this.

    small_m, large_m : (n,) or scalar, 0 < small_m <= large_m.   centre_m : distance of the shafts.
    Returns (n,) radians; exactly pi for equal pulleys.
    Raises DriveError if the pulleys overlap; the message names both diameters and the least distance.
    Source: Shigley's Mechanical Engineering Design, 10th ed., eq. 17-1.
    """
    small, large, centre = _room(small_m, large_m, centre_m)
    return np.pi - 2.0 * np.arcsin((large - small) / (2.0 * centre))


def belt_length_m(one_m: ArrayLike, other_m: ArrayLike, *, centre_m: ArrayLike) -> Array:
    """Pitch length of an open belt, exact.

    Source: Shigley, eq. 17-2.  Raises DriveError if the pulleys overlap.
    """
    small, large, centre = _room(np.minimum(one_m, other_m), np.maximum(one_m, other_m), centre_m)
    lean = np.arcsin((large - small) / (2.0 * centre))
    arcs: Array = large * (np.pi + 2.0 * lean) + small * (np.pi - 2.0 * lean)
    return np.sqrt(4.0 * centre**2 - (large - small) ** 2) + arcs / 2.0


def span_m(one_m: ArrayLike, other_m: ArrayLike, *, centre_m: ArrayLike) -> Array:
    """Free length of one span, between the points where the belt leaves the pulleys.  Source: Shigley, fig. 17-1."""
    small, large, centre = _room(np.minimum(one_m, other_m), np.maximum(one_m, other_m), centre_m)
    return np.sqrt(centre**2 - ((large - small) / 2.0) ** 2)


def centre_m(one_m: float, other_m: float, *, length_m: float) -> float:
    """Distance of the shafts that a belt of this pitch length needs, exact.

    Starts from the handbook's formula (Mott, Machine Elements in Mechanical Design, eq. 7-4) and refines it on the
    exact length.  Raises DriveError if the belt is too short to go round both pulleys.
    """
    small_m, large_m = min(one_m, other_m), max(one_m, other_m)
    closest_m = _closest_m(small_m, large_m)
    least_m = float(belt_length_m(small_m, large_m, centre_m=closest_m))
    if not length_m >= least_m:
        raise DriveError(
            f"a belt of {length_m * 1e3:.0f} mm is too short for pulleys of {small_m * 1e3:g} and "
            f"{large_m * 1e3:g} mm; the shortest that goes round is {least_m * 1e3:.0f} mm."
        )
    twice = 4.0 * length_m - 2.0 * math.pi * (large_m + small_m)
    guess_m = (twice + math.sqrt(max(twice**2 - 32.0 * (large_m - small_m) ** 2, 0.0))) / 16.0
    distance_m = max(guess_m, closest_m)
    for _ in range(50):  # Newton: dL/dC = 2 sqrt(1 - ((D - d) / 2C)^2); L is convex in C, so it converges
        slope = 2.0 * math.sqrt(max(1.0 - ((large_m - small_m) / (2.0 * distance_m)) ** 2, 1e-12))
        step_m = (float(belt_length_m(small_m, large_m, centre_m=distance_m)) - length_m) / slope
        distance_m = max(distance_m - step_m, closest_m)
        if abs(step_m) < 1e-12:
            break
    return distance_m


def arc_factor(wrap: ArrayLike, *, flat_driven: bool = False) -> Array:
    """Part of a belt's rated power left at a contact angle below a half turn.

    wrap : radians on the smaller pulley.   flat_driven : a V-belt on a grooved and a flat pulley.
    Source: Machinery's Handbook, 31st ed., p. 2581, table 12, between its lines linear.
    Raises DriveError below the 83 degrees at which the table ends.
    """
    relative = 2.0 * np.cos(np.asarray(wrap, dtype=float) / 2.0)  # (D - d) / C
    if np.any(relative > ARC_AT[-1] + 1e-9):
        least_deg = math.degrees(float(np.min(wrap)))
        raise DriveError(
            f"the belt wraps only {least_deg:.0f} degrees of the small pulley, below the 83 degrees of the handbook's "
            "table; move the shafts apart or use a larger small pulley."
        )
    out: Array = np.interp(np.clip(relative, 0.0, None), ARC_AT, ARC_V_FLAT if flat_driven else ARC_V_V)
    return out


def belt_speed_m_per_s(shaft_hz: ArrayLike, *, pitch_m: ArrayLike) -> Array:
    """Belt speed pi d n.  Source: Machinery's Handbook (V[ft/min] = pi D n / 12, inches and rpm)."""
    out: Array = np.pi * np.asarray(pitch_m, dtype=float) * np.asarray(shaft_hz, dtype=float)
    return out


def belt_turns_hz(shaft_hz: ArrayLike, *, pitch_m: ArrayLike, length_m: ArrayLike) -> Array:
    """Turns of the whole belt per second, pi d n / L."""
    out: Array = belt_speed_m_per_s(shaft_hz, pitch_m=pitch_m) / np.asarray(length_m, dtype=float)
    return out


def elastic_creep(tight_n: ArrayLike, slack_n: ArrayLike, *, stiffness_n: float) -> Array:
    """Speed lost to the belt's stretch, as a fraction: (T1 - T2) / EA, first order.

    Source: Khurmi & Gupta, Theory of Machines, art. 11.10 (its (E + s2) / (E + s1), expanded).
    """
    out: Array = (np.asarray(tight_n, dtype=float) - np.asarray(slack_n, dtype=float)) / stiffness_n
    return out


def capstan_ratio(wrap: ArrayLike, *, friction: float, groove_rad: float | None = None) -> Array:
    """Tight over slack tension at which a belt begins to slip bodily, e^(mu theta / sin(beta / 2)).

    groove_rad : wedge angle beta of a V-groove; None for a flat belt.   friction : of belt on pulley.
    Source: Shigley, eq. 17-7 and its V form.  Raises DriveError for a friction or groove that cannot be.
    """
    if not 0.0 < friction <= MOST_FRICTION:
        raise DriveError(
            f"a friction of {friction:g} cannot be; write one up to {MOST_FRICTION:g}, about 0.3 for rubber on iron."
        )
    if groove_rad is not None and not GROOVE_DEG[0] <= math.degrees(groove_rad) <= GROOVE_DEG[1]:
        raise DriveError(
            f"a groove angle of {math.degrees(groove_rad):g} degrees cannot be; V-belt grooves have 26 to 38."
        )
    wedge = 1.0 if groove_rad is None else math.sin(groove_rad / 2.0)
    out: Array = np.exp(friction * np.asarray(wrap, dtype=float) / wedge)
    return out


def span_hz(tension_n: ArrayLike, *, span_m: float, density_kg_per_m: float) -> Array:
    """Frequency at which a plucked span hums, (1 / 2L) sqrt(T / m).  Source: theory of the string."""
    out: Array = np.sqrt(np.asarray(tension_n, dtype=float) / density_kg_per_m) / (2.0 * span_m)
    return out


def span_tension_n(hum_hz: ArrayLike, *, span_m: float, density_kg_per_m: float) -> Array:
    """Tension of a span that hums at this frequency, 4 m L^2 f^2; the inverse of `span_hz`."""
    return 4.0 * density_kg_per_m * span_m**2 * np.asarray(hum_hz, dtype=float) ** 2


def datum_length_m(designation: str) -> float:
    """Datum length of a classical V-belt such as "A68": goes with *datum* diameters, not with outside ones.

    Source: Machinery's Handbook, 31st ed., table 8.  Raises DriveError for other sections and lengths.
    """
    match = re.fullmatch(r"\s*([A-Da-d])\s*-?\s*(\d{1,3})\s*", designation)
    section = match[1].upper() if match else ""
    if match is None or section not in DATUM_OVER_DESIGNATION_IN or not 20 <= int(match[2]) <= LONGEST_DESIGNATION:
        raise DriveError(
            f'"{designation[:20]}" is not a known belt; write a section A, B or C and a number, such as A68.'
        )
    return (int(match[2]) + DATUM_OVER_DESIGNATION_IN[section]) * M_PER_IN


def _closest_m(small_m: float, large_m: float) -> float:
    """Distance of the shafts at which the pulleys touch."""
    return (small_m + large_m) / 2.0


def _room(small_m: ArrayLike, large_m: ArrayLike, centre_m: ArrayLike) -> tuple[Array, Array, Array]:
    """The three as arrays, once it is sure that the pulleys do not overlap."""
    small, large, centre = (np.asarray(value, dtype=float) for value in (small_m, large_m, centre_m))
    if not (np.all(np.isfinite(small) & np.isfinite(large) & np.isfinite(centre)) and np.all(small > 0.0)):
        raise DriveError("pulley diameters and the distance of the shafts must be finite and above zero.")
    short = centre < (small + large) / 2.0
    if np.any(short):
        at = int(np.argmax(np.broadcast_to(short, np.broadcast_shapes(small.shape, large.shape, centre.shape)).ravel()))
        d_m, big_m, c_m = (float(np.broadcast_to(v, short.shape).ravel()[at]) for v in (small, large, centre))
        raise DriveError(
            f"pulleys of {d_m * 1e3:g} and {big_m * 1e3:g} mm overlap when their shafts are {c_m * 1e3:g} mm apart; "
            f"the least distance is {_closest_m(d_m, big_m) * 1e3:g} mm."
        )
    return small, large, centre
