"""How far may an estimate be from the truth?

Intervals are 95 % and symmetrical.  Standard uncertainties are called `u`, 95 % half-widths `u95`.  The rules are
those of the Guide to the Expression of Uncertainty in Measurement (GUM, JCGM 100:2008).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from kerfbeat.errors import MeasureError

__all__ = [
    "Contribution",
    "Estimate",
    "LineFit",
    "combine",
    "coverage_factor",
    "effective_dof",
    "fit_line",
    "robust_sd",
]

LEVEL = 0.95
FEWEST_DOF = 0.5  # below this Student's quantile exceeds 1e2 and says only "unknown"


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value and the half-width of its 95 % interval, both in the unit of the value."""

    value: float
    u95: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise MeasureError(f"an estimate of {self.value} is no number; there were too few pulses to give one")
        if math.isnan(self.u95) or self.u95 < 0:
            raise MeasureError(f"a 95 % half-width of {self.u95} cannot be; it must be 0 or more")

    def times(self, factor: float) -> "Estimate":
        """The same quantity in another unit, or times an exactly known factor."""
        return Estimate(value=self.value * factor, u95=self.u95 * abs(factor))


@dataclass(frozen=True, kw_only=True, slots=True)
class Contribution:
    """One independent cause of doubt: its standard uncertainty and how many degrees of freedom that rests on."""

    u: float
    dof: float = math.inf


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function, by Lentz's method (DLMF 8.17.22)."""
    tiny = 1e-300
    c, d = 1.0, 1.0 / ((1.0 - (a + b) * x / (a + 1.0)) or tiny)
    result = d
    for m in range(1, 500):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / ((1.0 + numerator * d) or tiny)
            c = (1.0 + numerator / c) or tiny
            result *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return result


def _student_two_tails(t: float, dof: float) -> float:
    """Probability that |T| exceeds t for Student's T: the regularised incomplete beta I_x(dof/2, 1/2)."""
    a, b, x = dof / 2.0, 0.5, dof / (dof + t * t)
    front = math.exp(
        math.lgamma(a + b)
        - math.lgamma(a)
        - math.lgamma(b)
        + a * math.log(x)
        + b * (math.log(t) * 2 - math.log(dof + t * t))
    )
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


@lru_cache(maxsize=1024)
def coverage_factor(dof: float, level: float = LEVEL) -> float:
    """Student's quantile k, so that value +- k u holds the truth with probability `level`.

    dof : degrees of freedom, above 0, need not be whole; inf gives the normal 1.960.
    Below 0.5 the factor is infinite: so little repetition says nothing.
    Source: GUM G.3 and table G.2.  Error below 1e-9 relative.
    """
    if dof < FEWEST_DOF or math.isnan(dof):
        return math.inf
    normal = NormalDist().inv_cdf(0.5 + level / 2.0)
    if dof > 1e7:
        return normal
    low, high = normal * 0.999, normal * 2.0
    while _student_two_tails(high, dof) > 1.0 - level:
        low, high = high, high * 2.0
    while high - low > 1e-11 * high:
        middle = 0.5 * (low + high)
        if _student_two_tails(middle, dof) > 1.0 - level:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Degrees of freedom of a sum of independent contributions.  Source: Welch-Satterthwaite, GUM eq. G.2b."""
    parts = list(contributions)
    total = sum(part.u**2 for part in parts)
    spread = sum(part.u**4 / part.dof for part in parts if part.dof > 0)
    if any(part.dof <= 0 < part.u for part in parts):
        return 0.0
    return math.inf if spread == 0.0 else total**2 / spread


def combine(value: float, contributions: Iterable[Contribution]) -> Estimate:
    """Value with the 95 % half-width of independent contributions, Student's factor at their effective freedom.

    Source: GUM 5.1.2 and G.4.1, without rounding the degrees of freedom down.
    """
    parts = list(contributions)
    u = math.sqrt(sum(part.u**2 for part in parts))
    return Estimate(value=value, u95=u * coverage_factor(effective_dof(parts)) if u > 0 else 0.0)


def robust_sd(off: ArrayLike) -> float:
    """Standard deviation of (n,) deviations from their middle, n >= 1, by their median size: wild ones do not count.

    1.4826 is 1 over the normal distribution's quantile of 3/4.
    """
    return 1.4826 * float(np.median(np.abs(np.asarray(off))))


@dataclass(frozen=True, kw_only=True, slots=True)
class LineFit:
    """Straight line y = intercept + slope (x - origin), with standard uncertainties and their covariance."""

    origin: float
    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    residual_sd: float
    dof: int

    def at(self, x: float) -> float:
        """The line at x."""
        return self.intercept + self.slope * (x - self.origin)

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the line at x (not of one more observation)."""
        h = x - self.origin
        variance = self.u_intercept**2 + 2.0 * h * self.covariance + (h * self.u_slope) ** 2
        return math.sqrt(max(0.0, variance))


def fit_line(x: ArrayLike, y: ArrayLike, *, origin: float = 0.0, weights: ArrayLike | None = None) -> LineFit:
    """Least-squares line through points, with standard errors from its own residuals.

    x, y : (n,), n >= 3.  origin : where the intercept is wanted.
    weights : (n,), inverse variances up to a common factor, which the residuals decide.
    Raises MeasureError for fewer than 3 points or if all x are equal.
    Source: GUM H.3, eq. H.13; with weights, Draper & Smith, Applied Regression Analysis, ch. 9 (from memory).
    """
    x_, y_ = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    w = np.ones_like(x_) if weights is None else np.asarray(weights, dtype=float)
    if len(x_) < 3:
        raise MeasureError(f"a line through {len(x_)} points has no uncertainty; at least 3 are needed")
    total = float(w.sum())
    x_mean, y_mean = float((w * x_).sum()) / total, float((w * y_).sum()) / total
    dx, dy = x_ - x_mean, y_ - y_mean
    sxx = float((w * dx * dx).sum())
    if sxx <= 0.0:
        raise MeasureError("a line needs points at different places; all are at the same one")
    slope = float((w * dx * dy).sum()) / sxx
    residuals = dy - slope * dx
    dof = len(x_) - 2
    variance = float((w * residuals * residuals).sum()) / dof
    h = origin - x_mean
    return LineFit(
        origin=origin,
        intercept=y_mean + slope * h,
        slope=slope,
        u_intercept=math.sqrt(variance * (1.0 / total + h * h / sxx)),
        u_slope=math.sqrt(variance / sxx),
        covariance=variance * h / sxx,
        residual_sd=math.sqrt(variance),
        dof=dof,
    )
