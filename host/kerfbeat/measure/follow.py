"""Where is the shaft now, how fast does it turn and does it speed up, after each new edge?

A bank of Kalman filters runs side by side.  All have the same state: phase (turns), speed (turns/s), acceleration, and
the angle error of each target.  They differ in what they believe: how noisy an edge's time is, and whether the shaft
runs steadily, wanders, or ramps.  Each edge says which belief foresaw it best, and the answers are mixed by that
(interacting multiple models).  While the targets' angles are unknown, only whole turns tell speed well, and the state's
covariance says so; as turns go by the angles are learnt and each edge counts.
A speed wobble locked to the turns is taken for an angle error: one sensor cannot tell them apart.
Sources: Blom & Bar-Shalom, IEEE Trans. Autom. Control 33 (1988) 780 (the mixing); Singer, IEEE Trans. AES 6 (1970) 473
(acceleration that lasts for a while) (both from memory).
"""

import math

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure import beliefs
from kerfbeat.measure.late import OUT, LateEdge, SpeedNow, late_edge
from kerfbeat.measure.mixture import Mixture

__all__ = ["ANGLE_SHARE", "PhaseBank"]

Floats = NDArray[np.float64]

ANGLE_SHARE = 0.12  # sd of a target's angle error over the spacing: 10 degrees of 90
ANGLE_CREEP = 1e-6  # turns per sqrt(s): a magnet may shift; keeps the filter from becoming deaf
LEAST_WEIGHT = 1e-9
UNSEEN = 3e-4  # chance that a target passed and gave no pulse
NEGLIGIBLE = 1e-5  # weight below which a belief is left out of a reading
ALL = slice(None)
FAR_OFF = 4.0  # standard deviations before which nobody expects a target
FORGET = 0.05
THETA, SPEED, ACCELERATION, ANGLES = 0, 1, 2, 3
UNMOVED = np.eye(3)
# What white noise of speed and of jerk adds to the covariance of phase, speed and acceleration: factor and power of h.
OF_WALK = np.array([[1 / 3, 1 / 2, 0], [1 / 2, 1, 0], [0, 0, 0]])
POWERS_OF_WALK = np.array([[3, 2, 1], [2, 1, 1], [1, 1, 1]])
OF_JERK = np.array([[1 / 20, 1 / 8, 1 / 6], [1 / 8, 1 / 3, 1 / 2], [1 / 6, 1 / 2, 1]])
POWERS_OF_JERK = np.array([[5, 4, 3], [4, 3, 2], [3, 2, 1]])


def _mixture(weight: Floats, mean: Floats, variance: Floats) -> Mixture:
    return Mixture(weight.tolist(), mean.tolist(), np.sqrt(np.maximum(variance, 1e-18)).tolist())


