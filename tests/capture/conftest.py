"""A board to talk to: small, honest, and able to misbehave on demand.

It speaks by `wire.encode_message` and keeps the promises of the protocol; the firmware's own words are tested on the
emulated board.  `FakeBoard` knows nothing of ports; `serve_*` put it on one.
"""

import contextlib
import os
import select
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import serial
from serial.rfc2217 import PortManager

from kerfbeat.capture import messages, wire, wire_numbers
from kerfbeat.capture.board_settings import BoardSettings

HZ = 16_000_000
BATCH_EVERY_S = 0.02
STATUS_EVERY_S = 1.0
EDGES_AT_A_TIME = 24  # fit one frame
DEFAULTS = BoardSettings().pack()


@dataclass
class FakeBoard:
    """Edges at exact multiples of `period_ticks` on each input (0: none).  Ticks are those of `time.perf_counter`."""

    period_ticks: tuple[int, int, int] = (80_000, 1_600_000, 0)
    board_id: int = 0xFA4EB0A2
    protocol: int = wire_numbers.PROTOCOL
    rate: float = 1.0
    muted: bool = False  # hears and says nothing
    deaf: bool = False  # says, but hears nothing
    drop: Callable[[messages.Message], bool] = lambda message: False  # lose this frame on the line
    garble: Callable[[bytes], bytes] = lambda data: data
    requests: list[messages.Message] = field(default_factory=list)
    settings: bytes = DEFAULTS  # kept without power
    generation: int = 0
    board_kind: int = wire_numbers.BOARD_ATMEGA328P
    refuse: Callable[[messages.Message], int] = lambda message: wire_numbers.OK  # with this RESULT code
    forgets: bool = False  # says that settings were written, and did not
    slow_s: Callable[[messages.Message], float] = lambda message: 0.0  # until it answers; other requests wait meanwhile
    unanswered_most: int = 0  # bytes of requests at a time

    def __post_init__(self) -> None:
        self.lock = threading.Lock()
        self.reset(wire_numbers.RESET_POWER)

    def reset(self, cause: int = wire_numbers.RESET_PIN) -> None:
        with self.lock:
            self.started_s = time.perf_counter()
            self.cause = cause
            self.decoder = wire.Decoder()
            self.sequence = 0
            self.streaming = False
            self.base = 0
            self.told = [0, 0, 0]  # edges
            self.next_batch_s = self.next_status_s = 0.0
            self.due: list[bytes] = []
            self.waiting: list[wire.Frame] = []
            self.free_s = 0.0
            self.staged = bytearray(self.settings)
            self.say(self.hello(None))

    def now_ticks(self) -> int:
        return int((time.perf_counter() - self.started_s) * HZ * self.rate)

    def hello(self, asked: int | None) -> messages.Message:
        if self.protocol != wire_numbers.PROTOCOL:
            return messages.OtherHello(protocol=self.protocol, firmware=(9, 8, 7))
        return messages.Hello(
            firmware=(1, 2, 3), board_kind=self.board_kind, board_id=self.board_id, tick_hz=HZ, reset_cause=self.cause,
            ticks=self.now_ticks(), config_generation=self.generation, asked=asked,
        )  # fmt: skip

    def say(self, message: messages.Message, *, front: bytes = b"") -> None:
        data = front + wire.encode_message(message, self.sequence)
        self.sequence = (self.sequence + 1) % 256
        if not self.drop(message):
            self.due.append(data)

    def turn(self, received: bytes) -> bytes:
        """Hear `received`; what is to be said now."""
        with self.lock:
            now_s = time.perf_counter() - self.started_s
            self.waiting += [] if self.deaf else self.decoder.feed(received)
            unanswered = sum(len(wire.encode_message(frame.message, frame.sequence)) for frame in self.waiting)
            self.unanswered_most = max(self.unanswered_most, unanswered)
            while self.waiting and now_s >= self.free_s + self.slow_s(self.waiting[0].message):
                self.free_s = now_s
                self.answer(self.waiting.pop(0))
            if not self.waiting:
                self.free_s = now_s
            if now_s >= self.next_batch_s and self.streaming:
                self.next_batch_s = now_s + BATCH_EVERY_S
                self.batch()
            if now_s >= self.next_status_s:
                self.next_status_s = now_s + STATUS_EVERY_S
                inputs = (messages.StatusInput(overruns=0, floods=0, shortest_ticks=None),) * 3
                flags = wire_numbers.FLAG_STREAMING if self.streaming else 0
                self.say(
                    messages.Status(
                        ticks=self.now_ticks(), flags=flags, supply_mv=5000, host_frames_damaged=0, inputs=inputs
                    )
                )
            said, self.due = b"".join(self.due), []
            return b"" if self.muted else self.garble(said)

    def answer(self, frame: wire.Frame) -> None:
        self.requests.append(frame.message)
        match frame.message:
            case messages.AskHello():
                self.say(self.hello(frame.sequence))
            case messages.Ping():
                tick = self.now_ticks()
                pong = messages.Pong(asked=frame.sequence, ping_ticks=tick, answer_ticks=self.now_ticks())
                self.say(pong, front=b"\0")
            case messages.Stream(on=on):
                if on and not self.streaming:
                    self.base = self.now_ticks()
                    self.told = [self.base // period if period else 0 for period in self.period_ticks]
                self.streaming = on
            case messages.ConfigRead(offset=offset, count=count):
                self.say(
                    messages.ConfigData(
                        asked=frame.sequence, generation=self.generation, length=len(self.settings), offset=offset,
                        data=self.settings[offset : offset + count],
                    )
                )
            case messages.ConfigWrite() | messages.ConfigCommit():
                code = self.refuse(frame.message) or self.keep(frame.message)
                self.say(messages.Result(asked=frame.sequence, request=frame.message.TYPE, code=code))

    def keep(self, message: messages.ConfigWrite | messages.ConfigCommit) -> int:
        """Stage, or change over; a RESULT code."""
        if isinstance(message, messages.ConfigWrite):
            self.staged[message.offset : message.offset + len(message.data)] = message.data
        elif (message.length, message.crc) != (len(self.settings), wire.crc16(bytes(self.staged))):
            return wire_numbers.BAD_VALUE
        elif not self.forgets:
            self.settings = bytes(self.staged)
            self.generation += 1
        return wire_numbers.OK

    def batch(self) -> None:
        complete = self.now_ticks()
        edges: list[tuple[int, ...]] = []
        for index, period in enumerate(self.period_ticks):
            last = complete // period if period else 0
            if last - self.told[index] > EDGES_AT_A_TIME // 2:
                last = self.told[index] + EDGES_AT_A_TIME // 2
                complete = min(complete, last * period)
            edges.append(tuple(k * period for k in range(self.told[index] + 1, last + 1)))
            self.told[index] = last
        self.say(
            messages.Batch(
                base_ticks=self.base, complete_ticks=complete, edge_ticks=tuple(edges), counts=tuple(self.told),
                lost=(0, 0, 0),
            )
        )  # fmt: skip
        self.base = complete


@dataclass
class Served:
    """A board on a port, and how to pull its plug."""

    board: FakeBoard
    url: str
    unplug: Callable[[], None]
    replug: Callable[[], None]


class _SocketPort:
    """One client at a time on a TCP port; `unplug` drops the client and refuses new ones."""

    def __init__(self, board: FakeBoard) -> None:
        self.board = board
        self.stop = threading.Event()
        self.plugged = threading.Event()
        self.plugged.set()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(0.02)
        self.url = f"socket://127.0.0.1:{self.listener.getsockname()[1]}"
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def run(self) -> None:
        with self.listener:
            while not self.stop.is_set():
                try:
                    client, _ = self.listener.accept()
                except TimeoutError:
                    self.board.turn(b"")  # it talks, and nobody hears it
                    continue
                with client:
                    while self.plugged.is_set() and not self.stop.is_set() and self.serve(client):
                        pass

    def serve(self, client: socket.socket) -> bool:
        ready, _, _ = select.select([client], [], [], 0.002)
        try:
            received = client.recv(4096) if ready else b""
            if ready and not received:
                return False
            client.sendall(self.board.turn(received))
        except OSError:
            return False
        return True

    def close(self) -> None:
        self.stop.set()
        self.thread.join()


class _Rfc2217Port(_SocketPort):
    """The same behind pyserial's own server for ports in the network."""

    def __init__(self, board: FakeBoard) -> None:
        super().__init__(board)
        self.url = self.url.replace("socket://", "rfc2217://")
        self.client: socket.socket | None = None

    def serve(self, client: socket.socket) -> bool:
        if self.client is not client:
            self.client = client
            self.port = serial.serial_for_url("loop://", timeout=0)
            self.manager = PortManager(self.port, self)
        ready, _, _ = select.select([client], [], [], 0.002)
        try:
            received = client.recv(4096) if ready else b""
            if ready and not received:
                return False
            heard = b"".join(self.manager.filter(received))
            client.sendall(b"".join(self.manager.escape(self.board.turn(heard))))
        except OSError:
            return False
        return True

    def write(self, data: bytes) -> None:
        """The manager answers the client's questions about the port."""
        assert self.client is not None
        self.client.sendall(data)


class _PtyPort:
    """A pseudo-terminal behind a name that stays; `unplug` closes it, `replug` makes another."""

    def __init__(self, board: FakeBoard, name: Path) -> None:
        self.board = board
        self.name = name
        self.stop = threading.Event()
        self.lock = threading.Lock()
        self.master = -1
        self.replug()
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def replug(self) -> None:
        import tty

        with self.lock:
            self.master, slave = os.openpty()
            tty.setraw(slave)
            self.name.symlink_to(os.ttyname(slave))
            os.set_blocking(self.master, False)
            os.close(slave)

    def unplug(self) -> None:
        with self.lock:
            self.name.unlink()
            os.close(self.master)
            self.master = -1

    def run(self) -> None:
        while not self.stop.is_set():
            with self.lock:
                received = b""
                with contextlib.suppress(OSError):  # unplugged, or no host has it open
                    if self.master >= 0 and select.select([self.master], [], [], 0.002)[0]:
                        received = os.read(self.master, 4096)
                said = self.board.turn(received)
                with contextlib.suppress(OSError):
                    if self.master >= 0:
                        os.write(self.master, said)
            time.sleep(0.002)

    def close(self) -> None:
        self.stop.set()
        self.thread.join()
        if self.master >= 0:
            self.unplug()


@pytest.fixture(params=["socket", "pty"])
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Served]:
    """A fake board on each kind of port that can be made here."""
    board = FakeBoard()
    if request.param == "socket":
        port = _SocketPort(board)
        yield Served(board, port.url, port.plugged.clear, port.plugged.set)
        port.close()
    else:
        pty = _PtyPort(board, tmp_path / "board")
        yield Served(board, str(pty.name), pty.unplug, pty.replug)
        pty.close()


