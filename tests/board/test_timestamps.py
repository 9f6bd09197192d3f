"""Are recorded times those of the injected edges, whatever else the board has to do at that moment?"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import on_every_board
from board_patterns import bursts, clusters, random_train
from board_session import Recording, check_interrupts, compare, wait_for

from kerfbeat.capture.log import read_log

pytestmark = [pytest.mark.board, on_every_board]

LONG = os.environ.get("KERFBEAT_LONG") == "1"
SEEDS = range(20 if LONG else 2)
WRAP = 1 << 16
SPEED = 6.0

Starter = Callable[..., EmulatedBoard]
Note = Callable[[str], None]


def tick_zero_cycle(board: EmulatedBoard) -> int:
    """When the board's time began: its counter starts within the first wrap after the power came."""
    return int(board.stats()["counter_zero_cycle"]) % WRAP


def record(
    start_board: Starter, log_path: Path, cycles: np.ndarray, inputs: np.ndarray, *, speed: float = SPEED,
    first_ticks: int | None = None,
) -> EmulatedBoard:
    """Injects pulses; their cycles count from a wrap soon after now, or from `first_ticks` of the board."""
    board = start_board("--speed", f"{speed:g}")
    with Recording(board, log_path, speed=speed) as recording:
        first = tick_zero_cycle(board) + (0 if first_ticks is None else first_ticks)
        if first_ticks is None:
            soon = board.cycle() + round(0.1 * speed * 16e6)
            first += (soon - first) // WRAP * WRAP
        board.inject_pulses(cycles + first, inputs, absolute=True)
        recording.play_out()
    assert board.stats()["edges"]["late"] == 0
    return board


def check(log_path: Path, board: EmulatedBoard, measured: Note, title: str) -> None:
    comparison = compare(read_log(log_path), board)
    measured(comparison.row(title))
    comparison.check()
    measured(check_interrupts(board))


@pytest.mark.parametrize("seed", SEEDS)
def test_clusters_at_every_offset_around_the_wrap(
    start_board: Starter, tmp_path: Path, seed: int, measured: Note,
) -> None:
    # one cluster a wrap, so that the overflow interrupt is pending, too
    offsets = np.arange(-300, 301)
    centres = (np.arange(offsets.size) + 1) * WRAP + offsets
    board = record(start_board, tmp_path / "log.csv", *clusters(seed, centres, width_cycles=160))
    check(tmp_path / "log.csv", board, measured, f"clusters around the wrap, seed {seed}")


@pytest.mark.parametrize("seed", SEEDS)
def test_bursts_on_all_inputs_at_once(start_board: Starter, tmp_path: Path, seed: int, measured: Note) -> None:
    board = record(
        start_board, tmp_path / "log.csv", *bursts(seed, count=120, every_cycles=320_000, apart_cycles=1000),
    )
    check(tmp_path / "log.csv", board, measured, f"bursts, 62.5 us apart, seed {seed}")


@pytest.mark.parametrize("seed", SEEDS)
def test_tight_clusters_one_after_another(start_board: Starter, tmp_path: Path, seed: int, measured: Note) -> None:
    # 9,000 pulses/s, all three inputs within 5 us each time: every interrupt meets every other
    rng = np.random.default_rng(seed + 1000)
    centres = np.cumsum(rng.integers(2_800, 8_000, 12_000))
    board = record(start_board, tmp_path / "log.csv", *clusters(seed, centres, width_cycles=80))
    check(tmp_path / "log.csv", board, measured, f"tight clusters, seed {seed}")


def test_around_the_wraps_of_24_bits(start_board: Starter, tmp_path: Path, measured: Note) -> None:
    # what an interrupt stores wraps each 1.05 s
    count = 200 if LONG else 40
    rng = np.random.default_rng(5)
    centres = (np.arange(count) << 24) + rng.integers(-200, 200, count)
    board = record(
        start_board, tmp_path / "log.csv", *clusters(5, centres, width_cycles=200), speed=40.0, first_ticks=96 << 24,
    )
    check(tmp_path / "log.csv", board, measured, "clusters around 24-bit wraps")


def test_around_the_wrap_of_32_bits(start_board: Starter, tmp_path: Path, measured: Note) -> None:
    # the 32-bit time wraps after 268 s: a train of 2,000 pulses/s runs over it
    board = record(
        start_board, tmp_path / "log.csv", *random_train(7, per_s=2000, seconds=0.5), speed=60.0,
        first_ticks=(1 << 32) - 4_000_000,
    )
    check(tmp_path / "log.csv", board, measured, "across 2**32 ticks")
    ticks = read_log(tmp_path / "log.csv").segments[0].edge_ticks["wheel"]
    assert ticks[0] < 1 << 32 < ticks[-1]


def test_an_edge_as_the_interrupt_of_another_begins(start_board: Starter, board_name: str, measured: Note) -> None:
    # After an interrupt's return one instruction of the main loop runs: is it the one that switches interrupts off, an
    # edge that has waited already might wait for what follows as well.  The first edge wakes the main loop, which
    # takes the rings' heads in a pass when nobody listens; the two others meet every moment of that pass.
    rng = np.random.default_rng(31)
    count = 120_000 if LONG else 20_000
    wake = np.cumsum(rng.integers(10_000, 12_000, count))
    second = wake + 120 + rng.permutation(np.arange(count) % 4_000)
    cycles = np.stack([wake, second, second + rng.integers(2, 30, count)], axis=1)
    inputs = rng.permuted(np.tile([1, 2, 3], (count, 1)), axis=1)
    board = start_board("--speed", "max")
    board.inject_pulses(cycles.ravel(), inputs.ravel())
    wait_for(lambda: not board.playing(), "every edge was injected")
    waits = {name: vector["longest_wait_cycles"] for name, vector in board.stats()["isr"].items()}
    measured(f"{board_name}, longest waits of interrupts, cycles: {waits}")
    first_in_line = {"atmega328p": "INT0", "atmega2560": "INT5"}[board_name]
    assert 60 < waits[first_in_line] <= 128  # one interrupt's budget and the way into the lock; over 170 with both
