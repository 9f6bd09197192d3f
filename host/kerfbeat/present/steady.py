"""Which digits stand still while a reading wanders within its uncertainty?

A big digit that jumps four times a second cannot be read.  The last place shown is no larger than the 95 %
half-width, and `step` tells what rounding to it adds to that; what is shown moves at once when the reading is far off,
at the second update when it is off by more than half a place and its noise, and after a while when it stays off by more
than half a place.  A place that comes or goes with the uncertainty does so at once where the old figure would lie
outside the new interval.
"""

import math
from statistics import fmean

__all__ = ["SteadyNumber"]

MOST_DIGITS = 4  # significant ones; more cannot be taken in at a glance
SOON_U95 = 0.75  # of the half-width, on top of half of it or half a place: noise seldom goes so far twice in a row
QUIET_U95 = 0.25  # of the half-width: so near, a reading is no other one
FAR = 2.0  # times that distance moves at once
STAY_S = 2.0  # how long a reading may lie beyond half a place before the digit follows
FINER_AFTER = 8  # updates with a smaller uncertainty before another decimal appears; fewer decimals show at once


class SteadyNumber:
    """Holds the text of one reading still."""

    def __init__(self) -> None:
        self._shown: float | None = None
        self._places = 0
        self._finer = 0
        self._off: list[tuple[float, float]] = []  # (time, reading) of the updates since it left, all on one side

    def text(self, value: float, u95: float, *, at_s: float) -> str:
        """What to show now.

        value, u95 : the reading and its 95 % half-width, finite, in the unit shown.
        at_s : time of the update on any steady clock.
        """
        self._follow_places(value, u95)
        if self._shown is None:
            self._settle(value)
        else:
            self._follow_value(self._shown, value, u95, at_s)
        return f"{self._shown:.{max(self._places, 0)}f}"

    @property
    def step(self) -> float:
        """Of the last place shown."""
        return 10.0**-self._places

    def forget(self) -> None:
        """Begin anew, as after a silence or a change of unit."""
        self._shown = None
        self._finer = 0

    def _settle(self, value: float) -> None:
        self._shown = round(value, self._places)
        self._off.clear()

    def _follow_value(self, shown: float, value: float, u95: float, at_s: float) -> None:
        step = self.step
        soon = max(step, u95) / 2 + SOON_U95 * u95
        off = value - shown
        if self._off and (self._off[0][1] > shown) != (off > 0):
            self._off.clear()
        if abs(off) <= max(step / 2, QUIET_U95 * u95):
            self._off.clear()
            return
        self._off.append((at_s, value))
        last_two = [abs(reading - shown) > soon for _, reading in self._off[-2:]]
        if abs(off) > FAR * soon or last_two == [True, True]:
            self._settle(value)
        elif at_s - self._off[0][0] >= STAY_S:
            self._settle(fmean(reading for _, reading in self._off))

    def _follow_places(self, value: float, u95: float) -> None:
        wanted = _places(value, u95)
        self._finer = self._finer + 1 if wanted > self._places else 0
        too_coarse = wanted > self._places and self._shown is not None and abs(value - self._shown) > u95
        if self._shown is None or wanted < self._places or too_coarse or self._finer >= FINER_AFTER:
            self._places, self._finer, self._shown = wanted, 0, None


def _places(value: float, u95: float) -> int:
    """Decimals of the big digits: the largest place that is no larger than the uncertainty, four digits at most."""
    before_point = math.floor(math.log10(abs(value))) + 1 if value else 1
    most = MOST_DIGITS - max(before_point, 1)
    return min(-math.floor(math.log10(u95)), most) if u95 > 0.0 else max(most, 0)