@pytest.fixture
def on_socket() -> Iterator[Served]:
    """A fake board on a TCP port."""
    board = FakeBoard()
    port = _SocketPort(board)
    yield Served(board, port.url, port.plugged.clear, port.plugged.set)
    port.close()


def _emulated_board(repository: Path, folder: Path) -> subprocess.Popen[str]:
    """The flashed firmware on the emulated board, a pulse each 5 ms on input 1."""
    for part in ("firmware", "firmware/bench"):
        if shutil.which("avr-gcc") is None:
            pytest.fail("avr-gcc is missing: install the Debian packages gcc-avr avr-libc", pytrace=False)
        subprocess.run(["make", "-C", repository / part], check=True, capture_output=True)
    edges = folder / "edges.txt"
    edges.write_text("".join(f"{80_000 * k} 1 0\n{80_000 * k + 8_000} 1 1\n" for k in range(1, 6000)))
    board = subprocess.Popen(
        [
            repository / "firmware/bench/build/board", "--elf", repository / "firmware/avr/build/atmega328p.elf",
            "--pty", folder / "board", "--edges", edges, "--control", "none",
        ],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert board.stdout is not None
    first = board.stdout.readline()
    assert first.startswith("ready"), first
    return board


@pytest.fixture(params=["socket", "rfc2217", "pty", "sim", "emulated board"])
def any_url(request: pytest.FixtureRequest, tmp_path: Path, repository: Path) -> Iterator[str]:
    """Where a board with pulses on input 1 can be reached: one of each kind of port."""
    if request.param == "sim":
        if "kerfbeat.simulate" not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.append("kerfbeat.simulate")
        yield "sim://steady"
    elif request.param == "emulated board":
        board = _emulated_board(repository, tmp_path)
        yield str(tmp_path / "board")
        board.kill()
        board.communicate()
    elif request.param == "pty":
        pty = _PtyPort(FakeBoard(), tmp_path / "board")
        yield str(pty.name)
        pty.close()
    else:
        port = (_SocketPort if request.param == "socket" else _Rfc2217Port)(FakeBoard())
        yield port.url
        port.close()
