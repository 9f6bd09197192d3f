"""What does a board tell the host?  One class per message, with `pack` and `unpack` of its payload."""

import struct
from dataclasses import dataclass
from typing import ClassVar, Self

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.payloads import PAYLOAD_MAX, TICK_LIMIT, Malformed, checked_ticks, fixed

__all__ = [
    "COUNT_MODULUS",
    "Batch",
    "ConfigData",
    "Hello",
    "Masked",
    "OtherHello",
    "Pong",
    "Result",
    "Status",
    "StatusInput",
]

COUNT_MODULUS = 1 << 32

_HELLO = struct.Struct("<BBBBBIIBBQIBB")
_STATUS = struct.Struct("<QBHH" + "IHI" * n.INPUTS)
_MASKED = struct.Struct("<BQQ")
_PONG = struct.Struct("<BQQ")
_CONFIG_DATA = struct.Struct("<BIHH")
_RESULT = struct.Struct("<BBB")
_U64 = struct.Struct("<Q")
_U32 = struct.Struct("<I")


def _var(value: int) -> bytes:
    """Unsigned base-128 integer, low seven bits first, bit 7 set on every byte but the last."""
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


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
class Batch:
    """Edges of all inputs since the batch before, and how far the report is complete.

    `edge_ticks` holds one tuple per input.  `counts` are the edges seen since reset (modulo 2**32), lost ones
    included, after this batch.  `lost` are edges dropped by a full ring since the batch before: they lie after this
    batch's last edge of that input and at or before `complete_ticks`.
    """

    TYPE: ClassVar[int] = n.BATCH
    base_ticks: int
    complete_ticks: int
    edge_ticks: tuple[tuple[int, ...], ...]
    counts: tuple[int, ...]
    lost: tuple[int, ...]

    def pack(self) -> bytes:
        """Payload bytes; raises Malformed if they do not fit one frame or an edge is out of order."""
        out = bytearray(_U64.pack(self.base_ticks))
        out += _var(self.complete_ticks - self.base_ticks)
        for edges, count, lost in zip(self.edge_ticks, self.counts, self.lost, strict=True):
            out += _U32.pack(count) + _var(lost)
            out.append(len(edges))
            before = self.base_ticks
            for edge in edges:
                if edge < before:
                    raise Malformed(f"edge at {edge} before {before}")
                out += _var(edge - before)
                before = edge
        if len(out) > PAYLOAD_MAX:
            raise Malformed(f"a batch of {len(out)} bytes does not fit a payload of {PAYLOAD_MAX}")
        return bytes(out)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read a batch.  This is the hot path: one pass over the bytes, no helper calls per edge."""
        if len(payload) < 8:
            raise Malformed("batch shorter than its base")
        (base,) = _U64.unpack_from(payload)
        all_edges: list[tuple[int, ...]] = []
        counts: list[int] = []
        losses: list[int] = []
        try:
            span, at = _read_var(payload, 8)
            for _ in range(n.INPUTS):
                counts.append(_U32.unpack_from(payload, at)[0])
                lost, at = _read_var(payload, at + 4)
                losses.append(lost)
                wanted = payload[at]
                at += 1
                edges: list[int] = []
                tick = base
                for _ in range(wanted):
                    byte = payload[at]
                    at += 1
                    if byte < 0x80:
                        tick += byte
                    else:
                        shift = 7
                        tick += byte & 0x7F
                        while (byte := payload[at]) > 0x7F:
                            tick += (byte & 0x7F) << shift
                            shift += 7
                            at += 1
                        tick += byte << shift
                        at += 1
                    edges.append(tick)
                if tick >= TICK_LIMIT or len(set(edges)) != wanted:
                    raise Malformed("edge past 2**63, or two edges of an input at one tick")
                all_edges.append(tuple(edges))
        except (IndexError, struct.error):
            raise Malformed("batch ends early") from None
        if at != len(payload):
            raise Malformed(f"{len(payload) - at} bytes after the end of the batch")
        return cls(
            base_ticks=base,
            complete_ticks=checked_ticks(base + span),
            edge_ticks=tuple(all_edges),
            counts=tuple(counts),
            lost=tuple(losses),
        )


def _read_var(payload: bytes, at: int) -> tuple[int, int]:
    """Value at `at`, and where it ends; IndexError past the end."""
    value = shift = 0
    while (byte := payload[at]) > 0x7F:
        value |= (byte & 0x7F) << shift
        shift += 7
        at += 1
    return value | byte << shift, at + 1


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
