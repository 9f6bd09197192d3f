"""Are the times of angles exact?"""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from kerfbeat.errors import SimulateError
from kerfbeat.simulate.trajectory import Ripple, Trajectory

TICK_S = 62.5e-9
HOUR_S = 3600.0


def trajectory(seconds: list[float], hz: list[float], *ripples: Ripple, scale: float = 1.0) -> Trajectory:
    """A wheel at these speeds, and an element that turns `1 / scale` as fast."""
    times, speed = np.array(seconds), np.array(hz)
    turns = np.concatenate(([0.0], np.cumsum(np.diff(times) * (speed[1:] + speed[:-1]) / 2)))
    return Trajectory(
        seconds=times,
        hz={"wheel": speed, "element": speed / scale},
        turns={"wheel": turns, "element": turns / scale},
        ripples={"wheel": ripples},
    )


def test_steady_speed_gives_the_analytical_times() -> None:
    run = trajectory([0.0, 10.0, 1234.5, HOUR_S], [25.0] * 4)
    wanted = np.arange(1.0, 25 * HOUR_S, 7.25)
    error_s = np.abs(run.when("wheel", wanted) - wanted / 25.0)
    assert error_s.max() < 1e-5 * TICK_S * 10  # rounding of an hour in double precision is 5e-13 s


def test_run_up_from_rest_gives_the_analytical_times() -> None:
    run = trajectory([0.0, 8.0], [0.0, 40.0])  # 5 turns per second squared
    wanted = np.array([0.001, 1.0, 77.7, 159.9])
    assert run.when("wheel", wanted) == pytest.approx(np.sqrt(2 * wanted / 5.0), abs=1e-12)


def test_run_down_to_rest_gives_the_analytical_times() -> None:
    run = trajectory([0.0, 8.0, 20.0], [40.0, 0.0, 0.0])
    wanted = np.array([1.0, 100.0, 159.999])
    assert run.when("wheel", wanted) == pytest.approx(8 - np.sqrt(2 * (160 - wanted) / 5.0), abs=1e-9)


@example(amplitudes=[-0.25], order=1, scale=1.0, speeds=[0.0, 2.2250738585e-313, 1.0])
@given(
    amplitudes=st.lists(st.floats(-0.3, 0.3), min_size=1, max_size=3),
    order=st.integers(1, 4),
    scale=st.sampled_from([0.378019, 1.0, 4.9, 60.0]),
    speeds=st.lists(st.floats(0.0, 30.0), min_size=3, max_size=6),
)
def test_an_angle_is_reached_when_it_is_said_to_be(
    amplitudes: list[float], order: int, scale: float, speeds: list[float]
) -> None:
    ripples = [
        Ripple(along="element", order=order, amplitude=each, phase_turns=0.3, scale=scale) for each in amplitudes
    ]
    run = trajectory([2.0 * k for k in range(len(speeds))], speeds, *ripples, scale=scale)
    ends, _ = run.at("wheel", np.array([run.start_s, run.end_s]))
    wanted = np.linspace(ends[0], ends[1], 41)[1:-1]
    turns, hz = run.at("wheel", run.when("wheel", wanted))
    moving = hz > 1e-3
    assert np.abs((turns - wanted)[moving] / hz[moving]).max(initial=0.0) < 1e-3 * TICK_S


def test_an_eccentric_sheave_gives_its_published_ripple() -> None:
    # Belt speed omega (r + e cos omega t): e 0.05 on r 38.1 mm is +-0.1312 % once a turn.
    run = trajectory([0.0, 10.0], [20.0, 20.0], Ripple(
        along="element", order=1, amplitude=0.05 / 38.1, phase_turns=0.0, scale=0.5), scale=0.5)  # fmt: skip
    seconds = np.linspace(0.0, 10.0, 100_001)
    _, hz = run.at("wheel", seconds)
    assert hz.max() / 20.0 - 1 == pytest.approx(0.001312, abs=5e-7)
    assert 1 - hz.min() / 20.0 == pytest.approx(0.001312, abs=5e-7)
    assert np.count_nonzero(np.diff(np.sign(hz - 20.0)) > 0) == pytest.approx(40 * 10, abs=1)  # 40 turns a second


def test_speed_is_the_derivative_of_turns() -> None:
    run = trajectory([0.0, 3.0, 10.0], [5.0, 20.0, 11.0], Ripple(
        along="element", order=2, amplitude=0.1, phase_turns=0.7, scale=3.0), scale=3.0)  # fmt: skip
    seconds = np.linspace(0.1, 9.9, 997)
    step_s = 1e-6
    after, before = run.at("wheel", seconds + step_s)[0], run.at("wheel", seconds - step_s)[0]
    assert run.at("wheel", seconds)[1] == pytest.approx((after - before) / (2 * step_s), rel=1e-5)


def test_ripples_that_would_stop_the_shaft_are_refused() -> None:
    steep = Ripple(along="element", order=1, amplitude=0.5, phase_turns=0.0, scale=1.0)
    with pytest.raises(SimulateError, match="add up to 100%"):
        trajectory([0.0, 1.0], [1.0, 1.0], steep, steep)


def test_times_past_an_hour_keep_a_thousandth_of_a_tick() -> None:
    ripple = Ripple(along="element", order=1, amplitude=0.01, phase_turns=0.1, scale=math.pi)
    run = trajectory([0.0, 9 * HOUR_S, 10 * HOUR_S], [30.0] * 3, ripple, scale=math.pi)
    wanted = np.arange(1_070_000.0, 1_070_500.0, 0.25)
    turns, hz = run.at("wheel", run.when("wheel", wanted))
    assert np.abs((turns - wanted) / hz).max() < 1e-3 * TICK_S
