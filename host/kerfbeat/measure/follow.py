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

__all__ = ["ANGLE_SHARE", "PhaseBank"]

Floats = NDArray[np.float64]

# Beliefs: sd of an edge's time, s, from a clean capture to a bad sensor.
TIMING_S = (5e-6, 3e-5, 2e-4, 2e-3)
# Relative sd that the speed gains in one second: steady to 0.02 %, ..., a cut that begins; the last one also ramps.
WANDERS = (2e-4, 2e-3, 1e-2, 5e-2, 5e-2)
RAMP_PER_S = 1.5  # sd of a ramp's acceleration over the speed: full speed in 2 s ends with 0.5, a brake of 0.5 s is 2
RAMP_LASTS_S = 1.0
SWITCH_PER_S = 0.05  # how often a belief about the motion changes to a given other one
MOST_SWITCHED = 0.4  # after long: every belief has at most two neighbours and the ramp to pass into
SUDDEN = 0.3  # of that, straight to a ramp
RETIME = 1e-4  # chance in one edge that the timing's quality changes
ANGLE_SHARE = 0.12  # sd of a target's angle error over the spacing: 10 degrees of 90
ANGLE_CREEP = 1e-6  # turns per sqrt(s): a magnet may shift; keeps the filter from becoming deaf
LEAST_WEIGHT = 1e-9
TAIL = 0.02
K_OF_REST = 2.159  # two-sided normal quantile of 0.95 / (1 - TAIL)
ALL = slice(None)
FORGET = 0.05
THETA, SPEED, ACCELERATION, ANGLES = 0, 1, 2, 3


