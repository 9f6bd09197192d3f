"""Is every edge told for, when quiet, bursts, floods, losses, pings, settings and buttons come all at once?"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_kinds import PROMISES, on_every_board
from board_panel import set_up, settings
from board_session import CHANNELS, CONFIG_BAUD_OFFSET, Recording, check_interrupts

from kerfbeat.capture.events import Lost
from kerfbeat.capture.log import read_log
from kerfbeat.capture.settings_link import read_settings, write_settings
from kerfbeat.errors import LinkError

pytestmark = [pytest.mark.board, on_every_board]

LONG = os.environ.get("KERFBEAT_LONG") == "1"
SEEDS = range(25 if LONG else 1)
SECONDS = 3.0
SPEED = 3.0
LEAD_CYCLES = 400_000  # a lone pulse on each input, then rest: where the board's time begins
APART_CYCLES = 640  # of one input: both edges are seen (PROTOCOL.md section 7), ...
ONSET_CYCLES = 6_500  # ... but where floods begin: 24 edges of each other input, 120 cycles each, until they are masked
ENDLESS_CYCLES = 1 << 60

Starter = Callable[..., EmulatedBoard]
Note = Callable[[str], None]


def storm(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Falls and widths of one input: stretches of quiet, trains, bursts and floods, each of its own length and beat."""
    falls, widths = [np.array([1000 + int(rng.integers(0, 100_000))])], [np.array([400])]
    at = LEAD_CYCLES
    while at < SECONDS * BOARD_HZ:
        length = int(rng.integers(80_000, 1_300_000))
        kind = rng.choice(4, p=[0.3, 0.4, 0.2, 0.1])
        if kind:
            low, high = {1: (2_000, 60_000), 2: (660, 1_600), 3: (36, 640)}[int(kind)]
            period = int(np.exp(rng.uniform(np.log(low), np.log(high))))
            if kind != 1:
                length //= 8
            beats = np.arange(at, at + length, period)
            if kind == 1:
                beats = np.sort(beats + rng.integers(0, period - 700, beats.size))
            falls.append(beats)
            widths.append(np.full(beats.size, min(period // 2, 300)))
        at += length + 2_000
    return np.concatenate(falls), np.concatenate(widths)


def crowded(ticks: np.ndarray) -> np.ndarray:
    """Those that come closer after the one before than a burst's."""
    return ticks[np.diff(ticks, prepend=-ENDLESS_CYCLES) < APART_CYCLES]


def inside(ticks: np.ndarray, losses: list[Lost]) -> np.ndarray:
    """Which of them come after the start of some loss, and not after its end."""
    found = np.zeros(ticks.size, dtype=bool)
    for loss in losses:
        found |= (ticks > loss.start_ticks) & (ticks <= loss.end_ticks)
    return found


@pytest.mark.parametrize("baud", [500_000, 115_200])
@pytest.mark.parametrize("seed", SEEDS)
def test_every_edge_is_told_for(start_board: Starter, tmp_path: Path, seed: int, baud: int, measured: Note) -> None:
    rng = np.random.default_rng(1000 + seed)
    board = start_board("--speed", f"{SPEED:g}")
    own = bytearray(settings(targets=7, circumference_um=1_000_000, fast_input=2, fast_targets=5, ratios=(1.0,)))
    own[CONFIG_BAUD_OFFSET] = int(baud == 115_200)
    set_up(board, bytes(own))
    parts = [storm(rng) for _ in CHANNELS]
    falls = np.concatenate([fall for fall, _ in parts])
    widths = np.concatenate([width for _, width in parts])
    which = np.repeat([1, 2, 3], [fall.size for fall, _ in parts])
    commits = 0
    with Recording(board, tmp_path / "log.csv", speed=SPEED, baud=baud) as recording:
        board.inject(
            np.concatenate([falls, falls + widths]), np.concatenate([which, which]),
            np.concatenate([np.zeros_like(falls), np.ones_like(falls)]),
        )
        while board.playing():
            board.tell(f"button {rng.choice(['unit', 'hold', 'set'])} down {rng.integers(100_000, 4_000_000)}")
            with suppress(LinkError):               # UNIT was pressed meanwhile, or a flood took a request's bytes
                stored = read_settings(recording.link)
                wanted = replace(
                    stored.settings, flood_edges=int(rng.integers(8, 25)), mask_ms=int(rng.integers(5, 40)),
                    modes=tuple(rng.choice([1, 5], 3).tolist()), board_id=int(rng.integers(1 << 32)),
                )
                write_settings(recording.link, wanted, before=stored)
                commits += 1
        recording.play_out()
        health = recording.wait_for_status()
    check_interrupts(board, hears_all=False)
    log = read_log(tmp_path / "log.csv")
    assert log.warnings == ()
    assert [segment.cause for segment in log.segments] == ["recording began"]
    (segment,) = log.segments
    cycles, inputs = board.truth()
    zero = int(cycles[inputs == 1][0] - segment.edge_ticks["wheel"][0])
    told, checked = [], 0
    for number, channel in enumerate(CHANNELS, start=1):
        most = PROMISES[board.mcu].tolerance_ticks[number]
        true = cycles[inputs == number] - zero
        recorded = segment.edge_ticks[channel]
        losses = [loss for loss in segment.losses if loss.channel == channel]
        floods = [loss for loss in losses if loss.cause == "edge flood"]
        overruns = [loss for loss in losses if loss.cause == "ring overrun"]
        assert len(floods) + len(overruns) == len(losses)
        assert health.inputs[channel].floods == len(floods)
        assert not inside(recorded, floods).any()
        # each recorded time is that of an injected edge
        nearest = np.clip(np.searchsorted(true, recorded - most), 0, true.size - 1)
        assert np.all(np.abs(true[nearest] - recorded) <= most), channel
        # each edge that can be seen is recorded, or told as lost
        flooding = np.sort(np.concatenate([crowded(cycles[inputs == other] - zero) for other in {1, 2, 3} - {number}]))
        near = np.searchsorted(flooding, true - ONSET_CYCLES) < np.searchsorted(flooding, true + ONSET_CYCLES)
        gaps = np.diff(true, prepend=-ENDLESS_CYCLES, append=ENDLESS_CYCLES)
        alone = np.minimum(gaps[:-1], gaps[1:]) >= np.where(near, ONSET_CYCLES, APART_CYCLES)
        seen = np.searchsorted(recorded, true + most, side="right") - np.searchsorted(recorded, true - most)
        missing = alone & (seen == 0)
        assert inside(true[missing], losses).all(), channel
        checked += np.count_nonzero(alone)
        for loss in overruns:
            within = (true > loss.start_ticks - most) & (true <= loss.end_ticks + most)
            if alone[within].all() and not inside(true[within], floods).any():
                between = missing & (true > loss.start_ticks) & (true <= loss.end_ticks)
                assert np.count_nonzero(between) == loss.pulses, channel
        told.append(f"input {number}: {recorded.size} of {true.size}, {len(floods)} masks, {len(overruns)} losses")
    measured(
        f"{board.mcu}, storm {seed} at {baud} baud, {commits} commits, {checked} of {cycles.size} edges to be seen: "
        + "; ".join(told),
    )
