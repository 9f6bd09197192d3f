"""How fast does the speed settle after a cold start, and by how much?

Model: y = start + rise (1 - exp(-t / tau)).  For one tau it is a straight least-squares problem, so only tau is
searched for (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413), and a few Gauss-Newton steps
give the last digits.  The standard errors are those of the linearised model at the optimum.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.errors import MeasureError

__all__ = ["Approach", "fit_approach"]

Floats = NDArray[np.float64]

GRID = 60  # values of tau tried, at equal steps of their logarithm
TAU_SPAN = (0.02, 20.0)  # of the time covered: a shorter one is over before it is seen, a longer one is a straight line
STEPS = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Approach:
    """A fitted approach: y = start + rise (1 - exp(-t / tau)).

    u_* : standard errors.  residual_sd on `dof` degrees of freedom.
    covariance : of (rise, tau).  inside : False if tau ran to an end of the range searched, so that it is no estimate.
    """

    start: float
    rise: float
    tau: float
    u_rise: float
    u_tau: float
    covariance: float
    residual_sd: float
    sum_of_squares: float
    dof: int
    inside: bool

    def at(self, t: ArrayLike) -> Floats:
        """The curve at t."""
        return np.asarray(self.start + self.rise * -np.expm1(-np.asarray(t, dtype=float) / self.tau))


def _columns(t: Floats, tau: float, *, with_start: bool) -> Floats:
    shape = -np.expm1(-t / tau)
    return np.column_stack((np.ones_like(t), shape)) if with_start else shape[:, None]


def _misfit(t: Floats, y: Floats, tau: float, *, with_start: bool) -> tuple[float, Floats]:
    columns = _columns(t, tau, with_start=with_start)
    found = np.linalg.lstsq(columns, y, rcond=None)[0]
    residual = y - columns @ found
    return float(residual @ residual), np.asarray(found, dtype=np.float64)


def fit_approach(t: ArrayLike, y: ArrayLike, *, with_start: bool = True) -> Approach:
    """Least-squares approach to a final value.

    t, y : (n,), t >= 0 and not all equal; n above the number of parameters (3, or 2 with the start held at 0).
    Raises MeasureError for too few points or values that are no numbers.
    """
    t_, y_ = np.asarray(t, dtype=float), np.asarray(y, dtype=float)
    parameters = 3 if with_start else 2
    if len(t_) <= parameters or np.ptp(t_) <= 0:
        raise MeasureError(f"{len(t_)} points are too few to fit a warm-up; more than {parameters} are needed")
    if not (np.isfinite(t_).all() and np.isfinite(y_).all()):
        raise MeasureError("a warm-up cannot be fitted to values that are no numbers")
    span = float(t_.max() - min(0.0, float(t_.min())))
    taus = np.geomspace(TAU_SPAN[0] * span, TAU_SPAN[1] * span, GRID)
    squares = [_misfit(t_, y_, tau, with_start=with_start)[0] for tau in taus.tolist()]
    best = int(np.argmin(squares))
    low, high = float(taus[max(best - 1, 0)]), float(taus[min(best + 1, GRID - 1)])
    tau = _golden(t_, y_, low, high, with_start=with_start)
    total, found = _misfit(t_, y_, tau, with_start=with_start)
    for _ in range(STEPS):  # Gauss-Newton on all parameters
        jacobian = _jacobian(t_, tau, float(found[-1]), with_start=with_start)
        model = _columns(t_, tau, with_start=with_start) @ found
        step = np.linalg.lstsq(jacobian, y_ - model, rcond=None)[0]
        wanted = tau + float(step[-1])
        if not TAU_SPAN[0] * span < wanted < TAU_SPAN[1] * span:
            break
        new_total, new_found = _misfit(t_, y_, wanted, with_start=with_start)
        if new_total > total * (1 + 1e-12):
            break
        done = abs(wanted / tau - 1) < 1e-13
        tau, total, found = wanted, new_total, new_found
        if done:
            break
    dof = len(t_) - parameters
    jacobian = _jacobian(t_, tau, float(found[-1]), with_start=with_start)
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0.0] = 1.0
    _, singular, rows = np.linalg.svd(jacobian / scale, full_matrices=False)
    root = rows.T / np.maximum(singular, np.finfo(float).eps * singular[0])  # an undetermined tau has a huge error
    covariance = root @ root.T / np.outer(scale, scale) * (total / dof)
    u = np.sqrt(np.diag(covariance))
    return Approach(
        start=float(found[0]) if with_start else 0.0,
        rise=float(found[-1]),
        tau=tau,
        u_rise=float(u[-2]),
        u_tau=float(u[-1]),
        covariance=float(covariance[-2, -1]),
        residual_sd=math.sqrt(total / dof),
        sum_of_squares=total,
        dof=dof,
        inside=0 < best < GRID - 1,
    )


def _jacobian(t: Floats, tau: float, rise: float, *, with_start: bool) -> Floats:
    by_tau = -rise * np.exp(-t / tau) * t / tau**2
    return np.column_stack((_columns(t, tau, with_start=with_start), by_tau))


def _golden(t: Floats, y: Floats, low: float, high: float, *, with_start: bool) -> float:
    """Golden-section search of tau between two bounds."""
    ratio = (math.sqrt(5.0) - 1) / 2
    a, b = math.log(low), math.log(high)
    inner = [b - ratio * (b - a), a + ratio * (b - a)]
    value = [_misfit(t, y, math.exp(each), with_start=with_start)[0] for each in inner]
    for _ in range(40):
        if value[0] < value[1]:
            b, inner[1], value[1] = inner[1], inner[0], value[0]
            inner[0] = b - ratio * (b - a)
            value[0] = _misfit(t, y, math.exp(inner[0]), with_start=with_start)[0]
        else:
            a, inner[0], value[0] = inner[0], inner[1], value[1]
            inner[1] = a + ratio * (b - a)
            value[1] = _misfit(t, y, math.exp(inner[1]), with_start=with_start)[0]
    return math.exp((a + b) / 2)
