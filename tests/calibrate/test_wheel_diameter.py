"""What diameter gives the blade's true speed?"""

import math

import numpy as np
import pytest

from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.wheel import (
    PassRate,
    blade_slip_percent,
    diameter_from_passes,
    diameter_from_speed,
    diameter_from_stopwatch,
    passes_per_turn,
)
from kerfbeat.errors import CalibrateError

ANGLES = np.array([0.0, 90.9, 179.3, 270.6]) / 360
SPACING = np.diff(np.append(ANGLES, 1.0))
LENGTH_M, THICKNESS_M, DIAMETER_M = 2.75, 0.0009, 0.3312
# Blade order seen from the wheel, pi (D + t) / L: 0.378019 for D 330, t 0.9, L 2750 mm (worked by hand).
RATE = math.pi * (DIAMETER_M + THICKNESS_M) / LENGTH_M


def test_rate_by_hand():
    assert math.pi * (0.330 + 0.0009) / 2.750 == pytest.approx(0.378019, abs=1e-6)
    found = diameter_from_passes(
        PassRate(value=0.378019, u=0.0, dof=10.0, passes=12),
        blade_length_m=2.75, u_length_m=0.001, thickness_m=0.0009, described_m=0.33,
    )  # fmt: skip
    assert found.diameter_m.value == pytest.approx(0.330, abs=1e-6)
    # A millimetre in 2750 is 0.0364 %, of D + t: 0.1203 mm; 1.96 of it.
    assert found.diameter_m.u95 == pytest.approx(1.96 * 0.3309 / 2750, rel=1e-3)


