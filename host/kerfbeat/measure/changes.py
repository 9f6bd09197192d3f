"""From which edge on does a wheel show a target less, or a false edge more, in every turn?

A target that falls off during a run must not change the speed of what was before, nor that of what comes after.  The
record is cut where the number of edges in a turn changes; in a part with a target less its place shows as one gap
twice as long, in a part with an edge more that edge shows as the one between two gaps too short.  So the edges of each
part get the numbers that the described targets would have.
"""

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.repeat import other_counts, unlike

__all__ = ["Part", "described_run", "number_across", "parts_of", "turn_pattern"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

TURNS = 2  # turns in a row that repeat as described, from which they are taken for it
OTHER_TURNS = 5  # turns in a row that repeat otherwise: of 10 million pulses, 1 % missing by chance, none do
EVEN = 0.4  # mean gaps: with the missing targets put back, and the false edges left out, gaps are even to within this
PATTERN_FIT = 0.1  # mean gaps: as near as that the targets stand where they stood before
LEAST = 12  # edges of a record that is looked at
MOST_BETWEEN = 3  # gaps between two parts that are still counted


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """Edges first <= k < last, of which `seen` come in every turn."""

    first: int
    last: int
    seen: int


def parts_of(ticks: Ticks, targets: int) -> list[Part]:
    """The record in parts with the described `targets` and with another number of edges in a turn.

    Empty where the number never changes, also if it is another one throughout.
    """
    if targets < 2 or len(ticks) < LEAST:
        return []
    covered = np.zeros(len(ticks) - 1, dtype=np.int8)
    first, last = _repeating(~_unlike_mask(ticks, targets), targets)
    covered[first] += 1
    inner = last < len(covered)
    np.subtract.at(covered, last[inner], 1)
    described = np.cumsum(covered, dtype=np.int8) > 0
    if described.all() or not described.any():
        return []
    others = [(count, *_other(ticks, described, count, targets)) for count in other_counts(targets)]
    seen, begins, ends = max(others, key=lambda other: int((other[2] - other[1]).sum()))
    if len(begins) == 0:
        return []
    # Between two stretches of a kind lies the same kind; a change is where the described ones begin or end.
    gap_first, gap_last = _runs(described)
    marks = [(int(low), int(high), targets) for low, high in zip(gap_first, gap_last, strict=True)]
    marks = sorted([*marks, *((int(low), int(high), seen) for low, high in zip(begins, ends, strict=True))])
    cuts = [(0, marks[0][2])]
    for (_, high, before), (low, _, after) in pairwise(marks):
        if after != before:
            cuts.append((high + 1 if before == targets else low, after))
    if len(cuts) == 1:
        return []
    stops = [*(begin for begin, _ in cuts[1:]), len(ticks)]
    return [Part(first=begin, last=stop, seen=count) for (begin, count), stop in zip(cuts, stops, strict=True)]


def _unlike_mask(ticks: Ticks, lag: int) -> NDArray[np.bool_]:
    """Which gaps differ from the one `lag` before, (n - 1,); the first `lag` have none before."""
    mask = np.zeros(len(ticks) - 1, dtype=bool)
    mask[: min(lag, len(mask))] = True
    mask[unlike(ticks, lag)] = True
    return mask


def _runs(mask: NDArray[np.bool_]) -> tuple[Ticks, Ticks]:
    """First, and one past the last, of each run of true elements."""
    change = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


def _repeating(alike: NDArray[np.bool_], lag: int) -> tuple[Ticks, Ticks]:
    """First edge and last edge of the stretches that repeat through TURNS turns."""
    low, high = _runs(alike)
    long = high - low >= TURNS * lag
    first, last = low[long] - lag, high[long]
    first[1:] = np.maximum(first[1:], last[:-1])
    return first, last


def _other(ticks: Ticks, described: NDArray[np.bool_], count: int, targets: int) -> tuple[Ticks, Ticks]:
    """First and last edges of the stretches that repeat after `count` gaps, in a pattern that shows which is which."""
    low, high = _runs(~described & ~_unlike_mask(ticks, count))
    long = np.flatnonzero(high - low >= OTHER_TURNS * count)
    shown = [
        k for k in long.tolist() if described_numbers(_cycle(ticks[low[k] : high[k] + 1], count), targets) is not None
    ]
    return low[shown], high[shown]


def _cycle(ticks: Ticks, count: int) -> Floats:
    """Mean gaps over one turn, (count,), beginning with the gap after the first edge."""
    turns = (len(ticks) - 1) // count
    gaps = np.diff(ticks[: turns * count + 1]).reshape(turns, count)
    return np.asarray((gaps / gaps.sum(axis=1, keepdims=True)).mean(axis=0), dtype=np.float64)


def described_numbers(cycle: Floats, targets: int, *, pattern: Floats | None = None) -> Ticks | None:
    """Which of the described targets each edge of a turn is, (count,), -1 for a false one; None if it cannot be told.

    cycle : (count,) the gaps of one turn, each after its edge, in turns; their number is not that of the targets.
    pattern : (targets,) the same where all targets and no others were seen, if that was in this record, too: beside
    very uneven targets evenness alone may take a false edge for the true one.
    """
    count = len(cycle)
    if pattern is not None and count > targets and (known := _by_pattern(cycle, pattern)) is not None:
        return known
    if count < targets:
        steps = np.maximum(1, np.rint(cycle * targets)).astype(np.int64)
        if steps.sum() != targets or np.abs(cycle * targets - steps).max() > EVEN or steps.min() == steps.max():
            return None  # even gaps may just as well be the described ones at another speed
        return np.concatenate(([0], np.cumsum(steps[:-1])))
    false = np.zeros(count, dtype=bool)
    for _ in range(count - targets):
        places = np.cumsum(np.concatenate(([0.0], cycle[:-1])))
        edges = np.flatnonzero(~false)
        gaps = np.diff(np.append(places[edges], places[edges[0]] + 1.0))
        false[edges[int(np.argmin(gaps + np.roll(gaps, 1)))]] = True
    places = np.cumsum(np.concatenate(([0.0], cycle[:-1])))[~false]
    gaps = np.diff(np.append(places, places[0] + 1.0))
    if np.abs(gaps * targets - 1.0).max() > EVEN:
        return None
    numbers = np.full(count, -1, dtype=np.int64)
    numbers[~false] = np.arange(targets)
    return numbers


def _by_pattern(cycle: Floats, pattern: Floats) -> Ticks | None:
    """Which edges are left if those are taken out without which the others stand as known; None if none do."""
    count, targets = len(cycle), len(pattern)
    places = np.cumsum(np.concatenate(([0.0], cycle[:-1])))
    turned = np.stack([np.roll(pattern, -k) for k in range(targets)])
    best, found = PATTERN_FIT / targets, None
    for false in combinations(range(count), count - targets):
        kept = np.delete(np.arange(count), false)
        gaps = np.diff(places[kept], append=places[kept[0]] + 1.0)
        off = float(np.abs(turned - gaps).max(axis=1).min())
        if off < best:
            best, found = off, kept
    if found is None:
        return None
    numbers = np.full(count, -1, dtype=np.int64)
    numbers[found] = np.arange(targets)
    return numbers


def described_run(
    ticks: Ticks, numbers: Ticks, *, seen: int, targets: int, pattern: Floats | None
) -> tuple[Ticks, Ticks] | None:
    """Edges of a run that are targets, and their numbers among the described ones; None if that cannot be told.

    ticks, numbers : (n,) edges and their numbers, with `seen` in a turn.  pattern : see `described_numbers`.
    """
    cycle = _run_cycle(ticks, numbers, seen)
    named = None if cycle is None else described_numbers(cycle, targets, pattern=pattern)
    if named is None:
        return None
    true = named[numbers % seen] >= 0
    return ticks[true], (numbers // seen * targets + named[numbers % seen])[true]


def _run_cycle(ticks: Ticks, numbers: Ticks, seen: int) -> Floats | None:
    """The gaps of a run's turn, (seen,), in turns; None where not all of them are seen."""
    ahead = np.searchsorted(numbers, numbers + seen)
    full = np.flatnonzero(ahead < len(numbers))
    full = full[(numbers[ahead[full]] == numbers[full] + seen) & (numbers[full + 1] == numbers[full] + 1)]
    share = (ticks[full + 1] - ticks[full]) / (ticks[ahead[full]] - ticks[full])
    place = numbers[full] % seen
    if len(np.unique(place)) < seen:
        return None
    cycle = np.array([float(np.median(share[place == k])) for k in range(seen)])
    return np.asarray(cycle / cycle.sum(), dtype=np.float64)


def turn_pattern(ticks: Ticks, numbers: Ticks, targets: int) -> Floats | None:
    """The gaps of a turn with all targets, (targets,), in turns; None where a run of it does not show all."""
    return _run_cycle(ticks, numbers, targets)


def number_across(ticks: Ticks, numbers: Ticks, after: Ticks, *, targets: int) -> int:
    """How many targets on the first edge of a run is from the last of the run before; 0 if that is not certain."""
    reach = min(len(ticks), targets + 1)
    passed = int(numbers[-1] - numbers[-reach])
    if passed == 0 or len(after) == 0:
        return 0
    gaps = float(after[0] - ticks[-1]) / float(ticks[-1] - ticks[-reach]) * passed
    whole = round(gaps)
    return whole if 1 <= whole <= MOST_BETWEEN and abs(gaps - whole) < EVEN else 0
