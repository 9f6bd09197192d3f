"""How large is each wave in a shaft's turning, and at which order exactly?

All waves, the targets' unequal places and a smooth trend are fitted together, in half-overlapping pieces with Hann
weights: a speed that wanders makes the pass's place wander strongly and slowly, and without the weights the ends of a
piece would spread that over all orders.  Overlapping, the pieces lose nothing (Welch, IEEE Trans. Audio Electroacoust.
15 (1967) 70).  Pieces, since a belt's order creeps against the shaft's: amplitudes are averaged without their phases.
Nothing rolls off here: passes are instants, not averages over a gap.

How sure an amplitude is follows from the floor at its order, not from what is left of the whole fit.  With white timing
noise the bound for any estimator is sqrt(2 / n) 2 pi q f sigma of the speed, for n passes, order q, f turns per second
and timing noise sigma (Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Passes", "fit_waves"]

Floats = NDArray[np.float64]

FEWEST_PASSES = 4  # a target in a piece
REFINED_ON = 6  # pieces: the order is known well enough by them
NEIGHBOURS = 1.0 / 6.0  # correlation of errors of half-overlapping Hann pieces: sum w(x) w(x + n/2) / sum w^2
UNEVEN = 0.01  # chance that noise alone makes pieces differ so much that their own scatter is taken instead


@dataclass(frozen=True, kw_only=True, slots=True)
class Passes:
    """Passes of one run: (n,) place in turns by even or calibrated angles, time in seconds, pulse number.

    known : whether the angles are calibrated; else each target has a free offset.
    """

    place: Floats
    when: Floats
    number: NDArray[np.int64]
    per_turn: int
    known: bool

    def piece(self, which: slice) -> "Passes":
        """Some of the passes."""
        return Passes(
            place=self.place[which], when=self.when[which], number=self.number[which], per_turn=self.per_turn,
            known=self.known,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fit:
    """(k,) waves of one piece: squared amplitude, how far each order is off times it, variance per noise variance."""

    square: Floats
    turning: Floats
    variance: Floats


def fit_waves(
    passes: Passes, rough: Floats, *, noise2: Floats, piece_turns: float, knot_turns: float
) -> list[tuple[float, float, float]]:
    """Order, amplitude of place in turns and its standard uncertainty of every wave.

    rough : (k,) orders within half a bin.   noise2 : (k,) variance of a white noise that makes the floor there.
    piece_turns : length of a piece.   knot_turns : slower than this is trend.
    """
    if not len(rough):
        return []
    pieces = _pieces(passes, piece_turns)
    orders = np.asarray(rough, dtype=np.float64).copy()
    some = pieces[:: max(1, len(pieces) // REFINED_ON)]
    for _ in range(2):
        fits = [_fit_piece(passes.piece(each), orders, knot_turns=knot_turns) for each in some]
        turning = np.sum([each.turning for each in fits], axis=0)
        weight = np.maximum(np.sum([each.square for each in fits], axis=0), 1e-300)
        orders -= np.clip(turning / weight / (2 * np.pi), -0.5 / piece_turns, 0.5 / piece_turns)
    fits = [_fit_piece(passes.piece(each), orders, knot_turns=knot_turns) for each in pieces]
    square = np.mean([each.square for each in fits], axis=0)
    variance = noise2 * np.mean([each.variance for each in fits], axis=0)
    amplitude = np.sqrt(np.maximum(square - 2 * variance, 0.0))
    u = np.sqrt(_of_mean(variance, np.sqrt([each.square for each in fits])))
    return list(zip(orders.tolist(), amplitude.tolist(), u.tolist(), strict=True))


def _pieces(passes: Passes, piece_turns: float) -> Sequence[slice]:
    """Half-overlapping stretches of equal length that cover the run."""
    x = (passes.number - passes.number[0]) / passes.per_turn
    steps = max(1, round(2 * (float(x[-1]) / piece_turns - 1)))
    starts = np.linspace(0.0, max(0.0, float(x[-1]) - piece_turns), steps + 1)
    first, after = np.searchsorted(x, starts), np.searchsorted(x, starts + piece_turns, side="right")
    long = [
        slice(a, b)
        for a, b in zip(first.tolist(), after.tolist(), strict=True)
        if b - a > FEWEST_PASSES * passes.per_turn
    ]
    return long or [slice(0, len(x))]


def _of_mean(variance: Floats, amplitudes: Floats) -> Floats:
    """Variance of the mean amplitude over (pieces, k); by the pieces' own scatter where that is too large for noise."""
    from scipy.special import chdtri

    count = len(amplitudes)
    each = variance
    if count > 2:
        scatter = np.var(amplitudes, axis=0, ddof=1)
        each = np.where(scatter > variance * float(chdtri(count - 1, UNEVEN)) / (count - 1), scatter, variance)
    return np.asarray(each / count * (1 + 2 * NEIGHBOURS * (1 - 1 / count)))


def _fit_piece(passes: Passes, orders: Floats, *, knot_turns: float) -> _Fit:
    """Weighted least squares: cosines and sines, the same times the turns, a trend, and the targets' offsets."""
    turns = (passes.number - passes.number[0]) / passes.per_turn
    span = float(turns[-1])
    weight = 0.5 * (1 - np.cos(2 * np.pi * (np.arange(len(turns)) + 0.5) / len(turns)))
    y = passes.place - passes.place[0]
    y = y - y[-1] / (passes.when[-1] - passes.when[0]) * (passes.when - passes.when[0])
    k = len(orders)
    ramp = turns - span / 2
    wave = np.exp(2j * np.pi * np.outer(ramp, orders))
    trend = np.polynomial.legendre.legvander(2 * turns / span - 1, 3 + int(span / knot_turns))
    columns = np.column_stack((wave.real, wave.imag, ramp[:, None] * wave.real, ramp[:, None] * wave.imag, trend, y))
    if not passes.known:
        columns = _without_means(columns, weight, passes.number % passes.per_turn, passes.per_turn)
    weighted = columns * weight[:, None]
    scale = np.sqrt(np.maximum((columns * weighted).sum(axis=0), 1e-300))
    gram = (columns.T @ weighted) / np.outer(scale, scale)
    inverse = np.linalg.pinv(gram[:-1, :-1], rcond=1e-10, hermitian=True)
    found = (inverse @ gram[:-1, -1]) * scale[-1] / scale[:-1]
    # The weights are no inverse variances: the sandwich tells what white noise of variance 1 does to each coefficient.
    rows = inverse[: 2 * k] / scale[:-1]
    spread = rows @ (weighted[:, :-1].T @ weighted[:, :-1])
    diagonal = (spread * rows).sum(axis=1) / scale[: 2 * k] ** 2
    c, s, cd, sd = (found[j * k : (j + 1) * k] for j in range(4))
    # A phase that turns along the piece shows in the columns times the turns: how far the order is off.
    return _Fit(
        square=c * c + s * s,
        turning=c * sd - s * cd,
        variance=0.5 * (diagonal[:k] + diagonal[k:]),
    )


def _without_means(columns: Floats, weight: Floats, target: NDArray[np.int64], per_turn: int) -> Floats:
    """Columns less their weighted mean for each target: what a fit with a free offset for each is left with.

    Source: Frisch & Waugh, Econometrica 1 (1933) 387.
    """
    rest = columns.copy()
    for j in range(per_turn):
        mine = target == j
        total = float(weight[mine].sum())
        if total > 0:
            rest[mine] -= (weight[mine] / total) @ rest[mine]
    return rest
