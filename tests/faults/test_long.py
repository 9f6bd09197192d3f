"""Does anything drift, grow or wrap wrong when it runs for hours or days?

The emulated board sleeps between pulses and then runs many times faster than real time.  Short in the test command,
with KERFBEAT_LONG=1 twelve hours of the board's time; the 32-bit tick count wraps every 268.4 s.
"""

import math
import os
import resource
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_session import Recording, check_interrupts, compare

from kerfbeat.capture.events import Event, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import read_log
from kerfbeat.machine import parse_machine
from kerfbeat.present.feed import Feed
from kerfbeat.present.lines import LinePacer

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


WATCHED_DAYS = 30 if LONG else 3
DAY_S = 86_400
RUNS_S = 300  # each day; then it stands, and the board says each second that nothing came
WHEEL_HZ = 0.85


def test_days_of_watching_end_with_the_right_number_and_no_more_memory(say: Callable[[str], None]) -> None:
    machine = parse_machine('name = "x"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = 4\n')
    now_s = 0.0
    feed = Feed(machine, clock=lambda: now_s)
    begun = SegmentStarted(
        board_id="1", firmware="1.0.0", tick_hz=BOARD_HZ, cause="recording began", start_ticks=0
    )  # fmt: skip
    feed.accept(begun)
    pacer = LinePacer(0.0)
    lines, pulses, kept_bytes, speeds = 0, 0, [], []
    tracemalloc.start()
    for day in range(WATCHED_DAYS):
        edge_s = np.arange(0.1, RUNS_S, 0.25 / WHEEL_HZ)
        edges = np.rint((day * DAY_S + edge_s) * BOARD_HZ).astype(np.int64)
        pulses += edges.size
        for second in range(1, DAY_S):
            if second > RUNS_S + 120 and second % 60:
                continue  # nothing new is said of a standing wheel
            now_s = float(day * DAY_S + second)
            complete = int(now_s * BOARD_HZ)
            first, last = np.searchsorted(edges, (complete - BOARD_HZ, complete), side="right").tolist()
            feed.accept(
                Pulses(edge_ticks={"wheel": edges[first:last]}, complete_ticks=complete, received_host_s=now_s + 1e-3)
            )
            lines += pacer.due(feed.snapshot())
            if second == RUNS_S:
                speeds.append(feed.snapshot().blade)
        kept_bytes.append(tracemalloc.get_traced_memory()[0])
        assert feed.snapshot().blade.state != "turning"
    tracemalloc.stop()
    true_m_per_s = math.pi * 0.33 * WHEEL_HZ  # pi D n, Khurmi EM, ch. 33
    for blade in speeds:
        assert blade.state == "turning"
        assert blade.speed_m_per_s is not None
        assert abs(blade.speed_m_per_s.value / true_m_per_s - 1) < 1e-5  # an evenly spaced, steady train
    assert max(kept_bytes[1:]) - kept_bytes[0] < 200_000
    say(
        f"{WATCHED_DAYS} days watched: {pulses} pulses, {lines} lines, the last speed right to 1e-5; memory from the "
        f"first day to the last {(kept_bytes[-1] - kept_bytes[0]) / 1000:+.0f} kB"
    )
