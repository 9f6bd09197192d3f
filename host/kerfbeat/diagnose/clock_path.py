"""How did the board's clock run through a segment, against the host's?

A resonator that warms up changes its rate, and every speed told by it seems to drift the other way.  The exchanges
with the host show it: the shortest round trip of each stretch is a point where both clocks meet, and between these
points the true time follows a cubic spline.  Where there are no exchanges the clock is taken as steady, and a drift of
the speed may then be one of the clock.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.log import Segment
from kerfbeat.diagnose.spline import through
from kerfbeat.measure.exchanges import series_of, unbroken

__all__ = ["ClockPath", "clock_path"]

Floats = NDArray[np.float64]

# A point every so often: with the shortest of some 60 round trips known to about 0.05 ms, the rate between two points
# is known to 1 ppm; more points would put more noise into the speed than the wander they follow.
POINT_EVERY_S = 60.0
END_S = 10.0  # the first and last seconds give a point of their own, so that little is drawn on beyond the ends
LEAST_POINTS = 3
LARGEST_RATE = 0.02  # a clock off by more than 2 % is no clock; such points are damaged rows


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockPath:
    """Board seconds (since the segment's start, stated rate) and the host's seconds of the same instants, (k,) each.

    measured : False where there were too few exchanges; then one rate, true over stated, holds all through.
    """

    board_s: Floats
    host_s: Floats
    measured: bool
    rate: float = 1.0

    def seconds(self, board_s: Floats) -> Floats:
        """True seconds since the segment's start, at (n,) board seconds; beyond the ends at the nearest rate."""
        if not self.measured:
            return np.asarray(board_s / self.rate)
        return through(self.board_s, self.host_s).at(board_s)


def clock_path(segment: Segment, *, rate: float = 1.0) -> ClockPath:
    """The way of one segment's clock; not measured with exchanges in fewer than 3 stretches of a minute.

    rate : true tick rate over the stated one, as known otherwise.
    """
    syncs, empty = segment.syncs, np.empty(0)
    none = ClockPath(board_s=empty, host_s=empty, measured=False, rate=rate)
    if len(syncs) < LEAST_POINTS:
        return none
    since_start = replace(
        syncs, ping_ticks=syncs.ping_ticks - segment.start_ticks, answer_ticks=syncs.answer_ticks - segment.start_ticks
    )
    series = series_of(since_start, tick_hz=segment.tick_hz)
    board_s, host_s = series.board_s, series.board_s - series.ahead_s
    if len(board_s) < LEAST_POINTS or len(unbroken(series)) > 1:
        return none  # a clock that jumped has no way that a curve could follow
    first_s, last_s = float(board_s.min()), float(board_s.max())
    count = int((last_s - first_s) / POINT_EVERY_S)
    if count < LEAST_POINTS:
        return none
    inner = np.linspace(first_s, last_s, count + 1)[1:-1]
    bins = np.searchsorted(np.concatenate(([first_s + END_S], inner, [last_s - END_S])), board_s, side="right")
    held = [np.flatnonzero(bins == k) for k in range(count + 2)]
    best = [int(each[np.argmin(series.excess_s[each])]) for each in held if len(each)]
    x, y = board_s[best], host_s[best]
    rates = np.diff(y) / np.diff(x)
    if len(best) < LEAST_POINTS or np.abs(rates - 1.0).max() > LARGEST_RATE:
        return none
    return ClockPath(board_s=x, host_s=y - (y[0] - x[0] * rates[0]), measured=True)
