"""Is a target that is seen no more told where somebody stands beside the machine, and in the words of every result?"""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.machine import demo_machine
from kerfbeat.measure.gone_target import gone_words
from kerfbeat.present import panels
from kerfbeat.present.layout import part_heights
from kerfbeat.present.lines import LinePacer, reading_line
from kerfbeat.present.shafts import TargetWatch
from kerfbeat.present.snapshot import SlipNow

TICK_HZ = 16e6
TURN_S = 2.0
TOLD = (
    "wheel: only 3 of 4 targets are seen in every turn: one may have fallen off (keep clear of its path); the speed "
    "allows for it"
)


@pytest.fixture
def watch() -> TargetWatch:
    """Looks on at the demo saw, whose wheel carries four targets."""
    watch = TargetWatch(demo_machine("saw"))
    watch.take(SegmentStarted(board_id="1", firmware="1", tick_hz=TICK_HZ, cause="recording began", start_ticks=0))
    return watch


def turn_the_wheel(watch: TargetWatch, turns: range, *, without: int | None = None) -> None:
    """Even turns, each in one batch, in which one of the four targets does not come."""
    for turn in turns:
        places = [target / 4 for target in range(4) if target != without]
        ticks = np.array([(turn + place) * TURN_S * TICK_HZ + 1 for place in places], dtype=np.int64)
        none = np.empty(0, np.int64)
        edges = {"wheel": ticks, "motor": none, "blade": none}
        watch.take(Pulses(edge_ticks=edges, complete_ticks=int((turn + 0.99) * TURN_S * TICK_HZ)))


@pytest.mark.parametrize("without", [0, 1, 2, 3])
def test_told_within_five_turns_and_as_long_as_it_is_gone(watch: TargetWatch, without: int) -> None:
    turn_the_wheel(watch, range(10))
    assert watch.told() == []
    turn_the_wheel(watch, range(10, 12), without=without)
    assert watch.told() == []  # two turns without it: a weak magnet may be missed as often
    turn_the_wheel(watch, range(12, 15), without=without)
    assert watch.told() == [TOLD]
    turn_the_wheel(watch, range(15, 40), without=without)
    assert watch.told() == [TOLD]


def test_told_while_the_shaft_stands_and_no_more_once_it_is_back(watch: TargetWatch) -> None:
    turn_the_wheel(watch, range(10))
    turn_the_wheel(watch, range(10, 20), without=2)
    none = np.empty(0, np.int64)
    for second in range(40, 60):
        watch.take(
            Pulses(edge_ticks=dict.fromkeys(("wheel", "motor", "blade"), none), complete_ticks=int(second * TICK_HZ))
        )
    assert watch.told() == [TOLD]  # it lies in the shop all the same
    turn_the_wheel(watch, range(40, 60))
    assert watch.told() == []


def test_words_are_those_of_a_result() -> None:
    assert gone_words("wheel", seen=3, targets=4) == TOLD
    since = gone_words("wheel", seen=3, targets=4, since="from 32.2 s on")
    assert since == TOLD.replace("only", "from 32.2 s on only")


def test_a_bar_over_the_screen_and_a_part_of_every_line(moment) -> None:
    now = moment()
    now = replace(now, channels=(replace(now.channels[0], gone=1), *now.channels[1:]))
    assert now.gone == (TOLD,)
    lines = panels.alarm(now, columns=80, rows=3).plain.split("\n")
    assert [len(line) for line in lines] == [80, 80, 80]
    assert "WHEEL: ONLY 3 OF 4 TARGETS ARE SEEN" in lines[0]
    assert "one may have fallen off (keep clear of its path)" in lines[1]
    assert "locked out" in lines[2]
    assert panels.alarm(now, columns=80, rows=1).plain.count("\n") == 0
    assert part_heights(24, sensors=2, silent=False, alarm=bool(now.gone))["alarm"] == 3
    assert reading_line(now, "m/min", at=datetime(2026, 1, 5, tzinfo=UTC)).endswith(f"turning; {TOLD}")
    pacer = LinePacer(every_s=60.0)
    assert pacer.due(moment())
    assert pacer.due(now)  # at once, not after a minute


def test_slip_does_not_hide_it(moment) -> None:
    slip = SlipNow(what="first belt", since_s=4.2, percent=2.13, peak_percent=2.6, against="idle running so far")
    now = moment(slips=(slip,))
    now = replace(now, channels=(replace(now.channels[0], gone=1), *now.channels[1:]))
    lines = panels.alarm(now, columns=80, rows=3).plain.split("\n")
    assert "ONLY 3 OF 4 TARGETS" in lines[0]
    assert "FIRST BELT SLIPS 2.1 %" in lines[2]
