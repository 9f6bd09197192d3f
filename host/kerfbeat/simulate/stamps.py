"""What tick does the board write down for an edge?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfbeat.simulate.clock import BoardClock

__all__ = ["HELD_UP_TICKS", "Stamper"]

CAPTURE_INPUT = 1
# An external interrupt is stamped by software, late by what the processor does just then: the instruction in hand, now
# and then another interrupt.  The board takes its least latency off, as it does the capture unit's fixed few clocks.
HELD_UP_TICKS = {2: 120.0, 3: 200.0}  # most: 7.5 and 12.5 microseconds at 16 MHz
USUAL_TICKS = 10.0  # the instruction in hand
HELD_UP_CHANCE = 0.05


class Stamper:
    """The stamps of one channel's edges, however many at a time they come.

    board_input : 1 is stamped by the capture unit at full resolution, 2 and 3 by software, with its latency.
    The figures of the latter are common practice for this processor, no published source.
    """

    def __init__(self, *, board_input: int, clock: BoardClock, random: np.random.Generator) -> None:
        self._input, self._clock, self._random = board_input, clock, random
        self._next_ticks = 0  # what the next edge carries at least

    def ticks(self, edge_s: NDArray[np.float64]) -> NDArray[np.int64]:
        """Ticks of the next (n,) edges, at true times in ascending order; strictly increasing, from call to call too.

        Ticks are those of the whole run: whoever resets the board takes its reading at the reset off.
        """
        reading = self._clock.reading(edge_s)
        if self._input != CAPTURE_INPUT:
            late = USUAL_TICKS * self._random.random(len(edge_s))
            held_up = self._random.random(len(edge_s)) < HELD_UP_CHANCE
            late = np.where(held_up, self._random.uniform(0.0, HELD_UP_TICKS[self._input], len(edge_s)), late)
            reading = reading + late
        # Latency can bring two edges to one tick or out of order; the board serves them one after the other.
        steps = np.arange(len(edge_s))
        free = np.maximum(np.floor(reading).astype(np.int64) - steps, self._next_ticks)
        ticks = np.asarray(np.maximum.accumulate(free) + steps)
        if len(ticks):
            self._next_ticks = int(ticks[-1]) + 1
        return ticks
