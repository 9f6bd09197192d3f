"""How many targets passed between two certain stretches, and which edges between are theirs?

All windows are treated at once.  The time between the stretches, at the mean of their speeds, is so many gaps; if that
is near a whole number, the shaft kept turning and every edge near a target's expected time is that target's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bridge", "bridge_windows"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

COUNT_FIT = 0.3  # gaps: the count is certain if the window lasts a whole number of gaps to within this at most
PLACE_FIT, WANDER_FIT = 0.1, 0.02  # and, where the targets' places are known, to within this and 2 % of the count
SLOT_FIT = 0.25  # gaps: an edge farther from a target's expected time is no target
SAME = 0.01  # gaps: of two edges that fit about equally the earlier is taken, since bounce comes after the edge
MOST_MISSING = 8  # targets missing in a window; more is a signal that went away, or a stop
MOST_SILENT = 2  # of them in a row, and more than one only if SILENT_FIT: a pause can last any time
SILENT_FIT = 0.15  # gaps
STEADY_ENDS = 0.1  # speeds on both sides differ by less than this if more than one target is missing
PATTERN_FIT = 0.3  # gaps: uneven targets must come round in the same order
AT_ONCE = 1 << 22  # elements of the largest temporary array


@dataclass(frozen=True, kw_only=True, slots=True)
class Bridge:
    """What became of each window: whether it was `crossed`; edges to drop; edges before which pulses are missing."""

    crossed: NDArray[np.bool_]
    drop: Ticks
    skip_at: Ticks
    skips: Ticks


def _nearest(table: Floats, turns: Floats, per_turn: int) -> tuple[Ticks, Floats]:
    """Nearest pulse number to a phase, and how far from it in mean gaps; table (w, per_turn + 1) of one turn."""
    whole = np.floor(turns)
    distance = np.abs(table - (turns - whole)[:, None])
    at = np.argmin(distance, axis=1)
    return (whole * per_turn).astype(np.int64) + at, np.take_along_axis(distance, at[:, None], 1)[:, 0] * per_turn


@dataclass(frozen=True, kw_only=True, slots=True)
class _Windows:
    """Windows (w,) from edge `left` to edge `right`, in which `count` gaps passed.

    turn_left, turn_right : ticks a turn takes on either side.  table : (w, per_turn + 1), places of a turn's targets
    seen from `left`, in turns.
    """

    left: Ticks
    right: Ticks
    count: Ticks
    table: Floats
    turn_left: Floats
    turn_right: Floats

    def where(self, which: NDArray[np.bool_]) -> "_Windows":
        """Some of them."""
        return _Windows(
            left=self.left[which],
            right=self.right[which],
            count=self.count[which],
            table=self.table[which],
            turn_left=self.turn_left[which],
            turn_right=self.turn_right[which],
        )


def _counted(
    ticks: Ticks, *, left: Ticks, right: Ticks, reach_left: Ticks, reach_right: Ticks, per_turn: int, lag: int
) -> tuple[_Windows, NDArray[np.bool_], Floats]:
    """How many gaps each window lasts, whether that is certain, and how far from a whole number it is."""
    back, ahead = np.minimum(per_turn, reach_left), np.minimum(per_turn, reach_right)
    turn_left = (ticks[left] - ticks[left - back]) * (per_turn / back)
    turn_right = (ticks[right + ahead] - ticks[right]) * (per_turn / ahead)
    width = (ticks[right] - ticks[left]).astype(float)
    turns = 0.5 * width * (1.0 / turn_left + 1.0 / turn_right)
    even = np.arange(per_turn + 1) / per_turn
    table = np.broadcast_to(even, (len(left), per_turn + 1)).copy()
    fits = np.ones(len(left), dtype=bool)
    known = np.flatnonzero(reach_left >= per_turn)
    if per_turn > 1 and len(known):
        around = np.arange(per_turn + 1)
        before = ticks[left[known][:, None] + around - per_turn]
        table[known] = (before - before[:, :1]) / turn_left[known][:, None]
    if lag == per_turn > 1:
        after = ticks[right[:, None] + around]
        gaps_left, gaps_right = np.diff(table), np.diff(after) / turn_right[:, None]
        count, _ = _nearest(table, turns, per_turn)
        turned = np.take_along_axis(gaps_left, (around[:-1] + count[:, None]) % per_turn, 1)
        fits = np.abs(gaps_right - turned).max(axis=1) * per_turn < PATTERN_FIT
    count, off = _nearest(table, turns, per_turn)
    difference = np.abs(turn_left - turn_right)
    slack = difference / np.maximum(turn_left, turn_right) * turns * per_turn / 4.0
    allowed = np.where(reach_left >= per_turn, PLACE_FIT + WANDER_FIT * count + slack, COUNT_FIT)
    fits &= (off < np.minimum(allowed, COUNT_FIT)) & (slack < COUNT_FIT) & (count >= 1)
    windows = _Windows(left=left, right=right, count=count, table=table, turn_left=turn_left, turn_right=turn_right)
    return windows, fits, off


def _assign(ticks: Ticks, windows: _Windows) -> tuple[Ticks, Ticks, Ticks]:
    """Kept inner edges, their window and their pulse number in it; the phase between runs as a cubic (Hermite)."""
    left, right, count, table = windows.left, windows.right, windows.count, windows.table
    per_turn = table.shape[1] - 1
    inner = right - left - 1
    window = np.repeat(np.arange(len(left)), inner)
    edge = np.arange(int(inner.sum())) - np.repeat(np.cumsum(inner) - inner, inner) + left[window] + 1
    width = (ticks[right] - ticks[left]).astype(float)
    share = (ticks[edge] - ticks[left[window]]) / width[window]
    end = count // per_turn + np.take_along_axis(table, (count % per_turn)[:, None], 1)[:, 0]
    phase = (
        share * (1 - share) ** 2 * (width / windows.turn_left)[window]
        + share**2 * (3 - 2 * share) * end[window]
        + share**2 * (share - 1) * (width / windows.turn_right)[window]
    )
    number, off = _nearest(table[window], phase, per_turn)
    ok = (off < SLOT_FIT) & (number > 0) & (number < count[window])
    edge, window, number, off = edge[ok], window[ok], number[ok], off[ok]
    if len(edge) == 0:
        return edge, window, number
    order = np.lexsort((edge, number, window))
    edge, window, number, off = edge[order], window[order], number[order], off[order]
    starts = np.flatnonzero(np.concatenate(([True], (np.diff(number) != 0) | (np.diff(window) != 0))))
    best = np.repeat(np.minimum.reduceat(off, starts), np.diff(starts, append=len(edge)))
    near = off <= best + SAME
    edge, window, number = edge[near], window[near], number[near]
    first = np.concatenate(([True], (np.diff(number) != 0) | (np.diff(window) != 0)))
    return edge[first], window[first], number[first]


def bridge_windows(
    ticks: Ticks,
    *,
    left: Ticks,
    right: Ticks,
    reach_left: Ticks,
    reach_right: Ticks,
    per_turn: int,
    lag: int,
) -> Bridge:
    """Bridge what can be bridged.

    left, right : (w,) last edge of the stretch before and first of the one after, left < right.
    reach_left, reach_right : (w,) gaps in those stretches.  per_turn : edges in a turn; lag : 1 if gaps are near even.
    """
    crossed = np.zeros(len(left), dtype=bool)
    drop, skip_at, skips = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    if len(left) == 0:
        return Bridge(crossed=crossed, drop=drop[0], skip_at=skip_at[0], skips=skips[0])
    inner = right - left - 1
    share = np.cumsum(inner + per_turn + 1) * (per_turn + 1) // AT_ONCE
    for part in np.split(np.arange(len(left)), np.flatnonzero(np.diff(share)) + 1):
        if len(part) == 0:
            continue
        windows, fits, off = _counted(
            ticks,
            left=left[part],
            right=right[part],
            reach_left=reach_left[part],
            reach_right=reach_right[part],
            per_turn=per_turn,
            lag=lag,
        )
        some = np.flatnonzero(fits)
        windows = windows.where(fits)
        edge, window, number = _assign(ticks, windows)
        missing = windows.count - 1 - np.bincount(window, minlength=len(some))
        at = np.concatenate((edge, windows.right))
        owner = np.concatenate((window, np.arange(len(some))))
        order = np.argsort(at, kind="stable")
        at, owner, passed = at[order], owner[order], np.concatenate((number, windows.count))[order]
        before = np.where(np.diff(owner, prepend=-1) == 0, np.concatenate(([0], passed[:-1])), 0)
        skip = passed - before - 1
        in_a_row = np.zeros(len(some), dtype=np.int64)
        np.maximum.at(in_a_row, owner, skip)
        steady = np.abs(windows.turn_left - windows.turn_right) < STEADY_ENDS * windows.turn_left
        pause = (in_a_row > MOST_SILENT) | ((in_a_row > 1) & (off[fits] > SILENT_FIT))
        believed = (missing <= 1) | (steady & (missing <= MOST_MISSING) & ~pause)
        crossed[part[some[believed]]] = True
        sizes = np.where(believed, windows.right - windows.left - 1, 0)
        inside = np.repeat(windows.left + 1, sizes)
        inside += np.arange(len(inside)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        drop.append(np.setdiff1d(inside, edge[believed[window]], assume_unique=True))
        told = believed[owner] & (skip > 0)
        skip_at.append(at[told])
        skips.append(skip[told])
    return Bridge(
        crossed=crossed, drop=np.concatenate(drop), skip_at=np.concatenate(skip_at), skips=np.concatenate(skips)
    )
