"""How does the speed settle as the machine warms, and how sure is that, whatever scatters it?

One pure exponential is not what a machine does, even if all of it warms by one time constant: where two things warm and
multiply (the rotor's resistance and the drag), the speed holds the square of the exponential too.  Hence the model

    y = start + rise f + bend f (1 - f),  f = 1 - exp(-t / tau),

whose bend is kept small by a prior (a ridge: Hoerl & Kennard, Technometrics 12 (1970) 55) and decided by the data where
they can.  Without it a bend of 1 % of the rise moves tau by 0.7 %, far outside any interval of a pure exponential.

Neighbouring averages are not independent: times read against the host's clock err by instants, so that what one average
gains the next loses, while a supply that wanders makes neighbours alike.  One number tells both: the power of the
scatter rises (m + x) or falls 1 / (m + x) along x = 4 sin^2(pi k / (2 n + 2)), the frequencies of the sine transform,
which makes the covariance of differenced white noise exactly diagonal (the eigenvectors of the second difference).
The number is chosen by restricted likelihood (Patterson & Thompson, Biometrika 58 (1971) 545).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.diagnose.warm_up import TAU_SPAN, Approach

__all__ = ["Settling", "settle_fit"]

Floats = NDArray[np.float64]

# Prior standard deviation, of the rise: a rotor 10 % off in resistance and a drag 20 % off make 1 % where a belt's
# pitch warms as well, up to 20 % where they alone do (common practice, no published source; test_settling).
BEND = 0.1
TURNED = (0.003, 0.01, 0.03, 0.1, 0.3, 1.0)  # where the scatter's power turns from even to rising or falling
LEAST_WAVES = 40  # of the sine transform: a settling is smooth, faster scatter tells nothing of it
ROUNDS, STEPS, DONE = 3, 40, 1e-10


@dataclass(frozen=True, kw_only=True, slots=True)
class Settling:
    """A fitted settling; u_* are standard errors on `dof` degrees of freedom, the scatter's own course in them."""

    start: float
    rise: float
    bend: float
    tau: float
    u_rise: float
    u_tau: float
    dof: float

    def at(self, t: ArrayLike) -> Floats:
        """The curve at t."""
        return np.asarray(_columns(np.atleast_1d(np.asarray(t, dtype=float)), self.tau) @ self._linear)

    @property
    def _linear(self) -> Floats:
        return np.array([self.start, self.rise, self.bend])

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


def _powers(x: Floats) -> Iterator[Floats]:
    """Every course of the scatter's power that is tried."""
    yield np.ones_like(x)
    yield x
    for turned in TURNED:
        yield turned + x
        yield 1.0 / (turned + x)


def settle_fit(t: Floats, y: Floats, *, near: Approach) -> Settling | None:
    """Fit a settling to (n,) averages at about equal distances; None where no time constant inside the range fits.

    near : the pure exponential to begin with.
    """
    n = len(t)
    waves = min(n, max(LEAST_WAVES, n // 4))
    x = 4.0 * np.sin(np.pi * np.arange(1, waves + 1) / (2 * n + 2)) ** 2

    def transformed(each: Floats) -> Floats:
        return _sine_transform(each)[:waves]

    span = float(np.ptp(t))
    tau, linear = near.tau, np.array([near.start, near.rise, 0.0])
    prior, variance, root = BEND * abs(near.rise), near.residual_sd**2, np.ones(waves)
    dof = waves - 4
    for turn in range(ROUNDS):
        for _ in range(STEPS):
            slopes = transformed(_jacobian(t, tau, linear)) / root[:, None]
            off = transformed(y - _columns(t, tau) @ linear) / root
            hold = math.sqrt(variance) / prior
            rows = np.vstack((slopes, [0.0, 0.0, hold, 0.0]))
            step = np.linalg.lstsq(rows, np.append(off, -hold * linear[2]), rcond=None)[0]
            part = min(1.0, 0.5 * tau / max(abs(float(step[3])), 1e-300))
            linear, tau = linear + part * step[:3], tau + part * float(step[3])
            if not TAU_SPAN[0] * span < tau < TAU_SPAN[1] * span:
                return None
            if abs(float(step[3])) < DONE * tau:
                break
        if turn < ROUNDS - 1:
            slopes = transformed(_jacobian(t, tau, linear))
            variance, root = _scatter(slopes, transformed(y - _columns(t, tau) @ linear), x, dof)
    scale = np.linalg.norm(rows, axis=0)
    covariance = np.linalg.pinv((rows / scale).T @ (rows / scale), hermitian=True) / np.outer(scale, scale) * variance
    return Settling(
        start=float(linear[0]),
        rise=float(linear[1]),
        bend=float(linear[2]),
        tau=tau,
        u_rise=math.sqrt(covariance[1, 1]),
        u_tau=math.sqrt(covariance[3, 3]),
        # The course of the scatter is known no better than its size: half of them are spent on it.
        dof=max(1.0, dof / 2),
    )


def _sine_transform(values: Floats) -> Floats:
    """Orthonormal sine transform (type I) of (n,) or (n, m) values along n: the Fourier transform of an odd course."""
    n = len(values)
    odd = np.zeros((2 * n + 2, *values.shape[1:]))
    odd[1 : n + 1], odd[n + 2 :] = values, -values[::-1]
    return np.asarray(-np.fft.rfft(odd, axis=0).imag[1 : n + 1] / np.sqrt(2 * n + 2))


def _scatter(slopes: Floats, off: Floats, x: Floats, dof: int) -> tuple[float, Floats]:
    """Variance of the scatter and the square root of its power's course, by the greatest restricted likelihood."""
    best, found = -math.inf, (1.0, np.ones_like(x))
    for power in _powers(x):
        root = np.sqrt(power)
        q, r = np.linalg.qr(slopes / root[:, None])
        left = off / root
        squares = max(float(left @ left) - float(((q.T @ left) ** 2).sum()), np.finfo(float).tiny)
        size = float(np.log(np.abs(np.diag(r)) + np.finfo(float).tiny).sum())
        likely = -0.5 * float(np.log(power).sum()) - size - 0.5 * dof * math.log(squares)
        if likely > best:
            best, found = likely, (squares / dof, root)
    return found
