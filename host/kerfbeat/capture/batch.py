"""How do the edges of all inputs fit into one small frame, and what does it tell beside them?"""

import struct
from dataclasses import dataclass
from typing import ClassVar, Self

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.events import TICK_LIMIT
from kerfbeat.capture.payloads import PAYLOAD_MAX, Malformed, checked_ticks

__all__ = ["COUNT_MODULUS", "Batch"]

COUNT_MODULUS = 1 << 32

_U64 = struct.Struct("<Q")
_U32 = struct.Struct("<I")


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


def _var(value: int) -> bytes:
    """Unsigned base-128 integer, low seven bits first, bit 7 set on every byte but the last."""
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def _read_var(payload: bytes, at: int) -> tuple[int, int]:
    """Value at `at`, and where it ends; IndexError past the end."""
    value = shift = 0
    while (byte := payload[at]) > 0x7F:
        value |= (byte & 0x7F) << shift
        shift += 7
        at += 1
    return value | byte << shift, at + 1
