"""Into which blocks is a run of passes cut, and what of it is better left out?"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from kerfbeat.calibrate.passes import Block, Floats, Ints

__all__ = ["affordable", "cut"]

BLOCK_TURNS = 60  # passes of a long run are cut into blocks filtered side by side; a cut costs less than a turn
LEAST_BLOCK_TURNS = 3  # shorter ones go to their own trend
TREND_CONSTANTS = 4
RAMP = 0.05  # change of a turn's time from the turn before that is no wander (1 % wander makes 1.4 %) but a ramp
MOST_WORK = 4e9  # products of pass, model and columns; with very many targets not every block of a long run is used


def cut(block: Block, *, per_turn: int) -> list[Block]:
    """Cut a long run into blocks of about `BLOCK_TURNS`; neighbours share the pass between them.

    Ramps are left out: turns that take more than `RAMP` longer or shorter than the turn before.
    """
    count = np.arange(block.numbers[0], block.numbers[-1] + 1)
    at_s = np.interp(count, block.numbers, block.seconds)
    turn_s = at_s[per_turn:] - at_s[:-per_turn]
    steady = np.ones(len(count), dtype=bool)
    ramp = np.abs(turn_s[per_turn:] / turn_s[:-per_turn] - 1.0) > RAMP
    for k in np.flatnonzero(ramp):
        steady[k : k + 2 * per_turn] = False
    kept = steady[block.numbers - block.numbers[0]]
    borders = np.flatnonzero(np.diff(kept.astype(np.int8), prepend=0, append=0))
    found = []
    for first, after in zip(borders[0::2].tolist(), borders[1::2].tolist(), strict=True):
        found += _pieces(block.seconds[first:after], block.numbers[first:after], per_turn)
    return found


def _pieces(seconds: Floats, numbers: Ints, per_turn: int) -> list[Block]:
    pieces = max(1, round((numbers[-1] - numbers[0]) / per_turn / BLOCK_TURNS))
    edges = np.searchsorted(numbers, np.linspace(numbers[0], numbers[-1], pieces + 1))
    edges[-1] = len(numbers) - 1
    return [
        Block(seconds=seconds[low : high + 1], numbers=numbers[low : high + 1])
        for low, high in pairwise(edges.tolist())
        if high - low > per_turn + TREND_CONSTANTS and numbers[high] - numbers[low] > LEAST_BLOCK_TURNS * per_turn
    ]


def affordable(pieces: list[Block], *, per_turn: int, models: int) -> list[Block]:
    """All blocks, or of a long run with many targets so many, spread over it, that the work stays bounded."""
    passes = sum(len(piece.seconds) for piece in pieces)
    share = MOST_WORK / (passes * models * per_turn**2)
    if share >= 1.0:
        return pieces
    return [pieces[k] for k in np.unique(np.linspace(0, len(pieces) - 1, max(1, int(share * len(pieces)))).astype(int))]
