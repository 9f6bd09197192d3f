"""Does the cumulative sum begin and end where it must, by hand?"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.diagnose.onset import OnsetWatch, delay_bound_s, onsets


def test_a_step_by_hand():
    """Ten steps of 0, ten of 2, ten of 0; reference 1: the sum grows by 1 from step 10 on and passes 3 at the 4th."""
    excess = np.array([0.0] * 10 + [2.0] * 10 + [0.0] * 10)
    (found,) = onsets(excess, reference=np.ones(30), threshold=3.0)
    assert (found.first, found.alarm, found.after, found.open) == (10, 13, 20, False)


def test_what_does_not_end_is_open():
    (found,) = onsets(np.array([0.0] * 5 + [2.0] * 10), reference=np.ones(15), threshold=3.0)
    assert (found.first, found.after, found.open) == (5, 15, True)


def test_two_events():
    excess = np.array([0.0] * 5 + [3.0] * 5 + [0.0] * 10 + [3.0] * 5 + [0.0] * 10)
    found = onsets(excess, reference=np.ones(35), threshold=3.0)
    assert [(each.first, each.after) for each in found] == [(5, 10), (20, 25)]


@pytest.mark.parametrize("excess", [np.empty(0), np.zeros(1), np.full(100, 0.99)])
def test_nothing(excess):
    assert onsets(excess, reference=np.ones(len(excess)), threshold=3.0) == []


def test_bound_by_hand():
    """1000 observations between false alarms, step of one sd: e^x - x - 1 = 500, x = 6.229, delay 10.46."""
    assert delay_bound_s(step=1.0, sd=1.0, every_s=0.1, mean_false_s=100.0) == pytest.approx(1.0466, abs=1e-3)
    assert delay_bound_s(step=100.0, sd=1.0, every_s=0.1, mean_false_s=100.0) == pytest.approx(0.1)


def watched(excess, reference, threshold):
    """All events of a course by the step-by-step form."""
    watch = OnsetWatch(threshold=threshold)
    found = [watch.take(each, reference=allowed) for each, allowed in zip(excess, reference, strict=True)]
    return [each for each in [*found, watch.end()] if each is not None]


def test_step_by_step_by_hand():
    """The course of `test_a_step_by_hand`: the event is given at step 23, when what is missing has passed 3."""
    watch = OnsetWatch(threshold=3.0)
    given_at = [k for k in range(30) if watch.take(2.0 if 10 <= k < 20 else 0.0, reference=1.0) is not None]
    assert given_at == [23]
    assert not watch.running


@given(
    excess=st.lists(st.integers(-4, 8), max_size=80),
    allowed=st.integers(0, 3),
    threshold=st.sampled_from([0.5, 3.0, 7.5]),
)
def test_step_by_step_finds_what_the_whole_finds(excess, allowed, threshold):
    """Whole numbers bring ties, where the last of several lowest sums counts."""
    course, reference = np.array(excess, dtype=float), np.full(len(excess), float(allowed))
    assert watched(course, reference, threshold) == onsets(course, reference=reference, threshold=threshold)


def test_step_by_step_in_noise():
    """Exactly the same events, heights included, in 20,000 steps with a hundred beginnings."""
    random = np.random.default_rng(11)
    course = random.normal(size=20_000) + 2.0 * (np.arange(20_000) % 200 >= 150)
    reference = random.uniform(0.8, 1.2, size=20_000)
    found = onsets(course, reference=reference, threshold=4.0)
    assert len(found) >= 100
    assert watched(course, reference, 4.0) == found
