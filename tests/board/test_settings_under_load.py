"""Does writing settings cost a pulse, or a press of a button, that comes meanwhile?"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_kinds import on_every_board
from board_panel import display, press, run_until, set_up, settings
from board_patterns import random_train
from board_session import CHANNELS, Recording, check_interrupts, compare

from kerfbeat.capture.board_settings import BoardSettings
from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.capture.settings_link import read_settings, write_settings

pytestmark = [pytest.mark.board, on_every_board]

LONG = os.environ.get("KERFBEAT_LONG") == "1"
SPEED = 3.0
PER_S = 8_000  # on all inputs: were they switched off for a commit, 10 us, a pulse would come in one of a dozen commits
COMMITS = 300 if LONG else 20

Starter = Callable[..., EmulatedBoard]


def write_all_the_while(
    board: EmulatedBoard, path: Path, change: Callable[[BoardSettings, int], BoardSettings],
) -> PulseLog:
    """The log of trains of pulses during which `change` of the settings is written again and again."""
    cycles, inputs = random_train(3, per_s=PER_S, seconds=1.0)
    with Recording(board, path, speed=SPEED) as recording:
        stored = read_settings(recording.link)
        for turn in range(COMMITS):
            if not board.playing():
                board.inject_pulses(cycles, inputs)
            stored = write_settings(recording.link, change(stored.settings, turn), before=stored)
        recording.play_out()
    check_interrupts(board)
    return read_log(path)


def test_a_commit_loses_no_pulse(start_board: Starter, tmp_path: Path) -> None:
    board = start_board("--speed", f"{SPEED:g}")
    log = write_all_the_while(board, tmp_path / "log.csv", lambda old, turn: replace(old, mask_ms=20 + turn % 2))
    compare(log, board).check()


def test_a_commit_that_switches_an_input_over_tells_the_range(start_board: Starter, tmp_path: Path) -> None:
    # the pull-up of input 2 goes on and off: its edge has to be forgotten at that moment, those of the others not
    board = start_board("--speed", f"{SPEED:g}")
    log = write_all_the_while(
        board, tmp_path / "log.csv", lambda old, turn: replace(old, modes=(5, 1 if turn % 2 else 5, 5)),
    )
    (segment,) = log.segments
    assert {(loss.channel, loss.cause, loss.pulses) for loss in segment.losses} == {("motor", "edge flood", None)}
    cycles, inputs = board.truth()
    zero = int(cycles[inputs == 1][0] - segment.edge_ticks["wheel"][0])
    for number, channel in enumerate(CHANNELS, start=1):
        injected = cycles[inputs == number] - zero
        recorded = segment.edge_ticks[channel]
        found = np.searchsorted(injected, recorded + 250, side="right") - 1  # 1600 apart, 240 late at most
        assert np.unique(found).size == recorded.size
        missing = np.delete(injected, found)
        told = [loss for loss in segment.losses if loss.channel == channel]
        assert all(any(loss.start_ticks < each <= loss.end_ticks for loss in told) for each in missing)


def test_a_press_while_another_is_being_kept(start_board: Starter) -> None:
    # the first change of a board's settings takes 0.65 s, a press a quarter of a second
    board = start_board("--speed", "20")
    set_up(board, settings(targets=4, circumference_um=1_000_000))
    board.inject_pulses(np.arange(0, 400 * BOARD_HZ, BOARD_HZ // 10), 1)
    run_until(board, 2 * BOARD_HZ)
    press(board, "unit")
    assert display(board)["lines"][0].rstrip().endswith(" m/min")
    press(board, "unit")
    run_until(board, board.cycle() + BOARD_HZ)
    assert display(board)["lines"][0].rstrip().endswith(" ft/min")
