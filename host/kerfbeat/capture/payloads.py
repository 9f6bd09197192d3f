"""When is a payload well formed?"""

import struct

from kerfbeat.capture.events import TICK_LIMIT
from kerfbeat.capture.wire_numbers import FRAME_MAX, OVERHEAD

__all__ = ["PAYLOAD_MAX", "Malformed", "checked_ticks", "fixed"]

PAYLOAD_MAX = FRAME_MAX - OVERHEAD


class Malformed(ValueError):  # noqa: N818  it is counted, never shown as an error
    """The frame arrived whole, but its payload has a wrong length, count or value."""


def fixed(layout: struct.Struct, payload: bytes) -> tuple[int, ...]:
    """Numbers of a payload of fixed length."""
    if len(payload) != layout.size:
        raise Malformed(f"{len(payload)} bytes where {layout.size} belong")
    return layout.unpack(payload)


def checked_ticks(value: int) -> int:
    """`value`, if it is a tick that a signed 64-bit integer holds."""
    if value >= TICK_LIMIT:
        raise Malformed(f"tick {value} is past 2**63")
    return value
