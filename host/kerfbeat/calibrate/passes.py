"""What do target passes say of the targets' angles, once timing noise and the wander of the speed are taken out?

Model.  Pass k of a block happens at time t_k at the place y_k = k / M + o_j (turns; M targets, o_j the unknown offset
of target j from even spacing, o_0 = 0).  The shaft's place obeys p' = n + w: n is an unknown trend, of second order
in time within a block (a run-down), and w an Ornstein-Uhlenbeck process of relative standard deviation s_w and
correlation time tau, which for tau much longer than a turn is a random walk.  Each t_k carries white noise of sd s_t,
that is s_t n turns.  Seen at the given times this is a linear Gaussian state space with the offsets and the trend's
curvature as regression columns, so a Kalman filter over the data and over each column gives innovations that are
white, and their Gram matrix holds all that ordinary regression needs.

Sources: Kalman filter as generalised least squares with regressors: de Jong, Annals of Statistics 19 (1991) 1073;
exact discretisation of the process: Gillespie, Phys. Rev. E 54 (1996) 2084.  Checked against a dense Cramer-Rao bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Block", "Blocks", "Floats", "Gram", "Ints", "innovations", "pack"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

VAGUE = 1e10  # prior variance of the speed in units of (timing noise per mean gap)^2: says nothing beside two passes
TREND = (2, 3)  # powers of time in a block's own trend, beside its mean speed
CHUNK_FLOATS = 60_000  # numbers handled together, so that they stay in the processor's cache


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """Passes in one unbroken count: (n,) seconds, increasing, and (n,) pulse numbers, strictly increasing.

    Number modulo the targets tells which target passed; numbers left out are pulses that were missed.
    """

    seconds: Floats
    numbers: Ints


@dataclass(frozen=True, kw_only=True, slots=True)
class Blocks:
    """B blocks side by side, padded to n passes; arrays are (n, B).

    place : turns at even spacing less what the block's mean speed makes of the time.   gap_s : time since the pass
    before.   when : time from -1 to 1 over the block.   target : which target passed.   seen : False in padding.
    pace : local speed over the block's mean.   mean_hz : (B,) mean speed of each block.
    """

    place: Floats
    gap_s: Floats
    when: Floats
    target: Ints
    seen: NDArray[np.bool_]
    pace: Floats
    mean_hz: Floats
    per_turn: int

    def some(self, which: Ints) -> Blocks:
        """Some of the blocks, by index."""
        return Blocks(
            place=self.place[:, which],
            gap_s=self.gap_s[:, which],
            when=self.when[:, which],
            target=self.target[:, which],
            seen=self.seen[:, which],
            pace=self.pace[:, which],
            mean_hz=self.mean_hz[which],
            per_turn=self.per_turn,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Gram:
    """Sums of products of innovations over each block's passes, for each of g models, in units of s_t^2.

    product : (g, B, M, M), the data in row 0, the offsets (per turn) of targets 1..M-1 in the others; every block's
        own trend is already taken out.
    log_determinant : (g, B), of the innovations' variances and of the trend's information.
    freedom : (B,) passes less the constants of place and trend.
    """

    product: Floats
    log_determinant: Floats
    freedom: Ints


def _pace(block: Block, *, per_turn: int, mean_hz: float) -> Floats:
    """Speed over the turn around each pass, against the block's mean; from whole turns, free of uneven spacing."""
    numbers = block.numbers.astype(float)
    half = per_turn / 2
    low = np.clip(numbers - half, numbers[0], numbers[-1] - per_turn)
    span_s = np.interp(low + per_turn, numbers, block.seconds) - np.interp(low, numbers, block.seconds)
    return np.asarray(1.0 / (span_s * mean_hz))


def pack(blocks: Sequence[Block], *, per_turn: int) -> Blocks:
    """Lay blocks of at least a turn and two passes side by side."""
    n, count = max(len(block.seconds) for block in blocks), len(blocks)
    place, gap_s, when, pace = np.zeros((n, count)), np.zeros((n, count)), np.zeros((n, count)), np.ones((n, count))
    target, seen = np.zeros((n, count), dtype=np.int64), np.zeros((n, count), dtype=bool)
    mean_hz = np.empty(count)
    for b, block in enumerate(blocks):
        size = len(block.seconds)
        numbers = block.numbers
        seconds = block.seconds - block.seconds[0]
        mean_hz[b] = (numbers[-1] - numbers[0]) / per_turn / seconds[-1]
        place[:size, b] = (numbers - numbers[0]) / per_turn - mean_hz[b] * seconds
        gap_s[1:size, b] = np.diff(seconds)
        when[:size, b] = 2.0 * seconds / seconds[-1] - 1.0
        target[:size, b] = numbers % per_turn
        seen[:size, b] = True
        pace[:size, b] = _pace(block, per_turn=per_turn, mean_hz=float(mean_hz[b]))
    return Blocks(
        place=place, gap_s=gap_s, when=when, target=target, seen=seen, pace=pace, mean_hz=mean_hz, per_turn=per_turn
    )


