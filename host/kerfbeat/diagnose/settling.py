"""How does the speed settle as the machine warms, and how sure is that, whatever scatters it?

One pure exponential is not what a machine does, even if all of it warms by one time constant: where two things warm and
multiply (the rotor's resistance and the drag), the speed holds the square of the exponential too.  Hence the model

    y = start + rise f + bend f (1 - f),  f = 1 - exp(-t / tau),

whose bend is kept small by a prior (a ridge: Hoerl & Kennard, Technometrics 12 (1970) 55) and decided by the data where
they can.  Without it a bend of 1 % of the rise moves tau by 0.7 %, far outside any interval of a pure exponential.

Neighbouring averages are not independent: times read against the host's clock err by instants, so that what one average
gains the next loses, while a supply that wanders makes neighbours alike.  Both are given their covariance: m I and the
second difference, or a wander whose correlation falls by a factor from one average to the next, beside white scatter.
Only the slow waves of the sine transform (the eigenvectors of the second difference) are looked at, with the covariance
that these have.  Which covariance it is, is told by restricted likelihood (Patterson & Thompson, Biometrika 58 (1971)
545).
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.diagnose.warm_up import TAU_SPAN, Approach

__all__ = ["Settling", "settle_fit"]

Floats = NDArray[np.float64]

# Prior standard deviation, of the rise: a rotor 10 % off in resistance and a drag 20 % off make 1 % where a belt's
# pitch warms as well, up to 20 % where they alone do (common practice, no published source; test_settling).
BEND = 0.1
TURNED = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0)  # where the scatter's power turns from even to rising
KEPT = (0.5, 0.7, 0.8, 0.9, 0.97)  # of a wander from one average to the next: 15 s of a minute's keep 0.78
LEAST_WAVES = 40  # of the sine transform: a settling is smooth, faster scatter tells nothing of it
ROUNDS, STEPS, DONE = 3, 40, 1e-10


@dataclass(frozen=True, kw_only=True, slots=True)
class Settling:
    """A fitted settling; covariance (4, 4) of start, rise, bend and tau on `dof` degrees of freedom, the scatter's own
    course in it.
    """

    start: float
    rise: float
    bend: float
    tau: float
    covariance: Floats
    dof: float

    def at(self, t: ArrayLike) -> Floats:
        """The curve at t."""
        return np.asarray(_columns(np.atleast_1d(np.asarray(t, dtype=float)), self.tau) @ self._linear)

    @property
    def _linear(self) -> Floats:
        return np.array([self.start, self.rise, self.bend])

    @property
    def u_rise(self) -> float:
        """Standard error of the rise."""
        return math.sqrt(self.covariance[1, 1])

    @property
    def u_tau(self) -> float:
        """Standard error of the time constant."""
        return math.sqrt(self.covariance[3, 3])

    def u_settled_after(self, least: float) -> float:
        """Standard error of `settled_after`, by how it moves with each parameter (GUM 5.2.2)."""
        slopes = np.zeros(4)
        for place, name in ((1, "rise"), (2, "bend"), (3, "tau")):
            step = 1e-3 * math.sqrt(self.covariance[place, place])
            if step > 0.0:
                moved = replace(self, **{name: getattr(self, name) + step})
                slopes[place] = (moved.settled_after(least) - self.settled_after(least)) / step
        return math.sqrt(max(float(slopes @ self.covariance @ slopes), 0.0))

    def settled_after(self, least: float) -> float:
        """Time from which on less than `least` is left to go: |c (rise - bend (1 - c))| = least, c = exp(-t / tau)."""
        far = abs(self.rise)
        if far <= least:
            return 0.0
        bend = math.copysign(1.0, self.rise) * self.bend
        root = math.sqrt(max((far - bend) ** 2 + 4 * bend * least, 0.0))
        return max(0.0, self.tau * math.log((far - bend + root) / (2 * least)))


def _columns(t: Floats, tau: float) -> Floats:
    left = np.exp(-t / tau)
    return np.column_stack((np.ones_like(t), 1.0 - left, left * (1.0 - left)))


def _jacobian(t: Floats, tau: float, linear: Floats) -> Floats:
    left = np.exp(-t / tau)
    by_tau = left * t / tau**2 * (-linear[1] + linear[2] * (1.0 - 2.0 * left))
    return np.column_stack((_columns(t, tau), by_tau))


@lru_cache(maxsize=16)
def _whiteners(n: int, waves: int) -> tuple[tuple[Floats, float], ...]:
    """Of every covariance that is tried: what makes slow waves of n averages white, and half its log determinant."""
    apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    second = 2.0 * (apart == 0) - 1.0 * (apart == 1)
    tried = [np.eye(n), *(turned * np.eye(n) + second for turned in TURNED)]
    tried += [kept**apart for kept in KEPT]
    found = []
    for covariance in tried:
        lower = np.linalg.cholesky(_sine_transform(_sine_transform(covariance)[:waves].T)[:waves])
        found.append((np.linalg.inv(lower), float(np.log(np.diag(lower)).sum())))
    return tuple(found)


def settle_fit(t: Floats, y: Floats, *, near: Approach) -> Settling | None:
    """Fit a settling to (n,) averages at about equal distances; None where no time constant inside the range fits.

    near : the pure exponential to begin with.
    """
    n = len(t)
    waves = min(n, max(LEAST_WAVES, n // 4))
    whiteners = _whiteners(n, waves)

    def slow(each: Floats) -> Floats:
        return _sine_transform(each)[:waves]

    span, prior = float(np.ptp(t)), BEND * abs(near.rise)
    tau, linear = near.tau, np.array([near.start, near.rise, 0.0])
    white = whiteners[0][0]
    variance = near.residual_sd**2
    for turn in range(ROUNDS):
        for _ in range(STEPS):
            slopes, off = slow(_jacobian(t, tau, linear)), slow(y - _columns(t, tau) @ linear)
            step, covariance = _step(white @ slopes, white @ off, variance=variance, prior=prior, bend=float(linear[2]))
            part = min(1.0, 0.5 * tau / max(abs(float(step[3])), 1e-300))
            linear, tau = linear + part * step[:3], tau + part * float(step[3])
            if not TAU_SPAN[0] * span < tau < TAU_SPAN[1] * span:
                return None
            if abs(float(step[3])) < DONE * tau:
                break
        if turn < ROUNDS - 1:
            slopes, off = slow(_jacobian(t, tau, linear)), slow(y - _columns(t, tau) @ linear)
            scatters = [_scatter(each @ slopes, each @ off, half) for each, half in whiteners]
            best = max(range(len(scatters)), key=lambda k: scatters[k][0])
            white, variance = whiteners[best][0], scatters[best][1]
    return Settling(
        start=float(linear[0]),
        rise=float(linear[1]),
        bend=float(linear[2]),
        tau=tau,
        covariance=covariance,
        # The course of the scatter is known no better than its size: half of the waves are spent on it.
        dof=max(1.0, (waves - 4) / 2),
    )


def _step(slopes: Floats, off: Floats, *, variance: float, prior: float, bend: float) -> tuple[Floats, Floats]:
    """Gauss-Newton step of (start, rise, bend, tau) in white waves with the prior on the bend, and its covariance."""
    hold = math.sqrt(variance) / prior
    rows = np.vstack((slopes, [0.0, 0.0, hold, 0.0]))
    scale = np.linalg.norm(rows, axis=0)
    inverse = np.linalg.pinv((rows / scale).T @ (rows / scale), hermitian=True) / np.outer(scale, scale)
    step = np.linalg.lstsq(rows / scale, np.append(off, -hold * bend), rcond=None)[0] / scale
    return np.asarray(step), np.asarray(inverse * variance)


def _sine_transform(values: Floats) -> Floats:
    """Orthonormal sine transform (type I) of (n,) or (n, m) values along n: the Fourier transform of an odd course."""
    n = len(values)
    odd = np.zeros((2 * n + 2, *values.shape[1:]))
    odd[1 : n + 1], odd[n + 2 :] = values, -values[::-1]
    return np.asarray(-np.fft.rfft(odd, axis=0).imag[1 : n + 1] / np.sqrt(2 * n + 2))


def _scatter(slopes: Floats, off: Floats, half_log: float) -> tuple[float, float]:
    """Logarithm of the restricted likelihood and variance of white waves, whitened at this half log determinant."""
    q, r = np.linalg.qr(slopes)
    dof = len(off) - slopes.shape[1]
    squares = max(float(off @ off) - float(((q.T @ off) ** 2).sum()), np.finfo(float).tiny)
    size = float(np.log(np.abs(np.diag(r)) + np.finfo(float).tiny).sum())
    return -half_log - size - 0.5 * dof * math.log(squares), squares / dof
