"""What is recorded when the computer sleeps for a while, and when somebody sets its clock?

A stopped process stands for a suspended computer: the board goes on, what it says beyond the port's buffer is lost.
"""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_session import CHANNELS

from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import LogWriter, read_log
from kerfbeat.machine import demo_machine, demo_text

pytestmark = pytest.mark.board

EVERY_CYCLES = 160_000  # a pulse each 10 ms on each input
SLACK_TICKS = 240  # of the slowest input
LONG = bool(os.environ.get("KERFBEAT_LONG"))
ASLEEP_S = 120.0 if LONG else 5.0  # the short one fits the buffers on the way, the long one does not
PULSES = round((ASLEEP_S + 7.0) * 100)  # on each input
READING = re.compile(r"\S+  ([\d.]+) ± ([\d.]+) m/min  .*  turning")


def play(board: EmulatedBoard, count: int) -> None:
    cycles = np.arange(count * 3) // 3 * EVERY_CYCLES + np.tile([0, 30_000, 70_000], count)
    board.inject_pulses(cycles, np.tile([1, 2, 3], count))


def check_accounts(log_path: Path) -> tuple[int, int]:
    """No interval is longer than the losses in it explain; pulses recorded and told as lost, of one segment."""
    (segment,) = read_log(log_path).segments
    recorded = told = 0
    for channel in CHANNELS:
        ticks = segment.edge_ticks[channel]
        losses = [loss for loss in segment.losses if loss.channel == channel]
        assert all(loss.pulses is not None for loss in losses)
        apart = np.rint(np.diff(ticks) / EVERY_CYCLES)
        assert np.abs(np.diff(ticks) - apart * EVERY_CYCLES).max() <= SLACK_TICKS
        lost = sum(loss.pulses or 0 for loss in losses if loss.start_ticks >= ticks[0] and loss.end_ticks <= ticks[-1])
        assert int((apart - 1).sum()) == lost
        recorded, told = recorded + ticks.size, told + lost
    return recorded, told


@contextmanager
def started(words: list[object]) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", *map(str, words)], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        yield run


def test_a_computer_that_sleeps(
    start_board: Callable[..., EmulatedBoard], tmp_path: Path, say: Callable[[str], None]
) -> None:
    machine, logs = tmp_path / "saw.toml", [tmp_path / "recorded.csv", tmp_path / "watched.csv"]
    boards = [start_board(), start_board()]
    machine.write_text(demo_text("saw"), encoding="utf-8")
    record = ["record", "--port", boards[0].url, "--machine", machine, "-o", logs[0]]
    watch = ["watch", "--port", boards[1].url, "--machine", machine, "--lines", "--every", "100ms", "--log", logs[1]]
    with started(record) as recording, started(watch) as watching:
        runs = [recording, watching]
        until_s = time.monotonic() + 60.0
        while not all(log.exists() and b"\nsync," in log.read_bytes() for log in logs):
            assert time.monotonic() < until_s
            time.sleep(0.02)
        for board in boards:
            play(board, PULSES)
        time.sleep(1.5)
        for run in runs:
            run.send_signal(signal.SIGSTOP)
        time.sleep(ASLEEP_S)
        for run in runs:
            run.send_signal(signal.SIGCONT)
        while any(board.playing() for board in boards):
            time.sleep(0.1)
        until_s, seen, quiet = time.monotonic() + 60.0, [0, 0], 0
        while quiet < 4 and time.monotonic() < until_s:  # a busy computer writes the last pulses late
            time.sleep(0.5)
            before, seen = seen, [log.read_bytes().count(b"\npulse,") for log in logs]
            quiet = quiet + 1 if seen == before else 0
        for run in runs:
            run.send_signal(signal.SIGINT)
        said = [run.communicate(timeout=60)[0] for run in runs]
    for log in logs:
        recorded, told = check_accounts(log)
        assert recorded + told == 3 * PULSES
        assert not LONG or told > 0  # more than 3 x 12,000 pulses fit no buffer
        say(f"asleep for {ASLEEP_S:g} s: {recorded} of {3 * PULSES} pulses in {log.name}, {told} told as lost, exactly")
    true_m_per_min = 60 * demo_machine("saw").wheel.surface_speed_m_per_s(100 / 4)  # 100 pulses a second, 4 a turn
    readings = [(float(value), float(u95)) for value, u95 in READING.findall(said[1])]
    assert len(readings) >= 5  # a busy computer writes few
    wrong = [each for each in readings if abs(each[0] - true_m_per_min) > 1.5 * each[1] + 1e-3 * true_m_per_min]
    assert not wrong


def test_the_clock_of_the_wall_is_set_both_ways(board: EmulatedBoard, tmp_path: Path) -> None:
    steps = iter([timedelta(), timedelta(hours=1), timedelta(hours=-5), timedelta(days=400)] * 50)
    path = tmp_path / "run.csv"
    machine = demo_machine("saw")
    started = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    with (
        BoardLink(board.url, sensors=machine.sensors, utc_now=lambda: started + next(steps)) as link,
        LogWriter(path, machine=machine, start_utc=started) as writer,
    ):
        begun_s = time.monotonic()
        played = False
        while time.monotonic() < begun_s + 20.0:
            for event in link.events(0.1):
                writer.accept(event)
            if not played and time.monotonic() > begun_s + 1.0:
                play(board, 200)
                played = True
            if played and time.monotonic() > begun_s + 3.0 and not board.playing():
                break
        for event in link.events(1.0):
            writer.accept(event)
    recorded, told = check_accounts(path)
    assert (recorded, told) == (600, 0)
    assert read_log(path).start_utc == started
