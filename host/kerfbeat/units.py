"""How does a quantity typed with its unit become a plain SI number, and back?

Inside the program every quantity is SI and every name that holds one ends in its unit.  Units change only here:
`parse_length_m("6.3 in")` on the way in, `ft_per_min(...)`, `m_per_min(...)` and `rpm(...)` on the way out.
Factors follow NIST Special Publication 811 (2008), appendix B.8.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from kerfbeat.errors import UnitError

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = [
    "KG_PER_LB",
    "M_PER_FT",
    "M_PER_IN",
    "N_PER_LBF",
    "W_PER_HP",
    "ft_per_min",
    "m_per_min",
    "parse_angle_rad",
    "parse_duration_s",
    "parse_force_n",
    "parse_frequency_hz",
    "parse_length_m",
    "parse_linear_density_kg_per_m",
    "parse_mass_kg",
    "parse_power_w",
    "parse_quantity",
    "parse_speed_m_per_s",
    "parse_torque_n_m",
    "rpm",
]

M_PER_FT = 0.3048  # exact, SP 811 B.8
M_PER_IN = 0.0254  # exact, SP 811 B.8
KG_PER_LB = 0.45359237  # exact, SP 811 B.8
N_PER_KGF = 9.80665  # exact, SP 811 B.8
N_PER_LBF = KG_PER_LB * N_PER_KGF
W_PER_HP = 550 * M_PER_FT * N_PER_LBF  # the horsepower of 550 ft·lbf/s, SP 811 B.8
W_PER_METRIC_HP = 75 * N_PER_KGF  # SP 811 B.8

Quantity = TypeVar("Quantity", float, "NDArray[float64]")

LARGEST = 1e12  # in SI units; more is a slip of the pen, and no table or drawing could hold it
LONGEST_TEXT = 60  # characters; longer text is not a quantity, and would spoil a one-line message


@dataclass(frozen=True, kw_only=True, slots=True)
class Kind:
    """One kind of quantity: what it is called, how it is written, and what one of each unit is in SI."""

    called: str
    examples: tuple[str, str]
    units: Mapping[str, float]


KINDS: Mapping[str, Kind] = {
    "length": Kind(
        called="a length",
        examples=("160 mm", "6.3 in"),
        units={
            "mm": 1e-3, "cm": 1e-2, "m": 1.0, "um": 1e-6, "in": M_PER_IN, "inch": M_PER_IN, "inches": M_PER_IN,
            '"': M_PER_IN, "thou": M_PER_IN / 1000, "ft": M_PER_FT, "foot": M_PER_FT, "feet": M_PER_FT, "'": M_PER_FT,
        },
    ),
    "speed": Kind(
        called="a speed",
        examples=("80 m/min", "260 ft/min"),
        units={
            "m/s": 1.0, "m/min": 1 / 60, "mm/s": 1e-3, "ft/min": M_PER_FT / 60, "fpm": M_PER_FT / 60,
            "sfm": M_PER_FT / 60, "sfpm": M_PER_FT / 60, "ft/s": M_PER_FT, "in/s": M_PER_IN,
        },
    ),
    "power": Kind(
        called="a power",
        examples=("1.5 kW", "2 hp"),
        units={"w": 1.0, "kw": 1e3, "hp": W_PER_HP, "ps": W_PER_METRIC_HP},
    ),
    "torque": Kind(
        called="a torque",
        examples=("10 N·m", "7.4 lbf·ft"),
        units={
            "n m": 1.0, "nm": 1.0, "lbf ft": N_PER_LBF * M_PER_FT, "lb ft": N_PER_LBF * M_PER_FT,
            "ft lbf": N_PER_LBF * M_PER_FT, "ft lb": N_PER_LBF * M_PER_FT,
            "lbf in": N_PER_LBF * M_PER_IN, "lb in": N_PER_LBF * M_PER_IN,
            "in lbf": N_PER_LBF * M_PER_IN, "in lb": N_PER_LBF * M_PER_IN,
        },
    ),
    "mass": Kind(
        called="a mass",
        examples=("5 g", "0.2 oz"),
        units={"kg": 1.0, "g": 1e-3, "lb": KG_PER_LB, "lbs": KG_PER_LB, "oz": KG_PER_LB / 16},
    ),
    "force": Kind(
        called="a force",
        examples=("400 N", "90 lbf"),
        units={"n": 1.0, "kn": 1e3, "lbf": N_PER_LBF, "kgf": N_PER_KGF},
    ),
    "linear density": Kind(
        called="a mass per length",
        examples=("0.19 kg/m", "0.13 lb/ft"),
        units={"kg/m": 1.0, "g/m": 1e-3, "lb/ft": KG_PER_LB / M_PER_FT},
    ),
    "angle": Kind(
        called="an angle",
        examples=("270 deg", "4.7 rad"),
        units={
            "rad": 1.0, "deg": math.pi / 180, "°": math.pi / 180, "degrees": math.pi / 180,
            "turn": 2 * math.pi, "turns": 2 * math.pi,
        },
    ),
    "duration": Kind(
        called="a time",
        examples=("30 s", "2 min"),
        units={"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0},
    ),
    "frequency": Kind(
        called="a frequency",
        examples=("50 Hz", "1430 rpm"),
        units={"hz": 1.0, "khz": 1e3, "rpm": 1 / 60, "rev/min": 1 / 60, "1/min": 1 / 60, "rev/s": 1.0},
    ),
}  # fmt: skip

_NUMBER = re.compile(
    r"(?P<sign>[+-]?)\s*"
    r"(?:(?P<whole>\d+)[ -]+(?P<top>\d+)/(?P<under>\d+)"  # 4 1/2
    r"|(?P<top2>\d+)/(?P<under2>\d+)"  # 3/4
    r"|(?P<decimal>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?))"
    r"\s*(?P<unit>.*)",
    re.DOTALL | re.ASCII,
)


def _plain(unit: str) -> str:
    """Bring a unit to the spelling of the table: lower case, one space between factors, no full stops."""
    unit = unit.replace("μ", "u").replace("µ", "u").replace("″", '"').replace("′", "'").replace("\u00a0", " ")
    unit = re.sub(r"\bper\b", "/", unit.lower())
    unit = re.sub(r"[·⋅*.-]", " ", unit)
    return " ".join(re.sub(r"\s*/\s*", "/", unit).split())


def _quoted(text: str) -> str:
    """Show a user's text inside a one-line message."""
    shown = text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "…"
    return '"' + "".join(c if c.isprintable() else "?" for c in shown) + '"'


