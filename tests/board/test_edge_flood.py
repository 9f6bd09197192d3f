"""Does an input that fires without end leave the others alone?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board
from board_patterns import random_train
from board_session import CHANNELS, Recording, check_interrupts

from kerfbeat.capture.log import read_log

pytestmark = [pytest.mark.board, on_every_board]

SPEED = 4.0

Starter = Callable[..., EmulatedBoard]


@pytest.mark.parametrize("flooded", [1, 2, 3])
@pytest.mark.parametrize("period_cycles", [36, 80, 300], ids=["444kHz", "200kHz", "53kHz"])
def test_a_flood_leaves_the_other_inputs_exact(
    start_board: Starter, tmp_path: Path, flooded: int, period_cycles: int, measured: Callable[[str], None],
) -> None:
    others = [number for number in (1, 2, 3) if number != flooded]
    cycles, inputs = random_train(flooded, per_s=900, seconds=1.5)
    keep = inputs != flooded
    flood = np.arange(5_600_000, 16_800_000, period_cycles)         # from 0.35 to 1.05 s
    falls = np.concatenate([cycles[keep], flood])
    which = np.concatenate([inputs[keep], np.full(flood.size, flooded)])
    widths = np.concatenate([np.full(keep.sum(), 400), np.full(flood.size, period_cycles // 2)])
    board = start_board("--speed", f"{SPEED:g}")
    with Recording(board, tmp_path / "log.csv", speed=SPEED) as recording:
        board.inject(
            np.concatenate([falls, falls + widths]), np.concatenate([which, which]),
            np.concatenate([np.zeros_like(falls), np.ones_like(falls)]),
        )
        recording.play_out()
        health = recording.wait_for_status()
    check_interrupts(board, hears_all=False)     # in the moments before the mask a byte of the host may be missed
    log = read_log(tmp_path / "log.csv")
    assert [segment.cause for segment in log.segments] == ["recording began"]        # the watchdog has not bitten
    (segment,) = log.segments
    truth, numbers = board.truth()

    # the others: everything, in its place
    errors = {}
    for number in others:
        injected = truth[numbers == number]
        recorded = segment.edge_ticks[CHANNELS[number - 1]]
        assert recorded.size == injected.size
        errors[number] = recorded - injected
    tolerance = PROMISES[board.mcu].tolerance_ticks
    exact = [number for number in others if tolerance[number] == 1]
    constant = errors[exact[0]][0] if exact else min(int(error.min()) for error in errors.values())
    for number, error in errors.items():
        assert np.abs(error - constant).max() <= tolerance[number]

    # the flooded one: masked for stated times, which cover all but the first moments
    channel = CHANNELS[flooded - 1]
    losses = [loss for loss in segment.losses if loss.channel == channel]
    assert losses
    assert {loss.channel for loss in segment.losses} == {channel}
    assert {loss.cause for loss in losses} <= {"edge flood", "ring overrun"}
    assert any(loss.cause == "edge flood" for loss in losses)
    assert health.inputs[channel].floods == sum(loss.cause == "edge flood" for loss in losses)
    dark = sum(loss.end_ticks - loss.start_ticks for loss in losses if loss.cause == "edge flood")
    assert dark > 0.5 * (flood[-1] - flood[0])
    recorded = segment.edge_ticks[channel]
    for loss in losses:
        assert recorded[(recorded > loss.start_ticks) & (recorded <= loss.end_ticks)].tolist() == []
    worst = {number: int(np.abs(error - constant).max()) for number, error in errors.items()}
    share = min(1.0, dark / (flood[-1] - flood[0]))
    measured(
        f"{board.mcu}, flood on input {flooded}, one edge in {period_cycles} cycles: masked {100 * share:.0f} % of the "
        f"time; the others off by at most {worst} ticks",
    )
