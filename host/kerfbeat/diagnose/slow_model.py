"""Is a slowly changing speed steady, does it have a trend, or does it settle?

The simplest of the three models that the points bear out is taken, by the Bayesian information criterion (Schwarz,
Ann. Statist. 6 (1978) 461) on as many points as are independent.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.settling import Settling, settle_fit
from kerfbeat.diagnose.warm_up import fit_approach
from kerfbeat.measure.uncertainty import Estimate, LineFit, coverage_factor, fit_line

__all__ = ["Shape", "SlowModel", "describe", "stretch_factor"]

Floats = NDArray[np.float64]
Shape = Literal["steady", "trend", "warm-up"]

POINTS_FOR_CURVE = 8
KNOWN_TAU = 0.5  # a time constant with a larger relative standard error is no finding
LEAST_REST_S = 120.0  # what is left after settling must be this long for a trend of its own
LEAST_REST_POINTS = 6


def stretch_factor(residual: Floats) -> float:
    """By how much neighbours that resemble each other widen a standard error: sqrt((1 + r) / (1 - r)), lag-1 r.

    Source: von Storch & Zwiers, Statistical Analysis in Climate Research, 6.6 (effective size of an AR(1) sample; from
    memory).  Bounded: a few points do not tell r better.
    """
    spread = float(residual @ residual)
    if spread <= 0.0:
        return 1.0
    r = min(max(float(residual[1:] @ residual[:-1]) / spread, 0.0), 0.9)
    return math.sqrt((1 + r) / (1 - r))


@dataclass(frozen=True, kw_only=True, slots=True)
class SlowModel:
    """The model of (n,) points, t in seconds, y relative.

    curve : set for a warm-up only.  line : the best straight line, whatever the shape.  level : mean of y.
    factor : what a standard error is multiplied by for 95 %, resemblance of neighbours included.
    """

    shape: Shape
    t: Floats
    y: Floats
    curve: Settling | None
    line: LineFit
    level: float
    factor: float

    def at(self, t: Floats) -> Floats:
        """The model at t."""
        if self.curve is not None:
            return self.curve.at(t)
        if self.shape == "trend":
            return np.asarray(self.line.intercept + self.line.slope * t)
        return np.full(len(t), self.level)

    def total(self) -> Estimate:
        """Change from t = 0 to the settled value, or over the points by the straight line."""
        if self.curve is None:
            long_s = float(np.ptp(self.t))
            return Estimate(value=self.line.slope * long_s, u95=self.factor * self.line.u_slope * long_s)
        return Estimate(value=self.curve.rise, u95=coverage_factor(self.curve.dof) * self.curve.u_rise)

    def time_constant_s(self) -> Estimate | None:
        """Of the warm-up."""
        if self.curve is None:
            return None
        return Estimate(value=self.curve.tau, u95=coverage_factor(self.curve.dof) * self.curve.u_tau)

    def settled_after_s(self, least: float) -> Estimate | None:
        """From when on less than `least` is left to go; None if that is not reached, or no end is seen of a trend.

        Nothing to settle is 0 with 0.
        """
        if self.curve is None:
            at_once = self.shape == "steady" or abs(self.total().value) < least
            return Estimate(value=0.0, u95=0.0) if at_once else None
        settled_s = self.curve.settled_after(least)
        if settled_s > float(self.t[-1]):
            return None
        u_s = self.curve.u_settled_after(least) if settled_s else 0.0
        return Estimate(value=settled_s, u95=coverage_factor(self.curve.dof) * u_s)

    def trend_per_s(self, least: float) -> Estimate | None:
        """Slope, of a warm-up that of what is left after settling beside the curve; None if too little is left."""
        if self.curve is None:
            return Estimate(value=self.line.slope, u95=self.factor * self.line.u_slope)
        settled = self.settled_after_s(least)
        if settled is None:
            return None
        rest = self.t >= settled.value
        if self.t[-1] - settled.value < LEAST_REST_S or np.count_nonzero(rest) < LEAST_REST_POINTS:
            return None
        after = fit_line(self.t[rest], (self.y - self.curve.at(self.t))[rest])
        return Estimate(value=after.slope, u95=self.factor * after.u_slope)


def describe(t: Floats, y: Floats) -> SlowModel:
    """Find the model of (n,) points, n >= 3, t increasing from the moment that counts as the start."""
    n, level = len(t), float(y.mean())
    line = fit_line(t, y)
    pure = fit_approach(t, y) if n >= POINTS_FOR_CURVE else None
    straight = line.intercept + line.slope * t
    free = n / stretch_factor(y - (straight if pure is None else pure.at(t))) ** 2
    least = np.finfo(float).tiny

    def score(squares: float, parameters: int) -> float:
        return free * math.log(squares + least) + parameters * math.log(max(free, 2.0))

    shape: Shape = "steady"
    best = score(float(((y - level) ** 2).sum()), 1)
    trend = score(line.residual_sd**2 * line.dof, 2)
    if trend < best:
        shape, best = "trend", trend
    curve = None
    held = pure is not None and pure.inside and pure.u_tau < KNOWN_TAU * pure.tau
    if pure is not None and held and score(pure.sum_of_squares, 3) < best:
        curve = settle_fit(t, y, near=pure)
        if curve is not None:
            shape = "warm-up"
    residual = y - (curve.at(t) if curve is not None else straight if shape == "trend" else level)
    stretch = stretch_factor(residual)
    factor = stretch * coverage_factor(max(1.0, (n - 3) / stretch**2))
    return SlowModel(shape=shape, t=t, y=y, curve=curve, line=line, level=level, factor=factor)
