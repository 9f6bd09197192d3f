"""For a given strength of wander, what do the points say of the time between two of them?

Both functions take a grid of strengths lambda (see `kerfbeat.measure.wander` for the model) and give, for each, the
best linear unbiased prediction of x(end) - x(start), its variance, and what the restricted likelihood is made of.  They
agree where both apply; the chain is linear in the number of points, the dense form also bears unknown target angles.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Floats", "Prediction", "predict_along_chain", "predict_with_offsets"]

Floats = NDArray[np.float64]

SINGULAR = 1e-7  # a combination of constants that the points tell nothing of


@dataclass(frozen=True, kw_only=True, slots=True)
class Prediction:
    """What each lambda (g,) says of each run (r,); variances are in units of the timing variance.

    value : (g, r) seconds.  relative_variance, log_determinant : (g,).
    squares : (g, r), s^2: weighted squares of the `dof` residual contrasts.
    """

    value: Floats
    relative_variance: Floats
    log_determinant: Floats
    squares: Floats
    dof: int


def predict_along_chain(
    times_s: Floats, *, place_turns: Floats, weight: Floats, strength: Floats, start: int, end: int
) -> Prediction:
    """Kalman filter along the points, whose places are known; exact start from the first two points.

    times_s : (n, r), n >= 3.  place_turns, weight : (n,).  strength : (g,).  0 <= start < end < n.
    State: time x, time per turn, and copies of x at `start` and at `end`, which the later points go on improving.
    Source: Bar-Shalom, Li & Kirubarajan, Estimation with Applications to Tracking and Navigation, ch. 5 and 6.2.2
    (discretised white-noise acceleration) (from memory); held against the dense form by a test.
    """
    noise = 1.0 / weight
    h = place_turns[1] - place_turns[0]
    covariance = np.zeros((len(strength), 4, 4))
    covariance[:, 0, 0] = noise[1]
    covariance[:, 1, 1] = (noise[0] + noise[1]) / h**2 + strength * h / 3.0
    covariance[:, 0, 1] = covariance[:, 1, 0] = noise[1] / h
    mean = np.zeros((len(strength), 4, times_s.shape[1]))
    mean[:, 0], mean[:, 1] = times_s[1], (times_s[1] - times_s[0]) / h
    if start == 0:
        mean[:, 2] = times_s[0]
        covariance[:, 2, 2] = noise[0]
        covariance[:, 1, 2] = covariance[:, 2, 1] = -noise[0] / h

    def copy(state: int) -> None:
        mean[:, state] = mean[:, 0]
        covariance[:, state, :] = covariance[:, 0, :]
        covariance[:, :, state] = covariance[:, :, 0]

    if start == 1:
        copy(2)
    if end == 1:
        copy(3)
    log_determinant, squares = np.zeros(len(strength)), np.zeros((len(strength), times_s.shape[1]))
    for i in range(2, len(place_turns)):
        h = place_turns[i] - place_turns[i - 1]
        mean[:, 0] += h * mean[:, 1]
        covariance[:, 0, :] += h * covariance[:, 1, :]
        covariance[:, :, 0] += h * covariance[:, :, 1]
        covariance[:, 0, 0] += strength * (h**3 / 3.0)
        covariance[:, 0, 1] += strength * (h**2 / 2.0)
        covariance[:, 1, 0] += strength * (h**2 / 2.0)
        covariance[:, 1, 1] += strength * h
        row = covariance[:, 0, :].copy()
        expected_variance = row[:, 0] + noise[i]
        gain = row / expected_variance[:, None]
        surprise = times_s[i] - mean[:, 0]
        mean += gain[:, :, None] * surprise[:, None, :]
        covariance -= gain[:, :, None] * row[:, None, :]
        log_determinant += np.log(expected_variance)
        squares += surprise**2 / expected_variance[:, None]
        if i == start:
            copy(2)
        if i == end:
            copy(3)
    return Prediction(
        value=mean[:, 3] - mean[:, 2],
        relative_variance=covariance[:, 2, 2] + covariance[:, 3, 3] - 2.0 * covariance[:, 2, 3],
        log_determinant=log_determinant,
        squares=squares,
        dof=len(place_turns) - 2,
    )


def predict_with_offsets(
    times_s: Floats,
    *,
    place_turns: Floats,
    weight: Floats,
    share: Floats,
    strength: Floats,
    start: int,
    end: int,
) -> Prediction:
    """All points at once, with an unknown constant for each target; O(n^3), so for some hundred points.

    share : (n, m), what part of each point is of which target; rows sum to 1, those of start and end are equal.
    The residual contrasts are turned so that their covariance is diagonal for every strength at once.
    The integrated random walk enters as its generalised covariance |h|^3 / 12, which differs from a true one only by
    constants and slopes, and those the fit removes (Wahba, Spline Models for Observational Data, 1990, ch. 2).
    """
    design = np.column_stack((share, place_turns))
    walk = np.abs(place_turns[:, None] - place_turns) ** 3 / 12.0
    root = np.sqrt(weight)[:, None]
    basis, singular, _ = np.linalg.svd(design * root)
    constants = int((singular > SINGULAR * singular[0]).sum())
    contrasts = root * basis[:, constants:]
    spread, turned = np.linalg.eigh(contrasts.T @ walk @ contrasts)
    spread = np.maximum(spread, 0.0)
    contrasts = contrasts @ turned
    wanted = np.zeros(design.shape[1])
    wanted[-1] = place_turns[end] - place_turns[start]
    inverse = np.linalg.pinv(design.T @ (weight[:, None] * design), rcond=SINGULAR**2, hermitian=True)
    line = (weight[:, None] * design) @ (inverse @ wanted)
    reach = walk[:, end] - walk[:, start]
    with_contrasts = contrasts.T @ (reach - walk @ line)
    own = -2.0 * walk[start, end] - 2.0 * line @ reach + line @ walk @ line
    surprise = contrasts.T @ times_s
    factor = 1.0 + strength[:, None] * spread
    return Prediction(
        value=line @ times_s + (strength[:, None] * with_contrasts / factor) @ surprise,
        relative_variance=(line**2 / weight).sum()
        + strength * own
        - (strength[:, None] ** 2 * with_contrasts**2 / factor).sum(axis=1),
        log_determinant=np.log(factor).sum(axis=1),
        squares=(1.0 / factor) @ surprise**2,
        dof=len(place_turns) - constants,
    )
