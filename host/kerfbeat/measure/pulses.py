"""Which edges are targets, how many are missing and how many too many?

A sensor may miss a target, see one twice (bounce) or fire at an inverter's noise, while the speed changes.  The edges
are sorted by what repeats: the gap after an edge is like the gap one turn before (or like its neighbour, where targets
are near even).  Stretches where that holds through a whole turn are certain.  What lies between two certain stretches
is bridged if the time between them is a whole number of gaps (`kerfbeat.measure.bridge`); else, and at both ends of a
record, edges are followed one by one with an acceleration (`kerfbeat.measure.walk`), and where nothing fits the count
of turns is broken off and begins anew.  Lost pulses break it always: a gap in the record is never a slow wheel.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import MeasureError
from kerfbeat.measure.bursts import in_bursts
from kerfbeat.measure.changes import Part, described_run, number_across, parts_of, turn_pattern
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.pauses import weigh_silences
from kerfbeat.measure.repeat import agreement, other_counts, repeat_of, stretches, unlike
from kerfbeat.measure.settle import Verdict, settle_edges

__all__ = ["clean_pulses"]

Ticks = NDArray[np.int64]

CHUNK = 1 << 16  # edges looked at together; stays in the processor's cache
LEAST_CERTAIN = 6  # like gaps in a row before they count as certain
PATTERN_FIT = 0.3  # mean gaps: uneven targets come round in the same order
BOUNCE = 10  # a gap shorter than 1/10 of both its neighbours' is no turning wheel
SYSTEMATIC = 0.05  # share of such gaps from which they are taken for bounce of the sensor and not for stray noise
NOISY = 0.6  # share below which bursts are taken out whole; above, the targets in them can be found
NO_GAP = 1 << 62
NONE = np.empty(0, np.int64)


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


def _certain(ticks: Ticks, unlike_gaps: Ticks, lag: int) -> tuple[Ticks, Ticks]:
    """First and last edge of each stretch whose gaps repeat through a whole turn at least.

    Where every fifth of four targets is missed for some turns four gaps repeat, too, but not as those of the longest
    stretch do, from wherever it is begun.
    """
    first, last = stretches(unlike_gaps, len(ticks) - 2, lag=lag, least=max(lag, LEAST_CERTAIN))
    if lag > 1 and len(first) > 1:
        gaps = np.diff(ticks[first[:, None] + np.arange(lag + 1)])
        shares = gaps * (lag / gaps.sum(axis=1, keepdims=True))
        longest = shares[int(np.argmax(last - first))]
        off = np.stack([np.abs(shares - np.roll(longest, k)).max(axis=1) for k in range(lag)]).min(axis=0)
        first, last = first[off < PATTERN_FIT], last[off < PATTERN_FIT]
    if len(first) > 1:
        first[1:] = np.maximum(first[1:], last[:-1])
    return first, last


def _cuts(ticks: Ticks, losses: Iterable[tuple[int, int]]) -> Ticks:
    """Edges before which the record is interrupted."""
    ends = np.array([tick for loss in losses for tick in loss], dtype=np.int64)
    cuts = np.unique(np.searchsorted(ticks, ends, side="right"))
    return np.asarray(cuts[(cuts > 0) & (cuts < len(ticks))], dtype=np.int64)


def clean_pulses(
    ticks: Ticks,
    *,
    targets: int,
    tick_hz: float,
    losses: Iterable[tuple[int, int]] = (),
    watched: Iterable[tuple[int, int]] = (),
) -> CleanPulses:
    """Sort edges into counted targets and others.

    ticks : (n,) int64, strictly increasing, `tick_hz` of them a second.  targets : how many the wheel carries.
    losses : (start, end) of ranges in which edges were lost; the count of turns does not cross them.
    watched : (first, last) of spans in which a faster shaft of the same drive is known to have turned.
    Raises MeasureError if the ticks do not increase.
    """
    if targets < 1:
        raise MeasureError(f"{targets} targets give no pulses; a wheel carries at least 1")
    edges = np.asarray(ticks, dtype=np.int64)
    given = len(edges)
    if not given:  # a channel without a sensor, in each of a thousand segments
        return CleanPulses(
            ticks=NONE,
            run_starts=np.zeros(1, np.int64),
            skip_at=NONE,
            skips=NONE,
            per_turn=targets,
            missing=0,
            extra=0,
            irregular=0,
        )
    losses = list(losses)
    if max(agreement(edges, count) for count in (1, targets, *other_counts(targets))) < NOISY:
        edges = edges[~in_bursts(edges)]
    edges = _without_bounce(edges)
    if parts := parts_of(edges, targets):
        clean = _clean_parts(edges, parts, targets=targets, losses=losses, given=given)
    else:
        lag, per_turn = repeat_of(edges, targets)
        clean = _clean(edges, lag=lag, per_turn=per_turn, targets=targets, losses=losses, given=given)
    return _weighed(clean, cuts=_cuts(clean.ticks, losses), tick_hz=tick_hz, watched=watched)


def _weighed(clean: CleanPulses, *, cuts: Ticks, tick_hz: float, watched: Iterable[tuple[int, int]]) -> CleanPulses:
    """With every silence that may be a pause told as such, and those that surely are none counted across."""
    starts = clean.run_starts[:-1]
    silences = weigh_silences(
        clean.ticks,
        starts=starts,
        skip_at=clean.skip_at,
        skips=clean.skips,
        cuts=cuts,
        per_turn=clean.per_turn,
        tick_hz=tick_hz,
        watched=watched,
    )
    if len(silences.at) == 0:
        return clean
    sure = silences.surely_missed
    unweighed = ~np.isin(clean.skip_at, silences.at)
    skip_at = np.concatenate((clean.skip_at[unweighed], silences.at[sure]))
    skips = np.concatenate((clean.skips[unweighed], silences.missed[sure]))
    order = np.argsort(skip_at)
    runs = np.union1d(np.setdiff1d(starts, silences.at[sure]), silences.at[~sure])
    before, after = clean.ticks[silences.at - 1], clean.ticks[silences.at]
    told = [(int(before[k]), int(after[k]), int(silences.missed[k])) for k in np.flatnonzero(silences.in_doubt)]
    return replace(
        clean,
        run_starts=np.append(runs, len(clean.ticks)),
        skip_at=skip_at[order],
        skips=skips[order],
        missing=clean.missing + int(skips.sum() - clean.skips.sum()),
        doubtful=tuple(sorted(told)),
    )


def _clean(
    edges: Ticks, *, lag: int, per_turn: int, targets: int, losses: Iterable[tuple[int, int]], given: int
) -> CleanPulses:
    """Edges that repeat in one way throughout; `given` with those taken out before."""
    cuts = _cuts(edges, losses)
    unlike_gaps = unlike(edges, lag)
    if len(cuts):
        near = (cuts[:, None] - 1 + np.arange(lag + 1)).ravel()
        unlike_gaps = np.union1d(unlike_gaps, near[(near >= lag) & (near < len(edges) - 1)])
    first, last = _certain(edges, unlike_gaps, lag)
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
    every_turn = max(0, per_turn - targets) * (len(kept) // per_turn)
    return CleanPulses(
        ticks=kept,
        run_starts=np.append(np.unique(starts), len(kept)),
        skip_at=skip_at,
        skips=skips,
        per_turn=per_turn,
        missing=int(skips.sum()) + max(0, targets - per_turn) * (len(kept) // per_turn),
        extra=given - len(kept) + every_turn,
        every_turn=every_turn,
        irregular=state.irregular,
    )


def _clean_part(inside: Ticks, part: Part, *, targets: int, losses: list[tuple[int, int]]) -> CleanPulses:
    lag = 1 if part.seen == targets and agreement(inside, 1) >= agreement(inside, targets) else part.seen
    return _clean(inside, lag=lag, per_turn=part.seen, targets=targets, losses=losses, given=len(inside))


def _clean_parts(
    edges: Ticks, parts: list[Part], *, targets: int, losses: list[tuple[int, int]], given: int
) -> CleanPulses:
    """Parts that repeat in different ways, each by itself; all get the numbers of the described targets."""
    ticks, numbers, starts = [NONE], [NONE], [0]
    irregular, lost_edges = 0, _cuts(edges, losses)
    cleaned = [_clean_part(edges[part.first : part.last], part, targets=targets, losses=losses) for part in parts]
    whole_turns = (clean for part, clean in zip(parts, cleaned, strict=True) if part.seen == targets)
    patterns = (
        turn_pattern(clean.ticks[a:b], clean.numbers(a, b), targets) for clean in whole_turns for a, b in clean.runs()
    )
    pattern = next((each for each in patterns if each is not None), None)
    for part, clean in zip(parts, cleaned, strict=True):
        irregular += clean.irregular
        for first, last in clean.runs():
            of_run, number = clean.ticks[first:last], clean.numbers(first, last)
            if part.seen != targets:
                named = described_run(of_run, number, seen=part.seen, targets=targets, pattern=pattern)
                if named is None:
                    irregular += last - first
                    continue
                of_run, number = named
            whole = len(numbers) > 1 and first == 0 and part.first not in lost_edges
            step = number_across(ticks[-1], numbers[-1], of_run, targets=targets) if whole else 0
            if step:
                number = number - number[0] + numbers[-1][-1] + step
            else:
                starts.append(sum(map(len, ticks)))
            ticks.append(of_run)
            numbers.append(number)
    kept = np.concatenate(ticks)
    begins = np.unique(starts)
    number = np.concatenate(numbers)
    gaps = np.ones(len(kept), dtype=np.int64)
    gaps[1:] = number[1:] - number[:-1]
    gaps[begins[begins < len(kept)]] = 1
    skip_at = np.flatnonzero(gaps > 1)
    return CleanPulses(
        ticks=kept,
        run_starts=np.append(begins[begins < len(kept)], len(kept)),
        skip_at=skip_at,
        skips=gaps[skip_at] - 1,
        per_turn=targets,
        missing=int(gaps[skip_at].sum()) - len(skip_at),
        extra=given - len(kept),
        irregular=irregular,
        changes=tuple((int(edges[part.first]), part.seen) for part in parts[1:]),
    )
