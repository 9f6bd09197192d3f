"""What torque does the motor give at this speed and supply frequency?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kerfbeat.errors import SimulateError

__all__ = ["MotorModel"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorModel:
    """An induction motor on an inverter that keeps the flux constant below `base_hz` and the voltage above it.

    T = 2 T_m / (x + 1/x), x = slip frequency / breakdown slip frequency, scaled so that the nameplate point (full-load
    torque at full-load slip) lies on the curve: x_N = k - sqrt(k^2 - 1) for a breakdown torque of k times full load.
    Below `base_hz` neither T_m nor the breakdown slip frequency depends on the supply frequency, so that one torque
    has one slip in rpm; above it T_m falls with (base_hz / f)^2, so that constant power has one slip in per cent.
    Sources: the curve is Kloss's, in any textbook of electrical machines (worked example in the tests); the two regions
    are those of the Modelica Standard Library's quasi-static induction machine with inverter (stator resistance 0).

    breakdown_ratio : k, above 1; None for a source without breakdown, whose torque is proportional to its slip.
    flux_droop : how much flux is missing near 0 Hz, as a fraction that shrinks linearly to nothing at `base_hz`.
    """

    poles: int
    base_hz: float
    full_load_slip_hz: float
    full_load_torque_n_m: float
    breakdown_ratio: float | None
    flux_droop: float = 0.0

    def __post_init__(self) -> None:
        if not (self.full_load_slip_hz > 0 and self.full_load_torque_n_m > 0):
            raise SimulateError("the motor needs a full-load slip and torque above zero; check its nameplate")
        if self.breakdown_ratio is not None and self.breakdown_ratio <= 1:
            raise SimulateError(f"a breakdown torque of {self.breakdown_ratio:g} times full load cannot be; above 1")
        if not 0 <= self.flux_droop < 1:
            raise SimulateError(f"flux_droop: {self.flux_droop:g} cannot be; write a fraction from 0 to below 1")

    @property
    def turns_per_supply_cycle(self) -> float:
        """Synchronous shaft turns per cycle of the supply: 2 / poles."""
        return 2.0 / self.poles

    def flux(self, supply_hz: float) -> float:
        """Flux as a fraction of its rated value."""
        if supply_hz > self.base_hz:
            return self.base_hz / supply_hz
        return 1.0 - self.flux_droop * (1.0 - supply_hz / self.base_hz)

    def slip_hz_at(self, torque_n_m: float, *, supply_hz: float) -> float:
        """Slip frequency on the stable side at which a torque is given; breakdown slip if it never is."""
        strength = self.flux(supply_hz) ** 2
        if self.breakdown_ratio is None:
            return self.full_load_slip_hz * torque_n_m / (self.full_load_torque_n_m * strength)
        height = self.breakdown_ratio * self.full_load_torque_n_m * strength / torque_n_m
        x = height - math.sqrt(height * height - 1) if height > 1 else 1.0
        return x * self._breakdown_slip_hz

    @property
    def _breakdown_slip_hz(self) -> float:
        """Slip frequency of the greatest torque, rotor hot."""
        ratio = self.breakdown_ratio or math.inf
        return self.full_load_slip_hz * (ratio + math.sqrt(ratio * ratio - 1))

    def torque(self, shaft_rad_per_s: float, *, supply_hz: float, resistance: float = 1.0) -> tuple[float, float]:
        """Shaft torque in N m, and its slope against shaft speed in N m s (negative where the motor is stable).

        resistance : rotor resistance as a fraction of its hot value; slip at one torque is proportional to it.
        A rotor faster than the field brakes (negative torque).
        """
        pole_pairs = self.poles / 2
        slip_hz = supply_hz - pole_pairs * shaft_rad_per_s / math.tau
        slope_hz = -pole_pairs / math.tau
        strength = self.flux(supply_hz) ** 2
        if self.breakdown_ratio is None:
            stiffness = self.full_load_torque_n_m * strength / (self.full_load_slip_hz * resistance)
            return stiffness * slip_hz, stiffness * slope_hz
        ratio = self.breakdown_ratio
        breakdown_slip_hz = self._breakdown_slip_hz * resistance
        x = slip_hz / breakdown_slip_hz
        height = 2 * ratio * self.full_load_torque_n_m * strength
        below = 1 + x * x
        return height * x / below, height * (1 - x * x) / (below * below) * slope_hz / breakdown_slip_hz
