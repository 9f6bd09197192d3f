"""At what angles do the targets sit?

Angles are counted from target 0, in the direction of turning, and given as the spacing from each target to the next
(turns, sum 1).  No index mark is needed: which target is called 0 is where the count happened to begin.

The timing noise and the wander of the speed (`kerfbeat.calibrate.passes`) are not chosen: a grid of models is weighed
by their restricted likelihood, coarsely and then finely around its peak, and the answers are mixed by weight, so that
the standard errors hold at steady speed, while it wanders, and in between.
What no single sensor can tell: a wobble of the speed locked to the wheel's own turns looks exactly like spacing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kerfbeat.calibrate.cutting import affordable, cut
from kerfbeat.calibrate.passes import Block, Blocks, Floats, Gram, Ints, innovations, pack
from kerfbeat.errors import CalibrateError
from kerfbeat.measure.uncertainty import coverage_factor

__all__ = ["LEAST_TURNS", "OffsetFit", "Spacing", "estimate_spacing", "fit_offsets", "gap_matrix"]

LEAST_TURNS = 12  # below it noise and wander cannot be told apart, and the errors would be guesses (test_few_turns)
TAU_TURNS = (0.25, 1.0, 4.0, 16.0, 1000.0)  # correlation times tried; the longest is a random walk
# Variance that wander adds in a turn, over that of the timing noise: from nothing to 10 % wander beside 0.2 us.
LAMBDA_DECADES = (-4.0, 12.0)
FINE_POINTS = 7
DECIDING = 64  # blocks, at most, that decide where the fine grid lies
DISAGREE = 0.001  # chance of blocks agreeing worse than this by accident; worse still, the errors are widened
MOST_TARGETS = 360  # more are a gear or an encoder, which is even by itself


@dataclass(frozen=True, kw_only=True, slots=True)
class OffsetFit:
    """Offsets of targets 1..M-1 from even spacing (against target 0) for each of r runs.

    offset_turns : (r, M - 1).   covariance : (r, M - 1, M - 1).   dof : (r,).
    timing_sd_s, wander : (r,) sd of a pass's time, and relative sd of the speed's wander.   wander_s : its correlation.
    log_likelihood : (r,) of the times by the best model, offsets at their best; compares counts of targets.
    """

    offset_turns: Floats
    covariance: Floats
    dof: Floats
    timing_sd_s: Floats
    wander: Floats
    wander_s: Floats
    log_likelihood: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Spacing:
    """Spacing of M targets: from each to the next, in turns, with its covariance and degrees of freedom.

    turns : how many went into it.   timing_sd_s, wander, wander_s : of the run, see `OffsetFit`.
    widened : factor by which standard errors were raised since parts of the run disagreed; 1 if they did not.
    """

    spacing_turns: Floats
    covariance: Floats
    dof: float
    turns: float
    timing_sd_s: float
    wander: float
    wander_s: float
    widened: float = 1.0

    @property
    def targets(self) -> int:
        """How many there are."""
        return len(self.spacing_turns)

    @property
    def u_turns(self) -> Floats:
        """Standard uncertainty of each spacing, (M,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def u95_turns(self) -> Floats:
        """95 % half-width of each spacing, (M,)."""
        return self.u_turns * coverage_factor(self.dof)

    def begun_at(self, target: int) -> Spacing:
        """The same pattern with another target called 0."""
        return replace(
            self,
            spacing_turns=np.roll(self.spacing_turns, -target),
            covariance=np.roll(self.covariance, (-target, -target), axis=(0, 1)),
        )


def gap_matrix(targets: int) -> Floats:
    """(M, M - 1) matrix that turns offsets of targets 1..M-1 into the deviations of all spacings from even."""
    matrix = np.zeros((targets, targets - 1))
    for j in range(targets - 1):
        matrix[j, j] += 1.0
        matrix[j + 1, j] -= 1.0
    return matrix


def _wander(lam: Floats, tau_s: Floats, turn_s: Floats) -> Floats:
    """Speed variance over timing variance (1/s^2) whose integral gains lam times the timing variance in one turn."""
    x = turn_s / tau_s
    grown = np.where(x < 0.02, x**3 * (2.0 / 3.0 - x / 2.0), 2.0 * x - 3.0 + 4.0 * np.exp(-x) - np.exp(-2.0 * x))
    return np.asarray(lam / (tau_s**2 * grown))


@dataclass(frozen=True, slots=True)
class _Solved:
    """What every model (g) says of every run (r)."""

    offset: Floats  # (g, r, M - 1)
    inverse: Floats  # (g, r, M - 1, M - 1)
    variance: Floats  # (g, r), s_t^2
    log_likelihood: Floats  # (g, r), restricted
    plain_likelihood: Floats  # (g, r)
    dof: Floats  # (r,)


def _solve(gram: Gram, run_of_block: Ints) -> _Solved:
    """Regression of each run by each model."""
    runs = int(run_of_block.max()) + 1
    m = gram.product.shape[-1]
    member = (run_of_block[:, None] == np.arange(runs)).astype(float) if runs > 1 else np.ones((len(run_of_block), 1))
    product = np.tensordot(gram.product, member, axes=(1, 0)).transpose(0, 3, 1, 2)
    determinant = gram.log_determinant @ member
    dof = np.bincount(run_of_block, weights=gram.freedom, minlength=runs) - (m - 1)
    design, moment = product[..., 1:, 1:], product[..., 1:, 0]
    inverse = np.linalg.inv(design)
    offset = np.einsum("grij,grj->gri", inverse, moment)
    squares = product[..., 0, 0] - np.einsum("gri,gri->gr", offset, moment)
    variance: Floats = np.maximum(squares, 1e-300) / dof
    restricted = -0.5 * (dof * np.log(variance) + determinant + np.linalg.slogdet(design)[1])
    passes = dof + (m - 1)
    plain = -0.5 * (passes * np.log(variance * dof / passes) + determinant)
    return _Solved(offset, inverse, variance, restricted, plain, dof)


def _weights(log_likelihood: Floats) -> Floats:
    weight = np.exp(log_likelihood - log_likelihood.max(axis=0))
    return np.asarray(weight / weight.sum(axis=0))


def _grid(decades: Floats, tau_turns: Floats, turn_s: Floats) -> tuple[Floats, Floats]:
    """Models (g, r) as (wander, tau_s) from log10 lambda and tau (g, r), and each run's time of a turn (r,)."""
    tau_s = tau_turns * turn_s
    return _wander(10.0**decades, tau_s, np.broadcast_to(turn_s, tau_s.shape)), tau_s


def _coarse(targets: int) -> tuple[Floats, Floats]:
    """Every decade and correlation time; fewer where many targets make each model dear."""
    step = 1.0 if targets <= 24 else 2.0
    decade = np.arange(LAMBDA_DECADES[0], LAMBDA_DECADES[1] + 0.5, step)
    tau = np.array(TAU_TURNS if targets <= 24 else (1.0, 1000.0))
    return np.repeat(decade, len(tau)), np.tile(tau, len(decade))


def _fine(decades: Floats, tau: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Around the peak of each run: (g, r) decades and correlation times, from coarse weights (g, r)."""
    taus = np.unique(tau)
    near, times = [], []
    by_tau = np.stack([np.where(tau[:, None] == each, weight, 0.0).sum(axis=0) for each in taus])
    keep = by_tau.max(axis=1) > 1e-3
    for each, wanted in zip(taus, keep, strict=True):
        if not wanted:
            continue
        here = np.where(tau[:, None] == each, weight, 0.0) + 1e-300 * (tau[:, None] == each)
        here = here / here.sum(axis=0)
        mean = (here * decades[:, None]).sum(axis=0)
        sd = np.sqrt((here * (decades[:, None] - mean) ** 2).sum(axis=0))
        reach = np.maximum(2.0 * sd, 0.75)
        near.append(mean + np.linspace(-1.0, 1.0, FINE_POINTS)[:, None] * reach)
        times.append(np.full((FINE_POINTS, weight.shape[1]), each))
    return np.concatenate(near), np.concatenate(times)


def fit_offsets(blocks: Sequence[Block], *, per_turn: int, run_of_block: Sequence[int] | None = None) -> OffsetFit:
    """Fit the offsets of every run; blocks of one run must count from the same target 0.

    per_turn : targets, 1 or more.   run_of_block : which run each block belongs to, 0..r-1; default all one run.
    """
    return _fit(pack(blocks, per_turn=per_turn), _runs(blocks, run_of_block))[0]


def _runs(blocks: Sequence[Block], run_of_block: Sequence[int] | None) -> Ints:
    return np.zeros(len(blocks), dtype=np.int64) if run_of_block is None else np.asarray(run_of_block, dtype=np.int64)


def _fit(blocks: Blocks, run: Ints) -> tuple[OffsetFit, Floats]:
    """The fit, and how the blocks agree with it; see `_disagreement`."""
    turn_s = np.bincount(run, weights=1.0 / blocks.mean_hz) / np.bincount(run)
    decades, tau = _coarse(blocks.per_turn)
    shape = (len(decades), len(turn_s))
    first, run_first = blocks, run
    if len(turn_s) == 1 and len(run) > DECIDING:
        first = blocks.some(np.linspace(0, len(run) - 1, DECIDING).astype(int))
        run_first = run[:DECIDING]
    wander, tau_s = _grid(np.broadcast_to(decades[:, None], shape), np.broadcast_to(tau[:, None], shape), turn_s)
    coarse = _solve(innovations(first, wander=wander[:, run_first], tau_s=tau_s[:, run_first]), run_first)
    near, times = _fine(decades, tau, _weights(coarse.log_likelihood))
    wander, tau_s = _grid(near, times, turn_s)
    gram = innovations(blocks, wander=wander[:, run], tau_s=tau_s[:, run])
    fine = _solve(gram, run)
    weight = _weights(fine.log_likelihood)
    offset = (weight[..., None] * fine.offset).sum(axis=0)
    apart = fine.offset - offset
    spread = fine.variance[..., None, None] * fine.inverse + apart[..., :, None] * apart[..., None, :]
    result = OffsetFit(
        offset_turns=offset,
        covariance=(weight[..., None, None] * spread).sum(axis=0),
        dof=fine.dof,
        timing_sd_s=np.sqrt((weight * fine.variance).sum(axis=0)),
        wander=np.sqrt((weight * fine.variance * wander).sum(axis=0)),
        wander_s=np.exp((weight * np.log(tau_s)).sum(axis=0)),
        log_likelihood=fine.plain_likelihood.max(axis=0),
    )
    best = weight.argmax(axis=0)[run]
    return result, _disagreement(gram.product[best, np.arange(len(run))], offset[run], fine.variance[best, run])


def _disagreement(product: Floats, offset: Floats, variance: Floats) -> Floats:
    """How far each block's own offsets are from the common ones: (B, 2) chi squared, and its degrees of freedom.

    A target that fell off is not seen in every block, and such a block says nothing of it.
    """
    design, moment = product[:, 1:, 1:], product[:, 1:, 0]
    pull = moment - np.einsum("bij,bj->bi", design, offset)
    away = np.einsum("bi,bij,bj->b", pull, np.linalg.pinv(design, hermitian=True), pull)
    return np.column_stack((away / variance, np.linalg.matrix_rank(design, hermitian=True)))


def estimate_spacing(runs: Sequence[Block], *, targets: int) -> Spacing:
    """Spacing of the targets from runs whose numbers count from the same target 0; the speed may wander.

    targets : 2 to 360.
    Raises CalibrateError with fewer than `LEAST_TURNS` turns in all, or without a run of two turns.
    """
    if targets < 2:
        raise CalibrateError("one target has no spacing to find; whole turns are timed exactly as it is.")
    if targets > MOST_TARGETS:
        raise CalibrateError(f"{targets} targets are too many for this; up to {MOST_TARGETS} can be told apart.")
    pieces = [piece for run in runs if len(run.seconds) > 2 * targets for piece in cut(run, per_turn=targets)]
    turns = sum(float(piece.numbers[-1] - piece.numbers[0]) for piece in pieces) / targets
    if turns < LEAST_TURNS:
        raise CalibrateError(
            f"{turns:.0f} turns without stops and ramps are too few to tell spacing from noise; record at least "
            f"{LEAST_TURNS}, better a hundred, while the machine runs on."
        )
    pieces = affordable(pieces, per_turn=targets, models=len(_coarse(targets)[0]))
    fit, disagreement = _fit(pack(pieces, per_turn=targets), _runs(pieces, None))
    matrix = gap_matrix(targets)
    widened = _widening(disagreement, freedom=targets - 1)
    return Spacing(
        spacing_turns=1.0 / targets + matrix @ fit.offset_turns[0],
        covariance=matrix @ fit.covariance[0] @ matrix.T * widened**2,
        dof=float(fit.dof[0]),
        turns=sum(float(piece.numbers[-1] - piece.numbers[0]) for piece in pieces) / targets,
        timing_sd_s=float(fit.timing_sd_s[0]),
        wander=float(fit.wander[0]),
        wander_s=float(fit.wander_s[0]),
        widened=widened,
    )


def _widening(disagreement: Floats, *, freedom: int) -> float:
    """Factor on the standard errors if blocks disagree more than chance allows (Birge's ratio), else 1."""
    if len(disagreement) < 2:
        return 1.0
    from scipy.stats import chi2

    total, told = disagreement.sum(axis=0).tolist()
    expected = told - freedom
    if expected < 1.0 or total <= chi2.isf(DISAGREE, expected):
        return 1.0
    return float(np.sqrt(total / expected))
