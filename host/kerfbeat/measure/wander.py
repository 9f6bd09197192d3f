"""How long did a number of turns take, when neither the timing noise nor the wander of the speed is known?

Model.  Edge k is seen at t_k = x(p_k) + tau_j + e_k: p_k is its place in turns, x(p) the time at which the shaft has
made p turns, tau_j an unknown constant of its target (its angle is not where even spacing would put it), e_k white
timing noise of unknown sd s.  The time per turn, dx/dp, does a random walk of unknown strength: over h turns it gains
the variance lambda s^2 h.  lambda = 0 is constant speed, where the best estimate is the least-squares slope; lambda
without limit is a shaft whose noise is nothing beside its wander, where the best estimate is last edge minus first.

What is wanted is x(end) - x(start) for given places: the time those turns took, not a constant behind it.

lambda is not chosen but integrated over: for each value on a grid the best linear unbiased prediction, its variance
and the restricted likelihood of the data are found, and the results are mixed with weight prior times likelihood.
The prior is a lump at lambda = 0 and Jeffreys' density for the rest, which settles where data of that length can tell
wander from noise.  The lump is smaller for the interval than for the value, which keeps the interval honest where a
wander is about as large as can just be seen.
Sources: restricted likelihood and prediction: Patterson & Thompson, Biometrika 58 (1971); Robinson, Statistical
Science 6 (1991).  An integrated random walk is the model behind the cubic smoothing spline: Wahba, J. R. Statist. Soc.
B 40 (1978).  Lumps and their sizes: by simulation, held by the coverage test.
"""

from dataclasses import dataclass, replace

import numpy as np

from kerfbeat.errors import MeasureError
from kerfbeat.measure.wander_fit import Floats, Prediction, predict_along_chain, predict_with_offsets

__all__ = ["TurnTime", "strength_grid", "time_of_turns"]

VALUE_LUMP = 0.4  # prior weight of constant speed for the value: sd within 3 % of the bound at constant speed
INTERVAL_LUMP = 0.2  # for the interval, with many turns: 96 % coverage at constant speed, 91 % at the worst wander
FEW = 8.0  # about so many free contrasts are needed to tell wander from noise; with fewer, constant speed is the guess
GRID_POINTS = 80
FINEST_GRID = 10.0**0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class TurnTime:
    """The time that some turns took: (runs,) seconds, standard uncertainty `u_s`, and the timing sd found.

    `dof` is the freedom of `u_s`; 0 if nothing repeats, and then `u_s` is 0 and means nothing.
    """

    value_s: Floats
    u_s: Floats
    timing_sd_s: Floats
    dof: int


def _modes(*, turns: float, edges: int, edges_per_turn: float) -> tuple[Floats, Floats]:
    """Variance that lambda = 1 gives each residual mode, in s^2, and how many modes share each value.

    The modes are those of a free beam, at wave numbers (i + 1/2) pi / turns (Blevins, Formulas for Natural Frequency,
    table 8-1, from memory; held against the exact matrix by a test).  Far up only some per octave are resolved.
    """
    index = np.unique(np.round(np.geomspace(1, max(edges - 2, 1), 400)))
    share = np.minimum(np.diff(index, append=index[-1] + 1), 3.0)
    return edges_per_turn * (turns / ((index + 0.5) * np.pi)) ** 4, share


def strength_grid(*, turns: float, edges: int, edges_per_turn: float) -> tuple[Floats, Floats]:
    """Strengths (g,), the first 0, from nothing to all that such a run can tell; Jeffreys' prior of the others.

    turns, edges_per_turn : length of the run and edges per unit of it (any unit); edges : how many.
    The prior (g - 1,) sums to 1.
    """
    variance, share = _modes(turns=turns, edges=edges, edges_per_turn=edges_per_turn)
    low, high = np.log10(1e-2 / variance[0]), np.log10(1e2 / variance[-1])
    points = min(GRID_POINTS, int((high - low) / np.log10(FINEST_GRID)) + 1)
    grid = np.logspace(low, high, points)
    part = grid[:, None] * variance / (1.0 + grid[:, None] * variance)
    information = (share * part**2).sum(axis=1) - (share * part).sum(axis=1) ** 2 / share.sum()
    density = np.sqrt(np.maximum(information, 1e-12))
    return np.concatenate(([0.0], grid)), density / density.sum()


