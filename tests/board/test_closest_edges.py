"""How close may two edges be, and still both be seen?"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board
from board_session import CHANNELS, Recording, check_interrupts

from kerfbeat.capture.log import read_log

pytestmark = [pytest.mark.board, on_every_board]

LONG = os.environ.get("KERFBEAT_LONG") == "1"
PAIRS = 600 if LONG else 120
SLOT_CYCLES = 48_000  # pairs of the three inputs take turns, 1 ms apart each
SPEED = 8.0

ALONE_CYCLES = 256  # what is promised: two edges of one input 16 us apart are both seen when nothing else happens


def trial(
    start_board: Callable[..., EmulatedBoard], folder: Path, *, disturbed: bool, steps: np.ndarray,
) -> dict[int, int]:
    """Injects pairs at random phases for each spacing and input; the closest spacing from which none is missed."""
    rng = np.random.default_rng(11 + disturbed)
    falls, widths, numbers = [], [], []
    wanted = []        # (spacing, input, start of the pair's slot)
    at = 0
    for step in steps:
        for _ in range(PAIRS):
            for number in (1, 2, 3):
                start = at + int(rng.integers(0, 4000))
                falls += [start, start + step]
                widths += [step // 2, step // 2]
                numbers += [number, number]
                wanted.append((int(step), number, at))
                if disturbed:
                    for other in {1, 2, 3} - {number}:
                        falls.append(start + int(rng.integers(-200, int(step) + 100)))
                        widths.append(400)
                        numbers.append(other)
                at += SLOT_CYCLES // 3
    fall, width, number = (np.array(each, dtype=np.int64) for each in (falls, widths, numbers))
    board = start_board("--speed", f"{SPEED:g}")
    with Recording(board, folder / f"{disturbed}.csv", speed=SPEED) as recording:
        begin = board.inject(
            np.concatenate([fall, fall + width]) + 1000, np.concatenate([number, number]),
            np.concatenate([np.zeros_like(fall), np.ones_like(fall)]),
        ) + 1000
        recording.play_out()
    check_interrupts(board)
    (segment,) = read_log(folder / f"{disturbed}.csv").segments
    assert segment.losses == ()
    truth, inputs = board.truth()
    zero = int(truth[inputs == 1][0] - segment.edge_ticks["wheel"][0])
    closest = dict.fromkeys((1, 2, 3), int(steps[0]))
    for spacing, which, slot in wanted:
        recorded = segment.edge_ticks[CHANNELS[which - 1]] + zero - begin
        inside = np.searchsorted(recorded, [slot - 300, slot - 300 + SLOT_CYCLES // 3])
        if inside[1] - inside[0] < 2:
            closest[which] = max(closest[which], spacing + int(steps[1] - steps[0]))
    return closest


@pytest.mark.parametrize("disturbed", [False, True], ids=["alone", "disturbed"])
def test_the_closest_two_edges(
    start_board: Callable[..., EmulatedBoard], board_name: str, tmp_path: Path, disturbed: bool,
    measured: Callable[[str], None],
) -> None:
    steps = np.arange(40, 600, 20 if LONG else 40)
    closest = trial(start_board, tmp_path, disturbed=disturbed, steps=steps)
    how = "while the others fire, too" if disturbed else "alone"
    measured(
        f"{board_name}, closest two edges both seen, {how}: "
        + ", ".join(f"input {number} {cycles} cycles ({cycles / 16:.1f} us)" for number, cycles in closest.items()),
    )
    for number, most in PROMISES[board_name].disturbed_cycles.items():
        assert closest[number] <= (most if disturbed else ALONE_CYCLES)
