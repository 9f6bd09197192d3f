"""Does a typed quantity become the right SI number, and is a wrong one refused with a useful line?"""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat import units
from kerfbeat.errors import UnitError

# NIST SP 811 (2008), appendix B.8, factors as printed there.
SP_811 = [
    ("1 ft", "length", 0.3048, 0.0),
    ("1 in", "length", 0.0254, 0.0),
    ("1 ft/min", "speed", 5.08e-3, 0.0),
    ("1 hp", "power", 7.456999e2, 1e-6),
    ("1 PS", "power", 7.354988e2, 1e-6),
    ("1 lbf", "force", 4.448222, 1e-6),
    ("1 kgf", "force", 9.80665, 0.0),
    ("1 lb", "mass", 4.535924e-1, 1e-6),
    ("1 oz", "mass", 2.834952e-2, 1e-6),
    ("1 lbf ft", "torque", 1.355818, 1e-6),
    ("1 lbf in", "torque", 1.129848e-1, 1e-6),
    ("1 lb/ft", "linear density", 1.488164, 1e-6),
    ("1 deg", "angle", 1.745329e-2, 1e-6),
    ("1 rpm", "frequency", 1.666667e-2, 1e-6),
]

# our unit -> the same unit in pint's words
PINT = {
    "length": {"mm": "mm", "cm": "cm", "m": "m", "um": "um", "in": "inch", "thou": "thou", "ft": "foot"},
    "speed": {"m/s": "m/s", "m/min": "m/min", "mm/s": "mm/s", "ft/min": "ft/min", "fpm": "ft/min", "sfm": "ft/min",
              "sfpm": "ft/min", "ft/s": "ft/s", "in/s": "inch/s"},
    "power": {"w": "W", "kw": "kW", "hp": "horsepower", "ps": "metric_horsepower"},
    "torque": {"n m": "N*m", "lbf ft": "lbf*ft", "ft lb": "lbf*ft", "lb ft": "lbf*ft", "in lb": "lbf*inch"},
    "mass": {"kg": "kg", "g": "g", "lb": "lb", "oz": "oz"},
    "force": {"n": "N", "kn": "kN", "lbf": "lbf", "kgf": "kgf"},
    "linear density": {"kg/m": "kg/m", "g/m": "g/m", "lb/ft": "lb/ft"},
    "angle": {"rad": "rad", "deg": "deg", "turn": "turn"},
    "duration": {"s": "s", "ms": "ms", "us": "us", "min": "min", "h": "h"},
    "frequency": {"hz": "Hz", "khz": "kHz", "rpm": "1/min", "rev/s": "1/s"},
}  # fmt: skip
REGISTRY = pint.UnitRegistry()
SI = {
    "length": "m", "speed": "m/s", "power": "W", "torque": "N*m", "mass": "kg", "force": "N",
    "linear density": "kg/m", "angle": "rad", "duration": "s", "frequency": "Hz",
}  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "expected", "tolerance"), SP_811)
def test_factor_is_the_one_printed_in_sp_811(text: str, kind: str, expected: float, tolerance: float) -> None:
    assert units.parse_quantity(text, kind) == pytest.approx(expected, rel=tolerance or 1e-15)


@pytest.mark.parametrize(("kind", "ours", "theirs"), [(k, o, t) for k, table in PINT.items() for o, t in table.items()])
def test_factor_agrees_with_pint(kind: str, ours: str, theirs: str) -> None:
    expected = REGISTRY.Quantity(3.7, theirs).to(SI[kind]).magnitude
    assert units.parse_quantity(f"3.7 {ours}", kind) == pytest.approx(expected, rel=1e-12)


def test_horsepower_is_the_one_of_550_foot_pounds() -> None:
    # SP 811 B.8: 550 x 0.3048 x 4.4482216152605 W
    assert pytest.approx(745.69987158227, rel=1e-13) == units.W_PER_HP


