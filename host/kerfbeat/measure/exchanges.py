"""What do two-way exchanges with the host say of how fast the board's time passes beside the host's?

An exchange brackets the board's tick between two host times.  Beyond the shortest journeys there and back a trip takes
some excess E, shared unknown between the two ways, so that the middle of the bracket is wrong by at most E / 2 and, if
the ways are alike, evenly spread between: its variance is E^2 / 12.  All exchanges count with that weight, so a busy
host spoils nothing.  The mean rate between first and last exchange is found although the rate wanders
(`kerfbeat.measure.clock_gain`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from kerfbeat.capture.log import Syncs
from kerfbeat.measure.clock_gain import gain_of
from kerfbeat.measure.uncertainty import coverage_factor

__all__ = ["LEAST_EXCHANGES", "Jump", "MeanRate", "Series", "jumps_of", "mean_rate", "series_of", "unbroken"]

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

LEAST_EXCHANGES = 3
STAMP_S = 2e-6  # a host time or a tick is not better than this; common practice, no published source
WORTH = 1e-6  # of the usual weight: trips a thousand times as long say nothing, and would cost digits
# A jump is what neither the trips explain nor a rate that wanders: a resonator moves by some 0.1 % between cold and
# warm (twice that is allowed for over a long gap), and beside the minute around by a fifth of it.  In the first minute
# an unseen 1 ms shifts the rate by 25 ppm, half of the host crystal's class (test_clock: no jump where there is none,
# those of 4 ms found).
QUICK = 0.25  # of all trips: those up to twice as late as these are compared; a host may be busy for the others
GUARD_S = 2e-4
JUMP_SHARE = 2e-3
JUMP_SHARE_SOON, WARM_S = 2e-4, 60.0
DOUBTS = 2.0  # standard deviations of the usual rate that are allowed for, beside all else
AROUND = 61  # exchanges whose median is the usual rate


@dataclass(frozen=True, slots=True)
class Series:
    """Usable exchanges in order of the board's time: (n,) that time, which never jumps; how far it is ahead of the
    host's; the trip's excess over the shortest.
    """

    board_s: Floats
    ahead_s: Floats
    excess_s: Floats
    least_s: float  # what the shortest trip itself may hold of excess
    shortest_s: float

    @property
    def variance(self) -> Floats:
        """Of `ahead_s`, (n,)."""
        return STAMP_S**2 + (self.excess_s + self.least_s) ** 2 / 12.0

    def part(self, which: slice | NDArray[np.bool_] | Ticks) -> "Series":
        """Some of the exchanges."""
        return Series(self.board_s[which], self.ahead_s[which], self.excess_s[which], self.least_s, self.shortest_s)


@dataclass(frozen=True, slots=True)
class Jump:
    """A jump between the clocks: from the exchange `index` on the board's was `ahead_s` further on."""

    index: int
    ahead_s: float


@dataclass(frozen=True, slots=True)
class MeanRate:
    """Board seconds per host second, less 1, in ppm, with the half-width of its 95 % interval."""

    ppm: float
    u95_ppm: float


def series_of(syncs: Syncs, *, tick_hz: float) -> Series:
    """The exchanges that can be, of some in any order; perhaps none."""
    board_s = np.asarray(0.5 * (syncs.ping_ticks + syncs.answer_ticks) / tick_hz, dtype=float)
    held_s = (syncs.answer_ticks - syncs.ping_ticks) / tick_hz
    middle_s = np.asarray(0.5 * (syncs.sent_host_s + syncs.received_host_s), dtype=float)
    trip_s: Floats = (syncs.received_host_s - syncs.sent_host_s) - held_s
    usable = np.isfinite(trip_s) & (trip_s > -STAMP_S) & (held_s >= 0.0)
    order = np.flatnonzero(usable)[np.argsort(board_s[usable], kind="stable")]
    middle_s, board_s, trip_s = middle_s[order], board_s[order], trip_s[order]
    if len(order) == 0:
        return Series(board_s, board_s, board_s, 0.0, math.inf)
    excess_s = trip_s - trip_s.min()
    # Sum of two exponential delays of mean m: median 1.68 m; the least of n is about m sqrt(2 / n).
    least_s = float(np.median(excess_s)) / 1.68 * math.sqrt(2.0 / len(trip_s))
    return Series(board_s, board_s - middle_s, excess_s, least_s, float(trip_s.min()))


