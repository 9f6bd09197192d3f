"""What would a sensor on a turning wheel record?  A small generator that knows nothing of the estimators."""

from dataclasses import dataclass

import numpy as np
import pytest


@dataclass(frozen=True, kw_only=True)
class Wheel:
    """A wheel whose speed is given at times `at_s` and runs straight between; targets at `angles_turns` of a turn."""

    at_s: np.ndarray
    speed_hz: np.ndarray
    angles_turns: np.ndarray

    def phase_turns(self, t_s):
        """Turns made by time t: the integral of the speed, exact for straight pieces."""
        gained = np.concatenate(([0.0], np.cumsum(np.diff(self.at_s) * 0.5 * (self.speed_hz[1:] + self.speed_hz[:-1]))))
        i = np.clip(np.searchsorted(self.at_s, t_s, side="right") - 1, 0, len(self.at_s) - 2)
        h = t_s - self.at_s[i]
        slope = (self.speed_hz[i + 1] - self.speed_hz[i]) / (self.at_s[i + 1] - self.at_s[i])
        return gained[i] + self.speed_hz[i] * h + 0.5 * slope * h * h

    def speed_at(self, t_s):
        return np.interp(t_s, self.at_s, self.speed_hz)

    def edges(self):
        """True times at which targets pass, and which target each is; from phase 0 on."""
        total = float(self.phase_turns(self.at_s[-1]))
        places = (np.arange(int(total) + 1)[:, None] + self.angles_turns).ravel()
        places = places[(places > 0) & (places < total)]
        low, high = np.full(len(places), self.at_s[0]), np.full(len(places), self.at_s[-1])
        for _ in range(60):  # bisection: phase never falls
            middle = 0.5 * (low + high)
            early = self.phase_turns(middle) < places
            low, high = np.where(early, middle, low), np.where(early, high, middle)
        index = np.searchsorted(self.angles_turns, places % 1.0 + 1e-12, side="right") - 1
        return 0.5 * (low + high), index % len(self.angles_turns)


def uneven(rng, targets, share=0.11):
    """Angles in turns; each off its even place by up to `share` of the spacing (0.11 of 90 degrees is 10)."""
    return np.sort((np.arange(targets) + 0.5 + rng.uniform(-share, share, targets)) / targets)


def steady(speed_hz, duration_s, angles_turns):
    return Wheel(at_s=np.array([0.0, duration_s]), speed_hz=np.array([speed_hz, speed_hz]), angles_turns=angles_turns)


def profile(points, angles_turns):
    """Speed through (time, speed) points."""
    at, speed = np.array(points, dtype=float).T
    return Wheel(at_s=at, speed_hz=speed, angles_turns=angles_turns)


def wandering(rng, speed_hz, duration_s, angles_turns, *, sd, correlation_s, step_s=0.01):
    """Speed that wanders about its mean: an Ornstein-Uhlenbeck process of relative sd `sd`."""
    n = int(duration_s / step_s) + 2
    keep = np.exp(-step_s / correlation_s)
    shocks = rng.standard_normal(n) * sd * np.sqrt(1 - keep**2)
    x = np.empty(n)
    x[0] = rng.standard_normal() * sd
    for i in range(1, n):
        x[i] = keep * x[i - 1] + shocks[i]
    return Wheel(at_s=np.arange(n) * step_s, speed_hz=speed_hz * np.maximum(1 + x, 0.01), angles_turns=angles_turns)


def ticks_of(times_s, tick_hz=16e6):
    return np.unique(np.round(np.asarray(times_s) * tick_hz).astype(np.int64))


@pytest.fixture(scope="session")
def bench():
    """The generator's functions, for tests: `bench.steady(...)`."""

    class Bench:
        pass

    for function in (uneven, steady, profile, wandering, ticks_of):
        setattr(Bench, function.__name__, staticmethod(function))
    return Bench
