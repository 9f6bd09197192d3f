"""Was a pulse missed in a silence, or did the shaft stop, or slow down, and come back?

Both leave the same mark beside a slow sensor: one long gap between two usual ones.  A missed pulse makes it last a
whole number of gaps as nearly as the shaft is steady; a pause may last any time.  So each silence is weighed: how
likely a miss is and how well its length fits one, against how likely a pause of that length is.  How often either
happens is learnt from the record itself, beginning with what is usual.  Where neither is 19 times as likely as the
other the silence is in doubt, and told as such.  No machine brakes and comes back within less than LEAST_GAP_S: there
a silence with usual neighbours is a miss without weighing.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.uncertainty import robust_sd

__all__ = ["Silences", "weigh_silences"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FASTEST_STOP_S = FASTEST_START_S = 0.2  # a jam, a brake; a motor switched straight on.  Common practice, no published
#                                         source
# Braked and started evenly a shaft makes half the turns of its usual speed meanwhile; in a gap there is room for one.
LEAST_GAP_S = 0.5 * (FASTEST_STOP_S + FASTEST_START_S)
SURE = 19.0  # to one: 95 %
# Where nothing else is known (common practice, no published source; test_pauses.py shows what they lead to):
MISSED = 3e-3  # of the pulses
AGAIN = (1.0, 1 / 6, 1 / 15)  # of 1, 2, 3 in a row beside a single one: a weak magnet is missed more than once
PAUSE_EVERY_S = 300.0  # of turning
LONGEST_PAUSE_S = 1800.0  # pauses of 1 s, 10 s, 100 s are alike frequent up to there
WATCHED = 0.02  # share of the pauses in which a faster shaft of the drive turns on: the blade jams, a belt is thrown
MOST_MISSED = len(AGAIN)
USUAL, USUAL_WORTH = 0.01, 2.0  # relative sd of a gap beside its neighbours, worth so many observed ones
ONE_SIDED = 1.5  # times it where gaps on one side only can be compared
UNCOMPARED = 0.1  # where none can
BENT = 0.2  # of the difference between both sides: how far a ramp's middle may be from their mean
GONE = 0.5  # chance that a target is missed that was in the turn before or is in the next
SAMPLE = 2000
ROUNDS = 8  # of learning how often either happens; the odds have settled to 1 % after 4
TURNS_BACK = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Silences:
    """Silences that end with the edges `at` (k,), each with its odds of a miss against a pause, and how many pulses
    were then missed.
    """

    at: Ticks
    missed: Ticks
    odds: Floats

    @property
    def surely_missed(self) -> Mask:
        """(k,) where pulses were missed."""
        return np.asarray(self.odds > SURE)

    @property
    def in_doubt(self) -> Mask:
        """(k,) where it may have been either."""
        return np.asarray((self.odds <= SURE) & (self.odds >= 1.0 / SURE))


class _Count:
    """Edges with their pulse numbers, in which no run begins within reach of another."""

    def __init__(self, ticks: Ticks, *, starts: Ticks, skip_at: Ticks, skips: Ticks, per_turn: int) -> None:
        step = np.ones(len(ticks), dtype=np.int64)
        step[skip_at] += skips
        step[starts] = 2 * (TURNS_BACK + 1) * (per_turn + MOST_MISSED)
        self.ticks, self.per_turn, self.numbers = ticks, per_turn, np.cumsum(step)

    def _span(self, first: Ticks, last: Ticks) -> Floats:
        """Ticks between two pulse numbers, (n,); nan where one was not seen."""
        low, high = (np.minimum(np.searchsorted(self.numbers, each), len(self.ticks) - 1) for each in (first, last))
        seen = (self.numbers[low] == first) & (self.numbers[high] == last)
        return np.where(seen, (self.ticks[high] - self.ticks[low]).astype(float), math.nan)

    def usual(self, before: Ticks, after: Ticks, gaps: Ticks) -> tuple[Floats, Floats]:
        """How long the same gaps took in turns before edge `before`, and after edge `after`."""
        first, last = self.numbers[before], self.numbers[after]
        found = np.full((2, len(gaps)), math.nan)
        least = -(-gaps // self.per_turn)
        for more in range(TURNS_BACK):
            back = (least + more) * self.per_turn
            earlier = self._span(first - back, first - back + gaps)
            later = self._span(last + back - gaps, last + back)
            found = np.where(np.isnan(found), (earlier, later), found)
        return found[0], found[1]

    def repeats(self, before: Ticks, gaps: Ticks) -> Mask:
        """Whether the same pulses are missing after edge `before` a turn earlier or later, too."""
        found = np.zeros(len(gaps), dtype=bool)
        for turn in (-self.per_turn, self.per_turn):
            first = self.numbers[before] + turn
            low = np.minimum(np.searchsorted(self.numbers, first), len(self.ticks) - 2)
            found |= (self.numbers[low] == first) & (self.numbers[low + 1] == first + gaps)
        return found & (gaps < self.per_turn)

    def steadiness(self, gaps: int) -> float:
        """Relative sd of the time that so many gaps take, beside those of the turns before and after."""
        number = len(self.ticks) - gaps
        at = np.unique(np.linspace(0, max(0, number - 1), SAMPLE).astype(np.int64))
        at = at[at < number]
        whole = self.numbers[at + gaps] - self.numbers[at] == gaps
        at = at[whole]
        earlier, later = self.usual(at, at + gaps, np.full(len(at), gaps))
        off = (self.ticks[at + gaps] - self.ticks[at]) / (0.5 * (earlier + later)) - 1.0
        off = off[np.isfinite(off)]
        seen = len(off) / gaps  # neighbours share gaps
        sd = robust_sd(off) if len(off) else 0.0
        return math.sqrt((seen * sd**2 + USUAL_WORTH * USUAL**2) / (seen + USUAL_WORTH))


def _mean(earlier: Floats, later: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Mean of two sides, where a side may be nan; 0 where both are.  And how many sides are known."""
    sides = np.isfinite(earlier).astype(np.int64) + np.isfinite(later)
    return np.asarray((np.nan_to_num(earlier) + np.nan_to_num(later)) / np.maximum(sides, 1)), sides


