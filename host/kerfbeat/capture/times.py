"""How are times in decimal seconds kept exact?"""

import re
from array import array
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

__all__ = ["Times", "TimesBuilder", "decimal_seconds"]

PS_PER_S = 10**12
PS_PER_NS = 1000
NS_LIMIT = 2**63 // 2  # 146 years either way: leaves room for differences
PLAIN = re.compile(r"([+-]?)(\d+)\.?(\d{0,12})")


@dataclass(frozen=True, slots=True)
class Times:
    """Times of one channel: (n,) whole nanoseconds (rounded down) and the picoseconds beyond them, 0 to 999."""

    whole_ns: NDArray[np.int64]
    rest_ps: NDArray[np.int16]

    def to_ticks(self, tick_hz: int, *, shift_ns: int) -> tuple[NDArray[np.int64], bool]:
        """Ticks since `shift_ns`, rounded to the nearest, and whether any was rounded.

        The caller sees to it that they fit 63 bits.
        """
        moved = self.whole_ns - shift_ns
        if tick_hz == 10**9 and not self.rest_ps.any():
            return moved, False
        if tick_hz == PS_PER_S:
            return moved * PS_PER_NS + self.rest_ps, False
        ticks = np.empty(len(moved), dtype=np.int64)
        rounded = False
        for index, (whole, rest) in enumerate(zip(moved.tolist(), self.rest_ps.tolist(), strict=True)):
            quotient, remainder = divmod((whole * PS_PER_NS + rest) * tick_hz, PS_PER_S)
            ticks[index] = quotient + (2 * remainder >= PS_PER_S)
            rounded = rounded or remainder != 0
        return ticks, rounded


class TimesBuilder:
    """Takes times as text, one by one, in 10 bytes each."""

    def __init__(self) -> None:
        self._whole_ns = array("q")
        self._rest_ps = array("h")

    def add(self, text: str) -> None:
        """Add a decimal number of seconds; ValueError if it is none, or is more than 146 years."""
        plain = PLAIN.fullmatch(text)
        if plain:
            sign, whole, part = plain.groups()
            picoseconds = int(whole + part.ljust(12, "0"))
            if sign == "-":
                picoseconds = -picoseconds
        else:
            picoseconds = _picoseconds(text)
        nanoseconds, rest = divmod(picoseconds, PS_PER_NS)
        if not -NS_LIMIT < nanoseconds < NS_LIMIT:
            raise ValueError("more than 146 years")
        self._whole_ns.append(nanoseconds)
        self._rest_ps.append(rest)

    def times(self) -> Times:
        """What was added."""
        return Times(np.array(self._whole_ns, dtype=np.int64), np.array(self._rest_ps, dtype=np.int16))


def _picoseconds(text: str) -> int:
    """Any decimal notation, rounded to a picosecond."""
    try:
        value = Decimal(text.strip())
    except InvalidOperation:
        raise ValueError("not a number") from None
    if not value.is_finite():
        raise ValueError("not a number")
    if value and not -400 < value.adjusted() < 12:  # before its zeros are written out
        if value.adjusted() >= 12:
            raise ValueError("more than 146 years")
        return 0
    return round(Fraction(value) * PS_PER_S)


def decimal_seconds(ticks: int, tick_hz: Fraction) -> str:
    """`ticks` in seconds, exact where that takes at most 12 decimals, else rounded to a picosecond."""
    picoseconds = round(ticks * PS_PER_S / tick_hz)
    whole, rest = divmod(abs(picoseconds), PS_PER_S)
    part = f"{rest:012d}".rstrip("0") or "0"
    return f"{'-' if picoseconds < 0 else ''}{whole}.{part}"
