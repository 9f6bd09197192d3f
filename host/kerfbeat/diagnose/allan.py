"""Over what averaging time is a speed reading good?

The Allan deviation of a fractional speed: what two neighbouring averages over a time tau differ by.  White
timing noise falls with tau, wander and drift rise; where the curve is lowest, averaging longer helps no more.
Source of all formulas: Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008), section 5.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.errors import MeasureError

__all__ = ["Stability", "averaging_factors", "overlapping_deviation", "stability"]

Floats = NDArray[np.float64]

PER_OCTAVE = 2  # points of the curve: closer ones share nearly all of their averages



@dataclass(frozen=True, kw_only=True, slots=True)
class Stability:
    """Overlapping Allan deviation over averaging time: (k,) each.

    low, high : 95 % bounds of the deviation, by chi-square with `dof` degrees of freedom.
    """

    tau_s: Floats
    deviation: Floats
    low: Floats
    high: Floats
    dof: Floats

    @property
    def best(self) -> int:
        """Index of the averaging time with the lowest deviation."""
        return int(np.argmin(self.deviation))


def _phase(y: ArrayLike) -> Floats:
    """Sum of the fractional speeds, starting at 0, in units of tau0."""
    values = np.asarray(y, dtype=float)
    return np.concatenate(([0.0], np.cumsum(values - values.mean()))) if len(values) else np.zeros(1)


def _require(y: ArrayLike, m: int, least: int) -> None:
    if m < 1:
        raise MeasureError(f"an averaging factor of {m} cannot be; it is 1 or more")
    if np.size(y) < least:
        raise MeasureError(f"{np.size(y)} speeds are too few for an average over {m} of them; {least} are needed")


def overlapping_deviation(y: ArrayLike, *, m: int) -> float:
    """Overlapping Allan deviation.  y : (n,), n >= 2 m.  Source: SP 1065 eq. 11."""
    _require(y, m, 2 * m)
    x = _phase(y)
    second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
    return float(np.sqrt(np.mean(second**2) / 2)) / m


def averaging_factors(n: int) -> Sequence[int]:
    """Averaging factors from 1 to n / 4, about PER_OCTAVE an octave."""
    most = max(1, n // 4)
    count = int(PER_OCTAVE * math.log2(most)) + 1
    return sorted({min(most, round(2 ** (k / PER_OCTAVE))) for k in range(count + 1)})


def stability(y: ArrayLike, *, tau0_s: float) -> Stability:
    """Overlapping Allan deviation at octave steps of averaging time, with 95 % bounds.

    y : (n,) fractional speeds at equal steps of tau0_s, n >= 8.
    Degrees of freedom: those of white noise of the speed, SP 1065 table 5, but at most the number of averages that do
    not overlap, since the kind of noise is not known.
    Raises MeasureError for fewer speeds.
    """
    from scipy.special import chdtri

    n = np.size(y)
    _require(y, 1, 8)
    factors = np.array(averaging_factors(n))
    deviation = np.array([overlapping_deviation(y, m=m) for m in factors.tolist()])
    white = (3 * (n - 1) / (2 * factors) - 2 * (n - 2) / n) * 4 * factors**2 / (4 * factors**2 + 5)
    dof = np.maximum(1.0, np.minimum(white, n / factors - 1.0))
    return Stability(
        tau_s=factors * tau0_s,
        deviation=deviation,
        low=deviation * np.sqrt(dof / chdtri(dof, 0.025)),
        high=deviation * np.sqrt(dof / chdtri(dof, 0.975)),
        dof=dof,
    )
