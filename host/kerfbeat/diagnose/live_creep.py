"""How much does a coupling creep at full load, as its cuts so far show it?"""

from collections import deque

import numpy as np

from kerfbeat.diagnose.motor_load import LOADED
from kerfbeat.diagnose.pair_slip import LEARN_PERCENTILE, LEARN_S

__all__ = ["LiveCreep"]

WINDOWS = 200  # of loaded running that it is learnt from
FEWEST = 2


class LiveCreep:
    """at_full_load : a fraction; as much as is healthy until cuts have shown less.   most : that."""

    def __init__(self, *, most: float) -> None:
        self.at_full_load = self._most = most
        self._windows: deque[float] = deque(maxlen=WINDOWS)
        self.break_off()

    def break_off(self) -> None:
        """What comes next does not follow from what was."""
        self._slip_s = self._load_s = self._length_s = 0.0

    def take(self, slip: float, load: float | None, length_s: float) -> None:
        """Slip over a step, at a part of full load; None where nothing tells it."""
        if load is None:
            return
        if load <= LOADED:
            self.break_off()
            return
        self._slip_s += slip * length_s
        self._load_s += load * length_s
        self._length_s += length_s
        if self._length_s < LEARN_S:
            return
        self._windows.append(self._slip_s / self._load_s)
        self.break_off()
        if len(self._windows) >= FEWEST:
            creep = float(np.percentile(self._windows, LEARN_PERCENTILE))
            self.at_full_load = min(max(creep, 0.0), self._most)
