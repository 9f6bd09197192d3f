"""What is told when the computer slept for minutes while a board was being watched and recorded?

The real link, feed and log on the simulated board, with time wound on: nothing waits.  While the computer sleeps the
serial bridge holds what fits and loses the rest.  Some systems' monotonic clock counts sleep and others' stands
(Linux: CLOCK_MONOTONIC stands, CLOCK_BOOTTIME does not; clock_gettime(2)); the board may keep its supply or not.
"""

import itertools
import os
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture import link as links
from kerfbeat.capture.events import Event, LinkDown, Lost, SegmentStarted
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import LogWriter, PulseLog, read_log
from kerfbeat.capture.messages import Batch
from kerfbeat.capture.wire import Decoder
from kerfbeat.machine import demo_machine
from kerfbeat.measure.pieces import clock_of
from kerfbeat.present.feed import Feed
from kerfbeat.simulate.board import SimulatedBoard
from kerfbeat.simulate.world import World

LONG = bool(os.environ.get("KERFBEAT_LONG"))
SLOW_HZ, FAST_HZ = 30.0, 60.0  # of the inverter, before and after: a mean over the gap would lie between
CHANGED_S = 30.0
SLEEPS_AT_S = 20.0
STEADY_S = 8.0  # from the start on
AWAKE_S = 25.0  # what is watched afterwards, once the speed is steady
LOOK_EVERY = 8  # turns: about 0.2 s
HELD_BYTES = 8192  # of a bridge and the system's terminal together
TURN_S = 0.02
JUMP_S = 120.0  # of a clock that goes ahead although no time has passed, as in a virtual machine that is moved
ARRIVAL_S = 0.5e-3


class AsleepPort:
    """The port of a computer that goes to sleep once; each read is a turn of its time."""

    url = "asleep"

    def __init__(self, *, sleeps_s: float, clock: str, held_bytes: int, powered: bool) -> None:
        self.world = World(
            "sweep", demo_machine("saw"), seed=4, run_on_s=4400.0,
            settings={"points": 2, "dwell_s": CHANGED_S, "sweep_from_hz": SLOW_HZ, "sweep_to_hz": FAST_HZ,
                      "gear": "high"},
        )  # fmt: skip
        self.board = SimulatedBoard(self.world)
        self.true_s = 0.0
        self._sleeps_s, self._clock, self._held_bytes, self._powered = (
            sleeps_s, clock, held_bytes, powered,
        )  # fmt: skip
        self._slept = False
        self.dropped_bytes = 0
        self._buffer = bytearray()
        self._decoder = Decoder()
        self.told: tuple[list[int], ...] = ([], [], [])
        self.free = True
        self.parked, self.go = threading.Semaphore(0), threading.Semaphore(0)

    def host_s(self) -> float:
        """The computer's monotonic clock."""
        less_s = {"counts": 0.0, "stands": self._sleeps_s, "jumps": -JUMP_S}[self._clock] if self._slept else 0.0
        return 5000.0 + self.true_s - less_s

    def read_some(self) -> bytes:
        if not self.free:
            self.parked.release()
            self.go.acquire()
        if not self._slept and self.true_s >= SLEEPS_AT_S:
            return self._sleep()
        if not self._buffer:
            self.true_s = min(max(self.board.next_s() + ARRIVAL_S, self.true_s), self.true_s + TURN_S) + ARRIVAL_S
            came = b"".join(data for _, data in self.board.speak(self.true_s - ARRIVAL_S))
            self._said(came)
            self._buffer += came
        chunk = bytes(self._buffer[:4096])
        del self._buffer[:4096]
        return chunk

    def _sleep(self) -> bytes:
        came = b"".join(data for _, data in self.board.speak(self.true_s + self._sleeps_s))
        self.true_s += self._sleeps_s
        self._slept = True
        if not self._powered:
            self.board.power_up(self.true_s)
        self._said(came)
        self.dropped_bytes = max(0, len(came) - self._held_bytes)
        self._buffer += came[: self._held_bytes]
        return b""

    def _said(self, data: bytes) -> None:
        """Keep which edges the board told, whether anybody hears it or not."""
        for frame in self._decoder.feed(data):
            if isinstance(frame.message, Batch):
                for known, edges in zip(self.told, frame.message.edge_ticks, strict=True):
                    known.extend(edges)

    def write(self, data: bytes) -> None:
        self.board.receive(data, self.true_s + ARRIVAL_S)

    def listen_at(self, baud: int) -> None:
        self._buffer.clear()

    def close(self) -> None:
        pass


class Session:
    """Watched and recorded from before the sleep until some time after it."""

    def __init__(self, port: AsleepPort, path: Path, monkeypatch: pytest.MonkeyPatch, until_s: float) -> None:
        machine = port.world.machine
        monkeypatch.setattr(links, "open_port", lambda url, baud: port)
        monkeypatch.setattr(links, "rounds_for", lambda *_, patience_s: [(500_000, patience_s)])
        self.events: list[Event] = []
        self.shown: list[tuple[float, float, float]] = []  # true time, blade's speed and its u95
        feed = Feed(machine, clock=port.host_s)
        started = datetime(2026, 1, 5, tzinfo=UTC)
        with (
            BoardLink(port.url, sensors=machine.sensors, clock=port.host_s, locate=lambda: port.url) as link,
            LogWriter(path, machine=machine, start_utc=started, clock=port.host_s) as writer,
        ):
            port.free, turns = False, 0
            while port.true_s < until_s:
                port.parked.acquire()
                for event in link.events(0):
                    self.events.append(event)
                    writer.accept(event)
                    feed.accept(event)
                turns += 1
                now = feed.snapshot().blade if turns % LOOK_EVERY == 0 else None
                if now is not None and now.speed_m_per_s is not None:
                    self.shown.append((port.true_s, now.speed_m_per_s.value, now.speed_m_per_s.u95))
                port.go.release()
            port.free = True
            port.go.release()
            link.close()
            for event in link.events(0):
                writer.accept(event)
                feed.accept(event)
        self.channels = feed.snapshot().channels
        self.log: PulseLog = read_log(path)


