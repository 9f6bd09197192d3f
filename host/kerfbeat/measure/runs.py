"""How many whole turns did an unbroken run make, and in what time?

The answer is the time from one edge to a later pass of the same target, as far apart as the run allows, improved by all
edges between as far as they can (`kerfbeat.measure.wander`).  A long run is first thinned: edges near its ends
count one by one, those farther in as means of blocks that grow with the distance from the end, since they can say
only how steady the shaft was, not where the run began and ended.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import MeasureError
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.spacing import find_angles, match_pattern, pattern_angles, places
from kerfbeat.measure.thinning import block_borders
from kerfbeat.measure.uncertainty import robust_sd
from kerfbeat.measure.wander import TurnTime, time_of_turns

__all__ = ["COARSE", "FINE", "RunTime", "Thinning", "time_run"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

MANY_TURNS = 200  # from here on the targets' angles are found from the run before; with fewer they are fitted along
CHANGED = 0.1  # a first or last turn that differs from the middle ones by more is a ramp: there the edges say all
FEW_MISSING = 0.01  # of the pulses
CLASS_TURNS = 0.005  # half-width, rectangular, where nothing repeats: a target is seen at the same angle to +-0.5 % of
#                      a turn (5 mm on a 330 mm wheel; common practice, no published source)


@dataclass(frozen=True, kw_only=True, slots=True)
class Thinning:
    """How coarsely a run is looked at.

    growth : a block's part of its distance from the nearer end; 0.1 costs 0.1 % of the bound at constant speed.
    groups : targets with unknown angles fitted along; of more, neighbours are averaged.
    end_turns : turns at each end in which those count one by one.
    """

    growth: float = 0.1
    groups: int = 12
    end_turns: int = 5


FINE = Thinning()
COARSE = Thinning(growth=0.3, groups=4, end_turns=3)  # for the many runs of a broken record


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTime:
    """`turns` whole turns took `time_s` by the board's stated clock, beginning at tick `start` and ending at `end`.

    u_s : standard uncertainty from timing noise and wander, on `dof` degrees of freedom.
    assumed : nothing repeated in the run and u_s is that of a class of sensors.  timing_sd_s : noise of an edge.
    """

    turns: int
    time_s: float
    u_s: float
    dof: float
    timing_sd_s: float
    assumed: bool
    start: int
    end: int


def _ends(numbers_head: Ticks, numbers_tail: Ticks, per_turn: int) -> tuple[int, int, int] | None:
    """Edges of one target farthest apart: index from the front, index from the back, turns between; None if none."""
    apart = numbers_tail[None, :] - numbers_head[:, None]
    apart = np.where(apart % per_turn == 0, apart, 0)
    head, tail = np.unravel_index(int(np.argmax(apart)), apart.shape)
    turns = int(apart[head, tail]) // per_turn
    return (int(head), len(numbers_tail) - 1 - int(tail), turns) if turns > 0 else None


def _thin(clean: CleanPulses, first: int, last: int, angles_turns: Floats, borders: Ticks) -> tuple[Floats, Floats]:
    """Mean tick (from the first edge) and mean place of each block."""
    per_turn = len(angles_turns)
    ticks = clean.ticks[first:last]
    mean_tick, mean_place = np.empty(len(borders) - 1), np.empty(len(borders) - 1)
    whole = float(angles_turns.mean()) - (per_turn - 1) / (2.0 * per_turn)
    number = np.array([clean.number(first, first + edge) for edge in borders[:-1].tolist()])
    length = np.diff(borders)
    unbroken = np.diff(number, append=clean.number(first, last - 1) + 1) == length
    for i, (a, b) in enumerate(pairwise(borders.tolist())):
        mean_tick[i] = float(ticks[a] - ticks[0]) + float((ticks[a:b] - ticks[a]).mean())
        if unbroken[i] and length[i] % per_turn == 0:
            mean_place[i] = (number[i] + 0.5 * (length[i] - 1)) / per_turn + whole
        else:
            numbers = clean.numbers(first + a, first + b) + number[i]
            mean_place[i] = float(places(numbers, angles_turns=angles_turns).mean())
    return mean_tick, mean_place


def _by_chain(
    clean: CleanPulses,
    first: int,
    last: int,
    *,
    ends: tuple[int, int],
    angles_turns: Floats,
    growth: float,
    fitted: int,
) -> TurnTime:
    """Known angles, `fitted` of them from this run: time in ticks from the thinned run."""
    n = last - first
    start, end = ends
    borders = block_borders(n, growth=growth, per_turn=len(angles_turns), single=(start, end))
    tick, place = _thin(clean, first, last, angles_turns, borders)
    return time_of_turns(
        tick,
        place_turns=place,
        weight=np.diff(borders).astype(np.float64),
        start=int(np.searchsorted(borders, start)),
        end=int(np.searchsorted(borders, end)),
        edges_per_turn=float(len(angles_turns)),
        dof_used=fitted,
    )


def _by_targets(numbers: Ticks, ticks: Ticks, per_turn: int, thin: Thinning) -> tuple[TurnTime, int, int, int] | None:
    """Unknown angles: time in ticks, turns, begin and end from the targets' own passes; None without a whole turn.

    Near the ends groups of neighbouring targets are points of their own, each with its unknown angle; farther in the
    points are whole turns, and growing numbers of them.
    """
    size, end_turns = -(-per_turn // thin.groups), thin.end_turns
    groups = -(-per_turn // size)
    group, turn = numbers % per_turn // size, numbers // per_turn
    key = turn * groups + group
    inner = (turn >= end_turns) & (turn <= turn[-1] - end_turns)
    if inner.any():
        borders = block_borders(int(turn[-1]) + 1 - 2 * end_turns, growth=thin.growth)
        block = np.searchsorted(borders, turn[inner] - end_turns, side="right") - 1
        key[inner] = (end_turns + borders[block]) * groups
    name, point, count = np.unique(key, return_inverse=True, return_counts=True)
    share = np.bincount(point * groups + group, minlength=len(name) * groups).reshape(-1, groups) / count[:, None]
    lone = share.max(axis=1) == 1.0
    full = np.full(groups, size)
    full[-1] = per_turn - size * (groups - 1)
    whole = ~lone | (count == full[name % groups])  # a group with an edge missing has another angle
    tick = (np.bincount(point, ticks - ticks[0]) / count)[whole]
    place = (np.bincount(point, numbers / per_turn) / count)[whole]
    name, count, share = name[whole], count[whole], share[whole]
    alone = np.flatnonzero(lone[whole])
    found = _ends(name[alone[:groups]], name[alone[-groups:]], groups)
    if found is None:
        return None
    start, end, turns = int(alone[found[0]]), int(alone[len(alone) - 1 - found[1]]), found[2]
    took = time_of_turns(
        tick,
        place_turns=place,
        weight=count.astype(np.float64),
        share=share,
        start=start,
        end=end,
        edges_per_turn=float(per_turn),
    )
    return took, turns, int(ticks[0] + tick[start]), int(ticks[0] + tick[end])


def _angles(
    clean: CleanPulses, first: int, last: int, turns: int, spacing_turns: Floats | None
) -> tuple[Floats | None, int]:
    """Angles of the run's targets and how many of them were fitted; None if they stay unknown."""
    per_turn = clean.per_turn
    if per_turn == 1:
        return np.zeros(1), 0
    if spacing_turns is None and turns < MANY_TURNS:
        return None, 0
    head = min(last, first + per_turn * 4096)
    try:
        angles, u = find_angles(clean.ticks[first:head], numbers=clean.numbers(first, head), per_turn=per_turn)
    except MeasureError:
        return None, 0
    if spacing_turns is not None and len(spacing_turns) == per_turn:
        match = match_pattern(angles, u_turns=u, spacing_turns=spacing_turns)
        if match.certain and match.fits:
            return pattern_angles(spacing_turns, rotation=match.rotation), 0
    return (angles, per_turn - 1) if turns >= MANY_TURNS else (None, 0)


