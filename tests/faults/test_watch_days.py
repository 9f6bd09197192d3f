"""Does the live screen go on showing what is, in the same time and memory, when it stands for days?

The screen itself and its feed, log and estimators, with the board's and the computer's clock wound on: each day some
turning at the screen's own pace, then silence in long steps.  With KERFBEAT_LONG=1 a month.
"""

import asyncio
import os
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from textual.pilot import Pilot

from kerfbeat.capture.events import Event, Health, LineCounts, LinkUp, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import read_log
from kerfbeat.machine import Setting, demo_machine
from kerfbeat.present.feed import Feed
from kerfbeat.present.screen import LiveScreen

LONG = bool(os.environ.get("KERFBEAT_LONG"))
DAYS = 30 if LONG else 5  # beyond 100 h
DAY_S = 86_400.0
RUNS_S, LOOK_S = (120.0, 0.25) if LONG else (10.0, 0.25)
STEP_S = 60.0 if LONG else 3600.0  # of the silent rest of the day
PAINT_EVERY = 16  # looks: textual then paints what has changed, as on a terminal
TICK_HZ = 16_000_000
SPEEDS_HZ = {"wheel": 1.25, "motor": 32.5, "blade": 0.47}
# Histories of bounded length are still filling on the second day, and so are the stores of texts that rich and textual
# keep (thousands of entries each).  One number kept for each pulse or look would be ten times as much in a month.
MORE_BYTES, MORE_OF_ALL_BYTES = 100_000, 2_000_000
OURS = tracemalloc.Filter(inclusive=True, filename_pattern="*/kerfbeat/*")
MANY_FRAMES = 12_345_678


class Days:
    """A machine whose days are all alike, the computer's clock and the screen's feed."""

    def __init__(self) -> None:
        self.machine = demo_machine("saw")
        self.begun_s = self.now_s = 1000.0
        self.feed = Feed(self.machine, setting=Setting(hz=50.0, gear="low"), clock=lambda: self.now_s)
        self.pulses = 0

    def begin(self) -> Iterator[Event]:
        counts = LineCounts(
            frames=10**10, bad_crc=MANY_FRAMES, malformed=0, implausible=0, noise_bytes=0, frames_missing=99_999
        )
        yield LinkUp(
            board_id="1", firmware="1.0.0", tick_hz=TICK_HZ, url="/dev/ttyUSB0", baud=500_000, host_s=self.now_s
        )
        yield SegmentStarted(board_id="1", firmware="1.0.0", tick_hz=TICK_HZ, cause="recording began", start_ticks=0)
        yield Health(
            ticks=0, supply_v=5.0, host_frames_damaged=0, stored_settings="good", inputs={}, line=counts,
            received_host_s=self.now_s,
        )  # fmt: skip

    def step(self, seconds: float, *, turning_from_s: float | None) -> Iterator[Event]:
        """What the board says in this time; since when it turns, if it does."""
        before, self.now_s = self.now_s, self.now_s + seconds
        edges = {}
        for channel, hz in SPEEDS_HZ.items():
            rate_hz = hz * self.machine.sensors[channel].targets
            numbers = np.empty(0)
            if turning_from_s is not None:
                first, last = ((at_s - turning_from_s) * rate_hz for at_s in (before, self.now_s))
                numbers = np.arange(np.floor(first) + 1, np.floor(last) + 1)
            at_s = (turning_from_s or 0.0) - self.begun_s + numbers / rate_hz
            edges[channel] = np.floor(at_s * TICK_HZ).astype(np.int64)
            self.pulses += numbers.size
        ticks = int((self.now_s - self.begun_s) * TICK_HZ)
        yield Sync(
            sent_host_s=self.now_s - 1e-3, received_host_s=self.now_s + 1e-3, ping_ticks=ticks, answer_ticks=ticks
        )
        yield Pulses(edge_ticks=edges, complete_ticks=ticks, received_host_s=self.now_s)


def calls_of(act: Callable[[], None]) -> int:
    """How many functions are called: the work of it, whatever the computer is busy with."""
    calls = 0

    def count(_frame: object, event: str, _what: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        act()
    finally:
        sys.setprofile(None)
    return calls


def shown(pilot: Pilot[None], part: str) -> str:
    return str(pilot.app.query_one(f"#{part}").render())


@pytest.mark.parametrize("size", [(100, 30)])
def test_days_of_the_screen(size: tuple[int, int], tmp_path: Path, say: Callable[[str], None]) -> None:
    days = Days()
    screen = LiveScreen(days.feed, unit="m/min", log_name=lambda: str(tmp_path / "saw.csv"), failed=lambda: None)
    looks, kept_bytes, all_bytes, work, heads, speeds = 0, [], [], [], [], []

    async def show() -> None:
        nonlocal looks
        async with screen.run_test(size=size) as pilot:
            for event in days.begin():
                days.feed.accept(event)
            await pilot.press("l", "enter")  # a log is begun, as by the user
            for day in range(DAYS):
                turning_from_s = days.now_s
                while days.now_s < days.begun_s + (day + 1) * DAY_S:
                    turns = days.now_s < turning_from_s + RUNS_S
                    step_s, since_s = (LOOK_S, turning_from_s) if turns else (STEP_S, None)
                    for event in days.step(step_s, turning_from_s=since_s):
                        days.feed.accept(event)
                    screen.show_now(everything=False)
                    looks += 1
                    if looks % PAINT_EVERY == 0:
                        await pilot.pause()
                    if turns and days.now_s >= turning_from_s + RUNS_S:
                        work.append(calls_of(screen.show_now))
                        speeds.append(days.feed.snapshot().blade.speed_m_per_s)
                await pilot.pause()
                heads.append(shown(pilot, "head"))
                if day:
                    ours = tracemalloc.take_snapshot().filter_traces([OURS])
                    kept_bytes.append(sum(each.size for each in ours.traces))
                    all_bytes.append(tracemalloc.get_traced_memory()[0])
                else:
                    tracemalloc.start()
            await pilot.pause()
            texts = "\n".join(shown(pilot, part) for part in ("readout", "health", "sensors"))
            assert "12M frames damaged, 99k missing" in texts
            assert "slower than 0.01 m/min" in texts
            assert "24 h" in texts

    asyncio.run(show())
    tracemalloc.stop()
    assert screen.fault is None
    days.feed.end_log()
    true_m_per_s = days.machine.wheel.surface_speed_m_per_s(SPEEDS_HZ["wheel"])
    assert all(abs(speed.value / true_m_per_s - 1) < 1e-4 for speed in speeds)
    assert [f"  {day} d 0:" in head for day, head in enumerate(heads, start=1)] == [True] * DAYS
    assert max(kept_bytes) - kept_bytes[0] < MORE_BYTES
    assert max(all_bytes) - all_bytes[0] < MORE_OF_ALL_BYTES
    assert max(work[1:]) < 1.1 * work[1]
    log = read_log(tmp_path / "saw.csv")
    assert sum(len(edges) for edges in log.segments[0].edge_ticks.values()) == days.pulses
    say(
        f"{DAYS} days of the screen: {looks} looks, {days.pulses} pulses, all in the log; memory from the second day "
        f"to the last {(kept_bytes[-1] - kept_bytes[0]) / 1000:+.0f} kB, with the libraries' "
        f"{(all_bytes[-1] - all_bytes[0]) / 1000:+.0f} kB; {work[1]} calls a look on the second day, {work[-1]} on the "
        "last"
    )
