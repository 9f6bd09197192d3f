"""Do the big digits stand still, and never hide a change?"""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.present.steady import STAY_S, SteadyNumber


def figure(steady: SteadyNumber, value: float, u95: float, *, at_s: float) -> str:
    return steady.pair(value, u95, at_s=at_s)[0]


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [  # by hand, as JCGM 100:2008, 7.2.6 asks: to the place of the half-width, here with four digits at most
        (81.336, 0.12, ("81.34", "0.12")),
        (81.336, 0.3, ("81.3", "0.3")),
        (81.336, 0.4, ("81.3", "0.4")),
        (81.336, 0.009, ("81.34", "0.01")),
        (81.336, 1.7, ("81.3", "1.7")),
        (25.9, 1.7, ("25.9", "1.7")),  # not 26 ± 1.7
        (81.336, 3.4, ("81", "4")),  # 3 would take off an eighth of it
        (81.336, 12.0, ("81", "12")),
        (81.336, 42.0, ("80", "40")),
        (1234.56, 0.01, ("1235", "1")),
        (0.512, 0.0001, ("0.512", "0.001")),
        (0.0, 0.01, ("0.000", "0.010")),
        (81.336, 0.0, ("81.34", "0.01")),
    ],
)
def test_figure_and_half_width_end_at_the_same_place(value: float, u95: float, shown: tuple[str, str]) -> None:
    assert SteadyNumber().pair(value, u95, at_s=0.0) == shown


@pytest.mark.parametrize("u95", [0.04, 0.07, 0.1, 0.3])
@pytest.mark.parametrize("value", [81.25, 81.3])
def test_noise_within_the_uncertainty_moves_next_to_nothing(value: float, u95: float) -> None:
    # Ten minutes of readings with a standard deviation of u95 / 2, also half-way between two shown numbers.
    readings = [value + float(off) for off in np.random.default_rng(7).normal(0.0, u95 / 2, 2400)]
    steady = SteadyNumber()
    shown = [figure(steady, reading, u95, at_s=k / 4) for k, reading in enumerate(readings)]
    changes = sum(a != b for a, b in itertools.pairwise(shown))
    assert changes <= 30  # one in twenty seconds


@given(
    st.lists(st.floats(0.5, 2000.0), min_size=1, max_size=60),
    st.lists(st.floats(0.001, 50.0), min_size=60, max_size=60),
)
def test_what_is_shown_always_holds_the_reading(values: list[float], half_widths: list[float]) -> None:
    """So that no pair of figure and ± shuts out what was read: 25.9 +- 5 is never "31 ± 5"."""
    steady = SteadyNumber()
    for k, value in enumerate(values):
        shown, half = steady.pair(value, half_widths[k], at_s=k / 4)
        assert abs(float(shown) - value) <= float(half) * (1 + 1e-9)
        assert len(shown.partition(".")[2]) == len(half.partition(".")[2])


@given(st.floats(0.5, 2000.0), st.floats(0.001, 500.0))
def test_a_first_figure_lies_within_half_a_place_of_the_reading(value: float, u95: float) -> None:
    shown, half = SteadyNumber().pair(value, u95, at_s=0.0)
    last_of_four = 10.0 ** (max(np.floor(np.log10(value)), 0.0) - 3)  # a zero before the point takes up room, too
    assert abs(float(shown) - value) <= max(0.5 * u95 / 2.95, last_of_four / 2) * (1 + 1e-9)
    assert float(half) >= 0.95 * u95


def test_small_lasting_change_is_followed() -> None:
    steady = SteadyNumber()
    assert figure(steady, 81.30, 0.1, at_s=0.0) == "81.30"
    assert figure(steady, 81.36, 0.1, at_s=1.0) == "81.30"
    assert figure(steady, 81.36, 0.1, at_s=1.0 + STAY_S) == "81.36"


def test_large_change_is_followed_at_once_a_small_one_at_the_second_update() -> None:
    steady = SteadyNumber()
    assert steady.pair(81.30, 0.1, at_s=0.0) == ("81.30", "0.10")
    assert steady.pair(81.56, 0.1, at_s=0.2) == ("81.56", "0.10")
    assert steady.pair(81.77, 0.1, at_s=0.4) == ("81.56", "0.21")  # the figure stands, so the half-width holds both
    assert steady.pair(81.77, 0.1, at_s=0.6) == ("81.77", "0.10")


def test_what_all_readings_share_hides_no_change() -> None:
    """A wheel's diameter known to 0.46 m/min, and a turning known to 0.02: the last figure follows the turning."""
    steady = SteadyNumber()
    pairs = [steady.pair(value, 0.46, at_s=k / 4, noise_u95=0.02) for k, value in enumerate((81.30, 81.42, 81.42))]
    assert pairs == [("81.3", "0.5"), ("81.3", "0.5"), ("81.4", "0.5")]


def test_coarser_at_once_finer_after_a_while() -> None:
    steady = SteadyNumber()
    assert figure(steady, 81.06, 0.1, at_s=0.0) == "81.06"
    assert steady.pair(81.06, 4.0, at_s=0.3) == ("81", "4")
    shown = [steady.pair(81.06, 0.1, at_s=0.3 * k) for k in range(2, 14)]
    assert shown[0] == ("81", "1")  # as long as the figure has no decimals, the half-width has none, and rounds up
    assert shown[-1] == ("81.06", "0.10")


def test_coarse_figure_does_not_outlive_its_uncertainty() -> None:
    steady = SteadyNumber()
    assert steady.pair(25.9, 35.0, at_s=0.0) == ("30", "40")
    shown = [steady.pair(25.9, 1.0, at_s=0.2 * k) for k in range(1, 10)]
    assert shown[0] == ("30", "10")
    assert shown[-1] == ("25.9", "1.0")


def test_new_beginning_after_silence() -> None:
    steady = SteadyNumber()
    figure(steady, 81.3, 0.1, at_s=0.0)
    steady.forget()
    assert figure(steady, 81.36, 0.1, at_s=9.0) == "81.36"