def recorded(random, *, turns=80, rate=RATE, wander=0.002, noise_s=5e-6):
    """A wheel that wanders and a blade carried by it: pass times of both."""
    t = np.linspace(0, turns / 0.4, 40_000)
    step = t[1]
    keep = math.exp(-step)
    w = np.zeros(len(t))
    kicks = random.standard_normal(len(t)) * math.sqrt(1 - keep**2)
    for k in range(1, len(t)):
        w[k] = keep * w[k - 1] + kicks[k]
    place = np.cumsum(0.4 * (1 + wander * w)) * step
    k = np.arange(int(place[-1] - 1) * 4)
    b = np.arange(int((place[-1] - 1) * rate))
    wheel = np.interp(k // 4 + ANGLES[k % 4] + 0.1, place, t)
    blade = np.interp((b + 0.3) / rate, place, t)
    return (
        Block(seconds=wheel + noise_s * random.standard_normal(len(k)), numbers=k),
        Block(seconds=blade + noise_s * random.standard_normal(len(b)), numbers=b),
    )


def test_passes_are_counted_against_turns_whatever_the_speed_does():
    random = np.random.default_rng(1)
    wheel, blade = recorded(random, wander=0.02)
    rate = passes_per_turn([wheel], [blade], spacing_turns=SPACING)
    assert rate.value == pytest.approx(RATE, rel=2e-5)
    assert rate.passes == pytest.approx(79 * RATE, abs=1.5)


def test_even_spacing_costs_some_precision_but_stays_honest():
    random = np.random.default_rng(2)
    wheel, blade = recorded(random)
    rough = passes_per_turn([wheel], [blade], spacing_turns=np.full(4, 0.25))
    fine = passes_per_turn([wheel], [blade], spacing_turns=SPACING)
    assert rough.u > 3 * fine.u
    assert abs(rough.value - RATE) < 3 * rough.u


def test_intervals_hold_the_truth(long):
    """2000 seeded runs (200 in the short form): blade length as measured, passes as timed."""
    random = np.random.default_rng(3)
    runs, held = (2000 if long else 200), 0
    for _ in range(runs):
        wheel, blade = recorded(random, turns=40)
        rate = passes_per_turn([wheel], [blade], spacing_turns=SPACING)
        measured_m = LENGTH_M + 0.001 * random.standard_normal()
        found = diameter_from_passes(
            rate, blade_length_m=measured_m, u_length_m=0.001, thickness_m=THICKNESS_M, described_m=0.33
        )
        held += abs(found.diameter_m.value - DIAMETER_M) <= found.diameter_m.u95
    slack = 0.0 if long else 0.025
    assert 0.93 - slack < held / runs < 0.97 + slack


def test_stopwatch(long):
    """Forty passes by hand: intervals over 2000 simulated counts hold the truth."""
    random = np.random.default_rng(4)
    held = 0
    for _ in range(2000):
        wheel_hz = 0.4 * (1 + 1e-4 * random.standard_normal())
        seconds = 40 / (RATE * 0.4) + 0.15 * (random.standard_normal() - random.standard_normal())
        found = diameter_from_stopwatch(
            passes=40, seconds=seconds, wheel_hz=wheel_hz, u_wheel=1e-4,
            blade_length_m=LENGTH_M + 0.001 * random.standard_normal(), u_length_m=0.001,
            thickness_m=THICKNESS_M, described_m=0.33,
        )  # fmt: skip
        held += abs(found.diameter_m.value - DIAMETER_M) <= found.diameter_m.u95
    assert 0.93 < held / 2000 < 0.97
    around_m = found.diameter_m.value + THICKNESS_M
    assert found.contributions_m["stopwatch"] == pytest.approx(around_m * math.sqrt(2) * 0.15 / seconds, rel=1e-6)


def test_reference_speed():
    """v = pi (D + t) n: 20 m/min at 19.1 rpm by a tachometer good to 0.5 %."""
    wheel_hz = 20 / 60 / (math.pi * (DIAMETER_M + THICKNESS_M))
    found = diameter_from_speed(
        20 / 60, u_reference_m_per_s=0.005 * 20 / 60, wheel_hz=wheel_hz, u_wheel=1e-5,
        thickness_m=THICKNESS_M, described_m=0.33,
    )  # fmt: skip
    assert found.diameter_m.value == pytest.approx(DIAMETER_M, rel=1e-9)
    assert found.diameter_m.u95 == pytest.approx(1.96 * 0.005 * 0.3321, rel=1e-3)
    assert found.remark == "agrees with the description"
    assert found.difference_percent.value == pytest.approx(100 * (DIAMETER_M / 0.33 - 1))


@pytest.mark.parametrize(("described_m", "said"), [(0.340, "smaller than described"), (0.320, "larger than described")])
def test_a_wheel_unlike_its_description_is_remarked(described_m, said):
    found = diameter_from_passes(
        PassRate(value=RATE, u=1e-6, dof=10.0, passes=12),
        blade_length_m=LENGTH_M, u_length_m=0.0005, thickness_m=THICKNESS_M, described_m=described_m,
    )  # fmt: skip
    assert said in found.remark


def test_blade_slip_needs_no_diameter():
    """One pass in a hundred lost under load is one per cent of slip."""
    idle, loaded = PassRate(value=0.4, u=4e-5, dof=20, passes=20), PassRate(value=0.396, u=4e-5, dof=20, passes=20)
    slip = blade_slip_percent(idle, loaded)
    assert slip.value == pytest.approx(1.0)
    assert slip.u95 == pytest.approx(100 * 0.99 * math.hypot(1e-4, 4e-5 / 0.396) * 2.086, rel=1e-3)  # t(20) = 2.086


def test_too_few_passes_are_refused():
    random = np.random.default_rng(5)
    wheel, blade = recorded(random, turns=12)
    with pytest.raises(CalibrateError, match="better twenty"):
        passes_per_turn([wheel], [blade], spacing_turns=SPACING)
    with pytest.raises(CalibrateError, match="count at least 5"):
        diameter_from_stopwatch(
            passes=2, seconds=10, wheel_hz=1, u_wheel=0, blade_length_m=1, u_length_m=0, thickness_m=0, described_m=1
        )
    with pytest.raises(CalibrateError, match="cannot be"):
        diameter_from_speed(0.0, u_reference_m_per_s=0.1, wheel_hz=1, u_wheel=0, thickness_m=0, described_m=0.3)
