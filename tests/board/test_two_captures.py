"""Are the times of two inputs that capture, each with a timer of its own, times of one clock?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_session import Recording, check_interrupts

from kerfbeat.capture.events import SegmentStarted
from kerfbeat.capture.log import read_log

pytestmark = [pytest.mark.board, pytest.mark.parametrize("board_name", ["atmega2560"], indirect=True)]

WRAP = 1 << 16
CANCELLER_TICKS = 4  # of both inputs' noise cancellers: four equal samples (data sheet, "Noise Canceler")
SPEED = 6.0

Starter = Callable[..., EmulatedBoard]


@pytest.mark.parametrize("apart_cycles", [0, 1, -1, 9, -9, 120, -120])
def test_two_edges_near_the_wrap_are_as_far_apart_as_they_were(
    start_board: Starter, tmp_path: Path, apart_cycles: int,
) -> None:
    # input 1 at every offset around the counters' overflow, input 2 a fixed time before or after it; on every third
    # wrap input 3's interrupt and, as the line is busy, the transmitter's are in the way
    offsets = np.arange(-130, 131)
    board = start_board("--speed", f"{SPEED:g}")
    with Recording(board, tmp_path / "log.csv", speed=SPEED) as recording:
        zero = int(board.stats()["counter_zero_cycle"])
        soon = board.cycle() + round(0.1 * SPEED * 16e6)
        first = zero + (soon - zero) // WRAP * WRAP
        one = first + np.arange(offsets.size) * WRAP + offsets
        two = one + apart_cycles
        three = one[::3] - 60
        board.inject_pulses(
            np.concatenate([one, two, three]), np.repeat([1, 2, 3], [one.size, two.size, three.size]), absolute=True,
        )
        recording.play_out()
    assert board.stats()["edges"]["late"] == 0
    check_interrupts(board)
    (segment,) = read_log(tmp_path / "log.csv").segments
    wheel, motor = segment.edge_ticks["wheel"], segment.edge_ticks["motor"]
    assert np.array_equal(motor - wheel, two - one)
    assert np.array_equal(wheel, one - zero % WRAP + CANCELLER_TICKS)


@pytest.mark.parametrize("how", ["hang", "reset", "power"])
def test_the_counters_are_in_step_after_another_start(start_board: Starter, tmp_path: Path, how: str) -> None:
    # after a hang the watchdog starts the program anew without a reset of the chip: the counters are found running
    board = start_board()
    both = np.arange(40) * 160_000
    with Recording(board, tmp_path / "log.csv") as recording:
        for command in ("power off", "power on") if how == "power" else (how,):
            board.tell(command)
        recording.pump_until(lambda: len(recording.all_of(SegmentStarted)) == 2, "the board is back")
        board.inject_pulses(np.repeat(both, 2), np.tile([1, 2], both.size))
        recording.play_out()
    segment = read_log(tmp_path / "log.csv").segments[-1]
    assert segment.edge_ticks["wheel"].size == both.size
    assert np.array_equal(segment.edge_ticks["wheel"], segment.edge_ticks["motor"])
    cycles, inputs = board.truth()
    assert np.unique(segment.edge_ticks["wheel"] - cycles[inputs == 1]).size == 1
