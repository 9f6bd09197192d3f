"""Which smooth curve goes through points, or runs between them?

Two cubic splines with nothing but banded solving behind them: the general library's cost more to load than an hour's
log to read.
Source: de Boor, A Practical Guide to Splines (Springer 1978), ch. IV (through points, not-a-knot ends) and ch. XIV
(least squares on B-splines); with equally spaced knots all B-splines are one, Schoenberg's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spline", "between", "through"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Spline:
    """A cubic spline by its (k,) knots, values there and second derivatives there."""

    x: Floats
    y: Floats
    bend: Floats

    def at(self, x: Floats) -> Floats:
        """Values at (n,) places between the knots; beyond the ends straight on, at the end's slope."""
        near = np.clip(x, self.x[0], self.x[-1])
        k = np.clip(np.searchsorted(self.x, near, side="right") - 1, 0, len(self.x) - 2)
        step = np.diff(self.x)
        straight = np.diff(self.y) / step
        since, h = near - self.x[k], step[k]
        slope = straight[k] - h / 6 * (2 * self.bend[k] + self.bend[k + 1])
        rise = (self.bend[k + 1] - self.bend[k]) / (6 * h)
        value = self.y[k] + since * (slope + since * (self.bend[k] / 2 + since * rise))
        end = slope + since * (self.bend[k] + 3 * since * rise)
        return np.asarray(value + end * (x - near))


def through(x: Floats, y: Floats) -> Spline:
    """The spline through (k,) points, x rising, k >= 4; at its ends the outer two stretches are one cubic."""
    from scipy.linalg import solve_banded

    h = np.diff(x)
    right = 6 * np.diff(np.diff(y) / h)
    inner = len(x) - 2
    bands = np.zeros((3, inner))
    bands[0, 1:], bands[1], bands[2, :-1] = h[1:-1], 2 * (h[:-1] + h[1:]), h[1:-1]
    # not a knot: (bend1 - bend0) / h0 = (bend2 - bend1) / h1, put into the first row; the same at the end
    first, last = h[0] / h[1], h[-1] / h[-2]
    bands[1, 0] += h[0] * (1 + first)
    bands[0, 1] -= h[0] * first
    bands[1, -1] += h[-1] * (1 + last)
    bands[2, -2] -= h[-1] * last
    middle = solve_banded((1, 1), bands, right)
    bend = np.concatenate(
        ([(1 + first) * middle[0] - first * middle[1]], middle, [(1 + last) * middle[-1] - last * middle[-2]])
    )
    return Spline(x=np.asarray(x), y=np.asarray(y), bend=bend)


def between(x: Floats, y: Floats, *, pieces: int) -> Floats:
    """(n,) values of the least-squares cubic spline of so many equally long pieces at its own (n,) points, x rising."""
    from scipy.linalg import solveh_banded

    pieces = max(1, pieces)
    place = (x - x[0]) / (x[-1] - x[0]) * pieces
    k = np.minimum(place.astype(np.int64), pieces - 1)
    t = place - k
    basis = np.stack(((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)) / 6
    count = pieces + 3
    gram, right = np.zeros((4, count)), np.zeros(count)
    for a in range(4):
        right += np.bincount(k + a, basis[a] * y, count)
        for b in range(a, 4):
            gram[b - a] += np.bincount(k + a, basis[a] * basis[b], count)
    gram[0] += 1e-12 * gram[0].max()  # a piece without points keeps a solution
    found = solveh_banded(gram, right, lower=True)
    return np.asarray((basis * found[k + np.arange(4)[:, None]]).sum(axis=0))