class PhaseBank:
    """State of all beliefs (g) after the last edge taken; phase is counted from that edge's even place."""

    def __init__(self, *, targets: int) -> None:
        self.targets = targets
        self._angle = [0.0] * targets
        self._theta = self._speed = self._acceleration = self.ramping = 0.0
        self._ahead: tuple[Floats, Floats, Floats, Floats, float]
        size = ANGLES + targets
        count = len(beliefs.TIMING_S)
        self.mean = np.zeros((count, size))
        self.covariance = np.zeros((count, size, size))
        self.weight = np.full(count, 1.0 / count)
        self.surprise = 1.0  # running mean of squared innovations over their variance; 1 if the beliefs are right
        self._late: LateEdge | None = None  # the last edge taken, if it came late

    def start(self, *, speed_hz: float, gap_s: float, target: int, angle_turns: Floats | None = None) -> None:
        """Begin from two edges `gap_s` apart, of which `target` is the later; angles as given or unknown.

        The shaft may have started from rest at the first edge (then it is now twice as fast as the mean) or turn
        steadily.
        """
        known = angle_turns is not None
        self.mean = np.zeros_like(self.mean)
        self.covariance = np.zeros_like(self.covariance)
        ramp = ~beliefs.CALM
        self.mean[:, SPEED] = np.where(ramp, 1.3, 1.0) * speed_hz
        self.mean[:, ACCELERATION] = np.where(ramp, 0.5 * speed_hz / gap_s, 0.0)
        if angle_turns is not None:
            self.mean[:, ANGLES:] = angle_turns
        angle = 1e-5 if known else ANGLE_SHARE / self.targets
        index = np.arange(self.targets) + ANGLES
        self.covariance[:, index, index] = angle**2
        self.covariance[:, THETA, THETA] = angle**2
        self.covariance[:, THETA, ANGLES + target] = self.covariance[:, ANGLES + target, THETA] = angle**2
        self.mean[:, THETA] = self.mean[:, ANGLES + target]
        spread = math.hypot(0.02, 0.0 if known else ANGLE_SHARE * math.sqrt(2.0))
        self.covariance[:, SPEED, SPEED] = (np.where(ramp, 0.5, spread) * speed_hz) ** 2
        self.covariance[:, ACCELERATION, ACCELERATION] = ramp * (speed_hz / gap_s) ** 2
        self.weight = np.full(len(self.weight), 1.0 / len(self.weight))
        self.surprise, self._late = 1.0, None
        self._summarise()

    def _move(self, mean: Floats, covariance: Floats, h: float, kept: NDArray[np.int64] | slice = ALL) -> None:
        """Let `h` seconds pass, in place, for some of the beliefs."""
        lasts_s = beliefs.LASTS_S[kept]
        fade = np.exp(-h / lasts_s)
        gain_speed = lasts_s * (1.0 - fade)
        step = np.empty((len(mean), 3, 3))
        step[:] = UNMOVED
        step[:, 0, 1], step[:, 0, 2], step[:, 1, 2], step[:, 2, 2] = h, lasts_s * (h - gain_speed), gain_speed, fade
        walk = (beliefs.WANDER[kept] * mean[:, SPEED]) ** 2
        jerk = 2.0 / lasts_s * (beliefs.RAMP_PER_S[kept] * mean[:, SPEED]) ** 2
        mean[:, :ANGLES] = (step @ mean[:, :ANGLES, None])[:, :, 0]
        covariance[:, :ANGLES, :] = step @ covariance[:, :ANGLES, :]
        covariance[:, :, :ANGLES] = covariance[:, :, :ANGLES] @ step.transpose(0, 2, 1)
        of_walk, of_jerk = OF_WALK * h ** POWERS_OF_WALK, OF_JERK * h ** POWERS_OF_JERK
        covariance[:, :ANGLES, :ANGLES] += walk[:, None, None] * of_walk + jerk[:, None, None] * of_jerk

    def _blend(self, elapsed_s: float, mean: Floats, covariance: Floats) -> tuple[Floats, Floats, Floats]:
        """Let beliefs pass into one another, as much as may have happened: mean, covariance, weight."""
        flow = beliefs.change_after(elapsed_s) * self.weight[:, None]
        weight = flow.sum(axis=0)
        share = (flow / weight).T
        centre = self.weight @ mean
        away = mean - centre
        mean = share @ away
        spread = covariance + away[:, :, None] * away[:, None, :]
        covariance = (share @ spread.reshape(len(weight), -1)).reshape(spread.shape)
        covariance -= mean[:, :, None] * mean[:, None, :]
        mean += centre
        # What no longer ramps has no acceleration; what has just begun to ramp has one at once.
        mean[:, ACCELERATION] *= beliefs.RAMPS
        covariance[:, ACCELERATION, :] *= beliefs.RAMPS[:, None]
        covariance[:, :, ACCELERATION] *= beliefs.RAMPS[:, None]
        new = (share * beliefs.GAINS.T).sum(axis=1)
        covariance[:, ACCELERATION, ACCELERATION] += new * (beliefs.RAMP_PER_S * mean[:, SPEED]) ** 2
        return mean, covariance, weight

    def foresee(self, elapsed_s: float) -> None:
        """Look ahead to an edge that comes so long after the last one taken; nothing is decided yet."""
        mean, covariance, weight = self._blend(elapsed_s, self.mean, self.covariance)
        self._move(mean, covariance, elapsed_s)
        noise = (beliefs.TIMING_S * mean[:, SPEED]) ** 2 + 1e-14
        self._ahead = (mean, covariance, weight, noise, elapsed_s)

    def density(self, *, steps: float, target: int, blur_turns: float = 0.0) -> tuple[float, float]:
        """How likely the foreseen edge is, per turn of phase, as the target `steps` places on; and its squared
        distance in standard deviations from what the likeliest belief expects.

        blur_turns : further sd of the place, of a target whose angle is not followed.
        """
        mean, covariance, weight, noise, _ = self._ahead
        at = ANGLES + target
        spread = covariance[:, THETA, THETA] - 2.0 * covariance[:, THETA, at] + covariance[:, at, at]
        variance = np.maximum(spread, 0.0) + noise + blur_turns**2
        off = steps / self.targets - mean[:, THETA] + mean[:, at]
        nearness = off * off / variance
        likely = weight * np.exp(-0.5 * nearness) / np.sqrt(2.0 * math.pi * variance)
        return float(likely.sum()), float(nearness[int(np.argmax(weight))])

    def ahead_turns(self, *, steps: float, target: int) -> float:
        """How far the shaft still is from a target's place when the foreseen edge comes, by the likeliest belief."""
        mean, _, weight, _, _ = self._ahead
        best = int(np.argmax(weight))
        return float(steps / self.targets + mean[best, ANGLES + target] - mean[best, THETA])

    def take(self, *, steps: int, target: int) -> None:
        """Update with the foreseen edge, `steps` targets on from the last one taken, which shows `target`.

        The edge says: phase minus angle error is the target's even place, with the timing's noise.
        """
        mean, covariance, weight, noise, elapsed_s = self._ahead
        at = ANGLES + target
        covariance[:, at, at] += ANGLE_CREEP**2 * elapsed_s
        row = covariance[:, THETA, :] - covariance[:, at, :]
        variance = np.maximum(row[:, THETA] - row[:, at], 0.0) + noise
        innovation = steps / self.targets - (mean[:, THETA] - mean[:, at])
        gain = row / variance[:, None]
        mean += gain * innovation[:, None]
        covariance -= gain[:, :, None] * row[:, None, :]
        nearness = innovation * innovation / variance
        self._late = late_edge(weight, innovation, np.sqrt(variance), elapsed_s=elapsed_s, speed_hz=self._speed)
        log_weight = np.log(weight) - 0.5 * (nearness + np.log(variance))
        weight = np.exp(log_weight - log_weight.max())
        weight = np.maximum(weight / weight.sum(), LEAST_WEIGHT)
        mean[:, THETA] -= steps / self.targets
        self.mean, self.covariance, self.weight = mean, covariance, weight / weight.sum()
        self.surprise += FORGET * (min(float(self.weight @ nearness), 9.0) - self.surprise)
        self._summarise()

    def fix_angles(self, angle_turns: Floats) -> None:
        """Take the targets' angle errors as known from now on."""
        phase = self.mean[:, THETA].copy()
        self.mean[:, ANGLES:] = angle_turns
        self.covariance[:, ANGLES:, :] = 0.0
        self.covariance[:, :, ANGLES:] = 0.0
        index = np.arange(self.targets) + ANGLES
        self.covariance[:, index, index] = 1e-10
        self.mean[:, THETA] = phase
        self._summarise()

    def kept(self) -> tuple[Floats, Floats, Floats, float]:
        """The state, to be given back if the edges taken meanwhile were none; `take` makes new arrays of it."""
        return self.mean, self.covariance, self.weight, self.surprise

    def give_back(self, kept: tuple[Floats, Floats, Floats, float]) -> None:
        """Forget what was taken since."""
        self.mean, self.covariance, self.weight, self.surprise = kept
        self._late = None
        self._summarise()

    def _summarise(self) -> None:
        """Means over the beliefs as plain numbers: asked for at every edge, also those the filters are not given."""
        self._theta, self._speed, self._acceleration, *self._angle = (self.weight @ self.mean).tolist()
        self.ramping = float(self.weight[~beliefs.CALM].sum())  # how likely the shaft ramps

    def turned(self, elapsed_s: float) -> float:
        """Phase so long after the last edge taken, counted from that edge's even place."""
        return float(self._theta + self._speed * elapsed_s + 0.5 * self._acceleration * elapsed_s**2)

    def angle(self, target: int) -> float:
        """Angle error of a target."""
        return float(self._angle[target])

    def share(self, target: int, following: int) -> float:
        """Way from one target to the next over the even spacing."""
        return max(0.1, 1.0 + (self.angle(following) - self.angle(target)) * self.targets)

    def speed_after(self, elapsed_s: float) -> float:
        """Speed if the acceleration lasts; never below a tenth of the last one."""
        return max(self._speed + self._acceleration * elapsed_s, 0.1 * self._speed)

    @property
    def speed_hz(self) -> float:
        """Speed at the last edge taken."""
        return float(self._speed)

    def speed(
        self, elapsed_s: float, *, awaited: tuple[float, int, float] | None = None, calm: bool = False
    ) -> SpeedNow:
        """Speed `elapsed_s` after the last edge taken.

        awaited : which target has not come by then, as steps from the last edge taken, target, and blur as in
            `density`.   calm : that widens the interval, but leaves the speed where it would be.
        """
        index = [THETA, SPEED, ACCELERATION, *([] if awaited is None else [ANGLES + awaited[1]])]
        covariance = self.covariance[:, index][:, :, index]
        mean, covariance, weight = self._blend(elapsed_s, self.mean[:, index], covariance)
        kept = np.flatnonzero(weight > NEGLIGIBLE)
        mean, covariance, weight = mean[kept], covariance[kept], weight[kept]
        self._move(mean, covariance, elapsed_s, kept)
        foreseen = told = _mixture(weight, mean[:, SPEED], covariance[:, SPEED, SPEED])
        parts = awaited and self._not_yet(mean, covariance, weight, awaited, beliefs.TIMING_S[kept])
        if parts is not None:
            told = _mixture(*parts)
        low_hz = math.inf if self._late is None else self._late.lowest_hz(elapsed_s)
        if parts is not None and float(parts[0][: len(kept)].sum()) < OUT * float(weight.sum()):
            low_hz = 0.0
        if low_hz <= 0.0:
            middle_hz = 0.5 * told.most()
            return SpeedNow(middle_hz, middle_hz, may_stand=True)
        middle_hz = told.median()
        speed_hz = foreseen.median() if calm and told is not foreseen else middle_hz
        u95_hz = told.half_width(middle_hz) + abs(middle_hz - speed_hz)
        return SpeedNow(speed_hz, max(u95_hz, speed_hz - low_hz), may_stand=False)

    def _not_yet(
        self, mean: Floats, covariance: Floats, weight: Floats, awaited: tuple[float, int, float], timing_s: Floats
    ) -> tuple[Floats, Floats, Floats] | None:
        """Weight, speed and its variance of beliefs and of the same had a target been missed, as a target has not come;
        None while no belief says that it should have.

        Mean and variance of a normal quantity known to be below a limit: Johnson, Kotz & Balakrishnan, Continuous
        Univariate Distributions 1, 13.10 (from memory); of another one, by its regression on that.
        """
        steps, _, blur_turns = awaited
        variance = covariance[:, THETA, THETA] - 2.0 * covariance[:, THETA, 3] + covariance[:, 3, 3]
        variance = np.maximum(variance, 0.0) + (timing_s * mean[:, SPEED]) ** 2 + 1e-14 + blur_turns**2
        sd = np.sqrt(variance)
        limit = (steps / self.targets - mean[:, THETA] + mean[:, 3]) / sd
        if limit.min() > FAR_OFF:
            return None
        below = np.array([max(0.5 * math.erfc(-each / math.sqrt(2.0)), 1e-300) for each in limit])
        shift = np.where(limit > -30.0, np.exp(-0.5 * limit * limit) / math.sqrt(2.0 * math.pi) / below, -limit)
        gain = (covariance[:, THETA, SPEED] - covariance[:, 3, SPEED]) / variance
        speed = mean[:, SPEED] - gain * sd * shift
        narrower = np.clip(shift * (shift + limit), 0.0, 1.0)
        speed_variance = covariance[:, SPEED, SPEED] - gain * gain * variance * narrower
        return (
            np.concatenate((weight * below, UNSEEN * weight * (1.0 - below))),
            np.concatenate((speed, mean[:, SPEED])),
            np.concatenate((speed_variance, covariance[:, SPEED, SPEED])),
        )

    def acceleration(self) -> tuple[float, float]:
        """Acceleration and its standard uncertainty at the last edge taken."""
        value = float(self.weight @ self.mean[:, ACCELERATION])
        spread = (self.mean[:, ACCELERATION] - value) ** 2
        variance = self.weight @ (self.covariance[:, ACCELERATION, ACCELERATION] + spread)
        return value, math.sqrt(max(float(variance), 0.0))

    def angle_between(self, target: int, following: int) -> tuple[float, float]:
        """Angle error of one target less another's, and its standard uncertainty, turns."""
        here, ahead = ANGLES + target, ANGLES + following
        covariance = self.covariance
        variance = covariance[:, here, here] - 2.0 * covariance[:, here, ahead] + covariance[:, ahead, ahead]
        return self._angle[following] - self._angle[target], math.sqrt(max(float(self.weight @ variance), 0.0))

    def angles(self) -> tuple[Floats, Floats]:
        """Angle errors of the targets and their standard uncertainty, (targets,) turns; their mean is arbitrary."""
        errors = self.weight @ self.mean[:, ANGLES:]
        part = self.covariance[:, ANGLES:, ANGLES:]
        centred = part - part.mean(axis=1, keepdims=True) - part.mean(axis=2, keepdims=True)
        centred += part.mean(axis=(1, 2), keepdims=True)
        variance = self.weight @ np.diagonal(centred, axis1=1, axis2=2)
        return errors, np.sqrt(np.maximum(variance, 0.0))
