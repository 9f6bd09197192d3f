"""How far do edges follow one another like those of one shaft, when the speed changes fast?

Used where nothing repeats: running up from standstill, stopping, and records of a few pulses.  Edges are followed one
by one with the speed and acceleration of the two gaps before; the walk ends where nothing fits, so that a pause, or
a signal that went away, breaks the count of turns.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["Walk", "walk_edges"]

EARLIEST, LATEST = 0.6, 1.67  # share of the expected gap in which an edge is taken for the next target
UNEVEN = 1.5  # widens both while the targets' angles are unknown: +-10 degrees of 90 make gaps differ by 1.6
FIRST = 3.2  # the second gap from standstill: under constant acceleration it is 1 / 2.41 of the first
STEADY = 0.15  # a missing pulse is claimed only if the gap was foreseen to change by less than this
STOPPING = 0.03  # from this change on a long gap may be the last before standstill: the next edge must confirm a miss
MISSING_FIT = 0.2  # gaps: and if the edge then comes so near to its time
MOST_MISSING = 2  # in a row; a longer silence is a pause, or a signal that went away
NEAR_WHOLE, ALIKE = 0.1, 0.2  # of a gap: targets sit some degrees off their places
BETTER = 0.1  # an edge within this share of the expected time beats an earlier one that is 20 % early


@dataclass(slots=True)
class Walk:
    """Edges taken, by index into what was walked; before which of them pulses are missing; how far it went.

    The edges below `reached` that are not in `kept` are extra.
    """

    kept: list[int] = field(default_factory=list)
    skip_at: list[int] = field(default_factory=list)
    skips: list[int] = field(default_factory=list)
    reached: int = 0


def _expected(gap: float, rate: float, before: float, elapsed: float, elapsed_before: float) -> float:
    """Time to the next edge under constant acceleration; inf if the shaft would stop before it.

    gap in mean gaps.  rate, before : gaps per second over the last two gaps, which took the elapsed times.
    """
    acceleration = (rate - before) / (0.5 * (elapsed + elapsed_before))
    now = rate + 0.5 * acceleration * elapsed
    square = now * now + 2.0 * acceleration * gap
    if square <= 0.0 or now <= 0.0:
        return math.inf
    return 2.0 * gap / (now + math.sqrt(square))


def _missed_between(before: float, waited: float, after: float) -> int:
    """How many pulses are missing in a gap between two usual ones; 0 if that is not clear.

    No shaft with a mass halves its speed for one gap and has it back in the next; a slow one that may have paused is
    judged by `kerfbeat.measure.pauses`.
    """
    usual = 0.5 * (before + after)
    if abs(before - after) > ALIKE * usual:
        return 0
    missing = round(waited / usual) - 1
    fits = abs(waited / usual - missing - 1) < NEAR_WHOLE * (missing + 1)
    return missing if fits and 1 <= missing <= MOST_MISSING else 0


def walk_edges(times: Sequence[float], *, context: Sequence[float], gaps: Sequence[float] | None) -> Walk:
    """Follow edges from the front until one does not fit.

    times : increasing, any unit.  context : kept edges before them, at least 2 to begin with a known speed; with
    none, the first edge begins the walk.
    gaps : the coming gaps over one turn in mean gaps (they average 1), cyclic; None if unknown.
    """
    walk = Walk()
    past = list(context[-3:])
    i, slot = 0, 0
    wide = UNEVEN if gaps is None else 1.0
    cycle = (1.0,) if gaps is None else tuple(gaps)
    last_gaps = [1.0, 1.0] if gaps is None else [cycle[-2 % len(cycle)], cycle[-1]]
    if not past and times:
        past.append(times[0])
        walk.kept.append(0)
        i = 1

    def slower_after(edge: int, per_gap: float) -> bool:
        """Whether the shaft stops, or no edge tells that it does not."""
        return edge + 1 == len(times) or times[edge + 1] - times[edge] > LATEST * per_gap

    while i < len(times):
        if len(past) == 1:
            walk.kept.append(i)
            past.append(times[i])
            i += 1
            continue
        elapsed = past[-1] - past[-2]
        rate = last_gaps[1] / elapsed
        gap = cycle[slot % len(cycle)]
        plain = gap / rate
        expected = plain
        low, high = plain / FIRST, plain * FIRST
        if len(past) > 2:
            elapsed_before = past[-2] - past[-3]
            expected = _expected(gap, rate, last_gaps[0] / elapsed_before, elapsed, elapsed_before)
            low = EARLIEST / wide * min(expected, plain)
            high = LATEST * wide * (max(expected, plain) if math.isfinite(expected) else 2.0 * plain)
        steady = gaps is not None and len(past) > 2 and abs(expected - plain) < STEADY * plain
        stopping = expected > (1.0 + STOPPING) * plain
        taken, passed = i, 1
        while taken < len(times) and times[taken] - past[-1] < low:
            taken += 1
        if taken == len(times):
            break
        waited = times[taken] - past[-1]
        following = times[taken + 1] - times[taken] if taken + 1 < len(times) else math.inf
        if len(past) > 2 and (missing := _missed_between(1.0 / rate, waited, following)):
            passed = missing + 1
            walk.skip_at.append(taken)
            walk.skips.append(missing)
        elif waited > high:
            passed = 0
            reach = gap
            for missing in range(1, MOST_MISSING + 1):
                reach += cycle[(slot + missing) % len(cycle)]
                fits = abs(waited / (expected / gap) - reach) < MISSING_FIT
                if steady and fits and not (stopping and slower_after(taken, waited / reach)):
                    passed = missing + 1
                    walk.skip_at.append(taken)
                    walk.skips.append(missing)
                    break
            if not passed and stopping and waited < FIRST * plain:
                passed = 1
            if not passed:
                break
        elif steady and waited < 0.8 * expected:
            later = taken + 1
            while later < len(times) and times[later] - past[-1] < (1.0 - BETTER) * expected:
                later += 1
            if later < len(times) and times[later] - past[-1] < (1.0 + BETTER) * expected:
                taken = later
        walk.kept.append(taken)
        covered = sum(cycle[(slot + k) % len(cycle)] for k in range(passed))
        last_gaps = [last_gaps[1], covered]
        slot += passed
        past = [*past[-2:], times[taken]]
        i = taken + 1
    walk.reached = walk.kept[-1] + 1 if walk.kept else 0
    return walk
