"""How do the tests record from the emulated board, as a user would, and compare the log with the truth?"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

import numpy as np
import serial
from board_driver import EmulatedBoard
from board_kinds import PROMISES
from numpy.typing import NDArray

from kerfbeat.capture.events import Event, Health, Pulses
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import LogWriter, PulseLog, read_log
from kerfbeat.capture.messages import ConfigCommit, ConfigData, ConfigRead, ConfigWrite, Message, Result
from kerfbeat.capture.wire import Decoder, crc16, encode_message
from kerfbeat.capture.wire_numbers import CONFIG_READ_MAX, OK
from kerfbeat.machine import demo_machine

T = TypeVar("T", bound=Event)
M = TypeVar("M", bound=Message)
CHANNELS = ("wheel", "motor", "blade")  # of the demonstration saw, on inputs 1, 2, 3
PATIENCE_S = 60.0  # only so that a hung test ends; nothing is judged by it


def wait_for(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"waited in vain until {what}"
        time.sleep(0.002)


class Recording:
    """A link and a log on an emulated board.

    speed : 1 in real time; else the board runs up to so many times as fast, and its clock is the host's, too.
    """

    def __init__(self, board: EmulatedBoard, path: Path, *, speed: float = 1.0, baud: int | None = None) -> None:
        self.board = board
        self.path = path
        self.events: list[Event] = []
        self._empty_batches = 0
        machine = demo_machine("saw")
        self.link = BoardLink(
            board.url, sensors=machine.sensors, baud=baud,
            clock=time.perf_counter if speed == 1.0 else board.clock_s, patience_s=6.0 * speed,
        )
        self._writer = LogWriter(path, machine=machine, start_utc=datetime(2025, 1, 1, tzinfo=UTC))
        self.pump_until(lambda: any(isinstance(event, Pulses) for event in self.events), "the board streams")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self.link.close()
        self._take(self.link.events(0))
        self._writer.close()

    def _take(self, events: list[Event]) -> None:
        for event in events:
            self._writer.accept(event)
            self.events.append(event)
            if isinstance(event, Pulses):
                empty = all(edges.size == 0 for edges in event.edge_ticks.values())
                self._empty_batches = self._empty_batches + 1 if empty else 0

    def pump_until(self, true: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < deadline, f"waited in vain until {what}"
            self._take(self.link.events(0.05))

    def play_out(self) -> None:
        """Until every edge has been injected and three batches in a row had nothing to tell."""
        self.pump_until(lambda: not self.board.playing(), "the last edge is injected")
        self._empty_batches = 0
        self.pump_until(lambda: self._empty_batches >= 3, "everything has arrived")

    def all_of(self, kind: type[T]) -> list[T]:
        return [event for event in self.events if isinstance(event, kind)]

    def wait_for_status(self) -> Health:
        """The next status from now on."""
        seen = len(self.all_of(Health))
        self.pump_until(lambda: len(self.all_of(Health)) > seen, "a status comes")
        return self.all_of(Health)[-1]

    def log(self) -> PulseLog:
        """The finished log."""
        self.close()
        return read_log(self.path)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Recorded ticks less injected cycles, by input 1 to 3, less their constant: that of the first edge on input 1."""

    mcu: str
    error_ticks: dict[int, NDArray[np.int64]]

    def check(self) -> None:
        """What is promised of this board's inputs."""
        for number, most in PROMISES[self.mcu].tolerance_ticks.items():
            error = self.error_ticks[number]
            if error.size:
                assert error.min() >= -most, f"input {number}: {-error.min()} ticks early"
                assert error.max() <= most, f"input {number}: {error.max()} ticks late"

    def row(self, title: str) -> str:
        spans = "  ".join(
            f"input {number}: {error.size} edges, {error.min():+d} to {error.max():+d}"
            for number, error in self.error_ticks.items() if error.size
        )
        return f"{self.mcu}, {title}: ticks from truth, {spans}"


