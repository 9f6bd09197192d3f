"""What can a client do that knows firmware/PROTOCOL.md and nothing else?  No code of the project is used here."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

import serial
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

HELLO, BATCH, STATUS, MASKED, PONG, CONFIG_DATA, RESULT = range(1, 8)
ASK_HELLO, PING, STREAM, CONFIG_READ, CONFIG_WRITE, CONFIG_COMMIT = range(0x41, 0x47)
INPUTS = 3
PATIENCE_S = 30.0  # only so that a hung test ends

# Names and widths in bytes of the fields of each frame whose fields are fixed (section 3); "rest" is all that is left.
FIXED = {
    HELLO: [("protocol", 1), ("major", 1), ("minor", 1), ("patch", 1), ("board_kind", 1), ("board_id", 4),
            ("tick_hz", 4), ("inputs", 1), ("reset_cause", 1), ("tick", 8), ("config_generation", 4), ("asked", 1),
            ("answered", 1)],
    STATUS: [("tick", 8), ("flags", 1), ("supply_mv", 2), ("rx_bad", 2),
             *[(f"{name} {number}", width) for number in (1, 2, 3)
               for name, width in (("overruns", 4), ("floods", 2), ("shortest", 4))]],
    MASKED: [("input", 1), ("from", 8), ("until", 8)],
    PONG: [("asked", 1), ("ping_tick", 8), ("answer_tick", 8)],
    CONFIG_DATA: [("asked", 1), ("generation", 4), ("length", 2), ("offset", 2), ("rest", 0)],
    RESULT: [("asked", 1), ("request", 1), ("code", 1)],
}


@dataclass(frozen=True, kw_only=True, slots=True)
class PageFrame:
    """One ```frame block: what is on the line, and its fields as (bytes, name, value)."""

    name: str
    line: bytes
    fields: tuple[tuple[bytes, str, str], ...]

    @property
    def content(self) -> bytes:
        return b"".join(data for data, _, _ in self.fields)


def frames_of(page: Path) -> Iterator[PageFrame]:
    for name, block in re.findall(r"^```frame ([^\n]+)\n(.*?)^```$", page.read_text(), re.MULTILINE | re.DOTALL):
        rows = block.splitlines()
        yield PageFrame(
            name=name,
            line=b"".join(bytes.fromhex(row.removeprefix("line ")) for row in rows if row.startswith("line ")),
            fields=tuple(
                (bytes.fromhex(cells[0]), cells[1], cells[2])
                for cells in ([cell.strip() for cell in row.split("|")] for row in rows if not row.startswith("line "))
            ),
        )


def make_frame(kind: int, sequence: int, payload: bytes = b"") -> bytes:
    body = bytes([kind, sequence]) + payload
    return cobs.encode(body + Crc16Ibm3740.calc(body).to_bytes(2, "little")) + b"\0"


@dataclass(kw_only=True, slots=True)
class Batch:
    base: int
    complete: int
    count: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    edges: list[list[int]] = field(default_factory=list)


def read_var(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        value |= (data[at] & 0x7F) << shift
        shift += 7
        at += 1
        if data[at - 1] < 0x80:
            return value, at


def read_batch(payload: bytes) -> Batch:
    base = int.from_bytes(payload[:8], "little")
    span, at = read_var(payload, 8)
    batch = Batch(base=base, complete=base + span)
    for _ in range(INPUTS):
        batch.count.append(int.from_bytes(payload[at:at + 4], "little"))
        lost, at = read_var(payload, at + 4)
        batch.lost.append(lost)
        edges, edge, left = [], base, payload[at]
        at += 1
        for _ in range(left):
            delta, at = read_var(payload, at)
            edge += delta
            edges.append(edge)
        batch.edges.append(edges)
    assert at == len(payload)
    return batch


def read_fields(kind: int, payload: bytes) -> dict[str, int | bytes]:
    found: dict[str, int | bytes] = {}
    at = 0
    for name, width in FIXED[kind]:
        if name == "rest":
            found[name] = payload[at:]
            return found
        assert at + width <= len(payload)
        found[name] = int.from_bytes(payload[at:at + width], "little")
        at += width
    assert at == len(payload)
    return found


class Client:
    """Asks and listens, as section 5 says."""

    def __init__(self, url: str, baud: int = 500_000) -> None:
        self._port = serial.Serial(url, baud, timeout=0.05)
        self._unfinished = b""
        self.damaged = 0
        self.frames: list[tuple[int, int, bytes]] = []
        self._greet()
        self.damaged = 0                # what came before the first whole frame may have been cut off

    def _greet(self) -> None:
        deadline = time.monotonic() + PATIENCE_S
        again = 0.0
        while not any(kind == HELLO and payload[-1] == 1 for kind, _, payload in self.frames):
            assert time.monotonic() < deadline, "the board does not say hello"
            if time.monotonic() >= again:
                self._port.write(b"\0" + make_frame(ASK_HELLO, 0))
                again = time.monotonic() + 0.5
            self.listen()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None,
    ) -> None:
        self._port.close()

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def listen(self) -> list[tuple[int, int, bytes]]:
        """Type, sequence and payload of each frame that has come; waits a moment."""
        *whole, self._unfinished = (self._unfinished + self._port.read(self._port.in_waiting or 1)).split(b"\0")
        come = []
        for stuffed in whole:
            if stuffed:
                try:
                    body = cobs.decode(stuffed)
                except cobs.DecodeError:
                    body = b""
                if len(body) >= 4 and Crc16Ibm3740.calc(body[:-2]) == int.from_bytes(body[-2:], "little"):
                    come.append((body[0], body[1], body[2:-2]))
                else:
                    self.damaged += 1
        self.frames += come
        return come

    def wait_for(self, kind: int, asked: int | None = None) -> dict[str, int | bytes]:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for come, _, payload in self.listen():
                if come == kind:
                    fields = read_fields(kind, payload)
                    if asked is None or fields["asked"] == asked:
                        return fields
        raise AssertionError(f"no frame of type {kind} came")

    def ask(self, kind: int, sequence: int, payload: bytes = b"", *, answer: int = RESULT) -> dict[str, int | bytes]:
        self.write(make_frame(kind, sequence, payload))
        return self.wait_for(answer, sequence)

    def batches(self) -> list[Batch]:
        return [read_batch(payload) for kind, _, payload in self.frames if kind == BATCH]
