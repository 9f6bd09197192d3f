"""Does a planned course say what was planned?"""

import math

import pytest

from kerfbeat.simulate.timeline import Timeline


def test_a_jump_is_not_known_before_it_has_come() -> None:
    line = Timeline(1.0, [(5.0, 0.0, 2.0)])
    assert [line.at(t) for t in (0.0, 5.0, math.nextafter(5.0, 6.0), 9.0)] == [1.0, 1.0, 2.0, 2.0]


def test_ramps_and_a_ramp_cut_off() -> None:
    line = Timeline(0.0, [(10.0, 4.0, 8.0), (12.0, 1.0, 0.0)])
    assert line.at(11.0) == pytest.approx(2.0)
    assert line.at(12.0) == pytest.approx(4.0)
    assert line.at(12.5) == pytest.approx(2.0)
    assert line.at(20.0) == 0.0


def test_breaks_are_told_in_order() -> None:
    line = Timeline(0.0, [(10.0, 4.0, 8.0), (30.0, 0.0, 0.0)])
    breaks, now = [], -1.0
    while (now := line.next_break_s(now)) < math.inf:
        breaks.append(now)
    assert breaks == [10.0, 14.0, 30.0]