def compare(log: PulseLog, board: EmulatedBoard) -> Comparison:
    """Every injected pulse is in the log, in its place; the log must be one segment without losses."""
    assert log.warnings == ()
    assert [segment.cause for segment in log.segments] == ["recording began"]
    (segment,) = log.segments
    assert segment.losses == ()
    cycles, inputs = board.truth()
    errors = {}
    for number, channel in enumerate(CHANNELS, start=1):
        injected = cycles[inputs == number]
        recorded = segment.edge_ticks[channel]
        assert recorded.size == injected.size, f"{channel}: {recorded.size} of {injected.size} pulses"
        errors[number] = recorded - injected
    constant = errors[1][0] if errors[1].size else min(int(e.min()) for e in errors.values() if e.size)
    return Comparison(mcu=board.mcu, error_ticks={number: error - constant for number, error in errors.items()})


def check_interrupts(board: EmulatedBoard, *, budget_cycles: int = 120, hears_all: bool = True) -> str:
    """No interrupt of this run took more than its budget, and nothing happened that a sound program never does.

    Returns the longest of each interrupt in words.
    """
    stats = board.stats()
    assert stats["faults"] == 0
    assert stats["resets"]["watchdog"] == 0
    assert not hears_all or stats["uart"]["overrun"] == 0
    assert stats["uart"]["ignored_writes"] == 0
    for name, vector in stats["isr"].items():
        assert vector["longest_cycles"] <= budget_cycles, f"{name} took {vector['longest_cycles']} cycles"
    return f"{stats['mcu']}, longest interrupts, cycles: " + ", ".join(
        f"{name} {vector['longest_cycles']}" for name, vector in stats["isr"].items()
    )


class WirePort:
    """Single requests and their answers, without the link that keeps a session alive."""

    def __init__(self, board: EmulatedBoard, *, baud: int = 500_000) -> None:
        self._port = serial.Serial(board.url, baud, timeout=0.02, exclusive=True)
        self._decoder = Decoder()
        self._sequence = 0
        wait_for(lambda: bool(board.stats()["port"]["open"]), "the port is open")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None,
    ) -> None:
        self._port.close()

    def send(self, message: Message) -> int:
        self._sequence = (self._sequence + 1) % 256
        self._port.write(encode_message(message, self._sequence))
        return self._sequence

    def babble(self, count: int) -> None:
        """Bytes one after the other without a pause, no frame among them."""
        self._port.write(bytes([0, 3, 5]) * (count // 3))

    def receive(self) -> list[Message]:
        """What has come; waits a moment for it."""
        return [frame.message for frame in self._decoder.feed(self._port.read(self._port.in_waiting or 1))]

    def ask(self, message: Message, kind: type[M]) -> M:
        """The answer of that kind to this very request; asks again where none comes, as the line may be noisy."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            asked = self.send(message)
            again = time.monotonic() + 1.0
            while time.monotonic() < again:
                for answer in self.receive():
                    if isinstance(answer, kind) and getattr(answer, "asked", None) == asked:
                        return answer
        raise AssertionError(f"no {kind.__name__} came")


CONFIG_BAUD_OFFSET = 5          # in the configuration: version u8, board id u32, then the line's rate, 0 fast, 1 slow
CONFIG_WRITE_MOST = 14


def read_settings(port: WirePort) -> bytes:
    """The configuration in force."""
    length = port.ask(ConfigRead(offset=0, count=1), ConfigData).length
    return b"".join(
        port.ask(ConfigRead(offset=offset, count=min(length - offset, CONFIG_READ_MAX)), ConfigData).data
        for offset in range(0, length, CONFIG_READ_MAX)
    )


def stage_settings(port: WirePort, settings: bytes) -> None:
    """Sends a configuration, for a commit to come."""
    for offset in range(0, len(settings), CONFIG_WRITE_MOST):
        write = ConfigWrite(offset=offset, data=settings[offset : offset + CONFIG_WRITE_MOST])
        assert port.ask(write, Result).code == OK


def write_settings(port: WirePort, settings: bytes) -> int:
    """Stages and commits a configuration; the RESULT code of the commit."""
    stage_settings(port, settings)
    return port.ask(ConfigCommit(length=len(settings), crc=crc16(settings)), Result).code


def choose_slow_line(board: EmulatedBoard) -> None:
    """Makes 115,200 baud the board's rate, as a user would, and restarts it."""
    with WirePort(board) as port:
        settings = bytearray(read_settings(port))
        settings[CONFIG_BAUD_OFFSET] = 1
        assert write_settings(port, bytes(settings)) == OK
    board.reset()