def _number(match: re.Match[str]) -> float:
    top, under = match["top"] or match["top2"], match["under"] or match["under2"]
    if top is None:
        size = float(match["decimal"])
    elif float(under) == 0.0:
        return math.nan
    else:
        size = float(match["whole"] or 0) + float(top) / float(under)
    return -size if match["sign"] == "-" else size


def _scaled(value: float, factor: float) -> float:
    """Multiply by a factor; by dividing where it is one over a whole number, so that "0.9 mm" is just 0.0009 m."""
    inverse = round(1 / factor)
    return value / inverse if inverse > 1 and factor == 1 / inverse else value * factor


def parse_quantity(text: str, kind: str) -> float:
    """Read one quantity, such as ``"6.3 in"`` or ``"4 1/2 in"``, as a plain SI number.

    kind : a key of `KINDS`.
    Returns the value in SI units (lengths in metres, speeds in m/s, angles in radians ...), at most `LARGEST`.
    Raises UnitError if the number or the unit is missing, unknown or of another kind; the message shows two
    right spellings.
    """
    wanted = KINDS[kind]
    hint = f'write {wanted.called} such as "{wanted.examples[0]}" or "{wanted.examples[1]}"'
    if not isinstance(text, str):
        shown = str(text)
        if isinstance(text, (int, float)) and not isinstance(text, bool):
            raise UnitError(f"{shown[:LONGEST_TEXT]} has no unit; {hint}")
        raise UnitError(f"{shown[:LONGEST_TEXT]} is not {wanted.called}; {hint}")
    shown = _quoted(text.strip())
    match = _NUMBER.fullmatch(text.strip()) if len(text) <= LONGEST_TEXT else None
    if match is None:
        raise UnitError(f"{shown} does not begin with a number; {hint}")
    unit = _plain(match["unit"])
    if not unit:
        raise UnitError(f"{shown} has no unit; {hint}")
    if unit in wanted.units:
        value = _scaled(_number(match), wanted.units[unit])
        if not abs(value) <= LARGEST:
            raise UnitError(f"{shown} is not a usable number; {hint}")
        return value
    if re.match(r",\s*\d", match["unit"]):
        raise UnitError(f"{shown} has a comma in its number; write a decimal point and no thousands mark")
    for other in KINDS.values():
        if unit in other.units:
            raise UnitError(f"{shown} is {other.called}, not {wanted.called}; {hint}")
    near = difflib.get_close_matches(unit, list(wanted.units), n=1)
    guess = f' (did you mean "{near[0]}"?)' if near else ""
    raise UnitError(f"{shown} has an unknown unit{guess}; {hint}")


def parse_length_m(text: str) -> float:
    """Read a length in metres; see `parse_quantity`."""
    return parse_quantity(text, "length")


def parse_speed_m_per_s(text: str) -> float:
    """Read a surface speed in metres per second; see `parse_quantity`."""
    return parse_quantity(text, "speed")


def parse_power_w(text: str) -> float:
    """Read a power in watts; "hp" is 550 ft·lbf/s, "PS" is 75 kgf·m/s; see `parse_quantity`."""
    return parse_quantity(text, "power")


def parse_torque_n_m(text: str) -> float:
    """Read a torque in newton metres; see `parse_quantity`."""
    return parse_quantity(text, "torque")


def parse_mass_kg(text: str) -> float:
    """Read a mass in kilograms; see `parse_quantity`."""
    return parse_quantity(text, "mass")


def parse_force_n(text: str) -> float:
    """Read a force in newtons; see `parse_quantity`."""
    return parse_quantity(text, "force")


def parse_linear_density_kg_per_m(text: str) -> float:
    """Read a belt's mass per length in kg/m; see `parse_quantity`."""
    return parse_quantity(text, "linear density")


def parse_angle_rad(text: str) -> float:
    """Read an angle in radians; see `parse_quantity`."""
    return parse_quantity(text, "angle")


def parse_duration_s(text: str) -> float:
    """Read a time in seconds; see `parse_quantity`."""
    return parse_quantity(text, "duration")


def parse_frequency_hz(text: str) -> float:
    """Read a frequency or a turning speed in hertz (turns per second); see `parse_quantity`."""
    return parse_quantity(text, "frequency")


def ft_per_min(speed_m_per_s: Quantity) -> Quantity:
    """Turn metres per second into feet per minute."""
    return speed_m_per_s * (60.0 / M_PER_FT)


def m_per_min(speed_m_per_s: Quantity) -> Quantity:
    """Turn metres per second into metres per minute."""
    return speed_m_per_s * 60.0


def rpm(shaft_hz: Quantity) -> Quantity:
    """Turn turns per second into turns per minute."""
    return shaft_hz * 60.0
