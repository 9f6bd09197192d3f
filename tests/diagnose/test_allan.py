"""Is the Allan deviation that of the published tables and of a general library?

Expected values: NIST SP 1065 (Riley, 2008), tables 30 (9 points) and 31 (1000 points).
"""

import allantools
import numpy as np
import pytest

from kerfbeat.diagnose import allan
from kerfbeat.errors import MeasureError

NINE = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=float)


def thousand():
    """The 1000-point set: n <- 16807 n mod 2147483647 from 1234567890 on, y = n / 2147483647."""
    n, values = 1234567890, []
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


def test_the_published_set_is_made_right():
    y = thousand()
    assert (y * 2147483647).round().astype(int).tolist()[:3] == [1234567890, 395529916, 1209410747]
    assert [y.max(), y.min(), y.mean(), y.std(ddof=1)] == pytest.approx(
        [9.957453e-1, 1.371760e-3, 4.897745e-1, 2.884664e-1], rel=1e-6
    )


def test_nine_points_of_sp1065_table_30():
    assert [allan.overlapping_deviation(NINE, m=m) for m in (1, 2)] == pytest.approx((91.22945, 85.95287), rel=1e-6)


def test_thousand_points_of_sp1065_table_31():
    expected = (2.922319e-1, 9.159953e-2, 3.241343e-2)
    y = thousand()
    assert [allan.overlapping_deviation(y, m=m) for m in (1, 10, 100)] == pytest.approx(expected, rel=1e-6)


def test_equal_to_allantools_on_wandering_noise():
    random = np.random.default_rng(7)
    y = random.normal(size=5000) + 0.05 * np.cumsum(random.normal(size=5000)) + 40.0
    taus, values, _, _ = allantools.oadev(y, rate=1.0, data_type="freq", taus=[1, 3, 10, 50, 200, 1000])
    assert [allan.overlapping_deviation(y, m=int(tau)) for tau in taus] == pytest.approx(list(values), rel=1e-9)


def test_bounds_hold_the_deviation_of_white_noise():
    """Chi-square bounds (SP 1065, section 5.3): of 2000 series of white noise, 93 % or more hold sigma / sqrt(m)."""
    random = np.random.default_rng(11)
    held = np.zeros(3)
    for _ in range(2000):
        found = allan.stability(random.normal(size=200), tau0_s=0.5)
        pick = np.searchsorted(found.tau_s, (0.5, 2.0, 8.0))
        truth = 1.0 / np.sqrt(found.tau_s[pick] / 0.5)
        held += (found.low[pick] <= truth) & (truth <= found.high[pick])
    assert np.all(held / 2000 > 0.93)  # the degrees of freedom are kept low: never too narrow
    assert held[0] / 2000 < 0.995


def test_too_few_speeds_are_told():
    with pytest.raises(MeasureError, match="too few"):
        allan.overlapping_deviation([1.0, 2.0], m=2)
    with pytest.raises(MeasureError, match="averaging factor"):
        allan.overlapping_deviation([1.0, 2.0], m=0)
