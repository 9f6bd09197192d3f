"""At what ratio do two shafts turn in idle running?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibration import Known, setting_name
from kerfbeat.diagnose.lag import Steps
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import Running
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import robust_sd

__all__ = ["Baseline", "Key", "baselines_of", "blocks_of", "calibrated_baseline", "key_of", "ratio_of"]

Floats = NDArray[np.float64]
Key = tuple[str | None, str | None]  # belt position and gear

BLOCK_S = 1.0
LEAST_IDLE_S = 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """Turns of the driven shaft per turn of the driver in idle running, with its standard uncertainty.

    idle_s : of idle running it was seen in; 0 for a calibrated ratio.   calibrated : when that was stored, in words.
    """

    ratio: float
    u_ratio: float
    idle_s: float
    calibrated: str = ""

    @property
    def u_relative(self) -> float:
        """Relative standard uncertainty."""
        return self.u_ratio / self.ratio


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
        ratio, u = ratio_of(up, np.array([steps.down_turns[g].sum() for g in groups]))
        found[key] = Baseline(ratio=ratio, u_ratio=u, idle_s=idle_s)
    return found


def ratio_of(up: Floats, down: Floats) -> tuple[float, float]:
    """Turns of the driven shaft per turn of the driver, and its standard uncertainty; wild blocks do not count.

    up, down : (n,) turns in each of n >= 3 blocks.
    """
    ratios = down / up
    middle = float(np.median(ratios))
    spread = robust_sd(ratios - middle)
    near = np.abs(ratios - middle) <= max(5 * spread, 1e-5 * middle)
    ratio = float((ratios * up)[near].sum() / up[near].sum())
    u = float(np.std(ratios[near], ddof=1)) / math.sqrt(np.count_nonzero(near)) if near.sum() > 1 else spread
    return ratio, u


def calibrated_baseline(known: Known, key: Key, *, up: str, down: str) -> Baseline | None:
    """Idle ratio of motor, driven shaft and wheel, any two, as a calibration run found it; None if it did not.

    A calibrated ratio holds the creep of idle running, so that slip against it is told as against idle running.
    """
    name = setting_name(Setting(belt=key[0], gear=key[1]))
    total, first = (known.results.get((quantity, name)) for quantity in ("total ratio", "first ratio"))
    pairs = {("motor", "wheel"): (total, None), ("motor", "driven"): (first, None), ("driven", "wheel"): (total, first)}
    under, over = pairs.get((up, down), (None, None))
    if under is None or (up == "driven" and over is None):
        return None
    ratio, u_relative = 1.0 / under.value[0], under.u[0] / under.value[0]
    if over is not None:
        ratio, u_relative = ratio * over.value[0], math.hypot(u_relative, over.u[0] / over.value[0])
    return Baseline(ratio=ratio, u_ratio=u_relative * ratio, idle_s=0.0, calibrated=f"{under.date:%Y-%m-%d}")
