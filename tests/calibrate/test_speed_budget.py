"""Does the budget add up as the GUM says, and does the store enter it?"""

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from uncertainties import ufloat

from kerfbeat.calibrate.budget import Budget, blade_budget, calibrated_speed
from kerfbeat.calibration import QUANTITIES, Calibration, Result, belongs_to, known
from kerfbeat.capture.log import read_log
from kerfbeat.machine import demo_machine
from kerfbeat.measure.uncertainty import Contribution, coverage_factor
from kerfbeat.simulate import simulate_log

SAW = demo_machine("saw")


def test_gum_h1_end_gauge():
    """GUM H.1 (end-gauge calibration): u = 32 nm, 16 degrees of freedom, k99 = 2.92, U99 = 93 nm.

    Contributions and degrees of freedom are those of its table H.1: standard 25 nm (18), difference 9.7 nm (25.6),
    expansion 2.9 nm (50), temperature 16.6 nm (2); other lines contribute nothing.
    """
    length_nm = 50_000_838.0
    causes = {
        "standard": (Contribution(u=25.0 / length_nm, dof=18), ""),
        "difference": (Contribution(u=9.7 / length_nm, dof=25.6), ""),
        "expansion": (Contribution(u=2.9 / length_nm, dof=50), ""),
        "temperature": (Contribution(u=16.6 / length_nm, dof=2), ""),
    }
    budget = Budget.from_causes(length_nm, causes)
    assert budget.u * length_nm == pytest.approx(32, abs=0.5)
    assert budget.dof == pytest.approx(16.7, abs=0.4)
    assert coverage_factor(math.floor(budget.dof), 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(math.floor(budget.dof), 0.99) * budget.u * length_nm == pytest.approx(93, abs=1)
    assert [line.cause for line in budget.lines] == ["standard", "temperature", "difference", "expansion"]
    assert sum(line.share for line in budget.lines) == pytest.approx(1.0)


def test_product_against_the_uncertainties_package():
    """v = pi (D + t) n with n from turns over time by a corrected clock, first order, as that package propagates it."""
    diameter, thickness = ufloat(0.3307, 0.00024), 0.0009
    turns, seconds = 200.0, ufloat(480.0, 2e-5)
    clock = ufloat(1.0, 29e-6)
    v = math.pi * (diameter + thickness) * turns / seconds * clock
    budget = Budget.from_causes(
        v.nominal_value,
        {
            "timing": (Contribution(u=2e-5 / 480.0), ""),
            "clock": (Contribution(u=29e-6), ""),
            "diameter": (Contribution(u=0.00024 / (0.3307 + 0.0009)), ""),
        },
    )
    assert budget.u * v.nominal_value == pytest.approx(v.std_dev, rel=1e-6)
    shares = {line.cause: line.share for line in budget.lines}
    variances = {var.nominal_value: error**2 / v.std_dev**2 for var, error in v.error_components().items()}
    assert shares["diameter"] == pytest.approx(variances[0.3307], rel=1e-6)
    assert shares["clock"] == pytest.approx(variances[1.0], rel=1e-6)


def stored(results):
    made = tuple(
        Result(
            quantity=quantity, of=of, value=value, u=u, unit=QUANTITIES[quantity],
            date=datetime(2025, 1, 1, tzinfo=UTC), sources=(), conditions={},
            belongs_to=belongs_to(SAW, quantity, of),
        )
        for (quantity, of), (value, u) in results.items()
    )  # fmt: skip
    return known(Calibration(machine=SAW.name, results=made), SAW)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    path = tmp_path_factory.mktemp("budget") / "run.csv"
    truth = simulate_log("steady", SAW, path, seed=2, settings={"duration_s": 60, "wheel_error": 0.004})
    return read_log(path), truth


def test_the_calibrated_diameter_makes_the_speed_true(run):
    log, truth = run
    plain, budget = calibrated_speed(log, known(None, SAW))
    true = truth["mean_blade_m_per_s"]
    assert plain.blade_m_per_s.value == pytest.approx(true / 1.004, rel=1e-4)  # the wheel is larger than described
    assert budget.lines[0].cause == "diameter"
    assert abs(budget.speed_m_per_s.value - true) < budget.speed_m_per_s.u95  # the class of a described wheel covers it
    results = {("wheel diameter", ""): ((0.330 * 1.004,), (2e-5,))}
    better, budget = calibrated_speed(log, stored(results))
    assert abs(better.blade_m_per_s.value - true) < better.blade_m_per_s.u95
    assert better.blade_m_per_s.u95 < 3e-4 * true
    assert better.blade_m_per_s == budget.speed_m_per_s
    assert "calibrated 2025-01-01" in next(line.source for line in budget.lines if line.cause == "diameter")


def test_parts_are_those_of_the_speed(run):
    log, _ = run
    result, budget = calibrated_speed(log, known(None, SAW))
    wheel = result.channels["wheel"]
    parts = {line.cause: line.u for line in budget.lines}
    timing_and_clock = math.hypot(parts["timing"], parts["clock"]) * 1.96
    assert timing_and_clock == pytest.approx(wheel.shaft_hz.u95 / wheel.shaft_hz.value, rel=0.02)
    assert parts["spacing"] == 0.0
    assert parts["diameter"] == pytest.approx(0.005 / math.sqrt(3))


def test_a_stored_clock_serves_a_log_without_exchanges(tmp_path):
    """Two pings at most: the board's stored offset takes the place of the resonator's class, with its age."""
    path = tmp_path / "quiet.csv"
    truth = simulate_log("steady", SAW, path, seed=3, settings={"duration_s": 30, "ping_s": 0, "clock_ppm": 3000})
    log = read_log(path)
    board = log.segments[0].board_id
    plain, _ = calibrated_speed(log, known(None, SAW))
    held, budget = calibrated_speed(log, stored({("clock offset", board): ((3000.0,), (20.0,))}))
    true_hz = truth["mean_hz"]["wheel"]
    assert abs(held.channels["wheel"].shaft_hz.value / true_hz - 1) < 1e-4
    assert abs(plain.channels["wheel"].shaft_hz.value / true_hz - 1) > 2e-3
    assert held.channels["wheel"].shaft_hz.u95 < 0.2 * plain.channels["wheel"].shaft_hz.u95
    assert "as calibrated before" in next(line.source for line in budget.lines if line.cause == "clock")


def test_no_blade_speed_has_no_budget(run):
    log, _ = run
    result, _ = calibrated_speed(log, known(None, SAW))
    assert blade_budget(replace(result, blade_m_per_s=None, blade_channel=None), SAW, known(None, SAW)) is None
