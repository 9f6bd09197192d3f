"""Are the splines those of the general library?"""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, make_lsq_spline

from kerfbeat.diagnose.spline import between, through


@pytest.mark.parametrize("count", [4, 5, 61])
def test_through_points_equals_the_library(count):
    random = np.random.default_rng(count)
    x = np.cumsum(random.uniform(0.5, 2.0, count))
    y = random.normal(size=count)
    theirs, at = CubicSpline(x, y), np.linspace(x[0], x[-1], 1000)
    ours = through(x, y)
    assert ours.at(at) == pytest.approx(theirs(at), abs=1e-9)
    beyond = np.array([x[0] - 3.0, x[-1] + 3.0])
    ends = x[[0, -1]]
    assert ours.at(beyond) == pytest.approx(theirs(ends) + theirs(ends, 1) * (beyond - ends), abs=1e-9)


@pytest.mark.parametrize("pieces", [1, 2, 40])
def test_between_points_equals_the_library(pieces):
    random = np.random.default_rng(pieces)
    x = np.sort(random.uniform(0, 100, 3000))
    y = np.sin(x / 7) + random.normal(scale=0.1, size=len(x))
    inner = np.linspace(x[0], x[-1], pieces + 1)[1:-1]
    knots = np.concatenate((np.full(4, x[0]), inner, np.full(4, x[-1])))
    assert between(x, y, pieces=pieces) == pytest.approx(make_lsq_spline(x, y, knots, k=3)(x), abs=1e-7)


def test_a_piece_without_points_is_bridged():
    x = np.concatenate((np.linspace(0, 1, 50), np.linspace(9, 10, 50)))
    assert np.abs(between(x, 2 * x + 1, pieces=20) - (2 * x + 1)).max() < 1e-6
