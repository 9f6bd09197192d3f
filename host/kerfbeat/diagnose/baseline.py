"""At what ratio do two shafts turn in idle running?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.lag import Steps
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import Running

__all__ = ["Baseline", "Key", "baselines_of", "blocks_of", "key_of"]

Key = tuple[str | None, str | None]  # belt position and gear

BLOCK_S = 1.0
LEAST_IDLE_S = 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """Turns of the driven shaft per turn of the driver in idle running, with its standard uncertainty."""

    ratio: float
    u_ratio: float
    idle_s: float


def key_of(part: Part) -> Key:
    """What a baseline belongs to: the frequency does not matter to a ratio."""
    return part.setting.belt, part.setting.gear


def blocks_of(steps: Steps, chosen: NDArray[np.bool_], length_s: float) -> list[NDArray[np.int64]]:
    """Indices of chosen steps in groups of about a length, never across a break."""
    at = np.flatnonzero(chosen)
    if not len(at):
        return []
    new = np.concatenate(([True], (np.diff(at) > 1) | (np.diff(steps.block[at]) != 0)))
    start_s = (steps.end_s - steps.length_s)[at]
    since = start_s - np.maximum.accumulate(np.where(new, start_s, -np.inf))
    group = np.cumsum(new) * 1_000_000 + (since / length_s).astype(np.int64)
    return [at[piece] for piece in np.split(np.arange(len(at)), np.flatnonzero(np.diff(group)) + 1)]


def baselines_of(steps: Steps, running: Running, parts: Sequence[Part]) -> dict[Key, Baseline]:
    """Idle ratio of every belt position and gear that ran idle for a few seconds; wild blocks do not count."""
    found = {}
    keys = [key_of(part) for part in parts]
    for key in dict.fromkeys(keys):
        here = running.idle & np.isin(running.part, [k for k, each in enumerate(keys) if each == key])
        groups = [g for g in blocks_of(steps, here, BLOCK_S) if steps.length_s[g].sum() > 0.2 * BLOCK_S]
        idle_s = float(sum(steps.length_s[g].sum() for g in groups))
        if idle_s < LEAST_IDLE_S or len(groups) < 3:
            continue
        up = np.array([steps.up_turns[g].sum() for g in groups])
        ratios = np.array([steps.down_turns[g].sum() for g in groups]) / up
        middle = float(np.median(ratios))
        spread = 1.4826 * float(np.median(np.abs(ratios - middle)))
        near = np.abs(ratios - middle) <= max(5 * spread, 1e-5 * middle)
        ratio = float((ratios * up)[near].sum() / up[near].sum())
        u = float(np.std(ratios[near], ddof=1)) / math.sqrt(np.count_nonzero(near)) if near.sum() > 1 else spread
        found[key] = Baseline(ratio=ratio, u_ratio=u, idle_s=idle_s)
    return found
