"""How many pulses does the line carry, and what becomes of those it cannot?"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import FIRST, on_every_board
from board_patterns import random_train
from board_session import CHANNELS, Recording, check_interrupts, choose_slow_line, compare

from kerfbeat.capture.log import PulseLog, read_log

pytestmark = pytest.mark.board

LONG = os.environ.get("KERFBEAT_LONG") == "1"
SECONDS = 60.0  # what is promised is promised for so long
OVERRUN_SECONDS = 30.0 if LONG else 3.0

Starter = Callable[..., EmulatedBoard]
Note = Callable[[str], None]


@pytest.fixture
def start_at(start_board: Starter) -> Callable[[int, float], EmulatedBoard]:
    """Starts a board whose stored settings choose a baud rate."""

    def start(baud: int, speed: float) -> EmulatedBoard:
        board = start_board("--speed", f"{speed:g}")
        if baud == 115_200:
            choose_slow_line(board)
        return board

    return start


@pytest.mark.parametrize(
    ("board_name", "baud", "per_s", "speed", "pattern"),
    [
        (FIRST, 500_000, 10_000, 6.0, "random"),
        (FIRST, 500_000, 10_000, 6.0, "even"),
        (FIRST, 115_200, 2_000, 10.0, "random"),
        (FIRST, 115_200, 2_000, 10.0, "even"),
        ("atmega2560", 500_000, 10_000, 6.0, "random"),
    ],
    indirect=["board_name"],
)
def test_no_pulse_is_lost(
    start_at: Callable[[int, float], EmulatedBoard], tmp_path: Path, baud: int, per_s: int, speed: float, pattern: str,
    measured: Note,
) -> None:
    if pattern == "random":
        cycles, inputs = random_train(baud, per_s=per_s, seconds=SECONDS)
    else:       # all on their own beat, none a whole part of another
        parts = {1: per_s // 2, 2: per_s // 3, 3: per_s - per_s // 2 - per_s // 3}
        cycles = np.concatenate([np.arange(n * SECONDS) * 16e6 / n + 37 * k for k, n in parts.items()]).astype(np.int64)
        inputs = np.concatenate([np.full(round(n * SECONDS), k) for k, n in parts.items()])
    board = start_at(baud, speed)
    with Recording(board, tmp_path / "log.csv", speed=speed, baud=baud) as recording:
        before = recording.link.line_counts        # the port was opened in the middle of a frame
        board.inject_pulses(cycles, inputs)
        recording.play_out()
        health = recording.wait_for_status()
    comparison = compare(read_log(tmp_path / "log.csv"), board)
    comparison.check()
    check_interrupts(board)
    assert [each.overruns for each in health.inputs.values()] == [0, 0, 0]
    assert (health.line.frames_missing, health.line.bad_crc, health.line.malformed) == (
        before.frames_missing, before.bad_crc, before.malformed,
    )
    assert board.stats()["port"]["lost"] == 0
    measured(comparison.row(f"{cycles.size} pulses in {SECONDS:.0f} s at {baud} baud, {pattern}"))


def check_losses(log: PulseLog, board: EmulatedBoard) -> dict[str, int]:
    """Each lost row covers exactly the injected pulses that are not in the log; returns the numbers lost."""
    (segment,) = log.segments
    cycles, inputs = board.truth()
    zero = None
    lost = {}
    for number, channel in enumerate(CHANNELS, start=1):
        injected = cycles[inputs == number]
        recorded = segment.edge_ticks[channel]
        losses = [loss for loss in segment.losses if loss.channel == channel]
        assert all(loss.cause == "ring overrun" for loss in losses)
        assert all(loss.pulses is not None for loss in losses)
        lost[channel] = sum(loss.pulses or 0 for loss in losses)
        assert recorded.size + lost[channel] == injected.size
        if zero is None:
            zero = int(injected[0] - recorded[0])       # nothing is lost so early
        # injected edges lie far apart against the 240 ticks that a recorded one may be off; the others are the lost
        found = np.searchsorted(injected - zero, recorded + 250, side="right") - 1
        assert np.unique(found).size == recorded.size
        missing = np.delete(injected - zero, found)
        for loss in losses:
            inside = (missing > loss.start_ticks) & (missing <= loss.end_ticks)
            assert np.count_nonzero(inside) == loss.pulses
            missing = missing[~inside]
        assert missing.size == 0
    return lost


@on_every_board
@pytest.mark.parametrize(("baud", "per_s", "speed"), [(500_000, 30_000, 3.0), (115_200, 9_000, 6.0)])
@pytest.mark.parametrize("seed", range(5 if LONG else 1))
def test_what_the_line_cannot_carry_is_counted_exactly(
    start_at: Callable[[int, float], EmulatedBoard], tmp_path: Path, baud: int, per_s: int, speed: float, seed: int,
    measured: Note,
) -> None:
    cycles, inputs = random_train(seed, per_s=per_s, seconds=OVERRUN_SECONDS, apart_cycles=1200)
    board = start_at(baud, speed)
    with Recording(board, tmp_path / "log.csv", speed=speed, baud=baud) as recording:
        board.inject_pulses(cycles, inputs, width_cycles=300)
        recording.play_out()
        health = recording.wait_for_status()
    lost = check_losses(read_log(tmp_path / "log.csv"), board)
    check_interrupts(board)
    assert {channel: each.overruns for channel, each in health.inputs.items()} == lost
    assert sum(lost.values()) > 0
    assert board.stats()["edges"]["overtaken"] == [0, 0, 0]
    kept = cycles.size - sum(lost.values())
    kept_per_s = round(kept / OVERRUN_SECONDS)
    measured(f"{board.mcu}, {per_s} pulses/s at {baud} baud: {kept_per_s}/s recorded, the others counted as lost")
