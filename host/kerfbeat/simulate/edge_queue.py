"""Which edges wait to be told to the host?"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from kerfbeat.simulate.world import Stretch, World

__all__ = ["BATCH_EDGES", "EdgeQueue"]

BATCH_EDGES = 24  # so many edges, three bytes each, fit a frame: no batch is further than 2**21 ticks from its base
AHEAD_S = 0.1


class EdgeQueue:
    """Edges of a world that wait to be told, in order of time; the world is played as far as it must be known."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._stretches: Iterator[Stretch] | None = world.stretches()
        self._known_s = 0.0
        self._stampers = world.stampers()
        self._seconds: list[float] = []
        self._inputs: list[int] = []
        self._ticks: list[int] = []
        self._taken = 0

    def __len__(self) -> int:
        return len(self._seconds) - self._taken

    def know(self, until_s: float) -> None:
        """Play the machine on until every edge up to a time, and a little beyond, is known."""
        while self._stretches is not None and self._known_s <= until_s + AHEAD_S:
            stretch = next(self._stretches, None)
            if stretch is None:
                self._stretches, self._known_s = None, math.inf
                return
            self._append(stretch)
            self._known_s = stretch.complete_s

    def _append(self, stretch: Stretch) -> None:
        seconds, inputs, ticks = np.empty(0), np.empty(0, np.int64), np.empty(0, np.int64)
        for channel, edges in stretch.edges.items():
            number = self._world.machine.sensors[channel].input
            stamps = self._stampers[channel].ticks(edges.seconds)
            seconds = np.concatenate([seconds, edges.seconds])
            inputs = np.concatenate([inputs, np.full(len(stamps), number - 1)])
            ticks = np.concatenate([ticks, stamps])
        order = np.argsort(seconds, kind="stable")
        self._seconds = self._seconds[self._taken :] + seconds[order].tolist()
        self._inputs = self._inputs[self._taken :] + inputs[order].tolist()
        self._ticks = self._ticks[self._taken :] + ticks[order].tolist()
        self._taken = 0

    @property
    def oldest_s(self) -> float:
        """When the first of them came; infinity if there is none."""
        return self._seconds[self._taken] if len(self) else math.inf

    @property
    def full_s(self) -> float:
        """When they fill a batch."""
        last = self._taken + BATCH_EDGES - 1
        return self._seconds[last] if last < len(self._seconds) else math.inf

    def take(self, until_s: float, most: int) -> list[tuple[float, int, int]]:
        """Take the first ones up to a time: (true second, input index, tick of the whole run)."""
        start = self._taken
        end = start
        while end < len(self._seconds) and end - start < most and self._seconds[end] <= until_s:
            end += 1
        self._taken = end
        return list(zip(self._seconds[start:end], self._inputs[start:end], self._ticks[start:end], strict=True))
