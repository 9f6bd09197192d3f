"""What is recorded when the computer sleeps for a while, and when somebody sets its clock?

A stopped process stands for a suspended computer: the board goes on, what it says beyond the port's buffer is lost.
"""

import signal
import subprocess
import sys
import time
from collections.abc import Callable
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
ASLEEP_S = 5.0


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


def test_a_computer_that_sleeps(board: EmulatedBoard, tmp_path: Path, say: Callable[[str], None]) -> None:
    machine, log = tmp_path / "saw.toml", tmp_path / "run.csv"
    machine.write_text(demo_text("saw"), encoding="utf-8")
    words = ["record", "--port", board.url, "--machine", machine, "-o", log]
    with subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", *map(str, words)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, text=True,
    ) as run:  # fmt: skip
        until_s = time.monotonic() + 60.0
        while not (log.exists() and b"\nsync," in log.read_bytes()):
            assert time.monotonic() < until_s
            time.sleep(0.02)
        play(board, 1200)
        time.sleep(1.5)
        run.send_signal(signal.SIGSTOP)
        time.sleep(ASLEEP_S)
        run.send_signal(signal.SIGCONT)
        while board.playing():
            time.sleep(0.1)
        time.sleep(1.0)
        run.send_signal(signal.SIGINT)
        run.communicate(timeout=60)
    recorded, told = check_accounts(log)
    assert recorded + told == 3600
    say(f"asleep for {ASLEEP_S:g} s: {recorded} of 3600 pulses recorded, {told} told as lost, exactly; none false")


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