def test_out_and_in_agree() -> None:
    # from the foot: 1 m/s = 196.850394 ft/min
    assert units.ft_per_min(1.0) == pytest.approx(196.850394, abs=5e-7)
    assert units.m_per_min(1.0) == 60.0
    assert units.rpm(0.5) == 30.0


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("160 mm", "length", 0.160),
        ("160mm", "length", 0.160),
        (" 6.3  in ", "length", 6.3 * 0.0254),
        ("4 1/2 in", "length", 4.5 * 0.0254),
        ("4-1/2 in.", "length", 4.5 * 0.0254),
        ('3/4"', "length", 0.75 * 0.0254),
        (".5 m", "length", 0.5),
        ("1e3 mm", "length", 1.0),
        ("80m/min", "speed", 80 / 60),
        ("80 M/Min", "speed", 80 / 60),
        ("260 ft per min", "speed", 260 * 0.3048 / 60),
        ("1.5 KW", "power", 1500.0),
        ("3/4 hp", "power", 0.75 * units.W_PER_HP),
        ("10 N·m", "torque", 10.0),
        ("10 Nm", "torque", 10.0),
        ("7 lbf-ft", "torque", 7 * 1.3558179483314),
        ("270°", "angle", 1.5 * math.pi),
        ("5 µs", "duration", 5e-6),
        ("-10 deg", "angle", -math.pi / 18),
        ("0 mm", "length", 0.0),
    ],
)
def test_spellings_of_the_shop_are_read(text: str, kind: str, expected: float) -> None:
    assert units.parse_quantity(text, kind) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("160", "length", ['"160" has no unit', '"160 mm"', '"6.3 in"']),
        (160, "length", ["160 has no unit", '"160 mm"']),
        (True, "length", ["True is not a length"]),
        (None, "length", ["None is not a length"]),
        ("", "length", ["does not begin with a number"]),
        ("mm", "length", ["does not begin with a number"]),
        ("3 kg", "length", ['"3 kg" is a mass, not a length']),
        ("3 hp", "speed", ["is a power, not a speed", '"80 m/min"']),
        ("5 mn", "length", ["unknown unit", "mean"]),
        ("5 furlongs", "length", ["unknown unit", "write a length"]),
        ("1,5 kW", "power", ["comma", "decimal point"]),
        ("1e999 mm", "length", ["not a usable number"]),
        ("1e300 mm", "length", ["not a usable number"]),
        ("nan mm", "length", ["does not begin with a number"]),
        ("inf mm", "length", ["does not begin with a number"]),
        ("1/0 in", "length", ["not a usable number"]),
        ("٣ mm", "length", ["does not begin with a number"]),
        ("9" * 5000 + " mm", "length", ["does not begin with a number"]),
    ],
)
def test_wrong_text_is_refused_in_one_line(text: str, kind: str, words: list[str]) -> None:
    with pytest.raises(UnitError) as caught:
        units.parse_quantity(text, kind)
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 300
    for word in words:
        assert word in message


@given(st.text())
def test_any_text_gives_a_finite_number_or_one_line(text: str) -> None:
    for kind in units.KINDS:
        value, said = 0.0, "read"
        try:
            value = units.parse_quantity(text, kind)
        except UnitError as problem:
            said = str(problem)
        assert said.isprintable()
        assert math.isfinite(value)


@given(st.floats(min_value=1e-3, max_value=1e6))
def test_every_unit_reads_what_it_writes(value: float) -> None:
    for kind, described in units.KINDS.items():
        for unit, factor in described.units.items():
            assert units.parse_quantity(f"{value!r} {unit}", kind) == pytest.approx(value * factor, rel=1e-12)


def test_short_forms_read_their_own_kind() -> None:
    pairs = {
        units.parse_length_m: "length", units.parse_speed_m_per_s: "speed", units.parse_power_w: "power",
        units.parse_torque_n_m: "torque", units.parse_mass_kg: "mass", units.parse_force_n: "force",
        units.parse_linear_density_kg_per_m: "linear density", units.parse_angle_rad: "angle",
        units.parse_duration_s: "duration", units.parse_frequency_hz: "frequency",
    }  # fmt: skip
    assert set(pairs.values()) == set(units.KINDS)
    for parse, kind in pairs.items():
        for example in units.KINDS[kind].examples:
            assert parse(example) == units.parse_quantity(example, kind)