def _student(off: Floats) -> Floats:
    """Density of Student's t on 3 degrees of freedom, (n,): a cut may begin in the silence."""
    return np.asarray(2.0 / (math.pi * math.sqrt(3.0) * (1.0 + off**2 / 3.0) ** 2))


def _watched(spans: Iterable[tuple[int, int]], starts: Ticks, ends: Ticks) -> Mask:
    found = np.zeros(len(starts), dtype=bool)
    for first, last in spans:
        found |= (first <= starts) & (ends <= last)
    return found


def weigh_silences(
    ticks: Ticks,
    *,
    starts: Ticks,
    skip_at: Ticks,
    skips: Ticks,
    cuts: Ticks,
    per_turn: int,
    tick_hz: float,
    watched: Iterable[tuple[int, int]],
) -> Silences:
    """Weigh the silences in which pulses were taken for missing, and those that broke the count.

    ticks : (n,) edges of targets.  starts : where runs begin in it.  skip_at, skips : edges before which pulses are
    taken for missing, and how many.  cuts : edges before which the record itself is interrupted.
    watched : (first, last) tick of spans in which a faster shaft of the drive turned.
    A silence is left out where the gap is shorter than LEAST_GAP_S, or more than MOST_MISSED pulses would be missing.
    """
    none = Silences(at=np.empty(0, np.int64), missed=np.empty(0, np.int64), odds=np.empty(0))
    breaks = np.setdiff1d(starts[starts > 0], cuts)
    at = np.concatenate((skip_at, breaks))
    width = (ticks[at] - ticks[at - 1]).astype(float)
    if len(ticks) < 3 or not (width > 1.5 * LEAST_GAP_S * tick_hz).any():  # so for every fast shaft, and at once
        return none
    count = _Count(ticks, starts=starts, skip_at=skip_at, skips=skips, per_turn=per_turn)
    one_gap, _ = _mean(*count.usual(breaks - 1, breaks, np.ones(len(breaks), dtype=np.int64)))
    gap = np.concatenate((width[: len(skip_at)] / (skips + 1), one_gap))
    missed = np.rint(width / np.maximum(gap, 1.0)).astype(np.int64) - 1
    weighed = (gap >= LEAST_GAP_S * tick_hz) & (missed >= 1) & (missed <= MOST_MISSED)
    if not weighed.any():
        return none
    at, missed, width, gap = at[weighed], missed[weighed], width[weighed], gap[weighed]
    earlier, later = count.usual(at - 1, at, missed + 1)
    usual, sides = _mean(earlier, later)
    usual = np.where(sides > 0, usual, gap * (missed + 1))
    steady = np.array([count.steadiness(k + 2) for k in range(MOST_MISSED)])[missed - 1]
    ramp = BENT * np.abs(np.nan_to_num(later - earlier)) / usual
    sd = np.where(sides == 2, np.hypot(steady, ramp), np.where(sides == 1, ONE_SIDED * steady, UNCOMPARED))
    fits = _student((width / usual - 1.0) / sd) / (sd * usual)  # per tick of the silence
    more = np.maximum(width - usual / (missed + 1), 0.1 * gap)  # how much longer than a gap
    pause = 1.0 / (more * math.log(LONGEST_PAUSE_S / LEAST_GAP_S))
    pause *= np.where(_watched(watched, ticks[at - 1], ticks[at]), WATCHED, 1.0)
    turning_s = float(np.median(gap)) * len(ticks) / tick_hz
    gaps_s = usual / (missed + 1) / tick_hz
    one, often = MISSED, 1.0 / PAUSE_EVERY_S
    longer = len(breaks) - int(np.isin(breaks, at).sum())
    gone = count.repeats(at - 1, missed + 1)
    for _ in range(ROUNDS):
        chance = np.where(gone, GONE, one * np.maximum(np.array(AGAIN)[missed - 1], one ** (missed - 1)))
        odds = chance * fits / (often * gaps_s * pause)
        share = odds / (1.0 + odds)
        one = min(0.5, (1.0 + float((share * missed).sum())) / (1.0 / MISSED + len(ticks)))
        often = (1.0 + float((1.0 - share).sum()) + longer) / (PAUSE_EVERY_S + turning_s)
    return Silences(at=at, missed=missed, odds=odds)
