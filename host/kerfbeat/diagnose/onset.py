"""When did something begin, and when did it end, in a noisy course?

A cumulative sum (Page, Biometrika 41 (1954) 100): what exceeds a reference is added up, what falls short is taken off,
never below zero; the sum passing a threshold is the alarm, and where it last left zero is the most likely beginning.
For independent observations no test with the same mean time between false alarms finds a known step sooner in the
worst case (Lorden, Ann. Math. Stat. 42 (1971) 1897; Moustakides, Ann. Stat. 14 (1986) 1379).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Onset", "OnsetWatch", "delay_bound_s", "onsets"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Onset:
    """Indices of steps: first of the event, the one at which the alarm is raised, one past the last of the event.

    open : the course ended before the event did.   height : greatest sum, over the threshold.
    """

    first: int
    alarm: int
    after: int
    open: bool
    height: float


def _crossing(gain: Floats, threshold: float) -> tuple[int, int, float] | None:
    """Where a cumulative sum first passes the threshold, and the step after it last was zero."""
    total = np.concatenate(([0.0], np.cumsum(gain)))
    lowest = np.minimum.accumulate(total)
    above = np.flatnonzero(total - lowest > threshold)
    if not len(above):
        return None
    at = int(above[0])
    last_low = int(np.flatnonzero(total[: at + 1] == lowest[at])[-1])
    return last_low, at - 1, float(total[at] - lowest[at])


def onsets(excess: Floats, *, reference: Floats, threshold: float) -> list[Onset]:
    """Find all events in one unbroken course.

    excess : (n,) what is summed (slip times length of the step).   reference : (n,) what is allowed in each step.
    An event ends by the same test turned round.
    """
    found: list[Onset] = []
    start, n = 0, len(excess)
    gain = excess - reference
    while start < n:
        begun = _crossing(gain[start:], threshold)
        if begun is None:
            break
        first, alarm = start + begun[0], start + begun[1]
        ended = _crossing(-gain[alarm + 1 :], threshold)
        after = n if ended is None else alarm + 1 + ended[0]
        sums = np.cumsum(gain[first : max(after, alarm + 1)])
        found.append(
            Onset(
                first=first,
                alarm=alarm,
                after=max(after, alarm + 1),
                open=ended is None,
                height=float(sums.max()) / threshold,
            )
        )
        if ended is None:
            break
        start = alarm + 1 + ended[1] + 1
    return found


class OnsetWatch:
    """The same test, step by step as they come: any course gives the events that `onsets` finds in it.

    threshold : of the sum; may be changed between two steps.
    count : steps taken so far.   first : where an event that is found now would begin.   running : one is going on.
    """

    def __init__(self, *, threshold: float) -> None:
        self.threshold = threshold
        self.count = 0
        self.running = False
        self._alarm = 0
        self._since_first, self._peak, self._peak_until_low = 0.0, -math.inf, -math.inf
        self._begin()

    def _begin(self) -> None:
        """Watch for the next beginning or end, from the next step on."""
        self.first = self._low = self.count
        self._total = self._lowest = 0.0

    def take(self, excess: float, *, reference: float) -> Onset | None:
        """Take the next step; gives an event when it has ended."""
        at, gain = self.count, excess - reference
        self.count += 1
        if self.running:
            self._since_first += gain
            self._peak = max(self._peak, self._since_first)
            gain = -gain
        self._total += gain
        if self._total <= self._lowest:
            self._lowest, self._low = self._total, self.count
            if self.running:
                self._peak_until_low = self._peak
            else:
                self.first, self._since_first, self._peak = self.count, 0.0, -math.inf
            return None
        if not self.running:
            self._since_first += gain
            self._peak = max(self._peak, self._since_first)
        if self._total - self._lowest <= self.threshold:
            return None
        if not self.running:
            self.running, self._alarm, self._peak_until_low = True, at, self._peak
            first = self.first
            self._begin()
            self.first = first
            return None
        ended = self._event(after=self._low, open_=False)
        self.running, self._since_first, self._peak = False, 0.0, -math.inf
        self._begin()
        return ended

    def end(self) -> Onset | None:
        """The course is over; gives the event that is still going on.  The next step begins another course."""
        event = self._event(after=self.count, open_=True) if self.running else None
        self.count, self.running, self._since_first, self._peak = 0, False, 0.0, -math.inf
        self._begin()
        return event

    def _event(self, *, after: int, open_: bool) -> Onset:
        peak = self._peak if open_ else self._peak_until_low
        return Onset(
            first=self.first,
            alarm=self._alarm,
            after=max(after, self._alarm + 1),
            open=open_,
            height=peak / self.threshold,
        )


def delay_bound_s(*, step: float, sd: float, every_s: float, mean_false_s: float) -> float:
    """Least mean delay, in the worst case, with which any test can find a step in white noise.

    step : size of the step.   sd : of one observation.   every_s : time between observations.
    mean_false_s : mean time between false alarms.
    The cumulative sum with a reference of half the step is that best test (Moustakides, Ann. Stat. 14 (1986) 1379).
    Its mean times, with x = 2 mu h and mu = step / 2 sd: false alarms (e^x - x - 1) / 2 mu^2, delay
    (e^-x + x - 1) / 2 mu^2 observations (Siegmund, Sequential Analysis, Springer 1985, ch. 2).
    """
    mu2 = 2 * (step / (2 * sd)) ** 2
    wanted = mean_false_s / every_s * mu2
    x = math.log(max(wanted, 1.0) + 1.0)
    for _ in range(50):
        x = math.log(wanted + x + 1.0)
    return max(1.0, (math.exp(-x) + x - 1.0) / mu2) * every_s
