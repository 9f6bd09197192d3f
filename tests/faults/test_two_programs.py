"""What does a second program hear that wants the port of a running one, and does the first one suffer?

Real processes on one pseudo-terminal with the emulated board behind it.  A system may let its administrator past the
exclusive mode of a terminal; then the lock on the device has to hold.
"""

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard

from kerfbeat.capture.log import read_log
from kerfbeat.machine import demo_text

pytestmark = pytest.mark.board

EVERY_CYCLES = 160_000  # a pulse each 10 ms on each input
SECONDS = 8.0


def start(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", *map(str, words)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def wait_for_pulses(run: subprocess.Popen[str], log: Path) -> None:
    until_s = time.monotonic() + 60.0
    while not (log.exists() and b"\npulse," in log.read_bytes()):
        assert run.poll() is None, run.communicate()
        assert time.monotonic() < until_s
        time.sleep(0.02)


def test_the_second_program_is_told_and_the_first_goes_on(
    board: EmulatedBoard, tmp_path: Path, say: Callable[[str], None]
) -> None:
    machine, log = tmp_path / "saw.toml", tmp_path / "run.csv"
    machine.write_text(demo_text("saw"), encoding="utf-8")
    first = start("record", "--port", board.url, "--machine", machine, "-o", log, "--for", f"{SECONDS}s")
    board.inject_pulses(np.repeat(np.arange(6000) * EVERY_CYCLES, 3), np.tile([1, 2, 3], 6000), after_cycles=16_000_000)
    wait_for_pulses(first, log)
    others = {
        "record": start("record", "--port", board.url, "--machine", machine, "-o", tmp_path / "second.csv"),
        "watch": start("watch", "--port", board.url, "--machine", machine),
        "check": start("check", "--port", board.url),
        "configure": start("configure", "--port", board.url),
    }
    for name, other in others.items():
        _, said = other.communicate(timeout=60)
        assert other.returncode == 1, f"{name}: {said}"
        assert said.splitlines() == [
            f"kerfbeat: {board.url}: another program has the port open; close it (a serial monitor, another kerfbeat) "
            "and try again"
        ]
    assert not (tmp_path / "second.csv").exists()
    said, warned = first.communicate(timeout=120)
    assert first.returncode == 0, warned
    read = read_log(log)
    assert read.warnings == ()
    (segment,) = read.segments
    assert segment.losses == ()
    for channel, ticks in segment.edge_ticks.items():
        assert len(ticks) > 100, channel
        assert np.abs(np.diff(ticks) - EVERY_CYCLES).max() <= 240
    say(f"{len(others)} second programs told; the first lost none of {segment.edge_ticks['wheel'].size} turns")


def test_a_port_is_free_again_when_its_program_was_killed(board: EmulatedBoard, tmp_path: Path) -> None:
    machine, log = tmp_path / "saw.toml", tmp_path / "run.csv"
    machine.write_text(demo_text("saw"), encoding="utf-8")
    first = start("record", "--port", board.url, "--machine", machine, "-o", log)
    board.inject_pulses(np.repeat(np.arange(3000) * EVERY_CYCLES, 3), np.tile([1, 2, 3], 3000))
    wait_for_pulses(first, log)
    first.send_signal(signal.SIGKILL)
    first.communicate(timeout=60)
    second = start("check", "--port", board.url, "--for", "1s")
    said, warned = second.communicate(timeout=120)
    assert "another program" not in warned
    assert "firmware" in said
