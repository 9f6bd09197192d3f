"""What does the payload of a frame say?

One frozen dataclass per frame type, each with `pack() -> bytes` (the payload) and `unpack(payload)`.  `unpack` checks
lengths and counts exactly and raises `Malformed`; the decoder counts that and goes on.
"""

from collections.abc import Callable

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.answers import (
    ConfigData,
    Hello,
    Masked,
    OtherHello,
    Pong,
    Result,
    Status,
    StatusInput,
)
from kerfbeat.capture.batch import COUNT_MODULUS, Batch
from kerfbeat.capture.payloads import Malformed
from kerfbeat.capture.requests import AskHello, ConfigCommit, ConfigRead, ConfigWrite, Ping, Stream

__all__ = [
    "COUNT_MODULUS",
    "AskHello",
    "Batch",
    "ConfigCommit",
    "ConfigData",
    "ConfigRead",
    "ConfigWrite",
    "FromBoard",
    "Hello",
    "Malformed",
    "Masked",
    "Message",
    "OtherHello",
    "Ping",
    "Pong",
    "Result",
    "Status",
    "StatusInput",
    "Stream",
    "ToBoard",
    "unpack",
]

FromBoard = Hello | OtherHello | Batch | Status | Masked | Pong | ConfigData | Result
ToBoard = AskHello | Ping | Stream | ConfigRead | ConfigWrite | ConfigCommit
Message = FromBoard | ToBoard

_UNPACK: dict[int, Callable[[bytes], Message]] = {
    n.HELLO: Hello.unpack,
    n.BATCH: Batch.unpack,
    n.STATUS: Status.unpack,
    n.MASKED: Masked.unpack,
    n.PONG: Pong.unpack,
    n.CONFIG_DATA: ConfigData.unpack,
    n.RESULT: Result.unpack,
    n.ASK_HELLO: AskHello.unpack,
    n.PING: Ping.unpack,
    n.STREAM: Stream.unpack,
    n.CONFIG_READ: ConfigRead.unpack,
    n.CONFIG_WRITE: ConfigWrite.unpack,
    n.CONFIG_COMMIT: ConfigCommit.unpack,
}


def unpack(frame_type: int, payload: bytes) -> Message:
    """Read the payload of a frame of `frame_type`; raises Malformed, also for a type nobody knows."""
    reader = _UNPACK.get(frame_type)
    if reader is None:
        raise Malformed(f"unknown frame type {frame_type:#04x}")
    return reader(payload)
