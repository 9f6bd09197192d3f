"""Do the big digits stand still, and never hide a change?"""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.present.steady import FAR, SOON_U95, STAY_S, SteadyNumber


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [
        (81.336, 0.12, "81.3"),
        (81.336, 0.3, "81.3"),
        (81.336, 0.4, "81.3"),
        (81.336, 0.009, "81.34"),
        (81.336, 1.2, "81"),
        (81.336, 12.0, "80"),
        (1234.56, 0.01, "1235"),
        (0.512, 0.0001, "0.512"),
        (0.0, 0.01, "0.00"),
        (81.336, 0.0, "81.34"),
    ],
)
def test_last_place_is_no_larger_than_the_uncertainty(value: float, u95: float, shown: str) -> None:
    assert SteadyNumber().text(value, u95, at_s=0.0) == shown


@pytest.mark.parametrize("u95", [0.04, 0.07, 0.1, 0.3])
@pytest.mark.parametrize("value", [81.25, 81.3])
def test_noise_within_the_uncertainty_moves_next_to_nothing(value: float, u95: float) -> None:
    # Ten minutes of readings with a standard deviation of u95 / 2, also half-way between two shown numbers.
    readings = [value + float(off) for off in np.random.default_rng(7).normal(0.0, u95 / 2, 2400)]
    steady = SteadyNumber()
    shown = [steady.text(reading, u95, at_s=k / 4) for k, reading in enumerate(readings)]
    changes = sum(a != b for a, b in itertools.pairwise(shown))
    assert changes <= 30  # one in twenty seconds


@given(
    st.lists(st.floats(0.5, 2000.0), min_size=1, max_size=60),
    st.lists(st.floats(0.001, 50.0), min_size=60, max_size=60),
)
def test_shown_is_never_far_from_the_reading(values: list[float], half_widths: list[float]) -> None:
    steady = SteadyNumber()
    for k, value in enumerate(values):
        shown = steady.text(value, half_widths[k], at_s=k / 4)
        widest, largest = max(half_widths[: k + 1]), max(values[: k + 1])
        place = max(widest, 10.0 ** (np.floor(np.log10(largest)) - 3))
        assert abs(float(shown) - value) <= FAR * (place / 2 + SOON_U95 * widest) * (1 + 1e-9)


@given(st.floats(0.5, 2000.0), st.floats(0.001, 500.0))
def test_a_figure_lies_within_half_its_uncertainty_of_the_reading(value: float, u95: float) -> None:
    """So that no pair of figure and ± shuts out what was read: 25.9 +- 5 is not "30 ± 5"."""
    steady = SteadyNumber()
    off = abs(float(steady.text(value, u95, at_s=0.0)) - value)
    assert off <= steady.step / 2 * (1 + 1e-9)
    most_digits = 10.0 ** (np.floor(np.log10(value)) - 3)
    assert off <= max(u95, most_digits) / 2 * (1 + 1e-9)


def test_small_lasting_change_is_followed() -> None:
    steady = SteadyNumber()
    assert steady.text(81.30, 0.1, at_s=0.0) == "81.3"
    assert steady.text(81.36, 0.1, at_s=1.0) == "81.3"
    assert steady.text(81.36, 0.1, at_s=1.0 + STAY_S) == "81.4"


def test_large_change_is_followed_at_once_a_small_one_at_the_second_update() -> None:
    steady = SteadyNumber()
    assert steady.text(81.30, 0.1, at_s=0.0) == "81.3"
    assert steady.text(81.56, 0.1, at_s=0.2) == "81.6"
    assert steady.text(81.77, 0.1, at_s=0.4) == "81.6"
    assert steady.text(81.77, 0.1, at_s=0.6) == "81.8"


def test_coarser_at_once_finer_after_a_while() -> None:
    steady = SteadyNumber()
    assert steady.text(81.06, 0.1, at_s=0.0) == "81.1"
    assert steady.text(81.06, 2.0, at_s=0.3) == "81"
    shown = [steady.text(81.06, 0.1, at_s=0.3 * k) for k in range(2, 14)]
    assert shown[0] == "81"
    assert shown[-1] == "81.1"


def test_coarse_figure_does_not_outlive_its_uncertainty() -> None:
    steady = SteadyNumber()
    assert steady.text(25.9, 15.0, at_s=0.0) == "30"
    assert steady.text(25.9, 1.0, at_s=0.2) == "26"


def test_new_beginning_after_silence() -> None:
    steady = SteadyNumber()
    steady.text(81.3, 0.1, at_s=0.0)
    steady.forget()
    assert steady.text(81.36, 0.1, at_s=9.0) == "81.4"
