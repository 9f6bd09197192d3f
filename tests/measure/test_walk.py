"""Is a shaft followed edge by edge through what accelerates, and no farther?"""

import math

import numpy as np
import pytest

from kerfbeat.measure.walk import _expected, walk_edges


def test_the_next_edge_is_foreseen_under_constant_acceleration():
    # From rest with even targets the edges come at sqrt(k): by hand, gaps 1, 0.41421, 0.31784, 0.26795.
    first, second = math.sqrt(2) - 1, math.sqrt(3) - math.sqrt(2)
    assert _expected(1.0, 1 / second, 1 / first, second, first) == pytest.approx(2 - math.sqrt(3), rel=1e-9)


def test_a_shaft_that_stops_before_the_next_target_is_not_awaited():
    # The same run backwards: after gaps of 0.31784 and 0.41421 comes one of 1, at whose end the shaft stands.
    first, second = math.sqrt(3) - math.sqrt(2), math.sqrt(2) - 1
    assert _expected(0.99, 1 / second, 1 / first, second, first) == pytest.approx(1 - math.sqrt(0.01), rel=1e-6)
    assert _expected(1.01, 1 / second, 1 / first, second, first) == math.inf


@pytest.mark.parametrize("direction", [1, -1])
def test_a_run_up_and_a_stop_are_followed_whole(direction):
    times = np.sort(direction * np.sqrt(np.arange(40.0)))
    walk = walk_edges(times.tolist(), context=[], gaps=[1.0])
    assert walk.kept == list(range(40))
    assert not walk.skips


def test_a_missing_edge_is_claimed_only_at_its_time():
    steady = [float(k) for k in range(10)]
    for late, missing in ((11.0, 1), (12.0, 2), (11.05, 1)):
        times = [*steady, *(late + k for k in range(5))]
        walk = walk_edges(times[3:], context=times[:3], gaps=[1.0])
        assert walk.skips == [missing]
        assert walk.reached == len(times) - 3
    for late in (11.4, 12.5, 13.0, 20.0):  # three gaps' silence may as well be a pause
        times = [*steady, *(late + k for k in range(5))]
        walk = walk_edges(times[3:], context=times[:3], gaps=[1.0])
        assert walk.skips == []
        assert walk.reached == 7  # ends at the silence


def test_extra_edges_are_passed_over():
    times = [float(k) for k in range(20)]
    times.insert(12, 11.4)
    times.insert(6, 5.05)
    walk = walk_edges(times[3:], context=times[:3], gaps=[1.0])
    assert [times[3 + k] for k in walk.kept] == [float(k) for k in range(3, 20)]
    assert walk.reached == len(times) - 3


def test_uneven_targets_are_followed_by_their_pattern():
    gaps = [0.7, 1.3, 1.2, 0.8]
    times = np.concatenate(([0.0], np.cumsum(np.tile(gaps, 6)))).tolist()
    del times[14]
    walk = walk_edges(times[3:], context=times[:3], gaps=[1.2, 0.8, 0.7, 1.3])
    assert walk.skips == [1]
    assert walk.reached == len(times) - 3


def test_a_gap_of_twice_its_neighbours_is_a_missing_edge_where_no_pattern_is_known():
    # Places of 3 degrees' error let such a gap look like the last of a stop; the shaft is as fast as before after it.
    times = [0.0, 1.0, 2.03, 3.08, 5.0, 6.0, 7.03, 8.0]
    for known in (None, [1.0]):
        walk = walk_edges(times[3:], context=times[:3], gaps=known)
        assert (walk.skip_at, walk.skips) == ([1], [1])
        assert walk.kept == list(range(5))
    stopping = [0.0, 1.0, 2.03, 3.08, 5.0, 8.5]
    assert walk_edges(stopping[3:], context=stopping[:3], gaps=None).skips == []
