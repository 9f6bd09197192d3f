"""What value has something that is changed at planned times?"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence

__all__ = ["Timeline"]


class Timeline:
    """A planned course: constant, with straight ramps from one value to the next.

    changes : (start_s, ramp_s, value) in order of time; the value is reached at start_s + ramp_s.  A change that
        begins during the ramp before it cuts that ramp off.
    """

    def __init__(self, initial: float, changes: Sequence[tuple[float, float, float]] = ()) -> None:
        self._times_s = [-math.inf]
        self._from = [initial]
        self._ramp_s = [0.0]
        self._to = [initial]
        for start_s, ramp_s, value in changes:
            here = self.at(start_s)
            self._times_s.append(start_s)
            self._from.append(here)
            self._ramp_s.append(ramp_s)
            self._to.append(value)
        ends_s = (time_s + ramp_s for time_s, ramp_s in zip(self._times_s[1:], self._ramp_s[1:], strict=True))
        self._breaks_s = sorted({*self._times_s[1:], *ends_s})

    def at(self, time_s: float) -> float:
        """Value at a time; at a jump the value before it, so that a step which ends there does not know of it."""
        k = bisect_left(self._times_s, time_s) - 1
        ramp_s = self._ramp_s[k]
        if ramp_s > 0.0:
            done = (time_s - self._times_s[k]) / ramp_s
            if done < 1.0:
                return self._from[k] + (self._to[k] - self._from[k]) * done
        return self._to[k]

    def next_break_s(self, time_s: float) -> float:
        """First time after this one at which the course changes its direction; infinity if there is none."""
        k = bisect_right(self._breaks_s, time_s)
        return self._breaks_s[k] if k < len(self._breaks_s) else math.inf