def innovations(blocks: Blocks, *, wander: Floats, tau_s: Floats) -> Gram:
    """Filter every block with every model.

    wander : (g, B), variance of the relative speed in units of (s_t)^2 per s^2: (s_w / s_t)^2.
    tau_s : (g, B) correlation times; lengthy ones make a random walk of variance 2 s_w^2 / tau per second.
    """
    g, count = wander.shape
    m = blocks.per_turn
    product, log_determinant = np.empty((g, count, m, m)), np.empty((g, count))
    width = max(1, CHUNK_FLOATS // (g * (m + len(TREND))))
    for low in range(0, count, width):
        part = slice(low, low + width)
        whole, determinant = _filter(blocks, part, wander[:, part], tau_s[:, part])
        product[:, part], information = _without_trend(whole, m)
        log_determinant[:, part] = determinant + information
    freedom = blocks.seen.sum(axis=0) - 2 - len(TREND)  # the first pass defines the place, another the mean speed
    return Gram(product=product, log_determinant=log_determinant, freedom=freedom)


def _without_trend(product: Floats, m: int) -> tuple[Floats, Floats]:
    """Take each block's trend out of its Gram matrix, and the log of the information that takes."""
    cross, trend = product[..., :m, m:], product[..., m:, m:]
    taken = cross @ np.linalg.solve(trend, np.swapaxes(cross, -1, -2))
    return product[..., :m, :m] - taken, np.linalg.slogdet(trend)[1]


def _filter(blocks: Blocks, part: slice, wander: Floats, tau_s: Floats) -> tuple[Floats, Floats]:
    """The recursion over passes, for some of the blocks.

    Place is in turns over the block's mean speed, hence in seconds, and speed relative to it; variances are in units
    of s_t^2, so that the noise of a pass has the variance pace^2 and the relative speed the variance `wander`.
    """
    place, gap_s, seen = blocks.place[:, part], blocks.gap_s[:, part], blocks.seen[:, part]
    when, target, pace2 = blocks.when[:, part], blocks.target[:, part], blocks.pace[:, part] ** 2
    mean_hz = blocks.mean_hz[part]
    n, count = gap_s.shape
    g, m = wander.shape[0], blocks.per_turn
    column, power = np.arange(1, m), np.array(TREND)[:, None]
    columns = m + len(TREND)

    def data(k: int) -> Floats:
        """Row of the regression at pass k: (columns, count), the data, each free offset, the trend."""
        offsets = -1.0 * (target[k] == column[:, None]) / mean_hz
        return np.concatenate((place[k][None, :] / mean_hz, offsets, when[k] ** power))

    mean_gap_s = gap_s.sum(axis=0) / np.maximum(seen.sum(axis=0) - 1, 1)
    at = np.repeat(data(0)[:, None, :], g, axis=1)  # (columns, g, count): place; mean speed and wander follow
    speed, drift = np.zeros_like(at), np.zeros_like(at)
    v_pp = np.broadcast_to(pace2[0], (g, count)).copy()
    v_ss = np.broadcast_to(VAGUE / mean_gap_s**2, (g, count)).copy()
    v_dd = wander * pace2[0]
    v_ps, v_pd, v_sd = np.zeros_like(v_pp), np.zeros_like(v_pp), np.zeros_like(v_pp)
    product, log_determinant = np.zeros((columns, columns, g, count)), np.zeros((g, count))
    for k in range(1, n):
        h = gap_s[k]
        x = h / tau_s
        keep = np.exp(-x)
        reach = -tau_s * np.expm1(-x)
        strength = wander * pace2[k]
        at += h * speed + reach * drift
        drift *= keep
        ps = v_ps + h * v_ss + reach * v_sd
        pd = v_pd + h * v_sd + reach * v_dd
        v_pp = v_pp + h * v_ps + reach * v_pd + h * ps + reach * pd + strength * tau_s**2 * _integral(x, keep)
        v_ps = ps
        v_pd = pd * keep + strength * reach**2 / tau_s
        v_sd = v_sd * keep
        v_dd = v_dd * keep**2 - strength * np.expm1(-2.0 * x)
        total = v_pp + pace2[k]
        used = seen[k] / total
        miss = data(k)[:, None, :] - at
        gain_p, gain_s, gain_d = v_pp * used, v_ps * used, v_pd * used
        at += gain_p * miss
        speed += gain_s * miss
        drift += gain_d * miss
        product += miss[:, None] * (miss * used)[None, :]
        log_determinant += np.where(seen[k], np.log(total), 0.0)
        v_ss, v_sd, v_dd = v_ss - gain_s * v_ps, v_sd - gain_s * v_pd, v_dd - gain_d * v_pd
        v_pp, v_ps, v_pd = v_pp - gain_p * v_pp, v_ps - gain_p * v_ps, v_pd - gain_p * v_pd
    return np.moveaxis(product, (0, 1), (2, 3)), log_determinant


def _integral(x: Floats, keep: Floats) -> Floats:
    """Variance of the integral of a unit process over x correlation times, 2x - 3 + 4 e^-x - e^-2x (Gillespie)."""
    small = x < 0.02  # below it the closed form loses digits
    series = x**3 * (2.0 / 3.0 - x / 2.0 + 7.0 * x**2 / 30.0)
    return np.where(small, series, 2.0 * x - 3.0 + 4.0 * keep - keep**2)
