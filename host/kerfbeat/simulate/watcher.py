"""What happened that a diagnosis should find, beside what was done to the machine?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfbeat.simulate.plan import Happening
from kerfbeat.simulate.world import Stretch

__all__ = ["Watcher"]

Floats = NDArray[np.float64]

OVERLOAD = 1.2  # of the torque that the motor may give at this frequency: more than a cut's fluctuation
ONE_EVENT_WITHIN_S = 0.5  # a belt that grips for less than this has not stopped slipping


class Watcher:
    """Notes when a belt or the blade slips beyond its creep, and when motor or inverter are past their limit."""

    def __init__(self) -> None:
        self._found: dict[str, list[Happening]] = {}

    def accept(self, stretch: Stretch) -> None:
        """Take the next stretch of the run."""
        knots, plant = stretch.knots, stretch.plant
        for name, slipping, slip in zip(plant.coupling_names, knots.slipping, knots.slip, strict=True):
            self._note(f"{name} slips beyond creep", knots.seconds, slipping, 100 * slip)
        if plant.supply == "source":
            return
        # Full load is full torque up to the base frequency, full power above it.
        above = np.maximum(knots.supply_hz / plant.motor.base_hz, 1.0)
        load_percent = 100 * above * knots.torque_n_m / plant.motor.full_load_torque_n_m
        self._note("motor overloaded", knots.seconds, load_percent > 100 * OVERLOAD, load_percent)
        self._note("inverter at its torque limit", knots.seconds, knots.limited, load_percent)

    def _note(self, cause: str, seconds: Floats, state: NDArray[np.bool_], size_percent: Floats) -> None:
        found = self._found.setdefault(cause, [])
        edges = np.flatnonzero(np.diff(np.concatenate(([0], state.astype(int), [0]))))
        for first, after in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
            start_s, end_s = float(seconds[first]), float(seconds[min(after, len(seconds) - 1)])
            peak = float(np.max(size_percent[first:after]))
            if found and start_s - found[-1].end_s < ONE_EVENT_WITHIN_S:
                before = found.pop()
                start_s, peak = before.start_s, max(peak, before.peak_percent or 0.0)
            found.append(Happening(start_s=start_s, end_s=end_s, cause=cause, peak_percent=peak))

    def happenings(self) -> list[Happening]:
        """Everything noted so far."""
        return [each for found in self._found.values() for each in found]
