"""Are middle and interval of a mixture right?  Expected values are tabled quantiles of the normal distribution."""

from statistics import NormalDist

import pytest

from kerfbeat.measure.mixture import FINE, Mixture


def test_one_normal_part():
    mixture = Mixture([0.3], [5.0], [0.1])
    assert mixture.median() == pytest.approx(5.0, abs=FINE * 0.1)
    assert mixture.half_width(5.0) == pytest.approx(0.1 * 1.959964, rel=2 * FINE)


def test_half_a_normal_part_is_left_above_zero():
    # Median of |z|: 0.674490.  What is below 0 is at 0, so 95 % lie between 0 and the one-sided quantile: z < 1.644854.
    mixture = Mixture([1.0], [0.0], [1.0])
    assert mixture.median() == pytest.approx(0.674490, abs=2 * FINE)
    assert 0.6745 + mixture.half_width(0.6745) == pytest.approx(1.644854, rel=2 * FINE)


def test_what_may_stand_reaches_down_to_zero():
    # 16 % of a normal part at 1 with deviation 1 lies below 0: whoever leaves 0 out holds 84 % at most.
    assert Mixture([1.0], [1.0], [1.0]).half_width(1.0) == pytest.approx(1.644854, rel=2 * FINE)
    # At 3 deviations only 0.13 % does, and the usual interval holds 95 %.
    assert Mixture([1.0], [3.0], [1.0]).half_width(3.0) == pytest.approx(1.959964, rel=2 * FINE)


def test_what_is_hardly_exceeded():
    # The 97.5 % quantile of a normal part is 1.959964 deviations above its middle.
    assert Mixture([0.3], [5.0], [0.1]).most() == pytest.approx(5.0 + 0.1 * 1.959964, abs=FINE * 0.1)
    # Of 90 % at 10 and 10 % at 5, one in 40 lies above the 0.025 / 0.9 upper quantile of the first.
    both = Mixture([0.9, 0.1], [10.0, 5.0], [0.01, 0.01])
    assert both.most() == pytest.approx(10.0 + 0.01 * NormalDist().inv_cdf(1 - 0.025 / 0.9), abs=FINE * 0.01)


def test_nothing_is_above_zero():
    mixture = Mixture([1.0], [-100.0], [1.0])
    assert mixture.median() == 0.0
    assert mixture.half_width(0.0) >= 0.0


def test_a_rare_wide_part_widens_little_and_a_frequent_one_is_held():
    # 3 % of weight may be missed whole: the rest, 97 %, must hold 95: its quantile is that of 95 / 97.
    rare = Mixture([0.97, 0.03], [10.0, 10.0], [0.01, 100.0])
    quantile = NormalDist().inv_cdf(0.5 + 0.5 * 0.95 / 0.97)
    assert rare.half_width(10.0) == pytest.approx(0.01 * quantile, rel=0.2)
    # 10 % at 5: half of them and more must be held, so the interval reaches beyond 5.
    frequent = Mixture([0.9, 0.1], [10.0, 5.0], [0.01, 0.01])
    assert frequent.median() == pytest.approx(10.0, abs=0.01)
    assert frequent.half_width(10.0) == pytest.approx(5.0, abs=0.05)
