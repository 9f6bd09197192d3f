"""How is a quantity with its uncertainty written?

A number is cut where its uncertainty begins: two significant digits of the 95 % half-width if it starts with 1 or 2,
one digit otherwise (the Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008, 7.2.6, allows at most
two), and the value to the same place.  The half-width goes to the nearest digit, but up where that would take off more
than a twentieth of it (EA-4/02, section 6.3, from memory; the guide allows it).
"""

import math
from collections.abc import Callable
from typing import Protocol

from kerfbeat.machine import Machine
from kerfbeat.units import M_PER_IN, ft_per_min, m_per_min

__all__ = [
    "SPEED_UNITS",
    "Uncertain",
    "at_least",
    "both_speeds",
    "counted",
    "decimals",
    "elapsed",
    "in_unit",
    "lasting",
    "length_words",
    "other_unit",
    "plus_minus",
    "short_number",
    "speed_in",
    "to_hundredths",
    "to_place",
    "two_digits",
    "unit_for",
    "written",
]

SPEED_UNITS: dict[str, Callable[[float], float]] = {"m/min": m_per_min, "ft/min": ft_per_min}

UNKNOWN_SIGNIFICANT = 4  # digits of a value that comes without an uncertainty
MOST_DECIMALS = 9
MOST_LESS = 0.95  # of a half-width is left by rounding it, at least: see above

# Percent of slip or of a fall, or share of full load; two fair ways to average one cut (the whole of it, or without its
# ends) differ by 0.001 to 0.012 % in the sample logs, which timing, all that the half-width holds, does not know.
# Test: test_slip_is_told_to_a_hundredth_of_a_percent.
LEAST_U95 = 0.01

LEAST_SHOWN = 0.01


class Uncertain(Protocol):
    """Whatever has a value and the half-width of its 95 % interval."""

    @property
    def value(self) -> float:
        """The estimate."""

    @property
    def u95(self) -> float:
        """Half-width of the 95 % interval, in the unit of the value."""


def decimals(u95: float) -> int:
    """Digits after the point that a 95 % half-width deserves; negative: round to tens, hundreds ...

    u95 : finite, above zero.
    """
    exponent = math.floor(math.log10(u95))
    leading = u95 / 10.0**exponent
    digits = 1 - exponent if leading < 2.95 else -exponent
    return min(digits, MOST_DECIMALS)


def to_place(value: float, u95: float, places: int) -> tuple[float, float]:
    """Value and half-width rounded to one place, `places` digits after the point; u95 finite, not below zero."""
    half = round(u95, places)
    if half < MOST_LESS * u95:
        half = round(half + 10.0**-places, places)
    return round(value, places) + 0.0, half  # + 0.0: no "-0"


def written(value: float, u95: float) -> tuple[str, str]:
    """Value and half-width as text to the same place; "?" for what is not a number."""
    if not math.isfinite(value):
        return "?", "?"
    if not (math.isfinite(u95) and u95 > 0.0):
        places = max(0, UNKNOWN_SIGNIFICANT - 1 - math.floor(math.log10(abs(value)))) if value else 0
        return f"{value:.{places}f}", "0" if u95 == 0.0 else "?"
    places = decimals(u95)
    rounded, half = to_place(value, u95, places)
    return f"{rounded:.{max(places, 0)}f}", f"{half:.{max(places, 0)}f}"


def short_number(value: float) -> str:
    """Three or four figures: for bounds and bands, which carry no uncertainty of their own; zero for zero alone."""
    if value >= 999.5:
        return f"{value:.0f}"
    if 0.0 < value < LEAST_SHOWN:
        value = LEAST_SHOWN  # "slower than 0.00", after a night of silence, would be a standstill
    return f"{value:.1f}" if value >= 9.95 else f"{value:.2f}"


def two_digits(value: float) -> str:
    """A scatter or a doubt, which two figures tell: "620", "6.2", "0.0062"; never with a power of ten."""
    if not (math.isfinite(value) and value > 0.0):
        return "0" if value == 0.0 else "?"
    places = 1 - math.floor(math.log10(value))
    return f"{round(value, places):.{max(places, 0)}f}"


