"""Which digits stand still while a reading wanders within its uncertainty?

A big digit that jumps four times a second cannot be read.  Figure and half-width end at the same place, as `numbers`
has it for all estimates, and both stand still: the half-width for a while unless it changes much, the figure until the
reading is off at two updates in a row by more than its noise, or stays off by more than half a place.  What is shown
always holds the reading: the half-width is as large as the reading's way from a figure that stands.
"""

import math
from statistics import fmean

from kerfbeat.present.numbers import decimals, to_place

__all__ = ["SteadyNumber"]

MOST_DIGITS = 4  # significant ones; more cannot be taken in at a glance
SOON_U95 = 0.75  # of the noise, on top of half of it or half a place: it seldom goes so far twice in a row
QUIET_U95 = 0.25  # of the noise: so near, a reading is no other one
FAR = 2.0  # times that distance moves at once
STAY_S = 2.0  # how long a reading may lie beyond half a place before the digit follows
FINER_AFTER = 8  # updates with a smaller uncertainty before another decimal appears; fewer decimals show at once
SHRUNK, GROWN, STANDS_S = 0.5, 1.1, 2.0  # of the half-width: told at once beyond, else anew after so long


class SteadyNumber:
    """Holds the text of one reading still."""

    def __init__(self) -> None:
        self._shown: float | None = None
        self._places = 0
        self._finer = 0
        self._off: list[tuple[float, float]] = []  # (time, reading) of the updates since it left, all on one side
        self._u95 = math.nan  # of which the half-width tells
        self._u95_since_s = 0.0
        self._strayed = 0.0  # how far from the figure a reading was since either was told anew

    def pair(self, value: float, u95: float, *, at_s: float, noise_u95: float | None = None) -> tuple[str, str]:
        """Figure and half-width to show now.

        value, u95 : the reading and its 95 % half-width, finite, in the unit shown.
        at_s : time of the update on any steady clock.
        noise_u95 : the part of it in which readings differ from each other, where that is not all.
        """
        if not SHRUNK * self._u95 < u95 < GROWN * self._u95 or at_s - self._u95_since_s >= STANDS_S:
            self._u95, self._u95_since_s, self._strayed = u95, at_s, 0.0
        self._follow_places(value)
        if self._shown is None:
            self._settle(value)
        else:
            self._follow_value(self._shown, value, u95 if noise_u95 is None else noise_u95, at_s)
        shown, step, places = self._shown or 0.0, 10.0**-self._places, max(self._places, 0)
        self._strayed = max(self._strayed, abs(value - shown))
        half = max(to_place(value, self._u95, self._places)[1], math.ceil(self._strayed / step - 1e-9) * step)
        return f"{shown:.{places}f}", f"{half:.{places}f}"

    def forget(self) -> None:
        """Begin anew, as after a silence or a change of unit."""
        self._shown = None
        self._finer = 0
        self._u95 = math.nan

    def _settle(self, value: float) -> None:
        self._shown, _ = to_place(value, 0.0, self._places)
        self._strayed = 0.0
        self._off.clear()

    def _follow_value(self, shown: float, value: float, noise: float, at_s: float) -> None:
        step = 10.0**-self._places
        soon = max(step, noise) / 2 + SOON_U95 * noise
        off = value - shown
        if self._off and (self._off[0][1] > shown) != (off > 0):
            self._off.clear()
        if abs(off) <= max(step / 2, QUIET_U95 * noise):
            self._off.clear()
            return
        self._off.append((at_s, value))
        last_two = [abs(reading - shown) > soon for _, reading in self._off[-2:]]
        if abs(off) > FAR * soon or last_two == [True, True]:
            self._settle(value)
        elif at_s - self._off[0][0] >= STAY_S:
            self._settle(fmean(reading for _, reading in self._off))

    def _follow_places(self, value: float) -> None:
        wanted = _places(value, self._u95)
        self._finer = self._finer + 1 if wanted > self._places else 0
        if self._shown is None or wanted < self._places or self._finer >= FINER_AFTER:
            self._places, self._finer, self._shown = wanted, 0, None


def _places(value: float, u95: float) -> int:
    """Decimals of the big digits: where the half-width ends, four digits at most."""
    before_point = math.floor(math.log10(abs(value))) + 1 if value else 1
    most = MOST_DIGITS - max(before_point, 1)
    return min(decimals(u95), most) if u95 > 0.0 else max(most, 0)