def _mix(prediction: Prediction, prior: Floats, *, turns: float, dof_used: int) -> TurnTime:
    """Value and variance over all lambda, each by its posterior weight."""
    dof = prediction.dof - dof_used
    timing_variance = np.maximum(prediction.squares / dof, 1e-300)
    log_likelihood = -0.5 * (dof * np.log(timing_variance) + prediction.log_determinant[:, None])
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=0))

    def few(freedom: float) -> float:
        return 1.0 / (1.0 + (freedom / FEW) ** 2)

    value_lump = max(VALUE_LUMP, few(min(dof, 3.0 * turns)))
    interval_lump = INTERVAL_LUMP + (1.0 - INTERVAL_LUMP) * few(min(dof, 8.0 * turns))

    def weights(lump: float) -> Floats:
        weight = likelihood * np.concatenate(([lump], (1.0 - lump) * prior))[:, None]
        return np.asarray(weight / weight.sum(axis=0))

    for_value = weights(value_lump)
    value = (for_value * prediction.value).sum(axis=0)
    variance = prediction.relative_variance[:, None] * timing_variance + (prediction.value - value) ** 2
    u = np.sqrt((weights(interval_lump) * variance).sum(axis=0))
    return TurnTime(value_s=value, u_s=u, timing_sd_s=np.sqrt((for_value * timing_variance).sum(axis=0)), dof=dof)


def time_of_turns(
    times_s: Floats,
    *,
    place_turns: Floats,
    start: int,
    end: int,
    weight: Floats | None = None,
    share: Floats | None = None,
    edges_per_turn: float = 1.0,
    dof_used: int = 0,
) -> TurnTime:
    """Time from point `start` to point `end`, a whole number of turns later where targets are uneven.

    times_s : (n,) or (n, runs), seconds; runs share all other arguments.
    place_turns : (n,), strictly increasing.  weight : (n,) edges averaged in each point, default 1.
    share : (n, m) what part of each point is of which of m targets with unknown constants; rows sum to 1; None if the
    places are exact (one target, or known angles).
    edges_per_turn : how dense the edges behind the points are.  dof_used : constants fitted before this call.
    Raises MeasureError with fewer than 2 points.
    """
    y = times_s[:, None] if times_s.ndim == 1 else times_s
    n = len(place_turns)
    if n < 2 or not 0 <= start < end < n:
        raise MeasureError(f"{n} points give no time between two of them")
    if share is not None and not np.array_equal(share[start], share[end]):
        raise MeasureError("the time between different targets is no whole number of turns")
    w = np.ones(n) if weight is None else weight
    turns = float(place_turns[-1] - place_turns[0])
    grid, prior = strength_grid(turns=turns, edges=int(w.sum()), edges_per_turn=edges_per_turn)
    slope = (y[end] - y[start]) / (place_turns[end] - place_turns[start])
    flat = y - y[start] - slope * (place_turns - place_turns[start])[:, None]  # keeps digits in a long log
    if share is None:
        prediction = predict_along_chain(flat, place_turns=place_turns, weight=w, strength=grid, start=start, end=end)
    else:
        prediction = predict_with_offsets(
            flat, place_turns=place_turns, weight=w, share=share, strength=grid, start=start, end=end
        )
    if prediction.dof - dof_used < 1:
        nothing = np.zeros(y.shape[1])
        return TurnTime(value_s=y[end] - y[start], u_s=nothing, timing_sd_s=nothing, dof=0)
    found = _mix(prediction, prior, turns=turns, dof_used=dof_used)
    return replace(found, value_s=found.value_s + slope * (place_turns[end] - place_turns[start]))
