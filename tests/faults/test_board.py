"""What is told, and what is lost, when the board itself fails: swapped for another, its supply dipping?

Emulated boards in real time, recorded as a user would.  Floods, hangs, resets, full rings and power cuts have their own
tests in tests/board; boards of another protocol are refused in tests/cli and tests/capture.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_session import CHANNELS, Recording, WirePort, read_settings, write_settings

from kerfbeat.capture.events import LinkDown, LinkUp, Pulses, SegmentStarted
from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.capture.wire_numbers import OK

pytestmark = pytest.mark.board

Starter = Callable[..., EmulatedBoard]
EVERY_CYCLES = 160_000  # a pulse each 10 ms on each input
SLACK_TICKS = 240  # of the slowest input


def play(board: EmulatedBoard, count: int) -> None:
    cycles = np.arange(count * 3) // 3 * EVERY_CYCLES + np.tile([0, 30_000, 70_000], count)
    board.inject_pulses(cycles, np.tile([1, 2, 3], count))


def name(board: EmulatedBoard, number: int) -> None:
    """Writes the board's identity into it, as `configure` would."""
    with WirePort(board) as port:
        settings = bytearray(read_settings(port))
        settings[1:5] = number.to_bytes(4, "little")
        assert write_settings(port, bytes(settings)) == OK


def check_nothing_false(log: PulseLog, boards: list[EmulatedBoard]) -> tuple[int, int]:
    """Each segment holds pulses of its own board only, at their own distance; pulses recorded and injected in all."""
    recorded = 0
    for segment in log.segments:
        for channel in CHANNELS:
            ticks = segment.edge_ticks[channel]
            recorded += ticks.size
            steps = np.diff(ticks)
            apart = np.rint(steps / EVERY_CYCLES)
            assert (np.abs(steps - apart * EVERY_CYCLES) <= SLACK_TICKS).all()
            lost = sum(loss.pulses or 0 for loss in segment.losses if loss.channel == channel)
            assert apart.sum() - steps.size <= lost  # nothing is missing that no loss tells
    return recorded, sum(board.truth()[0].size for board in boards)


ANEW = "board reset (power on)"  # a board that is plugged in starts anew


@pytest.mark.parametrize(
    ("ids", "cause"),
    [((0x11111111, 0x22222222), "another board"), ((0, 0), ANEW), ((5, 5), ANEW)],
    ids=["named", "never named", "named alike"],
)
def test_two_boards_swapped_while_running(
    start_board: Starter, tmp_path: Path, say: Callable[[str], None], ids: tuple[int, int], cause: str,
) -> None:
    one = start_board()
    if ids[0]:
        name(one, ids[0])
    with Recording(one, tmp_path / "log.csv") as recording:
        play(one, 600)
        recording.pump_until(lambda: len(recording.all_of(Pulses)) > 8, "some pulses have come")
        one.tell("unplug")
        recording.pump_until(lambda: bool(recording.all_of(LinkDown)), "the link notices")
        two = start_board()
        if ids[1]:
            name(two, ids[1])
        one.link.unlink(missing_ok=True)
        one.link.symlink_to(two.link.resolve())  # another board behind the same name
        recording.pump_until(lambda: len(recording.all_of(LinkUp)) == 2, "the other board answers")
        recording.pump_until(lambda: len(recording.all_of(SegmentStarted)) == 2, "its segment begins")
        play(two, 100)
        recording.board = two
        recording.play_out()
    log = read_log(tmp_path / "log.csv")
    assert [(each.board_id, each.cause) for each in log.segments] == [
        (f"{ids[0]:08X}", "recording began"), (f"{ids[1]:08X}", cause),
    ]  # fmt: skip
    first, second = log.segments
    for channel in CHANNELS:
        assert first.edge_ticks[channel].size > 0
        (loss,) = (loss for loss in first.losses if loss.channel == channel)
        assert loss.pulses is None  # what the first one saw after it was unplugged nobody knows
        assert second.edge_ticks[channel].size == 100
    assert second.losses == ()
    recorded, injected = check_nothing_false(log, [one, two])
    say(f"2 boards swapped: {recorded} of {injected} pulses recorded, the rest told as an unknown loss; none false")


def test_the_supply_dips(board: EmulatedBoard, tmp_path: Path, say: Callable[[str], None]) -> None:
    dips = 3
    with Recording(board, tmp_path / "log.csv") as recording:
        play(board, 900)  # 9 s
        for dip in range(1, dips + 1):
            seen = len(recording.all_of(Pulses))
            recording.pump_until(lambda seen=seen: len(recording.all_of(Pulses)) > seen + 8, "some pulses have come")
            board.tell("dip")
            wanted = dip + 1
            recording.pump_until(lambda wanted=wanted: len(recording.all_of(SegmentStarted)) == wanted, "it is back")
        recording.play_out()
    log = read_log(tmp_path / "log.csv")
    assert [each.cause for each in log.segments] == ["recording began"] + ["board reset (supply dipped)"] * dips
    for segment in log.segments[:-1]:
        assert {(loss.channel, loss.pulses) for loss in segment.losses} == {(channel, None) for channel in CHANNELS}
    recorded, injected = check_nothing_false(log, [board])
    assert recorded < injected
    say(f"{dips} dips of the supply: told each time; {recorded} of {injected} pulses, the rest an unknown loss")