def true_m_per_s(port: AsleepPort, log: PulseLog) -> tuple[float, float]:
    """Blade's speed before and after, from the wheel's turns in the middle of both by the board's true clock."""
    found = []
    for segment, from_end in ((log.segments[0], False), (log.segments[-1], True)):
        ticks = segment.edge_ticks["wheel"]
        ticks = ticks[-81:] if from_end else ticks[(ticks > ticks[0] + STEADY_S * 16e6)][:21]
        rate_hz = 16e6 * (1 + 1e-6 * float(port.world.clock.offset_ppm(np.array([30.0]))[0]))
        found.append((len(ticks) - 1) / 4 / (int(ticks[-1] - ticks[0]) / rate_hz))
    wheel = log.machine.wheel
    return wheel.surface_speed_m_per_s(found[0]), wheel.surface_speed_m_per_s(found[1])


NIGHTS = [  # seconds, what the clock makes of them, whether the board keeps its supply, bytes that are kept
    (0.7, "stands", True, HELD_BYTES),
    (120.0, "counts", True, 0),
    (120.0, "stands", True, HELD_BYTES),
    (120.0, "counts", False, HELD_BYTES),
    (0.1, "jumps", True, HELD_BYTES),
]
EVERY_NIGHT = [
    *itertools.product((0.7, 2.0, 120.0, 3600.0), ("counts", "stands"), (True, False), (HELD_BYTES, 0)), NIGHTS[-1],
]  # fmt: skip


@pytest.mark.parametrize(
    ("sleeps_s", "clock", "powered", "held_bytes"), EVERY_NIGHT if LONG else NIGHTS
)
def test_a_night(
    sleeps_s: float, clock: str, powered: bool, held_bytes: int, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, say: Callable[[str], None],
) -> None:  # fmt: skip
    port = AsleepPort(sleeps_s=sleeps_s, clock=clock, held_bytes=held_bytes, powered=powered)
    until_s = max(SLEEPS_AT_S + sleeps_s, CHANGED_S + 5.0) + AWAKE_S
    session = Session(port, tmp_path / "log.csv", monkeypatch, until_s)
    log = session.log
    assert log.warnings == ()
    assert not any(isinstance(event, LinkDown) for event in session.events)  # opening anew would reset a real board
    causes = [event.cause for event in session.events if isinstance(event, SegmentStarted)]
    losses = [event for event in session.events if isinstance(event, Lost)]
    whole = powered and port.dropped_bytes == 0 and (clock != "stands" or sleeps_s < 1.0)
    if not powered:
        assert causes == ["recording began", "board reset (power on)"]
    elif clock != "stands" or sleeps_s < 1.0:
        assert causes == ["recording began"]
        (segment,) = log.segments
        for channel, sensor in log.machine.sensors.items():
            told = [tick for tick in port.told[sensor.input - 1] if tick <= segment.end_ticks]
            recorded = segment.edge_ticks[channel]
            lost = sum(loss.pulses for loss in segment.losses if loss.channel == channel)
            assert np.isin(recorded, told).all()
            assert len(recorded) + lost == len(told)
    else:
        assert causes[0] == "recording began"
        assert "the computer slept" in causes[1]
        assert len(causes) == 2
    assert bool(losses) is not whole
    motor = next(channel for channel in session.channels if channel.channel == "motor")
    assert (motor.lost + motor.lost_stretches > 0) is not whole
    slow, fast = true_m_per_s(port, log)
    assert fast / slow > 1.8
    steady = [
        (at_s, value, u95) for at_s, value, u95 in session.shown
        if STEADY_S < at_s < CHANGED_S or at_s > max(CHANGED_S + 4.0, SLEEPS_AT_S + sleeps_s)
    ]  # fmt: skip
    wrong = [each for each in steady if min(abs(each[1] - slow), abs(each[1] - fast)) > 1.5 * each[2] + 0.01 * slow]
    assert not wrong
    assert steady[-1][1] == pytest.approx(fast, rel=2e-3)
    for segment in log.segments:
        assert (np.diff(segment.syncs.ping_ticks) > 0).all()
        if len(segment.syncs) < 20:
            continue
        true_ppm = float(port.world.clock.offset_ppm(np.array([SLEEPS_AT_S]))[0])
        rate = clock_of(segment)
        assert abs(rate.ppm - true_ppm) < 2.0 * rate.u_ppm
        assert rate.u_ppm < 60.0
    lost = "nothing" if not losses else f"{motor.lost} pulses and {motor.lost_stretches} stretches"
    say(f"asleep for {sleeps_s:g} s, clock {clock}: of the motor {lost} told as lost")

