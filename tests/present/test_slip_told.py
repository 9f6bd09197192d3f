"""Does slip that the pulses show reach the log as marks, the plain lines, and the words of a recording?

A board turns evenly for 20 s; then for 6 s the wheel falls 3 % behind while the motor runs on, and follows it again.
"""

import itertools
import re
import threading

import pytest

from kerfbeat.capture.log import read_log
from kerfbeat.present.lines import write_lines
from kerfbeat.present.recording import record_log

WHEEL_HZ, SLIP, TICK_HZ = 1.25, 0.03, 16e6
BEGUN_S, ENDED_S = 20.0, 26.0
# Page's sum of 3 % less what is allowed passes 1.5 ms well within a second; then one pulse of the wheel, 0.2 s.
SOON_S = 1.5


@pytest.fixture(name="course")
def _course(board):
    """The board's batches, and the time of the first."""
    board.start()
    return itertools.chain(
        board.batches(BEGUN_S), board.batches(ENDED_S - BEGUN_S, wheel_hz=WHEEL_HZ * (1.0 - SLIP)), board.batches(10.0)
    )


class Course:
    """A link that gives one batch whenever it is asked; then sets `over`."""

    def __init__(self, batches):
        self.batches, self.over = batches, threading.Event()

    def events(self, timeout_s):
        batch = next(self.batches, None) if timeout_s else None
        if batch is None:
            self.over.set()
            return []
        return [batch]

    def close(self):
        pass


def test_the_log_and_the_words_of_a_recording(board, course, tmp_path):
    link, said, shown = Course(course), [], []
    start_ticks = board.ticks
    record_log(
        board.feed, link, tmp_path / "run.csv", for_s=None, stopped=link.over, marks=list, show=shown.append,
        say=lambda words: said.append(((board.ticks - start_ticks) / TICK_HZ, words)),
    )  # fmt: skip
    (begun_s, begins), (ended_s, ends) = said
    assert BEGUN_S < begun_s < BEGUN_S + SOON_S
    assert re.fullmatch(
        r"first belt slips [\d.]+ %, beyond what belongs to the load \(against idle running so far\)", begins
    ), begins
    assert ENDED_S < ended_s < ENDED_S + 2.0 + SOON_S
    assert ends.endswith("slips no more")

    (segment,) = read_log(tmp_path / "run.csv").segments
    start, stop = [mark for mark in segment.marks if mark.key == "slip"]
    assert (start.ticks - start_ticks) / TICK_HZ == pytest.approx(begun_s, abs=0.11)
    assert (stop.ticks - start_ticks) / TICK_HZ == pytest.approx(ended_s, abs=0.11)
    kind, between, since, percent, against = start.value.split("; ")
    assert (kind, between, against) == ("start", "between=motor-wheel", "against=idle running so far")
    assert (int(since.removeprefix("since=")) - start_ticks) / TICK_HZ == pytest.approx(BEGUN_S, abs=0.25)
    assert 0.0 < float(percent.removeprefix("percent=")) < 3.1
    kind, between, most = stop.value.split("; ")
    assert (kind, between) == ("stop", "between=motor-wheel")
    assert float(most.removeprefix("most_percent=")) == pytest.approx(100 * SLIP, abs=0.1)


def test_the_plain_lines(board, course):
    link, lines = Course(course), []
    start_ticks = board.ticks
    write_lines(
        board.feed, link.events, unit="m/min", every_s=0.0, stopped=link.over,
        write=lambda line: lines.append(((board.ticks - start_ticks) / TICK_HZ, line)),
    )  # fmt: skip
    telling = [(at_s, line) for at_s, line in lines if "slips" in line]
    assert BEGUN_S < telling[0][0] < BEGUN_S + SOON_S
    assert ENDED_S < telling[-1][0] < ENDED_S + 2.0 + SOON_S
    between = [line for at_s, line in lines if telling[0][0] <= at_s <= telling[-1][0]]
    assert len(between) == len(telling)
    steady = [line for at_s, line in telling if BEGUN_S + 2.0 < at_s < ENDED_S]
    assert all("first belt slips 3.0 % (against idle running so far)" in line for line in steady), steady
