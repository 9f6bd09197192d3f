"""How fast did the blade run in the last minutes?"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.uncertainty import Estimate

__all__ = ["RecentSpeeds"]

TREND_S = 900.0  # the longest stretch the screen draws
TREND_STEP_S = 0.25
TREND_SHARE = 0.1  # a reading less certain than that says nothing about a trend


class RecentSpeeds:
    """Readings a quarter of a second apart, as far back as the screen draws them."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque()

    def wants(self, host_s: float) -> bool:
        """Whether it is time for another."""
        return not self._points or host_s - self._points[-1][0] >= TREND_STEP_S

    def take(self, host_s: float, speed_m_per_s: Estimate | None) -> None:
        """Keep a reading; one that is hardly known is a gap."""
        fit = speed_m_per_s is not None and speed_m_per_s.u95 < TREND_SHARE * speed_m_per_s.value
        self._points.append((host_s, speed_m_per_s.value if speed_m_per_s is not None and fit else np.nan))
        while self._points[0][0] < host_s - TREND_S:
            self._points.popleft()

    def points(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Host times in s and m/s, (n,) each, NaN where there was no reading."""
        points = np.array(self._points, dtype=np.float64).reshape(-1, 2)
        return points[:, 0], points[:, 1]