def jumps_of(series: Series) -> list[Jump]:
    """Every jump of one of the two clocks, in order.

    From one exchange to the next the two clocks part by the rate of the minute around; what is beyond that, beyond
    the trips' excess and beyond a rate that wanders is a jump.  Only short trips are compared, so that a late one
    hides nothing; those between belong to the side that they agree with.
    """
    if len(series.board_s) < LEAST_EXCHANGES:
        return []
    short = np.flatnonzero(series.excess_s <= 2.0 * np.quantile(series.excess_s, QUICK) + STAMP_S)
    steps_s, gaps_s = np.diff(series.ahead_s[short]), np.diff(series.board_s[short])
    rate, doubt = _rate_around(steps_s, gaps_s)
    excess_s = series.excess_s[short] + series.least_s
    share = np.where(gaps_s < WARM_S, JUMP_SHARE_SOON, JUMP_SHARE)
    most_s = 0.5 * (excess_s[1:] + excess_s[:-1]) + GUARD_S + (share + doubt) * gaps_s
    jumps_s = steps_s - rate * gaps_s
    found = []
    for k in np.flatnonzero(np.abs(jumps_s) > most_s).tolist():
        between = np.arange(short[k] + 1, short[k + 1] + 1)
        gone_s = series.ahead_s[between] - series.ahead_s[short[k]]
        gone_s -= rate[k] * (series.board_s[between] - series.board_s[short[k]])
        after = np.abs(gone_s - jumps_s[k]) < np.abs(gone_s)
        found.append(Jump(index=int(between[np.argmax(after)]), ahead_s=float(jumps_s[k])))
    return found


def _rate_around(steps_s: Floats, gaps_s: Floats) -> tuple[Floats, float]:
    """Usual rate about each of (n,) steps: the median of its neighbours', which a jump or two do not move; its doubt.

    The median of n normal numbers has 1.25 times the deviation of their mean, and the deviation is 1.48 times the
    median of their distances.
    """
    apart = gaps_s > 0.0
    if not apart.any():
        return np.zeros(len(steps_s)), 0.0
    each = np.full(len(steps_s), np.median(steps_s[apart] / gaps_s[apart]))
    each[apart] = steps_s[apart] / gaps_s[apart]
    size = min(AROUND, len(each))
    rate = np.asarray(median_filter(each, size=size, mode="reflect"), dtype=float)
    return rate, float(DOUBTS * 1.25 * 1.48 * np.median(np.abs(each - rate)) / math.sqrt(size))


def unbroken(series: Series, jumps: Sequence[Jump] | None = None) -> list[slice]:
    """Stretches of exchanges within which no clock jumped.   jumps : of this series, where at hand."""
    starts = [0, *(jump.index for jump in (jumps_of(series) if jumps is None else jumps))]
    return [slice(start, end) for start, end in pairwise([*starts, len(series.board_s)])]


def mean_rate(parts: Sequence[Series], *, least: int = LEAST_EXCHANGES) -> MeanRate | None:
    """Mean rate over all parts, though the rate itself may wander; None if no part has `least` exchanges.

    A clock that warms up, or wanders a millionth over minutes, is no straight line; what is wanted is the time between
    first and last exchange, which `kerfbeat.measure.clock_gain` finds with an interval that holds for both.  It is
    never narrower than the trips allow: exchanges that happen to agree are as uncertain as they are long.
    """
    board_s = ahead_s = square = floor = 0.0
    for part in parts:
        if len(part.board_s) < least:
            continue
        weight = 1.0 / part.variance
        told = weight > WORTH * np.median(weight)
        told &= np.append(True, np.diff(part.board_s) > 0.0)
        used, weight = part.part(told), weight[told]
        gain = gain_of(used.ahead_s, at_s=used.board_s, variance_s2=used.variance)
        if gain is None or len(used.board_s) < least:
            continue
        long_s = float(used.board_s[-1] - used.board_s[0])
        place_s = used.board_s - float(np.average(used.board_s, weights=weight))
        floor += long_s**2 / float((weight * place_s**2).sum())  # variance of a straight line's slope, GUM H.3
        board_s += long_s
        ahead_s += gain.value_s
        square += gain.u95_s**2
    if board_s <= 0.0:
        return None
    slope = ahead_s / board_s
    u95_s = max(math.sqrt(square), math.sqrt(floor) * coverage_factor(math.inf))
    return MeanRate(1e6 * slope / max(1.0 - slope, 1e-9), 1e6 * u95_s / board_s)
