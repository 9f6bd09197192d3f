"""Does the cumulative sum begin and end where it must, by hand?"""

import numpy as np
import pytest

from kerfbeat.diagnose.onset import delay_bound_s, onsets


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
