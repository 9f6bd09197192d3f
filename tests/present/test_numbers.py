"""Is a number cut where its uncertainty begins?"""

import math
from dataclasses import dataclass

import pytest
from uncertainties import ufloat

from kerfbeat.present import numbers


@dataclass(frozen=True)
class Reading:
    value: float
    u95: float


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [
        # The mass standard of JCGM 100:2008, 7.2.4, (100.021 47 ± 0.000 79) g, from memory; the guide states two
        # figures, we keep one when the first is 3 or more.
        (100.02147, 0.00079, ("100.0215", "0.0008")),
        (81.3361, 0.1234, ("81.34", "0.12")),
        (81.3361, 0.0299, ("81.34", "0.03")),
        (81.3361, 0.0294, ("81.336", "0.029")),
        (81.3361, 3.4, ("81", "4")),  # 3 would take off 12 %: beyond 5 % it goes up (EA-4/02, 6.3, from memory)
        (81.3361, 3.1, ("81", "3")),
        (1234.5, 56.0, ("1230", "60")),
        (1234.5, 0.99, ("1234.5", "1.0")),
        (0.0, 0.5, ("0.0", "0.5")),
        (-0.004, 0.7, ("0.0", "0.7")),
        (-0.004, 0.02, ("-0.004", "0.020")),
        (81.3361, 0.0, ("81.34", "0")),
        (81.3361, math.nan, ("81.34", "?")),
        (81.3361, math.inf, ("81.34", "?")),
        (0.0, math.nan, ("0", "?")),
        (math.nan, 0.1, ("?", "?")),
    ],
)
def test_value_and_half_width_end_at_the_same_place(value: float, u95: float, shown: tuple[str, str]) -> None:
    assert numbers.written(value, u95) == shown


@pytest.mark.parametrize("u95", [0.00123, 0.0156, 0.123, 0.287, 1.01, 2.5, 11.0, 25.0])
def test_two_digits_agree_with_the_uncertainties_package(u95: float) -> None:
    value = 81.33612345
    nominal, half_width = f"{ufloat(value, u95):.2uf}".split("+/-")
    assert [float(text) for text in numbers.written(value, u95)] == [float(nominal), float(half_width)]


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [  # by hand: a half-width under a hundredth of a percent is told as one, the value to the same place
        (4.97655, 0.00029, "4.98 ± 0.01 %"),
        (-0.0004, 0.0002, "0.00 ± 0.01 %"),
        (2.7059, 0.0, "2.71 ± 0.01 %"),
        (2.5912, 0.0123, "2.591 ± 0.012 %"),
        (2.5912, 0.11, "2.59 ± 0.11 %"),
        (2.5912, math.nan, "2.591 ± ? %"),
    ],
)
def test_slip_is_told_to_a_hundredth_of_a_percent(value: float, u95: float, shown: str) -> None:
    assert numbers.to_hundredths(Reading(value, u95), "%") == shown


def test_both_units_user_choice_first() -> None:
    # 1 m/s = 60 m/min = 196.850394 ft/min (NIST SP 811, App. B.8: 1 ft = 0.3048 m exactly).
    speed = Reading(value=1.355, u95=0.002)
    assert numbers.both_speeds(speed, "m/min") == "81.30 ± 0.12 m/min (266.7 ± 0.4 ft/min)"
    assert numbers.both_speeds(speed, "ft/min") == "266.7 ± 0.4 ft/min (81.30 ± 0.12 m/min)"


@pytest.mark.parametrize(
    ("number", "thing", "words"),
    [(0, "pulse", "0 pulses"), (1, "mark", "1 mark"), (2, "stretch", "2 stretches"), (1, "stretch", "1 stretch")],
)
def test_one_is_not_told_as_many(number: int, thing: str, words: str) -> None:
    assert numbers.counted(number, thing) == words


def test_a_count_that_is_not_the_whole_says_so() -> None:
    assert [numbers.at_least(count, unknown=True) for count in (3, "12k", 0, "0")] == ["3+", "12k+", "?", "?"]
    assert numbers.at_least(0, unknown=False) == "0"


@pytest.mark.parametrize(
    ("seconds", "clock", "words"),
    [  # by hand: 25 h are 90,000 s, 101 h are 4 d 5 h, 1000 days are 86,400,000 s
        (0.0, "0:00", "0 s"),
        (119.0, "1:59", "119 s"),
        (3599.0, "59:59", "60 min"),
        (3600.0, "1:00:00", "60 min"),
        (86_399.0, "23:59:59", "24 h"),
        (90_000.0, "1 d 1:00:00", "25 h"),
        (363_600.0, "4 d 5:00:00", "4 days"),
        (86_400_000.0, "1000 d 0:00:00", "1000 days"),
    ],
)
def test_long_times_can_be_read(seconds: float, clock: str, words: str) -> None:
    assert (numbers.elapsed(seconds), numbers.lasting(seconds)) == (clock, words)


def test_a_bound_is_never_told_as_nothing() -> None:
    assert numbers.short_number(2e-6) == "0.01"
    assert numbers.short_number(0.0) == "0.00"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(618.8, "620"), (2890.0, "2900"), (6.249, "6.2"), (0.00434, "0.0043"), (0.0, "0"), (math.inf, "?")],
)
def test_a_scatter_has_two_figures_and_no_power_of_ten(value, shown):
    assert numbers.two_digits(value) == shown
