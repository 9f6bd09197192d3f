"""Where in a log does the machine run steadily and unloaded at one setting?"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from kerfbeat.diagnose.pace import pace_of
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.tracks import Run, Track
from kerfbeat.machine import Setting

__all__ = ["cut_run", "steady_spans"]

STEADY_PART = 0.01  # blocks within this of the usual speed; a ramp or a heavy cut is farther off
AFTER_MARK_S, BEFORE_MARK_S = 4.0, 2.0  # marks come late or early, ramps and cuts take time to die away


def steady_spans(
    tracks: Sequence[Track], parts: Sequence[Part], *, channel: str, setting: Setting, cutting: bool = False
) -> list[tuple[float, float]]:
    """Stretches in seconds, longest first, that hold nothing but steady running of a channel at a setting."""
    pace = pace_of(track for track in tracks if track.channel == channel)
    mine = [part for part in parts if part.setting == setting and part.cutting == cutting]
    if not mine or not len(pace.seconds):
        return []
    first_s = parts[0].start_s
    inside = np.full(len(pace.seconds), -1)
    for index, part in enumerate(mine):
        low_s = part.start_s + (AFTER_MARK_S if part.start_s > first_s else 0.0)
        high_s = part.end_s - (BEFORE_MARK_S if part is not parts[-1] else 0.0)
        inside[(pace.begin_s >= low_s) & (pace.end_s <= high_s)] = index
    if not (inside >= 0).any():
        return []
    usual_hz = float(np.median(pace.shaft_hz[inside >= 0]))
    good = (inside >= 0) & (np.abs(pace.shaft_hz / usual_hz - 1.0) <= STEADY_PART)
    broken = (np.diff(inside) != 0) | (np.diff(pace.unbroken) != 0) | (good[1:] != good[:-1])
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [len(good)]))
    spans = [
        (float(pace.begin_s[a]), float(pace.end_s[b - 1])) for a, b in pairwise(edges.tolist()) if good[a]
    ]
    return sorted(spans, key=lambda span: span[0] - span[1])


def cut_run(run: Run, start_s: float, end_s: float) -> Run:
    """The part of a run inside a stretch."""
    low, high = np.searchsorted(run.seconds, (start_s, end_s + 1e-9))
    return Run(seconds=run.seconds[low:high], turns=run.turns[low:high], numbers=run.numbers[low:high])
