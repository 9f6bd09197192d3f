"""Pulses of known truth for the calibration tests, made without any of the estimators' code."""

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))  # helpers beside the tests

LONG = os.environ.get("KERFBEAT_LONG") == "1"


@dataclass(frozen=True, kw_only=True)
class Wandering:
    """A shaft whose relative speed is an exact Ornstein-Uhlenbeck process, and its targets' passes with white noise."""

    rpm: float
    turns: float
    angles_turns: np.ndarray
    wander: float = 0.0
    wander_s: float = 1.0
    noise_s: float = 5e-6

    @property
    def targets(self) -> int:
        return len(self.angles_turns)

    @property
    def spacing_turns(self) -> np.ndarray:
        return np.diff(np.append(self.angles_turns, 1.0 + self.angles_turns[0]))

    @property
    def passes(self) -> int:
        return round(self.turns * self.targets) + 1

    def places(self) -> np.ndarray:
        k = np.arange(self.passes)
        return k // self.targets + self.angles_turns[k % self.targets]

    def seconds(self, runs: int, *, seed: int, profile: Callable[[np.ndarray], np.ndarray] | None = None) -> np.ndarray:
        """(passes, runs) seconds.  `profile` multiplies the speed over time (a run-down, a warm-up)."""
        random = np.random.default_rng(seed)
        mean_hz = self.rpm / 60
        if self.wander == 0.0 and profile is None:
            exact = np.repeat(self.places()[:, None] / mean_hz, runs, axis=1)
            return exact + self.noise_s * random.standard_normal(exact.shape)
        step_s = min(self.wander_s / 50, 0.1 / mean_hz / self.targets)
        slowest = 1.0 if profile is None else 4.0
        count = int((self.turns / mean_hz * (1.1 + 4 * self.wander) * slowest + 0.5) / step_s)
        keep = np.exp(-step_s / self.wander_s)
        relative = np.empty((count, runs))
        relative[0] = random.standard_normal(runs)
        fresh = random.standard_normal((count - 1, runs)) * np.sqrt(1 - keep**2)
        for k in range(1, count):
            relative[k] = keep * relative[k - 1] + fresh[k - 1]
        at_s = np.arange(count) * step_s
        speed_hz = mean_hz * (1 + self.wander * relative)
        if profile is not None:
            speed_hz *= profile(at_s)[:, None]
        turned = np.concatenate((np.zeros((1, runs)), np.cumsum((speed_hz[1:] + speed_hz[:-1]) / 2 * step_s, axis=0)))
        assert turned[-1].min() > self.places()[-1], "the speed record is too short"
        times = np.stack([np.interp(self.places(), turned[:, r], at_s) for r in range(runs)], axis=1)
        return times + self.noise_s * random.standard_normal(times.shape)

    def bound_turns(self) -> np.ndarray:
        """Cramer-Rao bound of each spacing's standard error, from the dense covariance of all passes' phases.

        To first order in the wander, phases at the mean times are p = n t + integral of w + offset + noise, Gaussian.
        Covariance of an integrated Ornstein-Uhlenbeck process: Gillespie, Phys. Rev. E 54 (1996) 2084.
        """
        mean_hz, m = self.rpm / 60, self.targets
        t = self.places() / mean_hz
        a = t / self.wander_s
        away = np.abs(a[:, None] - a[None, :])
        both = 2 * np.minimum(a[:, None], a[None, :]) + np.exp(-a)[:, None] + np.exp(-a)[None, :] - 1 - np.exp(-away)
        covariance = (self.wander * mean_hz * self.wander_s) ** 2 * both
        covariance += (self.noise_s * mean_hz) ** 2 * np.eye(len(t))
        target = np.arange(len(t)) % m
        design = np.column_stack([np.ones(len(t)), t / t[-1], *[(target == j).astype(float) for j in range(1, m)]])
        information = design.T @ np.linalg.solve(covariance, design)
        offsets = np.linalg.inv(information)[2:, 2:]
        padded = np.zeros((m, m))
        padded[1:, 1:] = offsets
        step = np.roll(np.eye(m), 1, axis=1) - np.eye(m)
        return np.sqrt(np.diag(step @ padded @ step.T))


@pytest.fixture
def wandering() -> type[Wandering]:
    return Wandering


@pytest.fixture
def long() -> bool:
    """KERFBEAT_LONG=1 makes the campaigns larger; their short form is part of every run."""
    return LONG
