"""Which trains of pulses are hard on the board?  Arrays of cycles and inputs, from a seed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Pulses = tuple[NDArray[np.int64], NDArray[np.int64]]


def spread(cycles: NDArray[np.int64], inputs: NDArray[np.int64], *, apart_cycles: int) -> Pulses:
    """Moves pulses of one input later until they are at least so far apart; sorted by cycle."""
    order = np.argsort(cycles, kind="stable")
    cycles, inputs = cycles[order].copy(), inputs[order]
    for number in (1, 2, 3):
        own = np.flatnonzero(inputs == number)
        steps = apart_cycles * np.arange(own.size)
        cycles[own] = np.maximum.accumulate(cycles[own] - steps) + steps
    order = np.argsort(cycles, kind="stable")
    return cycles[order], inputs[order]


def random_train(seed: int, *, per_s: float, seconds: float, apart_cycles: int = 1600) -> Pulses:
    """Pulses at random on all inputs, `per_s` in total."""
    rng = np.random.default_rng(seed)
    count = round(per_s * seconds)
    cycles = rng.integers(0, round(seconds * 16e6), count)
    return spread(cycles, rng.integers(1, 4, count), apart_cycles=apart_cycles)


def clusters(seed: int, centres: NDArray[np.int64], *, width_cycles: int, apart_cycles: int = 2000) -> Pulses:
    """All three inputs fire within `width_cycles` of each centre, in any order, often at the very same cycle."""
    rng = np.random.default_rng(seed)
    shape = (centres.size, 3)
    near = rng.integers(0, width_cycles, shape)
    near[rng.random(centres.size) < 0.2] = width_cycles // 2
    cycles = (centres[:, None] + near - width_cycles // 2).ravel()
    return spread(cycles, np.tile([1, 2, 3], centres.size), apart_cycles=apart_cycles)


def bursts(seed: int, *, count: int, every_cycles: int, apart_cycles: int) -> Pulses:
    """Bursts of twelve pulses on each input at once, barely apart, then rest."""
    rng = np.random.default_rng(seed)
    starts = np.arange(count) * every_cycles + rng.integers(0, every_cycles // 4, count)
    own = np.arange(12) * apart_cycles
    cycles = (starts[:, None, None] + own[None, None, :] + rng.integers(0, apart_cycles, (count, 3, 1)))
    inputs = np.broadcast_to(np.array([1, 2, 3])[None, :, None], cycles.shape)
    return spread(cycles.ravel().astype(np.int64), inputs.ravel(), apart_cycles=apart_cycles)
