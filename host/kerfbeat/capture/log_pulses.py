"""Which lines of a piece of a log are plain pulse rows, and what are their ticks?

Nearly every row of a long log is `pulse,CHANNEL,DIGITS,`.  They are checked and converted many at once, eight
characters in one 64-bit word; a line that differs in any character is left for the reader that takes one at a time.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Piece", "PlainPulses"]

FRONT = 16  # bytes in front of the text, so that the digits of its first line can be read as two words
BACK = 8  # bytes behind it, so that its last character can be read as a word
MOST_DIGITS = 16  # two words; 10**16 ticks are 19 years at 16 MHz
NEWLINE, RETURN, COMMA = 10, 13, 44

_ZEROS = np.uint64(0x3030303030303030)
# Of a word in which only the last k characters belong to the number, which bits to keep: index k, first byte lowest.
_KEEP = np.array([(2**64 - 1) ^ ((1 << 8 * (8 - k)) - 1) for k in range(9)], dtype=np.uint64)


@dataclass(frozen=True, slots=True)
class PlainPulses:
    """Plain rows of one channel: their line numbers in the piece, (n,) ascending, and their ticks, (n,) int64."""

    channel: str
    lines: NDArray[np.int64]
    ticks: NDArray[np.int64]


class Piece:
    """A piece of text that consists of whole lines (each with its line end)."""

    def __init__(self, text: bytes | memoryview) -> None:
        self._bytes = b"".join((bytes(FRONT), text, bytes(BACK)))
        self._codes = np.frombuffer(self._bytes, dtype=np.uint8)
        # Word k is made of the bytes k to k + 7: an overlapping, unaligned view, no copy.
        self._words = np.ndarray(
            shape=(len(self._bytes) - 7,), dtype="<u8", buffer=self._bytes, strides=(1,)
        )  # fmt: skip
        newlines = np.flatnonzero(self._codes == NEWLINE)
        self._starts = np.empty_like(newlines)
        self._starts[:1] = FRONT
        self._starts[1:] = newlines[:-1] + 1
        self._stops = newlines - (self._codes[newlines - 1] == RETURN)

    def __len__(self) -> int:
        return len(self._starts)

    def line(self, index: int) -> bytes:
        """One line without its end."""
        return self._bytes[self._starts[index] : self._stops[index]]

    def plain_pulses(self, channels: Sequence[str]) -> tuple[list[PlainPulses], NDArray[np.int64]]:
        """Plain pulse rows by channel, and the numbers of all other lines, ascending."""
        first_words = self._words[self._starts]
        other = np.ones(len(self), dtype=np.bool_)
        found = []
        for channel in channels:
            prefix = f"pulse,{channel},".encode()
            candidates = np.flatnonzero(first_words == int.from_bytes(prefix[:8], "little"))
            if len(candidates):
                rows = self._plain(candidates, prefix, channel)
                other[rows.lines] = False
                found.append(rows)
        return found, np.flatnonzero(other)

    def _plain(self, lines: NDArray[np.int64], prefix: bytes, channel: str) -> PlainPulses:
        """Check the rest of the prefix (9 to 16 bytes, so its last eight are enough), the comma and every digit."""
        starts, ends = self._starts[lines], self._stops[lines] - 1  # the comma stands at `ends`
        digits = ends - starts - len(prefix)
        good = (digits >= 1) & (digits <= MOST_DIGITS)
        good &= self._words[starts + (len(prefix) - 8)] == int.from_bytes(prefix[-8:], "little")
        good &= self._codes[ends] == COMMA
        # Where `digits` is out of range these words hold something else; such rows are not good already.
        low, low_good = self._number(ends - 8, digits)
        high, high_good = self._number(ends - 16, digits - 8)
        good &= low_good & high_good
        ticks = high.astype(np.int64) * 100_000_000 + low.astype(np.int64)
        if bool(good.all()):
            return PlainPulses(channel, lines, ticks)
        return PlainPulses(channel, lines[good], ticks[good])

    def _number(self, at: NDArray[np.int64], digits: NDArray[np.int64]) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
        """Value of the last `digits` (clipped to 0..8) of the eight characters at `at`, and whether all are digits.

        Works on all bytes of a word at once: x ^ "0" is 0..9 for a digit alone, and adding 0x76 sets the top bit of
        any byte from 10 on.  Neighbours are then joined pairwise: 2 x 1 digit, 2 x 2 digits, 2 x 4 digits.
        """
        word = self._words[np.maximum(at, 0)]
        word ^= _ZEROS
        word &= _KEEP[np.clip(digits, 0, 8)]
        good = ((word + np.uint64(0x7676767676767676)) | word) & np.uint64(0x8080808080808080) == 0
        word *= np.uint64(10 * 0x100 + 1)
        word >>= np.uint64(8)
        word &= np.uint64(0x00FF00FF00FF00FF)
        word *= np.uint64(100 * 0x10000 + 1)
        word >>= np.uint64(16)
        word &= np.uint64(0x0000FFFF0000FFFF)
        word *= np.uint64(10_000 * 0x100000000 + 1)
        word >>= np.uint64(32)
        return word, good
