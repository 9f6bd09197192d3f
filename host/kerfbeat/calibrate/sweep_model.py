"""Which equations tie the steady speeds of a sweep to ratio and slip?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CAUSES", "EXPONENT", "GROWTH", "SLIP", "U_GROWTH", "Floats", "Ints", "Linear", "Model", "Sweep"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard uncertainty of the slip law: by which factor e^q the no-load slip grows from standstill to base frequency,
# and the exponent above it.  Drag that is half constant, half in proportion to speed gives q = 0.7; flux missing at low
# frequency gives q = -0.3 (as `kerfbeat.drive.motor` has it from a published simulated motor).  Judgement.
U_GROWTH, U_EXPONENT = 0.5, 0.3
# Error of the inverter's own frequency, half-width: digital ones state 0.01 %.  Common practice, no published source.
INVERTER_HALF_WIDTH = 1e-4
# Idle belts creep by some hundredths of a per cent, and not the same at every speed: relative standard uncertainty by
# which one ratio describes a point.  Common practice, no published source.
U_CREEP = 1e-4
FIRST_SLIP = 0.08  # of the rated slip, as motors without load have it: where the fit begins, no more
STEPS = 12  # of Gauss and Newton; three suffice but for strongly curved slip laws
SMALLEST_STEP = 1.0 / 64.0
SLIP, GROWTH, EXPONENT, CLOCK, INVERTER = range(5)  # parameters after the scales
CAUSES = ("timing", "wander", "display", "creep", "clock", "inverter", "slip law")


@dataclass(frozen=True, kw_only=True, slots=True)
class Sweep:
    """Steady points at no load: (n,) arrays.

    shown_hz : what the inverter's display said.   group : index of the belt position and gear, 0..g-1.
    speed_hz, u_hz : by channel, turns per second by the board's corrected clock, NaN where not seen, and the standard
        uncertainty from timing alone.
    u_wander : (n,) relative, how well the time of each point shows its setting's speed; common to all channels.
    u_clock : relative standard uncertainty common to all speeds.
    """

    shown_hz: Floats
    group: Ints
    speed_hz: Mapping[str, Floats]
    u_hz: Mapping[str, Floats]
    u_wander: Floats
    u_clock: float

    @property
    def scales(self) -> list[tuple[str, int]]:
        """Channels and groups that have a scale of their own: the motor has one for all groups."""
        found: list[tuple[str, int]] = []
        for channel, speed_hz in self.speed_hz.items():
            groups = np.unique(self.group[np.isfinite(speed_hz)]).tolist()
            found += [(channel, group) for group in (groups[:1] if channel == "motor" else groups)]
        return found


def _law(x: Floats, q: float, b: float) -> tuple[Floats, Floats, Floats]:
    """The slip law h and its derivatives by q and b."""
    above = np.maximum(x, 1.0)
    power = np.where(x > 1.0, above ** (2.0 + b), 1.0)
    low = math.exp(-q)
    h = (low + (1.0 - low) * x) * power
    return h, low * (x - 1.0) * power, h * np.log(above)


@dataclass(frozen=True, slots=True)
class Linear:
    """All observations linearised: those of pulses first, then what is known beforehand of the last five parameters.

    design : (rows, parameters).   miss : (rows,).   Both once more as `white`, with unit covariance.
    """

    design: Floats
    miss: Floats
    white_design: Floats
    white_miss: Floats

    @property
    def squares(self) -> float:
        """Weighted sum of squares, chi squared."""
        return float(self.white_miss @ self.white_miss)


class Model:
    """The equations of one sweep, ready to be linearised anywhere."""

    def __init__(
        self,
        sweep: Sweep,
        *,
        poles: int,
        base_hz: float,
        rated_slip_hz: float,
        display_u_hz: float,
        motor_is_one: bool,
        u_growth: float,
    ) -> None:
        self.sweep = sweep
        self.first_slip_hz = FIRST_SLIP * rated_slip_hz
        self.scales = tuple(sweep.scales)
        place = {scale: index for index, scale in enumerate(self.scales)}
        motor = next((index for index, scale in enumerate(self.scales) if scale[0] == "motor"), -1)
        self.fixed = motor if motor_is_one else -1
        seen = [
            (motor if channel == "motor" else place[channel, int(sweep.group[point])], int(point), channel)
            for channel, speed_hz in sweep.speed_hz.items()
            for point in np.flatnonzero(np.isfinite(speed_hz))
        ]
        self.at = np.array([index for index, _, _ in seen])
        self.point = np.array([point for _, point, _ in seen])
        self.speed_hz = np.array([sweep.speed_hz[channel][point] for _, point, channel in seen])
        shown_hz = sweep.shown_hz[self.point]
        self.x = shown_hz / base_hz
        self.field_hz = 2.0 * shown_hz / poles
        geared = np.array([channel != "motor" for _, _, channel in seen])
        timing_hz = np.array([sweep.u_hz[channel][point] for _, point, channel in seen])
        u_priors = {
            "slip law": (rated_slip_hz, max(u_growth, 1e-9), U_EXPONENT, 0.0, 0.0),
            "clock": (0.0, 0.0, 0.0, max(sweep.u_clock, 1e-9), 0.0),
            "inverter": (0.0, 0.0, 0.0, 0.0, INVERTER_HALF_WIDTH / math.sqrt(3.0)),
        }
        rows = len(seen)
        self.parts = {cause: np.zeros((rows + 5, rows + 5)) for cause in CAUSES}
        self.parts["timing"][:rows, :rows] = np.diag(timing_hz**2)
        self.parts["creep"][:rows, :rows] = np.diag((U_CREEP * self.speed_hz * geared) ** 2)
        for cause, relative in (("display", display_u_hz / shown_hz), ("wander", sweep.u_wander[self.point])):
            common_hz = relative * self.speed_hz  # all channels of a point are off by the same part
            self.parts[cause][:rows, :rows] = np.equal.outer(self.point, self.point) * np.outer(common_hz, common_hz)
        for cause, u in u_priors.items():
            self.parts[cause][rows:, rows:] = np.diag(np.square(u))
        self.total = np.asarray(sum(self.parts.values(), np.zeros((rows + 5, rows + 5))))
        self.whiten = np.linalg.inv(np.linalg.cholesky(self.total))

    def start(self) -> Floats:
        """First guess: scales without slip, and some slip, without which no step would know which way the law bends."""
        logs = [
            math.log(float(np.mean((self.speed_hz / self.field_hz)[self.at == k]))) for k in range(len(self.scales))
        ]
        start = np.array([*logs, self.first_slip_hz, 0.0, 0.0, 0.0, 0.0])
        if self.fixed >= 0:
            start[self.fixed] = 0.0
        return start

    def linear(self, parameters: Floats) -> Linear:
        """Linearise at these parameters: ln of every scale, S, q, b, the clock's and the inverter's relative error."""
        count, rows = len(self.scales), len(self.at)
        slip, q, b, clock, inverter = parameters[count:].tolist()
        h, h_q, h_b = _law(self.x, q, b)
        shaft_hz = self.field_hz * (1.0 + inverter) - slip * h
        scale = np.exp(parameters[self.at])
        fitted_hz = scale * shaft_hz * (1.0 + clock)
        design = np.zeros((rows + 5, count + 5))
        design[np.arange(rows), self.at] = fitted_hz
        design[:rows, count:] = scale[:, None] * np.column_stack(
            (-h, -slip * h_q, -slip * h_b, shaft_hz, self.field_hz)
        )
        design[rows:, count:] = np.eye(5)
        miss = np.concatenate((self.speed_hz - fitted_hz, -parameters[count:]))
        return Linear(design, miss, self.whiten @ design, self.whiten @ miss)

    def free(self, *held: int) -> list[int]:
        """Parameters to fit: all but a fixed motor's scale and those held."""
        return [k for k in range(len(self.scales) + 5) if k != self.fixed and k not in held]

    def solve(self, parameters: Floats, free: list[int]) -> tuple[Floats, Linear, Floats]:
        """Least squares by Gauss and Newton with halved steps: parameters, the equations there, their covariance."""
        here = self.linear(parameters)
        for _ in range(STEPS):
            covariance = self.covariance(here, free)
            step = covariance @ (here.white_design[:, free].T @ here.white_miss)
            if np.all(np.abs(step) < 1e-4 * np.sqrt(np.diag(covariance))):
                break
            size = 1.0
            while True:
                tried = parameters.copy()
                tried[free] += size * step
                # Points that contradict each other throw the first steps to where numbers end: no better, so halved.
                with np.errstate(over="ignore", invalid="ignore"):
                    there = self.linear(tried)
                    better = there.squares < here.squares
                if better or size < SMALLEST_STEP:
                    break
                size /= 2.0
            if not better:
                break  # as near as numbers come, or nowhere to go
            parameters, here = tried, there
        return parameters, here, self.covariance(here, free)

    @staticmethod
    def covariance(here: Linear, free: list[int]) -> Floats:
        """Covariance of the free parameters."""
        design = here.white_design[:, free]
        # Columns differ by many orders of magnitude; scaled to equal length the inverse keeps its digits.
        length = 1.0 / np.sqrt((design**2).sum(axis=0))
        scaled = design * length
        return np.asarray(np.linalg.inv(scaled.T @ scaled) * np.outer(length, length))

    def gain(self, here: Linear, free: list[int]) -> Floats:
        """Linear map from misses to steps of the free parameters."""
        return np.asarray(self.covariance(here, free) @ here.white_design[:, free].T @ self.whiten)
