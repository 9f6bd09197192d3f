"""How much did one clock gain on another, though its rate wanders and nobody knows by how much?

Model.  The gain at time t is x(t), seen with noise of about known variance.  The rate, dx/dt, does a random walk: in a
minute it changes by an amount of standard deviation a, the strength.  a = 0 is a steady rate.  Wanted is
x(last) - x(first).

The strength is not chosen but averaged over, each value by its prior weight times its restricted likelihood, and so is
the size of the noise: the interval is that of the mixture.  A strength that is taken for 0 wherever it cannot be seen
gives intervals that hold 83 to 90 % where it is just too small to be seen (tests/measure/test_clock_gain.py).

Prior of the strength: a lump at 0 for a clock kept at an even temperature; the rest half way between the two usual
weak priors of a standard deviation, uniform in its logarithm (Jeffreys) and uniform in itself, which intervals need to
hold where little is known (Gelman, Bayesian Analysis 1, 2006, 515-534), and falling from `USUAL_PPM` on as a
half-Cauchy does (the same paper).

A random walk describes no warm-up, which bends most at its start, nor waves.  Of such a curve the interval of a smooth
fit holds on average over its length, not at its ends (Nychka, J. Am. Stat. Assoc. 83, 1988, 1134-1143), and the ends
are what is asked for here.  So the gain is predicted with twice the strength that the likelihood is of: the bias at the
ends falls by half, the interval grows by a fifth.  To smooth less than the fit would like is the usual remedy (Hall,
Annals of Statistics 20, 1992, 675-694: from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from kerfbeat.measure.thinning import block_borders
from kerfbeat.measure.uncertainty import LEVEL
from kerfbeat.measure.wander_fit import predict_along_chain

__all__ = ["Gain", "gain_of"]

Floats = NDArray[np.float64]

# The coverage test would notice each of these.
STEADY = 0.2  # prior weight of no wander at all: more makes 20 minutes at 0.1 ppm hold less than 92 %
# In a minute: a resonator that goes 0.5 % in 100 K, where the air wanders 0.1 K a minute; common practice, no
# published source.
USUAL_PPM = 5.0
HALVINGS = np.arange(-11.0, 10.5, 0.5)  # strengths, powers of 2 in ppm: from nothing that shows in an hour to 0.1 %
TWICE = 2  # places in that row to twice the strength
NOISE = 10.0 ** np.array([-1.2, -0.8, -0.45, -0.2, 0.0, 0.2, 0.45, 0.8])  # true variance over the stated one
NOISE_DECADES = 0.15  # half-width of its prior, Cauchy: trips state the variance well, but one way may be the slower
GROWTH = 0.1  # of the blocks; costs 0.1 % of the bound at a steady rate
LEAST = 3
ROUNDS = 30  # halvings of the half-width's bracket: exact to 1e-8


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """From the first instant to the last, seconds, and the half-width of its 95 % interval."""

    value_s: float
    u95_s: float


def _prior() -> tuple[Floats, Floats]:
    """Strengths (g,) as the variance that the rate gains each second, the first 0, two more than have a weight; log
    weights (g - 2, noise).
    """
    strength = np.concatenate(([0.0], (1e-6 * 2.0**HALVINGS) ** 2 / 60.0))
    part = 2.0 ** HALVINGS[:-TWICE] / USUAL_PPM

    def walks(part: Floats) -> Floats:
        return np.asarray(part**0.5 / (1.0 + part**2) ** 0.75)

    weight = (1.0 - STEADY) / walks(part).sum() * walks(part[:, None] * np.sqrt(NOISE))
    weight = np.concatenate((np.full((1, len(NOISE)), STEADY), weight))
    noise = 1.0 / (1.0 + (np.log10(NOISE) / NOISE_DECADES) ** 2)
    return strength, np.log(weight * noise)


STRENGTH, LOG_PRIOR = _prior()
MEANT = np.concatenate(([0], np.arange(1 + TWICE, len(STRENGTH))))


def gain_of(ahead_s: Floats, *, at_s: Floats, variance_s2: Floats) -> Gain | None:
    """Gain from the first of (n,) instants to the last; None with fewer than 3.

    ahead_s : (n,) how far the clock was seen ahead, with errors of about variance_s2 : (n,), s^2.
    at_s : (n,) seconds, strictly increasing.
    """
    n = len(at_s)
    if n < LEAST:
        return None
    long_s = float(at_s[-1] - at_s[0])
    slope = (ahead_s[-1] - ahead_s[0]) / long_s
    flat = ahead_s - ahead_s[0] - slope * (at_s - at_s[0])  # keeps digits in a long log
    starts = block_borders(n, growth=GROWTH, single=(0, n - 1))[:-1]
    weight = np.add.reduceat(1.0 / variance_s2, starts)

    def thinned(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values / variance_s2, starts) / weight)

    found = predict_along_chain(
        thinned(flat)[:, None],
        place_turns=thinned(at_s),
        weight=weight,
        strength=STRENGTH,
        start=0,
        end=len(starts) - 1,
    )
    told = slice(len(LOG_PRIOR))
    log_weight = LOG_PRIOR - 0.5 * (
        found.squares[told] / NOISE + found.log_determinant[told, None] + found.dof * np.log(NOISE)
    )
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean, sd = found.value[MEANT], np.sqrt(found.relative_variance[MEANT, None] * NOISE)
    middle = float((weight * mean).sum())
    return Gain(value_s=middle + slope * long_s, u95_s=_half_width(weight, mean - middle, sd))


def _half_width(weight: Floats, mean: Floats, sd: Floats) -> float:
    """Around 0, of what holds 95 % of a mixture of normal parts, all broadcast together; weights sum to 1."""
    narrow, wide = 0.0, float((np.abs(mean) + 6.0 * sd).max())
    for _ in range(ROUNDS):
        width = 0.5 * (narrow + wide)
        held = float((weight * (ndtr((width - mean) / sd) - ndtr((-width - mean) / sd))).sum())
        narrow, wide = (width, wide) if held < LEVEL else (narrow, width)
    return wide if math.isfinite(wide) else math.inf
