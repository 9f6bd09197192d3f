"""What becomes of a recording when the board restarts, the plug is pulled, or the line is bad?"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board
from board_session import CHANNELS, Recording, WirePort, check_interrupts, choose_slow_line, wait_for

from kerfbeat.capture.events import LinkDown, LinkUp, Pulses, SegmentStarted
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import read_log
from kerfbeat.capture.messages import Hello, Result, Stream
from kerfbeat.capture.wire_numbers import OK
from kerfbeat.errors import LinkError

pytestmark = pytest.mark.board

Starter = Callable[..., EmulatedBoard]
EVERY_CYCLES = 160_000  # a pulse each 10 ms on each input


def play(board: EmulatedBoard, count: int) -> None:
    cycles = np.arange(count * 3) // 3 * EVERY_CYCLES + np.tile([0, 30_000, 70_000], count)
    board.inject_pulses(cycles, np.tile([1, 2, 3], count))


def intervals_are_those_injected(recorded: np.ndarray, slack_ticks: int) -> bool:
    """No pulse missing, doubled or shifted inside a stretch: each interval is the injected one."""
    return bool(np.all(np.abs(np.diff(recorded) - EVERY_CYCLES) <= slack_ticks))


@pytest.mark.parametrize("how", ["reset", "power"])
def test_a_restart_begins_a_new_segment(board: EmulatedBoard, tmp_path: Path, how: str) -> None:
    with Recording(board, tmp_path / "log.csv") as recording:
        play(board, 100)
        recording.pump_until(lambda: len(recording.all_of(Pulses)) > 8, "some pulses have come")
        if how == "reset":
            board.reset()
        else:
            board.tell("power off")
            board.tell("power on")
        recording.pump_until(lambda: len(recording.all_of(SegmentStarted)) == 2, "the board is back")
        recording.play_out()
        play(board, 20)  # on a busy computer the others may have been over before
        recording.play_out()
    log = read_log(tmp_path / "log.csv")
    first, second = log.segments
    assert second.cause == ("board reset (reset line)" if how == "reset" else "board reset (power on)")
    _, inputs = board.truth()
    for number, channel in enumerate(CHANNELS, start=1):
        injected = np.count_nonzero(inputs == number)
        one, two = first.edge_ticks[channel], second.edge_ticks[channel]
        assert one.size > 0
        assert two.size >= 20
        assert one.size + two.size <= injected       # the restart itself takes a while
        slack = PROMISES[board.mcu].tolerance_ticks[number]
        for stretch in (one, two[:-20], two[-20:]):
            assert intervals_are_those_injected(stretch, slack)
        rest = [loss for loss in first.losses if loss.channel == channel]
        assert [loss.pulses for loss in rest] == [None]       # what came between nobody can know
        assert rest[0].start_ticks >= one[-1]
    check_interrupts(board)


def test_the_hello_comes_whole_after_a_reset_in_the_middle_of_a_frame(board: EmulatedBoard) -> None:
    rng = np.random.default_rng(8)
    with WirePort(board) as port:
        for _ in range(25):
            assert port.ask(Stream(on=True), Result).code == OK
            cycles = np.arange(4000) * 1600
            board.inject_pulses(cycles, np.tile([1, 2, 3, 1], 1000))        # the line is busy without a break
            time.sleep(0.03 + 0.004 * rng.random())
            board.reset()
            seen: list[Hello] = []

            def hello(seen: list[Hello] = seen) -> bool:
                seen.extend(each for each in port.receive() if isinstance(each, Hello))
                return bool(seen)

            wait_for(hello, "the board says hello unasked")
            assert seen[0].asked is None
            wait_for(lambda: not board.playing(), "the last edge is injected")


@on_every_board
def test_a_host_that_talks_while_the_board_starts_is_heard(start_board: Starter) -> None:
    # the receiver holds three bytes: it must not be switched on long before the interrupts are
    board = start_board("--speed", "0.25")

    def hears_more() -> None:
        heard = board.stats()["uart"]["received"]
        wait_for(lambda: board.stats()["uart"]["received"] > heard + 50, "the board hears what is said")

    with WirePort(board) as port:
        for _ in range(12):
            port.babble(1500)              # 30 ms of the line: 50 bytes before the start and 50 after are a part of it
            hears_more()
            board.reset()
            hears_more()
    check_interrupts(board)


def test_unplugged_and_back_under_another_name(board: EmulatedBoard, tmp_path: Path) -> None:
    with Recording(board, tmp_path / "log.csv") as recording:
        before = os.path.realpath(board.url)
        play(board, 700)  # 7 s: still going when a busy computer pulls the plug and finds the port again
        recording.pump_until(lambda: len(recording.all_of(Pulses)) > 8, "some pulses have come")
        board.tell("unplug")
        recording.pump_until(lambda: bool(recording.all_of(LinkDown)), "the link notices")
        board.tell("plug")
        assert os.path.realpath(board.url) != before
        recording.pump_until(lambda: len(recording.all_of(LinkUp)) == 2, "the link is up again")
        recording.play_out()
    (segment,) = read_log(tmp_path / "log.csv").segments        # the board ran on: ticks and counts compare
    _, inputs = board.truth()
    for number, channel in enumerate(CHANNELS, start=1):
        recorded = segment.edge_ticks[channel]
        losses = [loss for loss in segment.losses if loss.channel == channel]
        assert losses
        assert all(loss.pulses is not None for loss in losses)
        assert recorded.size + sum(loss.pulses or 0 for loss in losses) == np.count_nonzero(inputs == number)
        gaps = np.flatnonzero(np.diff(recorded) > 1.5 * EVERY_CYCLES)
        for at in gaps:
            missing = round((recorded[at + 1] - recorded[at]) / EVERY_CYCLES) - 1
            inside = [
                loss.pulses or 0 for loss in losses
                if loss.start_ticks >= recorded[at] and loss.end_ticks <= recorded[at + 1]
            ]
            assert sum(inside) == missing
    check_interrupts(board)


def test_unplugging_a_board_that_lives_on_the_plug(board: EmulatedBoard, tmp_path: Path) -> None:
    with Recording(board, tmp_path / "log.csv") as recording:
        board.tell("unplug")
        board.tell("power off")
        recording.pump_until(lambda: bool(recording.all_of(LinkDown)), "the link notices")
        board.tell("plug")
        board.tell("power on")
        recording.pump_until(lambda: len(recording.all_of(SegmentStarted)) == 2, "the board is back")
        play(board, 20)
        recording.play_out()
    log = read_log(tmp_path / "log.csv")
    assert [segment.cause for segment in log.segments] == ["recording began", "board reset (power on)"]
    assert [log.segments[1].edge_ticks[channel].size for channel in CHANNELS] == [20, 20, 20]


def test_a_port_whose_opening_resets_the_board(start_board: Starter, tmp_path: Path) -> None:
    board = start_board("--reset-on-open", "--boot-loader-ms", "500")
    with Recording(board, tmp_path / "log.csv") as recording:
        assert board.stats()["resets"]["pin"] == 1
        play(board, 20)
        recording.play_out()
    (segment,) = read_log(tmp_path / "log.csv").segments
    assert [segment.edge_ticks[channel].size for channel in CHANNELS] == [20, 20, 20]
    assert segment.losses == ()


def test_garbage_before_the_first_frame_and_in_between(board: EmulatedBoard, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    stop = threading.Event()

    def rain() -> None:
        wait_for(lambda: board.stats()["port"]["open"], "the host opens the port")
        while not stop.is_set():
            board.tell(f"noise host {rng.bytes(rng.integers(1, 60)).hex()}")
            time.sleep(0.003)

    thread = threading.Thread(target=rain)
    thread.start()
    try:
        link = BoardLink(board.url, sensors=None)
    finally:
        stop.set()
        thread.join()
    with link:
        assert link.hello.tick_hz == 16_000_000
    with Recording(board, tmp_path / "log.csv") as recording:
        play(board, 100)
        for _ in range(6):
            board.tell(f"noise host {rng.bytes(40).hex()}")
            board.tell(f"noise board {rng.bytes(20).hex()}")
            recording.pump_until(lambda: len(recording.all_of(Pulses)) % 3 == 0, "a few batches come")
        recording.play_out()
        health = recording.wait_for_status()
    (segment,) = read_log(tmp_path / "log.csv").segments
    for channel in CHANNELS:
        losses = [loss for loss in segment.losses if loss.channel == channel]
        assert all(loss.pulses is not None for loss in losses)
        assert segment.edge_ticks[channel].size + sum(loss.pulses or 0 for loss in losses) == 100
    assert health.line.noise_bytes + health.line.bad_crc + health.line.malformed > 0
    check_interrupts(board)


def test_the_board_is_found_at_the_slow_rate(board: EmulatedBoard, tmp_path: Path) -> None:
    choose_slow_line(board)
    with Recording(board, tmp_path / "log.csv") as recording:       # tries the fast one first: garbage both ways
        assert board.stats()["port"]["garbled_to_board"] > 0
        assert board.stats()["port"]["baud"] == 115_200
        play(board, 20)
        recording.play_out()
    (segment,) = read_log(tmp_path / "log.csv").segments
    assert [segment.edge_ticks[channel].size for channel in CHANNELS] == [20, 20, 20]
    assert segment.losses == ()


def test_another_program_has_the_port(board: EmulatedBoard, tmp_path: Path) -> None:
    with Recording(board, tmp_path / "log.csv"), pytest.raises(LinkError, match="another program"):
        BoardLink(board.url, sensors=None, patience_s=1.0)


def test_an_old_boot_loader_with_the_watchdog_running(start_board: Starter, tmp_path: Path) -> None:
    # it would be caught in a loop if the program ever let the watchdog pull the reset line
    board = start_board("--boot-loader-ms", "200")
    with Recording(board, tmp_path / "log.csv") as recording:
        board.reset()
        recording.pump_until(lambda: len(recording.all_of(SegmentStarted)) == 2, "the board is back")
        play(board, 10)
        recording.play_out()
    check_interrupts(board)
    assert board.stats()["resets"] == {"power": 1, "pin": 1, "watchdog": 0}


@on_every_board
@pytest.mark.parametrize("loader_ms", [0, 300])
def test_a_main_loop_that_hangs_is_started_anew(start_board: Starter, tmp_path: Path, loader_ms: int) -> None:
    board = start_board("--boot-loader-ms", str(loader_ms))
    with Recording(board, tmp_path / "log.csv") as recording:
        play(board, 10)
        recording.play_out()
        for started in (2, 3):
            board.tell("hang")
            recording.pump_until(lambda started=started: len(recording.all_of(SegmentStarted)) == started, "it is back")
            play(board, 10)
            recording.play_out()
    log = read_log(tmp_path / "log.csv")
    assert [segment.cause for segment in log.segments] == ["recording began", *["board reset (watchdog)"] * 2]
    for segment in log.segments:
        assert [segment.edge_ticks[channel].size for channel in CHANNELS] == [10, 10, 10]
    assert board.stats()["resets"] == {"power": 1, "pin": 0, "watchdog": 0}       # no loader was in the way
