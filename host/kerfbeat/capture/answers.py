"""What does a board tell the host beside its batches?

One class per message, with `pack` and `unpack` of its payload.
"""

import struct
from dataclasses import dataclass
from typing import ClassVar, Self

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.payloads import Malformed, checked_ticks, fixed

__all__ = [
    "ConfigData",
    "Hello",
    "Masked",
    "OtherHello",
    "Pong",
    "Result",
    "Status",
    "StatusInput",
]

_HELLO = struct.Struct("<BBBBBIIBBQIBB")
_STATUS = struct.Struct("<QBHH" + "IHI" * n.INPUTS)
_MASKED = struct.Struct("<BQQ")
_PONG = struct.Struct("<BQQ")
_CONFIG_DATA = struct.Struct("<BIHH")
_RESULT = struct.Struct("<BBB")


@dataclass(frozen=True, kw_only=True, slots=True)
class Hello:
    """Who is the board?  Sent once after a reset (`asked` None) and as the answer to an `AskHello`."""

    TYPE: ClassVar[int] = n.HELLO
    firmware: tuple[int, int, int]
    board_kind: int
    board_id: int
    tick_hz: int
    reset_cause: int
    ticks: int
    config_generation: int
    asked: int | None

    def pack(self) -> bytes:
        """Payload bytes."""
        return _HELLO.pack(
            n.PROTOCOL, *self.firmware, self.board_kind, self.board_id, self.tick_hz, n.INPUTS, self.reset_cause,
            self.ticks, self.config_generation, self.asked or 0, self.asked is not None,
        )  # fmt: skip

    @classmethod
    def unpack(cls, payload: bytes) -> "Hello | OtherHello":
        """Read a hello; one of another protocol version tells only its versions, since the rest may have changed."""
        if payload[:1] != bytes([n.PROTOCOL]):
            return OtherHello.unpack(payload)
        _, major, minor, patch, kind, board_id, tick_hz, inputs, reset, ticks, generation, asked, answered = fixed(
            _HELLO, payload
        )
        if inputs != n.INPUTS or tick_hz == 0 or answered > 1:
            raise Malformed("hello with an impossible input count, tick rate or flag")
        return cls(
            firmware=(major, minor, patch), board_kind=kind, board_id=board_id, tick_hz=tick_hz, reset_cause=reset,
            ticks=checked_ticks(ticks), config_generation=generation, asked=asked if answered else None,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class OtherHello:
    """A hello of another protocol version: its first four bytes mean the same in every version."""

    TYPE: ClassVar[int] = n.HELLO
    protocol: int
    firmware: tuple[int, int, int]

    def pack(self) -> bytes:
        """Payload bytes."""
        return bytes([self.protocol, *self.firmware])

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the four bytes that never change."""
        if len(payload) < 4:
            raise Malformed("hello shorter than its versions")
        return cls(protocol=payload[0], firmware=(payload[1], payload[2], payload[3]))


@dataclass(frozen=True, kw_only=True, slots=True)
class StatusInput:
    """One input of a status; `shortest_ticks` is None with fewer than two edges since the status before."""

    overruns: int
    floods: int
    shortest_ticks: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Status:
    """How is the board?  `supply_mv` is None where the board cannot know it."""

    TYPE: ClassVar[int] = n.STATUS
    ticks: int
    flags: int
    supply_mv: int | None
    host_frames_damaged: int
    inputs: tuple[StatusInput, ...]

    def pack(self) -> bytes:
        """Payload bytes."""
        numbers = [self.ticks, self.flags, self.supply_mv or 0, self.host_frames_damaged]
        for each in self.inputs:
            shortest = n.INTERVAL_NONE if each.shortest_ticks is None else each.shortest_ticks
            numbers += [each.overruns, each.floods, shortest]
        return _STATUS.pack(*numbers)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a status."""
        ticks, flags, supply_mv, damaged, *rest = fixed(_STATUS, payload)
        inputs = tuple(
            StatusInput(overruns=o, floods=f, shortest_ticks=None if s == n.INTERVAL_NONE else s)
            for o, f, s in zip(rest[0::3], rest[1::3], rest[2::3], strict=True)
        )
        return cls(
            ticks=checked_ticks(ticks),
            flags=flags,
            supply_mv=supply_mv or None,
            host_frames_damaged=damaged,
            inputs=inputs,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Masked:
    """An input fired faster than it can be served and was not looked at from `from_ticks` to `until_ticks`."""

    TYPE: ClassVar[int] = n.MASKED
    input_index: int
    from_ticks: int
    until_ticks: int

    def pack(self) -> bytes:
        """Payload bytes."""
        return _MASKED.pack(self.input_index, self.from_ticks, self.until_ticks)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a mask."""
        index, start, end = fixed(_MASKED, payload)
        if index >= n.INPUTS or end < start:
            raise Malformed("mask of an unknown input, or one that ends before it starts")
        return cls(input_index=index, from_ticks=start, until_ticks=checked_ticks(end))


@dataclass(frozen=True, kw_only=True, slots=True)
class Pong:
    """Answer to a ping: when its last byte came in, and when the answer's first byte went out."""

    TYPE: ClassVar[int] = n.PONG
    asked: int
    ping_ticks: int
    answer_ticks: int

    def pack(self) -> bytes:
        """Payload bytes."""
        return _PONG.pack(self.asked, self.ping_ticks, self.answer_ticks)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read an answer."""
        asked, ping, answer = fixed(_PONG, payload)
        if answer < ping:
            raise Malformed("answer before the ping")
        return cls(asked=asked, ping_ticks=ping, answer_ticks=checked_ticks(answer))


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigData:
    """A piece of the stored configuration, `data` from `offset` on, of `length` bytes in all."""

    TYPE: ClassVar[int] = n.CONFIG_DATA
    asked: int
    generation: int
    length: int
    offset: int
    data: bytes

    def pack(self) -> bytes:
        """Payload bytes."""
        return _CONFIG_DATA.pack(self.asked, self.generation, self.length, self.offset) + self.data

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a piece."""
        asked, generation, length, offset = fixed(_CONFIG_DATA, payload[: _CONFIG_DATA.size])
        data = payload[_CONFIG_DATA.size :]
        if offset + len(data) > length:
            raise Malformed("piece reaches past the end of the configuration")
        return cls(asked=asked, generation=generation, length=length, offset=offset, data=data)


@dataclass(frozen=True, kw_only=True, slots=True)
class Result:
    """What came of the request with sequence `asked`."""

    TYPE: ClassVar[int] = n.RESULT
    asked: int
    request: int
    code: int

    def pack(self) -> bytes:
        """Payload bytes."""
        return _RESULT.pack(self.asked, self.request, self.code)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a result."""
        asked, request, code = fixed(_RESULT, payload)
        return cls(asked=asked, request=request, code=code)
