"""Do belt lengths, wraps, speeds and tensions agree with handbooks and textbooks?"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from kerfbeat.drive import belt
from kerfbeat.errors import DriveError

IN = 0.0254


def test_open_belt_of_shigley() -> None:
    # Shigley's Mechanical Engineering Design, eq. 17-1 and 17-2; problem 17-1: D 18, d 6, C 96 in
    wrap = float(belt.wrap_rad(6 * IN, 18 * IN, centre_m=96 * IN))
    assert wrap == pytest.approx(3.016511, abs=1e-6)
    assert 2 * math.pi - wrap == pytest.approx(3.266674, abs=1e-6)
    assert belt.belt_length_m(6 * IN, 18 * IN, centre_m=96 * IN) / IN == pytest.approx(230.074, abs=5e-4)


def test_belt_of_mott() -> None:
    # Mott, Machine Elements in Mechanical Design, 4th ed., example 7-1: 12.4 and 21.1 in, 24 in apart: 101.4 in by the
    # approximate formula; a belt of 100 in needs 23.30 in (exact geometry 23.282), wrap 158 degrees
    length_m = belt.belt_length_m(12.4 * IN, 21.1 * IN, centre_m=24 * IN)
    assert length_m / IN == pytest.approx(101.4, abs=0.05)
    centre_m = belt.centre_m(12.4 * IN, 21.1 * IN, length_m=100 * IN)
    assert centre_m / IN == pytest.approx(23.30, abs=0.02)
    assert centre_m / IN == pytest.approx(23.282, abs=5e-4)
    assert math.degrees(belt.wrap_rad(12.4 * IN, 21.1 * IN, centre_m=23.30 * IN)) == pytest.approx(158.48, abs=0.02)


def test_exact_length_where_the_approximation_is_off() -> None:
    # D 12, d 3, C 10 in: exact 45.6234, approximate formula 45.5869 (both computed apart)
    assert belt.belt_length_m(3 * IN, 12 * IN, centre_m=10 * IN) / IN == pytest.approx(45.6234, abs=1e-4)


def test_length_is_the_length_of_the_curve() -> None:
    """Integrate along straight spans and arcs of an open belt, an independent way to its length."""
    small_m, large_m, centre_m = 0.08, 0.21, 0.35
    wrap = float(belt.wrap_rad(small_m, large_m, centre_m=centre_m))
    lean = (math.pi - wrap) / 2
    leave = np.array([centre_m + small_m / 2 * math.sin(lean), small_m / 2 * math.cos(lean)])
    arrive = np.array([large_m / 2 * math.sin(lean), large_m / 2 * math.cos(lean)])
    span_m = float(np.hypot(*(leave - arrive)))
    arc_small, _ = integrate.quad(lambda _: small_m / 2, 0.0, wrap)
    arc_large, _ = integrate.quad(lambda _: large_m / 2, 0.0, 2 * math.pi - wrap)
    total_m = 2 * span_m + arc_small + arc_large
    assert belt.belt_length_m(small_m, large_m, centre_m=centre_m) == pytest.approx(total_m, rel=1e-12)
    assert belt.span_m(small_m, large_m, centre_m=centre_m) == pytest.approx(span_m, rel=1e-12)


def test_v_belt_of_shigley() -> None:
    # Shigley, example 17-4: B112 (datum length 113.8 in, Machinery's Handbook 31st ed. table 8), 7.4 and 11 in,
    # 1750 rpm: C 42.4 in, wrap 3.057 rad, e^(0.5123 theta) = 4.788, 3390 ft/min
    length_m = belt.datum_length_m("B112")
    assert length_m / IN == pytest.approx(113.8)
    centre_m = belt.centre_m(7.4 * IN, 11 * IN, length_m=length_m)
    assert centre_m / IN == pytest.approx(42.41, rel=2e-4)
    wrap = belt.wrap_rad(7.4 * IN, 11 * IN, centre_m=centre_m)
    assert wrap == pytest.approx(3.0567, rel=2e-4)
    assert belt.capstan_ratio(wrap, friction=0.5123) == pytest.approx(4.788, abs=2e-3)
    speed_m_per_s = belt.belt_speed_m_per_s(1750 / 60, pitch_m=7.4 * IN)
    assert speed_m_per_s / 0.00508 == pytest.approx(3390, abs=0.5)


@pytest.mark.parametrize(
    ("designation", "inches"),
    # Machinery's Handbook, 31st ed., table 8, p. 2575 (A75 by rule: its printed 75.3 is a misprint for 76.3)
    [("A68", 69.3), ("B68", 69.8), ("C68", 70.9), ("A112", 113.3), ("b 112", 113.8), ("C-112", 114.9), ("A75", 76.3),
     ("B75", 76.8)],
)  # fmt: skip
def test_datum_length(designation: str, inches: float) -> None:
    assert belt.datum_length_m(designation) / IN == pytest.approx(inches)


@pytest.mark.parametrize("designation", ["", "X68", "A", "68", "A5", "A300", "D68", "A68B"])
def test_unknown_designation(designation: str) -> None:
    with pytest.raises(DriveError, match="such as A68"):
        belt.datum_length_m(designation)


# Machinery's Handbook, 31st ed., p. 2581, table 12: (D - d) / C, contact angle as printed, V-V and V-flat factors
ARC_TABLE = [
    (0.0, 180, 1.00, 0.75), (0.1, 174, 0.99, 0.76), (0.2, 169, 0.97, 0.78), (0.3, 163, 0.96, 0.79),
    (0.4, 157, 0.94, 0.80), (0.5, 151, 0.93, 0.81), (0.6, 145, 0.91, 0.83), (0.7, 139, 0.89, 0.84),
    (0.8, 133, 0.87, 0.85), (0.9, 127, 0.85, 0.85), (1.0, 120, 0.82, 0.82), (1.1, 113, 0.80, 0.80),
    (1.2, 106, 0.77, 0.77), (1.3, 99, 0.73, 0.73), (1.4, 91, 0.70, 0.70), (1.5, 83, 0.65, 0.65),
]  # fmt: skip


@pytest.mark.parametrize(("relative", "degrees", "v_v", "v_flat"), ARC_TABLE)
def test_arc_of_contact(relative: float, degrees: float, v_v: float, v_flat: float) -> None:
    small_m, centre_m = 0.05, 0.5
    wrap = belt.wrap_rad(small_m, small_m + relative * centre_m, centre_m=centre_m)
    assert math.degrees(wrap) == pytest.approx(degrees, abs=0.6)
    assert belt.arc_factor(wrap) == pytest.approx(v_v, abs=1e-9)
    assert belt.arc_factor(wrap, flat_driven=True) == pytest.approx(v_flat, abs=1e-9)


def test_arc_of_contact_against_a_fit() -> None:
    # Shigley's fit to the V-V row, 90 to 180 degrees: 0.143543 + 0.007468 a - 0.000015052 a^2 (coefficients from
    # memory; it meets the handbook's row within 0.01)
    degrees = np.linspace(91.0, 180.0, 90)
    fit = 0.143543 + 0.007468 * degrees - 0.000015052 * degrees**2
    assert np.max(np.abs(belt.arc_factor(np.radians(degrees)) - fit)) < 0.012


def test_wrap_below_the_table_is_refused() -> None:
    with pytest.raises(DriveError, match=r"only 70 degrees.*move the shafts apart"):
        belt.arc_factor(math.radians(70))


def test_elastic_creep() -> None:
    # Khurmi & Gupta, Theory of Machines, art. 11.10: T1 1500, T2 300 N, EA 120 kN: 0.9901 by its exact form,
    # 0.9900 to first order
    creep = float(belt.elastic_creep(1500.0, 300.0, stiffness_n=120e3))
    assert 1 - creep == pytest.approx(0.9900, abs=1e-6)
    assert 1 - creep == pytest.approx((120e3 + 300) / (120e3 + 1500), abs=1.3e-4)


def test_capstan() -> None:
    # Shigley, eq. 17-7 and V form; friction 0.3, wrap 160 degrees: flat 2.3112; groove 38 degrees 13.108, 34 17.556
    wrap = math.radians(160)
    assert belt.capstan_ratio(wrap, friction=0.3) == pytest.approx(2.3112, abs=1e-4)
    assert belt.capstan_ratio(wrap, friction=0.3, groove_rad=math.radians(38)) == pytest.approx(13.108, abs=1e-3)
    assert belt.capstan_ratio(wrap, friction=0.3, groove_rad=math.radians(34)) == pytest.approx(17.556, abs=1e-3)
    # Shigley's V-belt section: effective coefficient 0.5123 gives a tension ratio of 5 at a half turn
    assert belt.capstan_ratio(math.pi, friction=0.5123) == pytest.approx(5.0, abs=1e-3)


def test_capstan_is_the_integral_of_friction_round_the_arc() -> None:
    """Solve dT = mu T dtheta numerically, independent of the closed form."""
    path = integrate.solve_ivp(lambda _, tension: 0.3 * tension, (0.0, 2.5), [1.0], rtol=1e-10, atol=1e-12)
    assert belt.capstan_ratio(2.5, friction=0.3) == pytest.approx(path.y[0, -1], rel=1e-8)


def test_span_tension_by_its_hum() -> None:
    # theory of the string: L 0.5 m, 0.19 kg/m, 400 N: 45.883 Hz, and back
    hum_hz = belt.span_hz(400.0, span_m=0.5, density_kg_per_m=0.19)
    assert hum_hz == pytest.approx(45.883, abs=1e-3)
    assert belt.span_tension_n(hum_hz, span_m=0.5, density_kg_per_m=0.19) == pytest.approx(400.0)


def test_rim_limit_of_a_twelve_inch_sheave() -> None:
    # MPTA-B13i-2013: 6500 ft/min = 33.02 m/s; on a 12 in sheave 2069.0 rpm
    assert pytest.approx(33.02, abs=1e-6) == belt.RIM_LIMIT_M_PER_S
    assert belt.RIM_LIMIT_M_PER_S / (math.pi * 12 * IN) * 60 == pytest.approx(2069.0, abs=0.1)


def test_belt_turns() -> None:
    # f = pi D n / L: 3.0 in, 1725 rpm, 60 in: 270.962 per minute (formula in vibration handbooks)
    turns_hz = belt.belt_turns_hz(1725 / 60, pitch_m=3 * IN, length_m=60 * IN)
    assert turns_hz * 60 == pytest.approx(270.962, abs=1e-3)


def test_impossible_belts_are_refused_with_what_would_be_right() -> None:
    with pytest.raises(DriveError, match=r"100 and 300 mm overlap.*150 mm apart; the least distance is 200 mm"):
        belt.wrap_rad(0.1, 0.3, centre_m=0.15)
    with pytest.raises(DriveError, match="overlap"):
        belt.belt_length_m(np.array([0.1, 0.1]), 0.3, centre_m=np.array([0.5, 0.15]))
    with pytest.raises(DriveError, match="too short for pulleys of 100 and 300 mm; the shortest that goes round"):
        belt.centre_m(0.1, 0.3, length_m=0.5)
    with pytest.raises(DriveError, match="too short"):
        belt.centre_m(0.1, 0.3, length_m=math.nan)
    for wrong in (math.nan, math.inf, -0.1, 0.0):
        with pytest.raises(DriveError, match="finite and above zero"):
            belt.wrap_rad(wrong, 0.3, centre_m=1.0)
    with pytest.raises(DriveError, match="friction"):
        belt.capstan_ratio(3.0, friction=0.0)
    with pytest.raises(DriveError, match="groove angle"):
        belt.capstan_ratio(3.0, friction=0.3, groove_rad=4.0)


@given(small=st.floats(0.03, 0.4), larger=st.floats(1.0, 6.0), room=st.floats(1.001, 8.0))
def test_centre_and_length_are_inverse(small: float, larger: float, room: float) -> None:
    large = small * larger
    distance_m = (small + large) / 2 * room
    length_m = float(belt.belt_length_m(small, large, centre_m=distance_m))
    assert belt.centre_m(large, small, length_m=length_m) == pytest.approx(distance_m, rel=1e-9)
    # any closed belt is longer than round its larger pulley, so it turns slower than either shaft
    assert length_m > math.pi * large
    wrap = float(belt.wrap_rad(small, large, centre_m=distance_m))
    assert 0.0 < wrap <= math.pi


def test_equal_pulleys_wrap_half_a_turn() -> None:
    assert belt.wrap_rad(0.1, 0.1, centre_m=0.3) == math.pi