def elapsed(seconds: float) -> str:
    """Time on a running clock: "2:14", "3:02:14", from a day on "4 d 5:06:07"."""
    minutes, second = divmod(int(seconds), 60)
    hours, minute = divmod(minutes, 60)
    if not hours:
        return f"{minute}:{second:02d}"
    days, hour = divmod(hours, 24)
    return f"{f'{days} d ' if days else ''}{hour}:{minute:02d}:{second:02d}"


def lasting(seconds: float) -> str:
    """How long something has lasted, in words of two or three figures: "34 s", "12 min", "34 h", "6 days"."""
    for most_s, unit_s, name in ((120.0, 1.0, "s"), (7200.0, 60.0, "min"), (172_800.0, 3600.0, "h")):
        if seconds < most_s:
            return f"{seconds / unit_s:.0f} {name}"
    return f"{seconds / 86_400.0:.0f} days"


def counted(number: int, thing: str) -> str:
    """A number of things in words: "1 pulse", "2 pulses", "2 stretches"."""
    if number == 1:
        return f"1 {thing}"
    return f"{number} {thing}{'es' if thing.endswith(('ch', 's')) else 's'}"


def at_least(number: int | str, *, unknown: bool) -> str:
    """A count, or how it stands where nobody knows the rest: "3+", and "?" for nothing but unknown."""
    if not unknown:
        return str(number)
    return f"{number}+" if number not in (0, "0") else "?"


def plus_minus(estimate: Uncertain, unit: str = "") -> str:
    """One estimate as "81.34 ± 0.12 m/min"."""
    value, u95 = written(estimate.value, estimate.u95)
    return f"{value} ± {u95} {unit}".rstrip()


def to_hundredths(estimate: Uncertain, unit: str = "") -> str:
    """A slip or fall of speed in percent, or a load, as "4.98 ± 0.01 %": no finer than LEAST_U95."""
    if estimate.u95 < LEAST_U95:
        return f"{round(estimate.value, 2) + 0.0:.2f} ± {LEAST_U95:.2f} {unit}".rstrip()
    return plus_minus(estimate, unit)


def other_unit(unit: str) -> str:
    """The speed unit shown second."""
    return next(name for name in SPEED_UNITS if name != unit)


def unit_for(machine: Machine) -> str:
    """The speed unit that comes first where the user did not say: that of the lengths in the machine file."""
    return "ft/min" if machine.lengths == "inch" else "m/min"


def in_unit(speed_m_per_s: Uncertain, unit: str) -> tuple[str, str]:
    """Speed and half-width as text in "m/min" or "ft/min"."""
    convert = SPEED_UNITS[unit]
    return written(convert(speed_m_per_s.value), convert(speed_m_per_s.u95))


def speed_in(speed_m_per_s: Uncertain, unit: str) -> str:
    """A speed as "81.34 ± 0.12 m/min"; as "< 14.2 m/min" if it may just as well be zero."""
    if speed_m_per_s.u95 >= speed_m_per_s.value:
        most_m_per_s = speed_m_per_s.value + speed_m_per_s.u95
        if math.isfinite(most_m_per_s):
            return f"< {short_number(SPEED_UNITS[unit](most_m_per_s))} {unit}"
    return "{} ± {} {}".format(*in_unit(speed_m_per_s, unit), unit)


def length_words(length_m: float, *, inch: bool) -> str:
    """A length in both units, the machine's own first: "330.0 mm (12.99 in)"."""
    metric, imperial = f"{length_m * 1e3:.1f} mm", f"{length_m / M_PER_IN:.2f} in"
    return f"{imperial} ({metric})" if inch else f"{metric} ({imperial})"


def both_speeds(speed_m_per_s: Uncertain, unit: str) -> str:
    """A speed in both units, the user's choice first: "81.34 ± 0.12 m/min (266.9 ± 0.4 ft/min)"."""
    return f"{speed_in(speed_m_per_s, unit)} ({speed_in(speed_m_per_s, other_unit(unit))})"
