"""How do bytes on the line become frames, and frames bytes?

A frame is `type | sequence | payload | CRC-16, low byte first`, stuffed by COBS and ended by one zero byte.  The
decoder is fed bytes and never touches a port, so a port, a file and a random generator drive it alike; any split of
the bytes gives the same frames.  What is not a good frame is counted, never raised.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass

from cobs import cobs

from kerfbeat.capture.messages import Hello, Malformed, Message, unpack
from kerfbeat.capture.wire_numbers import CRC_INIT, FRAME_MAX, OVERHEAD

__all__ = ["Decoder", "Frame", "crc16", "encode", "encode_message"]

STUFFED_MAX = FRAME_MAX + 1  # bytes: COBS adds one byte to anything of up to 253 bytes
SEQUENCES = 256


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, no reflection): 0x29B1 of b"123456789"."""
    return crc_hqx(data, CRC_INIT)


def encode(frame_type: int, sequence: int, payload: bytes) -> bytes:
    """One frame as it goes over the line, its delimiter at the end; ValueError if it is longer than FRAME_MAX."""
    body = bytes([frame_type, sequence]) + payload
    if len(body) + 2 > FRAME_MAX:
        raise ValueError(f"a payload of {len(payload)} bytes does not fit: the most is {FRAME_MAX - OVERHEAD}")
    stuffed: bytes = cobs.encode(body + crc16(body).to_bytes(2, "little"))
    return stuffed + b"\0"


def encode_message(message: Message, sequence: int) -> bytes:
    """`message` as one frame."""
    return encode(message.TYPE, sequence, message.pack())


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame that arrived whole and well formed.

    `started_host_s`: when its first byte was read: that of the delimiter sent in front of it if there was one.
    """

    sequence: int
    message: Message
    started_host_s: float = 0.0


class Decoder:
    """Bytes in, frames out, in pieces of any size.

    Counters: `frames` (good ones), `bad_crc`, `malformed` (CRC right, content wrong), `noise_bytes` (not a frame at
    all) and `frames_missing` (how many the sequence says are missing, at least).
    Holds at most one unfinished frame, whatever it is fed.
    """

    def __init__(self) -> None:
        self.frames = 0
        self.bad_crc = 0
        self.malformed = 0
        self.noise_bytes = 0
        self.frames_missing = 0
        self._unfinished = b""
        self._overlong = False  # inside a stretch too long for a frame: all noise until the next delimiter
        self._after_delimiter_host_s: float | None = None  # a second delimiter in a row was read then
        self._started_host_s = 0.0  # of the unfinished frame
        self._sequence: int | None = None  # of the frame before

    def count_on(self, before: Decoder) -> None:
        """Let the counters go on from those of the decoder before an interruption."""
        self.frames += before.frames
        self.bad_crc += before.bad_crc
        self.malformed += before.malformed
        self.noise_bytes += before.noise_bytes
        self.frames_missing += before.frames_missing

    def feed(self, chunk: bytes, received_host_s: float = 0.0) -> list[Frame]:
        """Take the next bytes, read from the line at `received_host_s`; return the frames they complete."""
        found: list[Frame] = []
        pieces = chunk.split(b"\0")
        last = len(pieces) - 1
        for index, fresh in enumerate(pieces):
            if fresh and not self._unfinished:
                early = self._after_delimiter_host_s
                self._started_host_s = received_host_s if early is None else early
            stuffed = self._unfinished + fresh if self._unfinished else fresh
            nothing_before = not stuffed and not self._overlong
            if self._overlong or len(stuffed) > STUFFED_MAX:
                self.noise_bytes += len(stuffed)
                self._overlong = index == last
                self._unfinished = b""
            elif index == last:
                self._unfinished = stuffed
            else:
                self._unfinished = b""
                if stuffed:
                    frame = self._frame(stuffed)
                    if frame is not None:
                        found.append(frame)
            if index < last:
                self._after_delimiter_host_s = received_host_s if nothing_before else None
        return found

    def _frame(self, stuffed: bytes) -> Frame | None:
        try:
            body = cobs.decode(stuffed)
        except cobs.DecodeError:
            self.noise_bytes += len(stuffed)
            return None
        if len(body) < OVERHEAD or len(body) > FRAME_MAX:
            self.noise_bytes += len(stuffed)
            return None
        if crc_hqx(body[:-2], CRC_INIT) != body[-2] | body[-1] << 8:
            self.bad_crc += 1
            return None
        frame_type, sequence = body[0], body[1]
        try:
            message = unpack(frame_type, body[2:-2])
        except Malformed:
            self.malformed += 1
            return None
        self.frames += 1
        restarted = isinstance(message, Hello) and message.asked is None
        if self._sequence is not None and not restarted:
            self.frames_missing += (sequence - self._sequence - 1) % SEQUENCES
        self._sequence = sequence
        return Frame(sequence, message, self._started_host_s)
