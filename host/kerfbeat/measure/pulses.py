"""Which edges are targets, how many are missing and how many too many?

A sensor may miss a target, see one twice (bounce) or fire at an inverter's noise, while the speed changes.  The edges
are sorted by what repeats: the gap after an edge is like the gap one turn before (or like its neighbour, where targets
are near even).  Stretches where that holds through a whole turn are certain.  What lies between two certain stretches
is bridged if the time between them is a whole number of gaps (`kerfbeat.measure.bridge`); else, and at both ends of a
record, edges are followed one by one with an acceleration (`kerfbeat.measure.walk`), and where nothing fits the count
of turns is broken off and begins anew.  Lost pulses break it always: a gap in the record is never a slow wheel.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import MeasureError
from kerfbeat.measure.bursts import in_bursts
from kerfbeat.measure.settle import Verdict, settle_edges

__all__ = ["CleanPulses", "clean_pulses"]

Ticks = NDArray[np.int64]

ALIKE = 5  # gaps are alike within 1/5: a lost edge makes at least 1.5, however uneven the targets
CHUNK = 1 << 16  # edges looked at together; stays in the processor's cache
SAMPLE = 20_000  # edges that decide what repeats
LEAST_CERTAIN = 6  # like gaps in a row before they count as certain
BOUNCE = 10  # a gap shorter than 1/10 of both its neighbours' is no turning wheel
SYSTEMATIC = 0.05  # share of such gaps from which they are taken for bounce of the sensor and not for stray noise
REGULAR = 0.9  # share of alike gaps from which no other count of edges in a turn is tried
NOISY = 0.6  # share below which bursts are taken out whole; above, the targets in them can be found
NO_GAP = 1 << 62
NONE = np.empty(0, np.int64)


@dataclass(frozen=True, kw_only=True, slots=True)
class CleanPulses:
    """Edges that are targets, in unbroken runs of counted pulses.

    ticks : (n,) kept edges.  run_starts : (r + 1,) where each run begins in `ticks`, and n at the end.
    skip_at, skips : (s,) edges before which pulses are missing, and how many.
    per_turn : edges seen in a turn; differs from the targets if one is never seen, or a false one always is.
    missing, extra : counts; extra ones are not among `ticks`, except such as come every turn.
    irregular : those of `extra` that belong to no recognisable turning.
    """

    ticks: Ticks
    run_starts: Ticks
    skip_at: Ticks
    skips: Ticks
    per_turn: int
    missing: int
    extra: int
    irregular: int

    def runs(self) -> Iterable[tuple[int, int]]:
        """First edge, and one past the last, of every run."""
        return zip(self.run_starts[:-1].tolist(), self.run_starts[1:].tolist(), strict=True)

    def number(self, first: int, edge: int) -> int:
        """Pulse number of one edge, counted from an earlier one of its run."""
        low, high = np.searchsorted(self.skip_at, (first + 1, edge + 1))
        return edge - first + int(self.skips[low:high].sum())

    def numbers(self, first: int, last: int) -> Ticks:
        """Pulse numbers of edges first <= k < last of one run, (last - first,), counted from its edge `first`."""
        count = np.arange(last - first, dtype=np.int64)
        low, high = np.searchsorted(self.skip_at, (first + 1, last))
        for at, skipped in zip(self.skip_at[low:high].tolist(), self.skips[low:high].tolist(), strict=True):
            count[at - first :] += skipped
        return count


def _unlike(ticks: Ticks, lag: int) -> Ticks:
    """Gaps k (from edge k to k + 1) that differ by more than 20 % from gap k - lag; k starts at lag."""
    found = []
    for low in range(lag, len(ticks) - 1, CHUNK):
        gaps = np.diff(ticks[low - lag : low + CHUNK + 1])
        difference = gaps[lag:] - gaps[:-lag]
        np.abs(difference, out=difference)
        difference *= ALIKE
        found.append(np.flatnonzero(difference >= gaps[lag:]) + low)
    return np.concatenate(found) if found else np.empty(0, np.int64)


def _agreement(ticks: Ticks, lag: int) -> float:
    """Share of gaps that are like the one `lag` before, in samples from the whole record."""
    step = max(1, len(ticks) // (3 * SAMPLE))
    samples = [ticks[low : low + SAMPLE] for low in range(0, len(ticks), step * SAMPLE)]
    pairs = sum(max(0, len(sample) - 1 - lag) for sample in samples)
    return 1.0 - sum(len(_unlike(sample, lag)) for sample in samples) / pairs if pairs else 0.0


def _repeat(ticks: Ticks, targets: int) -> tuple[int, int]:
    """After how many gaps do they repeat (lag), and how many edges make a turn?

    Near even gaps repeat at once; uneven ones after a turn.  Where neither holds, an edge too few or too many in
    every turn is tried.
    """
    lag = 1 if targets == 1 or _agreement(ticks, 1) >= REGULAR else targets
    agreed = _agreement(ticks, lag)
    if agreed >= REGULAR:
        return lag, targets
    others = [count for count in (targets - 1, targets + 1, targets - 2, targets + 2) if count > 0]
    best = max(others, key=lambda count: _agreement(ticks, count))
    return (best, best) if _agreement(ticks, best) >= max(0.5, agreed + 0.2) else (lag, targets)


def _without_bounce(ticks: Ticks) -> Ticks:
    """Drop the later edge of each very short gap, if these are so many that the sensor itself makes them."""
    if len(ticks) < 8:
        return ticks
    short = []
    for low in range(0, len(ticks) - 1, CHUNK):
        before = max(0, low - 3)
        gaps = np.diff(ticks[before : low + CHUNK + 4])
        padded = np.pad(gaps, 3, constant_values=NO_GAP)  # at an end of the record the other side alone decides
        size = len(gaps)
        left = np.maximum(np.maximum(padded[0:size], padded[1 : size + 1]), padded[2 : size + 2])
        right = np.maximum(np.maximum(padded[4 : size + 4], padded[5 : size + 5]), padded[6 : size + 6])
        hit = np.flatnonzero(gaps * BOUNCE < np.minimum(left, right)) + before
        short.append(hit[(hit >= low) & (hit < low + CHUNK)])
    where = np.concatenate(short)
    if len(where) < SYSTEMATIC * len(ticks):
        return ticks
    return np.delete(ticks, where + 1)


def _certain(unlike: Ticks, last_gap: int, lag: int) -> tuple[Ticks, Ticks]:
    """First and last edge of each stretch whose gaps repeat through a whole turn at least."""
    edges = np.concatenate(([lag - 1], unlike, [last_gap + 1]))
    low, high = edges[:-1] + 1, edges[1:] - 1
    long = high - low + 1 >= max(lag, LEAST_CERTAIN)
    first, last = low[long] - lag, high[long] + 1
    if len(first) > 1:
        first[1:] = np.maximum(first[1:], last[:-1])
    return first, last


def _cuts(ticks: Ticks, losses: Iterable[tuple[int, int]]) -> Ticks:
    """Edges before which the record is interrupted."""
    ends = np.array([tick for loss in losses for tick in loss], dtype=np.int64)
    cuts = np.unique(np.searchsorted(ticks, ends, side="right"))
    return np.asarray(cuts[(cuts > 0) & (cuts < len(ticks))], dtype=np.int64)


def clean_pulses(ticks: Ticks, *, targets: int, losses: Iterable[tuple[int, int]] = ()) -> CleanPulses:
    """Sort edges into counted targets and others.

    ticks : (n,) int64, strictly increasing; any rate.  targets : how many the wheel carries.
    losses : (start, end) of ranges in which edges were lost; the count of turns does not cross them.
    Raises MeasureError if the ticks do not increase.
    """
    if targets < 1:
        raise MeasureError(f"{targets} targets give no pulses; a wheel carries at least 1")
    edges = np.asarray(ticks, dtype=np.int64)
    given = len(edges)
    if max(_agreement(edges, 1), _agreement(edges, targets)) < NOISY:
        edges = edges[~in_bursts(edges)]
    edges = _without_bounce(edges)
    lag, per_turn = _repeat(edges, targets)
    cuts = _cuts(edges, losses)
    unlike = _unlike(edges, lag)
    if len(cuts):
        near = (cuts[:, None] - 1 + np.arange(lag + 1)).ravel()
        unlike = np.union1d(unlike, near[(near >= lag) & (near < len(edges) - 1)])
    first, last = _certain(unlike, len(edges) - 2, lag)
    state = Verdict(edges, per_turn=per_turn, lag=lag)
    few = given <= 2 * per_turn + LEAST_CERTAIN  # too few to be certain of anything: all are believed
    least = 1 if few and len(first) == 0 else max(per_turn + 1, LEAST_CERTAIN + 2)
    settle_edges(state, first=first, last=last, cuts=cuts, least=least)
    in_noise = 2 * (state.irregular + given - len(edges)) > given
    if len(first) == 0 and in_noise:
        state.all_noise()
    kept = edges if state.keep.all() else edges[state.keep]
    place = np.cumsum(state.keep) - 1 if len(kept) != len(edges) else None
    starts = np.array(sorted(state.starts), dtype=np.int64)
    skip_at, skips = np.concatenate([NONE, *state.skip_at]), np.concatenate([NONE, *state.skips])
    order = np.argsort(skip_at, kind="stable")
    skip_at, skips = skip_at[order], skips[order]
    if place is not None:
        starts, skip_at = place[starts], place[skip_at]
    every_turn = per_turn - targets
    turns = len(kept) // per_turn
    return CleanPulses(
        ticks=kept,
        run_starts=np.append(np.unique(starts), len(kept)),
        skip_at=skip_at,
        skips=skips,
        per_turn=per_turn,
        missing=int(skips.sum()) + max(0, -every_turn) * turns,
        extra=given - len(kept) + max(0, every_turn) * turns,
        irregular=state.irregular,
    )
