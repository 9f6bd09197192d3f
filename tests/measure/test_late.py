"""Does an edge that is overdue, or came late, leave open what may have happened?

A wheel of one target at 2 turns a second, 20 turns of 0.5 s; expected speeds by hand from constant deceleration.
"""

import math

import numpy as np
import pytest

from kerfbeat.measure.late import LateEdge, brake_part
from kerfbeat.measure.live import LiveSpeed

TICK_HZ = 1e6
TURN_S = 0.5
LAST = 20 * 500_000


@pytest.fixture
def idling():
    """The wheel at its twentieth pulse, timed to a microsecond."""
    live = LiveSpeed(targets=1, tick_hz=TICK_HZ)
    live.set_clock(0.0, 0.0)
    live.feed(np.arange(1, 21) * 500_000, LAST)
    return live


def interval(live, ticks):
    live.feed([], ticks)
    speed = live.reading().shaft_hz
    return speed.value - speed.u95, speed.value + speed.u95


def test_a_wheel_whose_pulse_is_overdue_may_stand(idling):
    for waited_s in (0.1, 0.3, 0.49):
        low_hz, _ = interval(idling, LAST + int(waited_s * TICK_HZ))
        assert low_hz > 1.8  # nothing has happened that could be known
    for waited_s in (0.51, 0.53, 0.58, 0.7, 0.9):
        low_hz, high_hz = interval(idling, LAST + int(waited_s * TICK_HZ))
        assert low_hz <= 0.0
        # It has not become faster; and late beyond any load, it is slower than the pulse that did not come allows.
        assert high_hz < (2.2 if waited_s < 0.6 else 2.001 * TURN_S / waited_s)


def test_a_late_pulse_leaves_a_jam_open_until_the_next(idling):
    # A brake of 4 turns/s2 from 0.3 s after the pulse: 0.4 turns are left, 2 t - 2 t^2 = 0.4 after t = 0.2764 s, where
    # the wheel still does 2 - 4 t = 0.894 turns/s; it stands 0.2236 s later.
    t = (2.0 - math.sqrt(4.0 - 3.2)) / 4.0
    edge = LAST + round((0.3 + t) * TICK_HZ)
    idling.feed([edge], edge)
    for after_s in (0.0, 0.1, 0.2, 0.3, 0.5):
        low_hz, high_hz = interval(idling, edge + int(after_s * TICK_HZ))
        assert low_hz <= max(0.0, 0.8944 - 4.0 * after_s) <= high_hz


def test_a_little_late_is_told_as_a_cut_that_goes_on(idling):
    # A load that has taken 1 % off evenly over the turn: 2 (1 - 0.01 t / 0.5) turns/s make a turn in about 0.50251 s.
    edge = LAST + 502_510
    idling.feed([edge], edge)
    for after_s in (0.0, 0.2, 0.4):
        low_hz, high_hz = interval(idling, edge + int(after_s * TICK_HZ))
        assert low_hz < 2.0 * (1.0 - 0.01 - 0.01 * after_s / TURN_S) < high_hz
        assert low_hz > 1.0  # and the digits stand
    # The next pulse, as late as a load that stays makes it, settles it.
    edge += 505_000
    idling.feed([edge], edge)
    low_hz, high_hz = interval(idling, edge + 100_000)
    assert low_hz < 2.0 / 1.01 < high_hz
    assert high_hz - low_hz < 0.3


def test_the_lowest_speed_is_of_a_brake_that_began_at_the_last_part():
    # Begun at the last part p of a way of 1 s: with brake a it has turned a p^2 / 2 too little, is slower by a p, and
    # 0.1 s later by another 0.1 a.
    brake, part = 0.1, brake_part(1.0)
    late = LateEdge(behind=brake * part**2 / 2.0, elapsed_s=1.0, speed_hz=1.0)
    assert late.lowest_hz(0.0) == pytest.approx(1.0 - brake * part)
    assert late.lowest_hz(0.1) == pytest.approx(1.0 - brake * (part + 0.1))
    assert LateEdge(behind=0.07, elapsed_s=1.0, speed_hz=1.0).lowest_hz(0.0) == 0.0  # later than full load makes it
