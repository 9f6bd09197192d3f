"""What does the host ask of a board?  One class per request, with `pack` and `unpack` of its payload."""

import struct
from dataclasses import dataclass
from typing import ClassVar, Self

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.payloads import Malformed, fixed

__all__ = ["AskHello", "ConfigCommit", "ConfigRead", "ConfigWrite", "Ping", "Stream"]

_CONFIG_READ = struct.Struct("<HB")
_CONFIG_WRITE = struct.Struct("<H")
_CONFIG_COMMIT = struct.Struct("<HH")


class _Empty:
    """A request without payload."""

    __slots__ = ()

    def pack(self) -> bytes:
        """Payload bytes: none."""
        return b""

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the request: nothing may follow."""
        if payload:
            raise Malformed(f"{len(payload)} bytes where none belong")
        return cls()


@dataclass(frozen=True, slots=True)
class AskHello(_Empty):
    """Who are you?"""

    TYPE: ClassVar[int] = n.ASK_HELLO


@dataclass(frozen=True, slots=True)
class Ping(_Empty):
    """What does your clock say?"""

    TYPE: ClassVar[int] = n.PING


@dataclass(frozen=True, kw_only=True, slots=True)
class Stream:
    """Send batches, or stop sending them."""

    TYPE: ClassVar[int] = n.STREAM
    on: bool

    def pack(self) -> bytes:
        """Payload bytes."""
        return bytes([self.on])

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the request."""
        if payload not in (b"\0", b"\1"):
            raise Malformed("neither on nor off")
        return cls(on=payload == b"\1")


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigRead:
    """Send `count` bytes of the configuration from `offset` on."""

    TYPE: ClassVar[int] = n.CONFIG_READ
    offset: int
    count: int

    def pack(self) -> bytes:
        """Payload bytes."""
        return _CONFIG_READ.pack(self.offset, self.count)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the request."""
        offset, count = fixed(_CONFIG_READ, payload)
        return cls(offset=offset, count=count)


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigWrite:
    """Stage `data` at `offset` of the slot that is not in use."""

    TYPE: ClassVar[int] = n.CONFIG_WRITE
    offset: int
    data: bytes

    def pack(self) -> bytes:
        """Payload bytes."""
        return _CONFIG_WRITE.pack(self.offset) + self.data

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the request."""
        (offset,) = fixed(_CONFIG_WRITE, payload[: _CONFIG_WRITE.size])
        return cls(offset=offset, data=payload[_CONFIG_WRITE.size :])


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigCommit:
    """Make the staged configuration the active one if its length and CRC are right."""

    TYPE: ClassVar[int] = n.CONFIG_COMMIT
    length: int
    crc: int

    def pack(self) -> bytes:
        """Payload bytes."""
        return _CONFIG_COMMIT.pack(self.length, self.crc)

    @classmethod
    def unpack(cls, payload: bytes) -> Self:
        """Read the request."""
        length, crc = fixed(_CONFIG_COMMIT, payload)
        return cls(length=length, crc=crc)
