"""Does anything drift, grow or wrap wrong when it runs for hours or days?

The emulated board sleeps between pulses and then runs many times faster than real time.  Short in the test command,
with KERFBEAT_LONG=1 twelve hours of the board's time; the 32-bit tick count wraps every 268.4 s.
"""

import os
import resource
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_session import Recording, check_interrupts, compare

from kerfbeat.capture.events import Event, Sync
from kerfbeat.capture.log import read_log

LONG = bool(os.environ.get("KERFBEAT_LONG"))
BOARD_HOURS = 12.0 if LONG else 0.2265  # 815 s: three wraps, and no more than the test command has time for
WRAP_TICKS = 1 << 32
EVERY_TICKS = {1: 8_000_009, 2: 24_000_023, 3: 72_000_041}  # about 0.5, 1.5 and 4.5 s; prime among one another
FASTEST = 200.0  # times real time, if the computer can

Starter = Callable[..., EmulatedBoard]


class LongRecording(Recording):
    """Keeps no event but the few that a question is asked about: memory must stay flat."""

    def _take(self, events: list[Event]) -> None:
        super()._take(events)
        self.syncs = getattr(self, "syncs", 0) + sum(isinstance(event, Sync) for event in events)
        self.events = [event for event in self.events[-50:] if not isinstance(event, Sync)]


def resident_kb() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() // 1024


@pytest.mark.board
def test_hours_on_the_board_are_exact_to_the_last_pulse(
    start_board: Starter, tmp_path: Path, say: Callable[[str], None]
) -> None:
    board = start_board("--speed", f"{FASTEST:g}")
    seconds = BOARD_HOURS * 3600
    trains = {number: np.arange(1, int(seconds * BOARD_HZ / every)) * every for number, every in EVERY_TICKS.items()}
    cycles = np.concatenate(list(trains.values()))
    inputs = np.concatenate([np.full(train.size, number) for number, train in trains.items()])
    memory_kb = []
    with LongRecording(board, tmp_path / "log.csv", speed=FASTEST) as recording:
        order = np.argsort(cycles, kind="stable")
        board.inject_pulses(cycles[order], inputs[order])
        begun_s = board.clock_s()
        for part in range(1, 11):
            while board.clock_s() < begun_s + part * seconds / 10 and board.playing():
                recording._take(recording.link.events(0.2))
            memory_kb.append(resident_kb())
        while board.playing():
            recording._take(recording.link.events(0.2))
        recording._empty_batches = 0
        recording.pump_until(lambda: recording._empty_batches >= 3, "everything has arrived")
        health = recording.wait_for_status()
        check_interrupts(board)
    log = read_log(tmp_path / "log.csv")
    comparison = compare(log, board)  # one segment, no loss, every pulse there
    comparison.check()
    pulses = sum(error.size for error in comparison.error_ticks.values())
    assert pulses == sum(train.size for train in trains.values())
    (segment,) = log.segments
    wraps = int(segment.end_ticks // WRAP_TICKS)
    assert wraps >= 3
    assert health.ticks >= int(seconds * BOARD_HZ * 0.99)
    assert max(memory_kb[3:]) - memory_kb[2] < 20_000  # the log is on the disk, not in memory
    say(
        f"{seconds / 3600:g} h of the board: {pulses} pulses, none lost, each as near as promised; {wraps} wraps "
        f"of 32 bits; memory grew by {max(memory_kb[3:]) - memory_kb[2]} kB"
    )
