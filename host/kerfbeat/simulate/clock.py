"""What does the board's clock read?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.parameters import Parameters

__all__ = ["BoardClock"]

Floats = NDArray[np.float64]

TICK_HZ = 16e6
WANDER_PERIODS_S = (97.0, 331.0, 1009.0)  # no common multiple within a day
BOARD_SPREAD_PPM = 2000.0  # of a board drawn by seed: ceramic resonators are within 0.5 %


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardClock:
    """A clock that is fast by ppm + warm_ppm (1 - exp(-t / warm_s)) + a slow wander, exactly integrated.

    wander_ppm : rms of the wander, a sum of three sine waves of minutes to a quarter of an hour, phases in turns.
    """

    ppm: float
    warm_ppm: float
    warm_s: float
    wander_ppm: float
    wander_phases: tuple[float, float, float]

    @classmethod
    def from_parameters(cls, parameters: Parameters, *, seed: int) -> BoardClock:
        """Make the clock that was asked for; what was left open is drawn by the seed."""
        random = stream(seed, "board clock")
        drawn_ppm, *phases = random.uniform(-1, 1, 1 + len(WANDER_PERIODS_S))
        ppm = parameters.clock_ppm if parameters.clock_ppm is not None else float(drawn_ppm) * BOARD_SPREAD_PPM
        return cls(
            ppm=ppm,
            warm_ppm=parameters.clock_warm_ppm,
            warm_s=parameters.clock_warm_s,
            wander_ppm=parameters.clock_wander_ppm,
            wander_phases=(float(phases[0]), float(phases[1]), float(phases[2])),
        )

    @property
    def _wave_ppm(self) -> float:
        """Amplitude of each wave, so that all together have the wanted rms."""
        return self.wander_ppm * math.sqrt(2 / len(WANDER_PERIODS_S))

    def offset_ppm(self, seconds: Floats) -> Floats:
        """How fast the clock runs at (n,) true times, in ppm of the nominal rate."""
        seconds = np.asarray(seconds, dtype=float)
        offset = self.ppm + self.warm_ppm * -np.expm1(-seconds / self.warm_s)
        for period_s, phase in zip(WANDER_PERIODS_S, self.wander_phases, strict=True):
            offset = offset + self._wave_ppm * np.sin(math.tau * (seconds / period_s + phase))
        return np.asarray(offset)

    def reading(self, seconds: Floats) -> Floats:
        """Ticks since true time 0, with their fraction, at (n,) true times; the integral of the rate."""
        seconds = np.asarray(seconds, dtype=float)
        ahead = self.ppm * seconds + self.warm_ppm * (seconds + self.warm_s * np.expm1(-seconds / self.warm_s))
        for period_s, phase in zip(WANDER_PERIODS_S, self.wander_phases, strict=True):
            waves = np.cos(math.tau * phase) - np.cos(math.tau * (seconds / period_s + phase))
            ahead = ahead + self._wave_ppm * period_s / math.tau * waves
        return np.asarray(TICK_HZ * (seconds + 1e-6 * ahead))

    def ticks_at(self, second: float) -> int:
        """Whole ticks since true time 0 at one true time: `reading` without numpy, for a port that asks often."""
        ahead = self.ppm * second + self.warm_ppm * (second + self.warm_s * math.expm1(-second / self.warm_s))
        for period_s, phase in zip(WANDER_PERIODS_S, self.wander_phases, strict=True):
            waves = math.cos(math.tau * phase) - math.cos(math.tau * (second / period_s + phase))
            ahead += self._wave_ppm * period_s / math.tau * waves
        return math.floor(TICK_HZ * (second + 1e-6 * ahead))

    def when(self, ticks: Floats) -> Floats:
        """True times at which the clock reads (n,) ticks; inverse of `reading`."""
        ticks = np.asarray(ticks, dtype=float)
        seconds = ticks / TICK_HZ
        for _ in range(4):  # the rate is constant to some thousand ppm: each round gains five digits or more
            rate_hz = TICK_HZ * (1 + 1e-6 * self.offset_ppm(seconds))
            seconds = seconds - (self.reading(seconds) - ticks) / rate_hz
        return seconds
