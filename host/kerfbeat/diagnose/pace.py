"""How fast did a shaft turn, from one block of whole turns to the next?

Blocks follow each other without a gap, so their timing noise does not add up, and whole turns are free of the targets'
spacing.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.tracks import Track

__all__ = ["Pace", "pace_of"]

Floats = NDArray[np.float64]

MOST_BLOCKS = 2500  # more show nothing that an hour's drift or its plot needs


@dataclass(frozen=True, kw_only=True, slots=True)
class Pace:
    """Blocks of `turns` whole turns: (n,) middle and length in seconds, speed in turns per second.

    unbroken : (n,) number of the unbroken run that a block belongs to.   rising : (n,) first block of a run that came
    out of silence: part of it is the way up to speed.
    """

    seconds: Floats
    length_s: Floats
    shaft_hz: Floats
    unbroken: NDArray[np.int64]
    rising: NDArray[np.bool_]
    turns: int

    @property
    def begin_s(self) -> Floats:
        """(n,) When each block begins."""
        return self.seconds - 0.5 * self.length_s

    @property
    def end_s(self) -> Floats:
        """(n,) When each block ends."""
        return self.seconds + 0.5 * self.length_s

    def stretches(self, chosen: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
        """Indices of (n,) chosen blocks in groups of neighbours, never across a break."""
        edges = np.flatnonzero((np.diff(chosen.astype(int)) != 0) | (np.diff(self.unbroken) != 0)) + 1
        return [group for group in np.split(np.arange(len(chosen)), edges) if len(group) and chosen[group[0]]]

    def where(self, chosen: NDArray[np.bool_]) -> "Pace":
        """Some of the blocks."""
        return Pace(
            seconds=self.seconds[chosen],
            length_s=self.length_s[chosen],
            shaft_hz=self.shaft_hz[chosen],
            unbroken=self.unbroken[chosen],
            rising=self.rising[chosen],
            turns=self.turns,
        )


def _usual_turn_s(tracks: Sequence[Track]) -> float:
    """Time of a turn, as a typical one of the longest run."""
    run = max((run for track in tracks for run in track.runs), key=lambda run: len(run.seconds))
    return float(np.median(np.diff(run.seconds) / np.maximum(np.diff(run.turns), 1e-9)))


def pace_of(tracks: Iterable[Track], *, least_s: float = 1.0, most: int = MOST_BLOCKS) -> Pace:
    """Speeds of one channel over all its segments.

    least_s : blocks last about this long at least.   most : about so many blocks at most; then they are longer.
    """
    mine = [track for track in tracks if track.runs]
    if not mine:
        nothing = np.empty(0)
        none, never = np.empty(0, np.int64), np.empty(0, np.bool_)
        return Pace(seconds=nothing, length_s=nothing, shaft_hz=nothing, unbroken=none, rising=never, turns=1)
    turn_s = _usual_turn_s(mine)
    whole_s = sum(float(run.seconds[-1] - run.seconds[0]) for track in mine for run in track.runs)
    turns = max(1, math.ceil(max(least_s, whole_s / most) / turn_s))
    middles, lengths, speeds, names, rising = [], [], [], [], []
    for name, (track, run) in enumerate((each, run) for each in mine for run in each.runs):
        step = turns * track.per_turn
        at = np.arange(run.numbers[0], run.numbers[-1] + 1, step)
        when_s = run.seconds[np.minimum(np.searchsorted(run.numbers, at), len(run.numbers) - 1)]
        seen = np.isin(at, run.numbers)  # a block whose end was missed is joined with the next
        when_s, at = when_s[seen], at[seen]
        length_s = np.diff(when_s)
        middles.append(0.5 * (when_s[1:] + when_s[:-1]))
        lengths.append(length_s)
        speeds.append(np.diff(at) / track.per_turn / length_s)
        names.append(np.full(len(length_s), name, dtype=np.int64))
        rising.append(run.from_still & (np.arange(len(length_s)) == 0))
    return Pace(
        seconds=np.concatenate(middles),
        length_s=np.concatenate(lengths),
        shaft_hz=np.concatenate(speeds),
        unbroken=np.concatenate(names),
        rising=np.concatenate(rising),
        turns=turns,
    )
