"""When does a shaft run at its setting's speed, and when is it idle there?

Starting, stopping and changes of frequency are left out: then the motor's slip says nothing of the load, and creep
carries the acceleration.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.pace import Pace, pace_of
from kerfbeat.diagnose.parts import Part, by_setting
from kerfbeat.diagnose.tracks import Track

__all__ = ["LIGHT_FALL", "Running", "paced", "running_of"]

Floats = NDArray[np.float64]
Chosen = NDArray[np.bool_]
Ints = NDArray[np.int64]

TOO_FAST = 1.05  # of the setting's speed: the mark is late
FAST_PER_S, SLOPE_S = 0.03, 0.5  # a speed that changes faster, over so long, is on its way to or from a stop
ARRIVED = 0.03  # of the setting's speed
PAUSE_S = 0.5  # between two steps: a break of the count
STALLING = 0.78  # no motor pulls below this: 4.6 times full-load slip of a common one
PAD_S = 0.7  # after a start, before a stop
MARK_S = 2.0  # marks come late or early by so much: idle running keeps this distance
LIGHT_FALL = 0.005  # below the idle speed: still counts as idle where no cut is marked and no load is known
MOST_BLOCKS = 100_000  # of a channel: a day of one each second
LEVEL = 90.0  # percentile of the speeds of a setting that counts as its speed


@dataclass(frozen=True, kw_only=True, slots=True)
class Running:
    """Of (n,) steps: which run at speed, which of these are idle, to which part each belongs.

    relative : speed as a part of the setting's.
    marked : whether the idle steps are told by marks; else they are the lightest loaded ones.
    """

    at_speed: Chosen
    idle: Chosen
    part: Ints
    relative: Floats
    marked: bool


def running_of(
    end_s: Floats,
    *,
    length_s: Floats,
    shaft_hz: Floats,
    parts: Sequence[Part],
    light_fall: float,
    rising: Chosen | None = None,
) -> Running:
    """Sort steps by what the shaft does.

    end_s, length_s, shaft_hz : (n,) of one channel.   light_fall : relative fall below the idle speed that still counts
    as idle where no cut is marked.   rising : (n,) steps known to hold part of a start.
    """
    starts = np.array([part.start_s for part in parts])
    part = np.clip(np.searchsorted(starts, end_s - 0.5 * length_s, side="right") - 1, 0, len(parts) - 1)
    at_speed, idle = np.zeros(len(end_s), dtype=bool), np.zeros(len(end_s), dtype=bool)
    marked = any(each.cutting for each in parts)
    level = np.full(len(end_s), np.nan)
    for _, mine in by_setting(parts, part):
        if not mine.any():
            continue
        speeds = shaft_hz[mine]
        level[mine] = np.percentile(speeds[speeds > 0.5 * speeds.max()], LEVEL)
    relative = shaft_hz / level
    ended = np.clip(np.searchsorted(starts, end_s, side="right") - 1, 0, len(parts) - 1)
    begun = np.clip(np.searchsorted(starts, end_s - length_s, side="right") - 1, 0, len(parts) - 1)
    same = np.array([parts[a].setting == parts[b].setting for a, b in zip(begun.tolist(), ended.tolist(), strict=True)])
    at_speed = _at_speed(end_s, length_s, relative) & same & ~_changing(end_s, length_s, relative, part, parts)
    if rising is not None:
        at_speed &= ~rising
    if marked:
        idle = at_speed & ~np.array([each.cutting for each in parts])[part]
        for each in parts:
            for at_s in (each.start_s, each.end_s):
                idle &= np.abs(end_s - 0.5 * length_s - at_s) > MARK_S
    else:
        idle = at_speed & (relative > 1.0 - light_fall)
    return Running(at_speed=at_speed, idle=idle, part=part, relative=relative, marked=marked)


def paced(
    tracks: Sequence[Track], parts: Sequence[Part], *, channel: str, least_s: float
) -> tuple[Pace, Running] | None:
    """A channel's blocks of whole turns, each `least_s` long at least, sorted so; None with fewer than three."""
    pace = pace_of([track for track in tracks if track.channel == channel], least_s=least_s, most=MOST_BLOCKS)
    if len(pace.seconds) < 3:
        return None
    return pace, running_of(
        pace.end_s, length_s=pace.length_s, shaft_hz=pace.shaft_hz, parts=parts, light_fall=LIGHT_FALL,
        rising=pace.rising,
    )  # fmt: skip


def _changing(end_s: Floats, length_s: Floats, relative: Floats, part: Ints, parts: Sequence[Part]) -> Chosen:
    """Steps around a change of setting: from a little before its mark until the new speed is reached."""
    found = np.zeros(len(end_s), dtype=bool)
    for k in range(1, len(parts)):
        if parts[k].setting == parts[k - 1].setting:
            continue
        found |= (end_s > parts[k].start_s - MARK_S) & (part < k)
        after = np.flatnonzero(part == k)
        if not len(after):
            continue
        there = after[np.abs(relative[after] - 1.0) < ARRIVED]
        until_s = float(end_s[there[0]]) if len(there) else math.inf
        found |= (part == k) & (end_s - length_s < until_s + PAD_S)
    return found


def _at_speed(end_s: Floats, length_s: Floats, relative: Floats) -> Chosen:
    """Steps at speed: all but stops and stalls, with the fast ways down to them and up from them."""
    good = relative <= TOO_FAST
    low = relative < STALLING
    start_s = end_s - length_s
    # Pulses that stopped coming, or whose last ones came late.
    gap = np.concatenate((start_s[1:] - end_s[:-1] > PAUSE_S, relative[-1:] < 1.0 - ARRIVED))
    low |= gap | np.concatenate(([False], gap[:-1]))
    good &= ~low
    edges = np.flatnonzero(np.diff(np.concatenate(([False], low, [False])).astype(int)))
    for first, after in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if first > 0:
            begin_s = _while_fast(end_s, relative, first, back=True) - PAD_S
            good[np.searchsorted(end_s, begin_s) : first] = False
        if after < len(end_s):
            finish_s = _while_fast(end_s, relative, after - 1, back=False) + PAD_S
            good[after : np.searchsorted(start_s, finish_s)] = False
    return np.asarray(good)


def _while_fast(end_s: Floats, relative: Floats, at: int, *, back: bool) -> float:
    """Time at which the way down to (back) or up from a stop begins or ends: where the speed changes slowly."""
    sign = -1.0 if back else 1.0
    now_s = float(end_s[at])
    while True:
        next_s = now_s + sign * SLOPE_S
        here, there = np.interp((now_s, next_s), end_s, relative)
        if (there - here) / SLOPE_S < FAST_PER_S or not end_s[0] <= next_s <= end_s[-1]:
            return now_s
        now_s = next_s
