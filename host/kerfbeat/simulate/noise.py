"""How does something wander randomly, and always the same for one seed?

Each purpose draws from a stream of its own, so that turning one fault on does not change the others.
"""

from __future__ import annotations

import math
import zlib

import numpy as np

__all__ = ["Wander", "stream"]

GRID_PER_CORRELATION = 5  # points; linear between them


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Random numbers for one purpose of one seed."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode())])


class Wander:
    """A first-order Gauss-Markov process of unit rms, read forward in time, linear between its grid points.

    It can be read back by no more than one grid step.
    Its autocorrelation at the grid points is exp(-|lag| / correlation_s).
    """

    def __init__(self, *, correlation_s: float, random: np.random.Generator) -> None:
        self.grid_s = correlation_s / GRID_PER_CORRELATION
        self._keep = math.exp(-1 / GRID_PER_CORRELATION)
        self._fresh = math.sqrt(1 - self._keep * self._keep)
        self._random = random
        self._drawn: list[float] = []
        self._index = 0
        self._here = self._before = float(random.standard_normal())
        self._next = self._keep * self._here + self._fresh * self._draw()

    def _draw(self) -> float:
        if not self._drawn:
            self._drawn = self._random.standard_normal(1024).tolist()[::-1]
        return self._drawn.pop()

    def at(self, time_s: float) -> float:
        """Value at a time, in seconds from the start."""
        place = time_s / self.grid_s
        while place >= self._index + 1:
            self._index += 1
            self._before, self._here = self._here, self._next
            self._next = self._keep * self._here + self._fresh * self._draw()
        if place < self._index:
            return self._before + (self._here - self._before) * (place - self._index + 1)
        return self._here + (self._next - self._here) * (place - self._index)
