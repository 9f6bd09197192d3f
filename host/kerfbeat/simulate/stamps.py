"""What tick does the board write down for an edge?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfbeat.simulate.clock import BoardClock

__all__ = ["HELD_UP_TICKS", "stamp_ticks"]

CAPTURE_INPUT = 1
# An external interrupt is stamped by software, late by what the processor does just then: the instruction in hand, now
# and then another interrupt.  The board takes its least latency off, as it does the capture unit's fixed few clocks.
HELD_UP_TICKS = {2: 120.0, 3: 200.0}  # most: 7.5 and 12.5 microseconds at 16 MHz
USUAL_TICKS = 10.0  # the instruction in hand
HELD_UP_CHANCE = 0.05


def stamp_ticks(
    edge_s: NDArray[np.float64], *, board_input: int, clock: BoardClock, random: np.random.Generator
) -> NDArray[np.int64]:
    """Ticks of (n,) edges at true times in ascending order, strictly increasing.

    board_input : 1 is stamped by the capture unit at full resolution, 2 and 3 by software, with its latency.
    The figures of the latter are common practice for this processor, no published source.
    """
    reading = clock.reading(edge_s)
    if board_input == CAPTURE_INPUT:
        ticks = np.floor(reading).astype(np.int64)
    else:
        late = USUAL_TICKS * random.random(len(edge_s))
        held_up = random.random(len(edge_s)) < HELD_UP_CHANCE
        late = np.where(held_up, random.uniform(0.0, HELD_UP_TICKS[board_input], len(edge_s)), late)
        ticks = np.floor(reading + late).astype(np.int64)
    # Latency can bring two edges to one tick or out of order; the board serves them one after the other.
    steps = np.arange(len(ticks))
    return np.asarray(np.maximum.accumulate(ticks - steps) + steps)