def _passes(clean: CleanPulses, first: int, last: int) -> list[Ticks]:
    """Four passes of one target, a turn apart, (4, n): every four of a run in which all four were seen."""
    per_turn = clean.per_turn
    ticks = clean.ticks[first:last]
    missing = clean.number(first, last - 1) - (last - 1 - first)
    if missing <= FEW_MISSING * (last - first):  # a median does not notice them
        return [ticks[k * per_turn : max(0, len(ticks) - (3 - k) * per_turn)] for k in range(4)]
    numbers = clean.numbers(first, last)
    at = [np.searchsorted(numbers, numbers + k * per_turn) for k in range(4)]
    seen = np.flatnonzero(at[3] < len(numbers))
    seen = seen[np.all([numbers[at[k][seen]] == numbers[seen] + k * per_turn for k in range(1, 4)], axis=0)]
    return [ticks[at[k][seen]] for k in range(4)]


def _between_ramps(
    clean: CleanPulses, first: int, last: int, *, start: int, end: int, turns: int, tick_hz: float
) -> RunTime | None:
    """Last edge minus first, where the run begins or ends in a ramp; None where it does not.

    One strength of wander cannot describe both a ramp and the steady part.  In a ramp, edges farther in say nothing of
    when its outermost edge passed, so that edge stands alone.  The timing noise comes from third differences over
    whole turns, of which no steady acceleration is left: sd = sqrt(1 + 9 + 9 + 1) of the noise; their median
    leaves the ramps out.
    """
    if turns < 6:
        return None
    ticks = clean.ticks[first:last]
    lags = _passes(clean, first, last)
    if len(lags[0]) == 0:
        return None
    step = max(1, len(lags[0]) // 4096)
    middle = float(np.median(lags[1][::step] - lags[0][::step]))
    outer = np.array([lags[1][0] - lags[0][0], lags[3][-1] - lags[2][-1]])
    if np.abs(outer / middle - 1.0).max() < CHANGED:
        return None
    third = (lags[3] - lags[0]) - 3 * (lags[2] - lags[1])
    sd = robust_sd(third) / math.sqrt(20.0)
    u_ticks = math.sqrt(2.0) * math.hypot(sd, math.sqrt(1.0 / 12.0))
    return RunTime(
        turns=turns,
        time_s=float(ticks[end] - ticks[start]) / tick_hz,
        u_s=u_ticks / tick_hz,
        dof=max(1.0, (turns - 3) / 2.0),
        timing_sd_s=sd / tick_hz,
        assumed=False,
        start=int(ticks[start]),
        end=int(ticks[end]),
    )


def time_run(
    clean: CleanPulses,
    first: int,
    last: int,
    *,
    tick_hz: float,
    spacing_turns: Floats | None = None,
    thin: Thinning = FINE,
) -> RunTime | None:
    """Time of the whole turns in the run of edges first <= k < last; None if it holds no whole turn.

    spacing_turns : (m,) known spacing of the targets, used where it fits the run in one rotation only.
    """
    per_turn, n = clean.per_turn, last - first
    reach = min(n, per_turn)
    tail = clean.numbers(last - reach, last) + clean.number(first, last - reach)
    found = _ends(clean.numbers(first, first + reach), tail, per_turn)
    if found is None:
        return None
    start, back, turns = found
    end = n - 1 - back
    ramp = _between_ramps(clean, first, last, start=start, end=end, turns=turns, tick_hz=tick_hz)
    if ramp is not None:
        return ramp
    begin, finish = int(clean.ticks[first + start]), int(clean.ticks[first + end])
    angles, fitted = _angles(clean, first, last, turns, spacing_turns)
    if angles is not None:
        took = _by_chain(clean, first, last, ends=(start, end), angles_turns=angles, growth=thin.growth, fitted=fitted)
    else:
        by_targets = _by_targets(clean.numbers(first, last), clean.ticks[first:last], per_turn, thin)
        if by_targets is None:
            return None
        took, turns, begin, finish = by_targets
    time_ticks, u_ticks, sd_ticks = (float(item[0]) for item in (took.value_s, took.u_s, took.timing_sd_s))
    dof: float = took.dof
    if assumed := took.dof == 0:
        u_ticks, dof = CLASS_TURNS * math.sqrt(2.0 / 3.0) * time_ticks / turns, math.inf
    elif sd_ticks < 0.5:
        u_ticks = math.hypot(u_ticks, math.sqrt(2.0 / 12.0))  # steady to within a tick: rounding does not average out
    return RunTime(
        turns=turns,
        time_s=time_ticks / tick_hz,
        u_s=u_ticks / tick_hz,
        dof=dof,
        timing_sd_s=sd_ticks / tick_hz,
        assumed=assumed,
        start=begin,
        end=finish,
    )