class PhaseBank:
    """State of all beliefs (g) after the last edge taken; phase is counted from that edge's even place."""

    def __init__(self, *, targets: int) -> None:
        self.targets = targets
        motions, timings = len(WANDERS), len(TIMING_S)
        self._timing = np.repeat(np.array(TIMING_S), motions)
        self._wander = np.tile(np.array(WANDERS), timings)
        self._ramp = np.tile(np.arange(motions) == motions - 1, timings).astype(float)
        # Motions change to their neighbours in WANDERS, with the time; timings to any other, with each edge.
        near = np.eye(motions, k=1) + np.eye(motions, k=-1)
        near[:-2, -1] = SUDDEN  # a brake or a jam asks for no steps between
        near -= np.diag(near.sum(axis=1))
        other = np.full((timings, timings), RETIME / (timings - 1))
        np.fill_diagonal(other, 1.0 - RETIME)
        self._change = (np.kron(other, np.eye(motions)), np.kron(other, near))
        self._angle = [0.0] * targets
        self._theta = self._speed = self._acceleration = self.ramping = 0.0
        self._ahead: tuple[Floats, Floats, Floats, Floats, float]
        size = ANGLES + targets
        self.mean = np.zeros((len(self._timing), size))
        self.covariance = np.zeros((len(self._timing), size, size))
        self.weight = np.full(len(self._timing), 1.0 / len(self._timing))
        self.surprise = 1.0  # running mean of squared innovations over their variance; 1 if the beliefs are right

    def start(self, *, speed_hz: float, gap_s: float, target: int, angle_turns: Floats | None = None) -> None:
        """Begin from two edges `gap_s` apart, of which `target` is the later; angles as given or unknown.

        The shaft may have started from rest at the first edge (then it is now twice as fast as the mean) or turn
        steadily.
        """
        known = angle_turns is not None
        self.mean = np.zeros_like(self.mean)
        self.covariance = np.zeros_like(self.covariance)
        ramp = self._ramp > 0
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
        self.covariance[:, ACCELERATION, ACCELERATION] = self._ramp * (speed_hz / gap_s) ** 2
        self.weight = np.full(len(self.weight), 1.0 / len(self.weight))
        self.surprise = 1.0
        self._summarise()

    def _move(self, mean: Floats, covariance: Floats, h: float, beliefs: NDArray[np.int64] | slice = ALL) -> None:
        """Let `h` seconds pass, in place, for some of the beliefs."""
        fade = math.exp(-h / RAMP_LASTS_S)
        gain_speed = RAMP_LASTS_S * (1.0 - fade)
        step = np.array([[1.0, h, RAMP_LASTS_S * (h - gain_speed)], [0.0, 1.0, gain_speed], [0.0, 0.0, fade]])
        walk = (self._wander[beliefs] * mean[:, SPEED]) ** 2
        jerk = 2.0 / RAMP_LASTS_S * (self._ramp[beliefs] * RAMP_PER_S * mean[:, SPEED]) ** 2
        mean[:, :ANGLES] = mean[:, :ANGLES] @ step.T
        covariance[:, :ANGLES, :] = step @ covariance[:, :ANGLES, :]
        covariance[:, :, :ANGLES] = covariance[:, :, :ANGLES] @ step.T
        h2, h3 = h * h, h * h * h
        of_walk = np.array([[h3 / 3, h2 / 2, 0.0], [h2 / 2, h, 0.0], [0.0, 0.0, 0.0]])
        of_jerk = np.array([[h3 * h2 / 20, h2 * h2 / 8, h3 / 6], [h2 * h2 / 8, h3 / 3, h2 / 2], [h3 / 6, h2 / 2, h]])
        covariance[:, :ANGLES, :ANGLES] += walk[:, None, None] * of_walk + jerk[:, None, None] * of_jerk

    def _passed_over(self, elapsed_s: float) -> Floats:
        """Chance of each belief (row) to have become each (column) meanwhile."""
        switch = MOST_SWITCHED * (1.0 - math.exp(-SWITCH_PER_S * elapsed_s / MOST_SWITCHED))
        return np.asarray(self._change[0] + switch * self._change[1])

    def _blend(self, elapsed_s: float) -> tuple[Floats, Floats, Floats]:
        """Let beliefs pass into one another, as much as may have happened: mean, covariance, weight."""
        flow = self._passed_over(elapsed_s) * self.weight[:, None]
        weight = flow.sum(axis=0)
        share = (flow / weight).T
        centre = self.weight @ self.mean
        away = self.mean - centre
        mean = share @ away
        spread = self.covariance + away[:, :, None] * away[:, None, :]
        covariance = (share @ spread.reshape(len(weight), -1)).reshape(spread.shape)
        covariance -= mean[:, :, None] * mean[:, None, :]
        mean += centre
        # What has just become a ramp has an acceleration at once.
        new = (share @ (1.0 - self._ramp)) * self._ramp
        covariance[:, ACCELERATION, ACCELERATION] += new * (RAMP_PER_S * mean[:, SPEED]) ** 2
        return mean, covariance, weight

    def foresee(self, elapsed_s: float) -> None:
        """Look ahead to an edge that comes so long after the last one taken; nothing is decided yet."""
        mean, covariance, weight = self._blend(elapsed_s)
        self._move(mean, covariance, elapsed_s)
        noise = (self._timing * mean[:, SPEED]) ** 2 + 1e-14
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
        self._summarise()

    def _summarise(self) -> None:
        """Means over the beliefs as plain numbers: asked for at every edge, also those the filters are not given."""
        self._theta, self._speed, self._acceleration, *self._angle = (self.weight @ self.mean).tolist()
        self.ramping = float(self.weight @ self._ramp)  # how likely the shaft ramps

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

    def speed(self, elapsed_s: float) -> tuple[float, float]:
        """Speed, and half the width of its 95 % interval, `elapsed_s` after the last edge taken.

        The variance of the whole mixture would be that of its rare tails.  So the least likely beliefs, TAIL of the
        weight together, count as missed, and the others are given the interval that makes up for them.
        """
        now = self.weight @ self._passed_over(elapsed_s)
        order = np.argsort(now)
        kept = order[int(np.searchsorted(np.cumsum(now[order]), TAIL)) :]
        weight = now[kept] / now[kept].sum()
        mean, covariance = self.mean[kept, :ANGLES], self.covariance[kept, :ANGLES, :ANGLES]
        self._move(mean, covariance, elapsed_s, kept)
        speed = float(weight @ mean[:, SPEED])
        variance = float(weight @ (covariance[:, SPEED, SPEED] + (mean[:, SPEED] - speed) ** 2))
        return speed, K_OF_REST * math.sqrt(max(variance, 0.0))

    def acceleration(self) -> tuple[float, float]:
        """Acceleration and its standard uncertainty at the last edge taken."""
        value = float(self.weight @ self.mean[:, ACCELERATION])
        spread = (self.mean[:, ACCELERATION] - value) ** 2
        variance = self.weight @ (self.covariance[:, ACCELERATION, ACCELERATION] + spread)
        return value, math.sqrt(max(float(variance), 0.0))

    def angles(self) -> tuple[Floats, Floats]:
        """Angle errors of the targets and their standard uncertainty, (targets,) turns; their mean is arbitrary."""
        errors = self.weight @ self.mean[:, ANGLES:]
        part = self.covariance[:, ANGLES:, ANGLES:]
        centred = part - part.mean(axis=1, keepdims=True) - part.mean(axis=2, keepdims=True)
        centred += part.mean(axis=(1, 2), keepdims=True)
        variance = self.weight @ np.diagonal(centred, axis1=1, axis2=2)
        return errors, np.sqrt(np.maximum(variance, 0.0))
