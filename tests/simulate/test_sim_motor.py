"""Does the simulated motor obey the textbooks?"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.errors import SimulateError
from kerfbeat.simulate.motor import MotorModel

TORQUE_N_M = 10.0


def motor(*, rpm: float = 1430.0, base_hz: float = 50.0, ratio: float | None = 2.4, droop: float = 0.0) -> MotorModel:
    return MotorModel(
        poles=4, base_hz=base_hz, full_load_slip_hz=base_hz - 4 * rpm / 120, full_load_torque_n_m=TORQUE_N_M,
        breakdown_ratio=ratio, flux_droop=droop,
    )  # fmt: skip


def torque_n_m(model: MotorModel, rpm: float, hz: float, resistance: float = 1.0) -> float:
    return model.torque(rpm * math.tau / 60, supply_hz=hz, resistance=resistance)[0]


@pytest.mark.parametrize("ratio", [1.8, 2.4, 3.0, None])
def test_nameplate_point_lies_on_the_curve(ratio: float | None) -> None:
    assert torque_n_m(motor(ratio=ratio), 1430.0, 50.0) == pytest.approx(TORQUE_N_M, rel=1e-12)
    assert torque_n_m(motor(ratio=ratio), 1500.0, 50.0) == pytest.approx(0.0, abs=1e-12)


def test_textbook_breakdown_point() -> None:
    # Textbook problem (10 kW, 400 V, 50 Hz, 4 poles): breakdown torque twice full load at 10 % slip has its full load
    # at s = 0.1 (2 - sqrt 3) = 2.6795 %, that is 1459.8 rpm (printed 2.68 % and 1460 rpm).
    model = motor(rpm=1459.8, ratio=2.0)
    rpm = np.linspace(1200.0, 1499.0, 3000)
    torques = np.array([torque_n_m(model, each, 50.0) for each in rpm])
    assert torques.max() == pytest.approx(2 * TORQUE_N_M, rel=1e-6)
    assert 1 - rpm[torques.argmax()] / 1500 == pytest.approx(0.1, rel=2e-3)


@pytest.mark.parametrize("hz", [20.0, 25.0, 40.0, 50.0])
def test_one_torque_has_one_slip_below_base_frequency(hz: float) -> None:
    # Modelica Standard Library, quasi-static induction machine with inverter: rotor frequency constant up to f_N.
    assert torque_n_m(motor(), 30 * hz - 70.0, hz) == pytest.approx(TORQUE_N_M, rel=1e-9)


def test_constant_power_has_one_slip_per_cent_above_base_frequency() -> None:
    # Same source: 1430 rpm at 50 Hz is s = 0.046667; at 75 Hz and constant power 2145.0 rpm.  The rule is for torque
    # proportional to slip; the curved torque of a real motor is within 1 % of it here.
    assert torque_n_m(motor(ratio=None), 2145.0, 75.0) == pytest.approx(TORQUE_N_M * 50 / 75, rel=1e-9)
    assert torque_n_m(motor(), 2145.0, 75.0) == pytest.approx(TORQUE_N_M * 50 / 75, rel=0.1)


def test_pull_out_falls_with_the_square_of_frequency() -> None:
    # Chapman; Fitzgerald: T_max in proportion to (V/f)^2, from 60 to 90 Hz at fixed voltage 0.4444.
    model = motor(rpm=1750.0, base_hz=60.0, ratio=2.25)

    def pull_out_n_m(hz: float) -> float:
        return max(torque_n_m(model, 30 * hz * (1 - slip), hz) for slip in np.linspace(0.001, 0.6, 4000))

    assert pull_out_n_m(60.0) == pytest.approx(2.25 * TORQUE_N_M, rel=1e-5)
    assert pull_out_n_m(90.0) / pull_out_n_m(60.0) == pytest.approx(0.4444, abs=1e-3)


def test_doubled_torque_doubles_slip_without_breakdown() -> None:
    # Chapman Ex. 7-4: 2 poles, 50 Hz, 2950 rpm; doubled torque gives 2900 rpm.
    model = MotorModel(
        poles=2, base_hz=50.0, full_load_slip_hz=50 / 60, full_load_torque_n_m=48.56, breakdown_ratio=None
    )
    assert torque_n_m(model, 2900.0, 50.0) == pytest.approx(2 * 48.56, rel=1e-9)


def test_a_rotor_faster_than_the_field_brakes() -> None:
    assert torque_n_m(motor(), 1570.0, 50.0) == pytest.approx(-TORQUE_N_M, rel=1e-9)


def test_slip_follows_rotor_resistance() -> None:
    assert torque_n_m(motor(), 1500 - 70 * 0.85, 50.0, resistance=0.85) == pytest.approx(TORQUE_N_M, rel=1e-9)


def test_missing_flux_raises_slip_at_low_frequency() -> None:
    drooped = motor(ratio=None, droop=0.1)
    flux_at_half = 0.95
    assert torque_n_m(drooped, 750 - 70 / flux_at_half**2, 25.0) == pytest.approx(TORQUE_N_M, rel=1e-9)


@given(rpm=st.floats(0, 3000), hz=st.floats(5, 100))
def test_slope_is_the_derivative(rpm: float, hz: float) -> None:
    speed, step = rpm * math.tau / 60, 1e-5
    model = motor()
    rise = model.torque(speed + step, supply_hz=hz)[0] - model.torque(speed - step, supply_hz=hz)[0]
    assert model.torque(speed, supply_hz=hz)[1] == pytest.approx(rise / (2 * step), rel=1e-4, abs=1e-5)


@pytest.mark.parametrize("wrong", [{"ratio": 1.0}, {"rpm": 1500.0}, {"droop": 1.0}])
def test_an_impossible_motor_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SimulateError):
        motor(**wrong)


@pytest.mark.parametrize("ratio", [2.4, None])
@pytest.mark.parametrize("hz", [25.0, 50.0, 70.0])
def test_slip_at_a_torque_is_the_inverse_of_torque(ratio: float | None, hz: float) -> None:
    model = motor(ratio=ratio, droop=0.05)
    for wanted_n_m in (1.0, 8.0, 11.0):
        slip_hz = model.slip_hz_at(wanted_n_m, supply_hz=hz)
        assert torque_n_m(model, 30 * (hz - slip_hz), hz) == pytest.approx(wanted_n_m, rel=1e-9)


def test_slip_at_a_torque_beyond_breakdown_is_breakdown_slip() -> None:
    # x_N = k - sqrt(k^2 - 1), so that breakdown slip is k + sqrt(k^2 - 1) times full-load slip.
    model = motor(ratio=2.4)
    assert model.slip_hz_at(25.0, supply_hz=50.0) == pytest.approx(70 / 30 * (2.4 + math.sqrt(2.4**2 - 1)), rel=1e-12)
