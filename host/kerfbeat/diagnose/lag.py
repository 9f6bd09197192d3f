"""How far does a shaft fall behind the one that drives it, from pulse to pulse?

At every pulse of the channel with fewer pulses both shafts' places are known: its own exactly, the other's between two
of its pulses.  The ratio of what both have turned since the pulse before needs no clock, and timing noise does not add
up, since what one step gains the next loses.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.tracks import Track

__all__ = ["Steps", "place_at", "settled_angles", "steps_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_PASSES = 3  # of each target in idle running
LEAST_STEP_S = 0.02  # shorter steps are joined: a belt does nothing sooner, and an hour has fewer of them


@dataclass(frozen=True, kw_only=True, slots=True)
class Steps:
    """(n,) steps in order of time.

    end_s : when each ends.   length_s : how long it lasts.   up_turns, down_turns : what both shafts turn in it.
    block : number of the unbroken count it belongs to.   targets : how many the sparser channel has; from_target,
    to_target : between which of them a step lies.   left_s : time in which a channel's angles were not known.
    """

    end_s: Floats
    length_s: Floats
    up_turns: Floats
    down_turns: Floats
    block: Ints
    from_target: Ints
    to_target: Ints
    targets: int
    sparse_is_down: bool
    left_s: float = 0.0


def steps_of(up: Sequence[Track], down: Sequence[Track]) -> Steps:
    """Steps of two channels over all segments; only where both were counted without a break.

    up, down : the tracks of the driving and of the driven channel.
    """
    sparse_is_down = sum(t.pulses for t in down) <= sum(t.pulses for t in up)
    sparse, dense = (down, up) if sparse_is_down else (up, down)
    ends, lengths, mine, others, blocks, begun, reached = [], [], [], [], [], [], []
    left_s, block = 0.0, 0
    for one in sparse:
        for run in one.runs:
            if not run.sure:
                left_s += float(run.seconds[-1] - run.seconds[0])
                continue
            for two in dense:
                if two.segment != one.segment:
                    continue
                for other in two.runs:
                    low, high = np.searchsorted(run.seconds, (other.seconds[0], other.seconds[-1]))
                    if high - low < 2 or not other.sure:
                        continue
                    keep = low + _thinned(run.seconds[low:high])
                    when, own, target = run.seconds[keep], run.turns[keep], run.numbers[keep] % one.per_turn
                    theirs = np.interp(when, other.seconds, other.turns)
                    ends.append(when[1:])
                    lengths.append(np.diff(when))
                    mine.append(np.diff(own))
                    others.append(np.diff(theirs))
                    blocks.append(np.full(len(when) - 1, block))
                    begun.append(target[:-1])
                    reached.append(target[1:])
                    block += 1
    whole: list[Floats] = [np.concatenate(each) if each else np.empty(0) for each in (ends, lengths, mine, others)]
    counts: list[Ints] = [np.concatenate(each) if each else np.empty(0, np.int64) for each in (blocks, begun, reached)]
    return Steps(
        end_s=whole[0],
        length_s=whole[1],
        up_turns=whole[3] if sparse_is_down else whole[2],
        down_turns=whole[2] if sparse_is_down else whole[3],
        block=counts[0],
        from_target=counts[1],
        to_target=counts[2],
        targets=max((track.per_turn for track in sparse), default=1),
        sparse_is_down=sparse_is_down,
        left_s=left_s,
    )


def place_at(tracks: Sequence[Track], steps: Steps) -> tuple[Floats, Floats]:
    """(n,) places of a channel's shaft, in turns, where each step begins and ends; NaN where it was not counted."""
    start_s = steps.end_s - steps.length_s
    start, end = np.full(len(start_s), np.nan), np.full(len(start_s), np.nan)
    for track in tracks:
        for run in track.runs:
            inside = (start_s >= run.seconds[0]) & (steps.end_s <= run.seconds[-1])
            start[inside] = np.interp(start_s[inside], run.seconds, run.turns)
            end[inside] = np.interp(steps.end_s[inside], run.seconds, run.turns)
    return start, end


def settled_angles(steps: Steps, idle: NDArray[np.bool_]) -> Steps:
    """The same steps with the sparser channel's targets where the other channel sees them in idle running.

    Angles found in time alone suffer where the speed changed much; against another shaft they do not.
    Left as they are where a target was hardly seen idle, or pulses were joined.
    """
    m = steps.targets
    turns = steps.down_turns if steps.sparse_is_down else steps.up_turns
    other = steps.up_turns if steps.sparse_is_down else steps.down_turns
    single = idle & ((steps.to_target - steps.from_target) % m == 1 % m)
    if m == 1 or np.count_nonzero(single) < LEAST_PASSES * m:
        return steps
    ratio = float(np.median(turns[single] / other[single]))
    off = turns - ratio * other
    shift = np.zeros(m)
    for j in range(m):
        mine = off[single & (steps.to_target == j)]
        if len(mine) < LEAST_PASSES:
            return steps
        shift[j] = np.median(mine)
    place = np.cumsum(shift - shift.mean())
    better = turns - (place[steps.to_target] - place[steps.from_target])
    if steps.sparse_is_down:
        return replace(steps, down_turns=better)
    return replace(steps, up_turns=better)


def _thinned(when: Floats) -> Ints:
    """Indices of pulses at least LEAST_STEP_S apart."""
    if len(when) < 3 or float(np.median(np.diff(when))) >= LEAST_STEP_S:
        return np.arange(len(when))
    bins = np.floor((when - when[0]) / LEAST_STEP_S).astype(np.int64)
    return np.flatnonzero(np.diff(bins, prepend=-1) > 0)
