"""How much does a belt creep under its pull, and when does it slip?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from kerfbeat.errors import SimulateError

__all__ = ["CALM", "Coupling", "Pull"]

CALM = 1e-3  # of nominal speed: drag grows to its full size, and creep to its law, within it


class Pull(NamedTuple):
    """What a coupling carries: its pull, the pull's slopes against both rim speeds, and its state.

    slip : part of the driver's rim speed that the driven rim lacks, extra slip left out.
    """

    force_n: float
    slope_driver_n_s_per_m: float
    slope_driven_n_s_per_m: float
    slip: float
    slipping: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Coupling:
    """A belt between two sheaves, or the blade on its wheel.

    It carries a pull F = T1 - T2 between its tight and its slack side, T1 + T2 = 2 T0 (elastic belt on fixed centres).
    * Creep: v2 / v1 = (EA + T2) / (EA + T1), the exact form of the loss (T1 - T2) / EA.
      Source: Khurmi, Theory of Machines, 11.10; Johnson, Contact Mechanics, ch. 8.
    * Limit: T1 / T2 = exp(mu theta) at most, hence F_max = 2 T0 (R - 1) / (R + 1) with R = exp(mu theta), mu the
      effective coefficient of the groove.  Source: Euler-Eytelwein, Shigley's Mechanical Engineering Design, eq. 17-7.
    * Beyond it the whole arc slips, and the pull rises by `rise` times its limit per unit of slip: rubber rubs harder
      the faster it slides (common practice, no published source for the number).
    Centrifugal tension is left out: at 0.1 kg/m and 6 m/s it is 3.6 N of some hundred.

    least_speed_m_per_s : below this rim speed the same law is written in the speed difference, so that rest is calm.
    """

    name: str
    stiffness_n: float
    tension_n: float
    friction: float
    wrap_rad: float
    rise: float
    least_speed_m_per_s: float

    def __post_init__(self) -> None:
        for what in ("stiffness_n", "tension_n", "friction", "wrap_rad", "rise", "least_speed_m_per_s"):
            if not getattr(self, what) > 0:
                raise SimulateError(f"{self.name}: {what} must be above zero")

    def limit_n(self, friction_factor: float = 1.0) -> float:
        """Greatest pull before the whole arc slips; `friction_factor` scales the friction (oil, glaze)."""
        ratio = math.exp(self.friction * friction_factor * self.wrap_rad)
        return 2 * self.tension_n * (ratio - 1) / (ratio + 1)

    def friction_factor(self, limit_n: float) -> float:
        """Friction, of its healthy value, at which the arc slips under this pull; inverse of `limit_n`."""
        room_n = 2 * self.tension_n - limit_n
        if not (limit_n > 0 and room_n > 0):
            raise SimulateError(f"{self.name}: no friction gives a greatest pull of {limit_n:g} N at this tension")
        return math.log((2 * self.tension_n + limit_n) / room_n) / (self.friction * self.wrap_rad)

    def creep(self, force_n: float) -> float:
        """Elastic creep 1 - v2/v1 under a pull, as a fraction."""
        return force_n / (self.stiffness_n + self.tension_n + force_n / 2)

    def pull(self, driver_m_per_s: float, driven_m_per_s: float, *, limit_n: float, extra_slip: float = 0.0) -> Pull:
        """Pull between two rims that move at these speeds.

        limit_n : from `limit_n`.
        extra_slip : slip that is there at any pull: the driven rim moves at (1 - extra_slip) of what creep leaves.
        """
        kept = 1.0 - extra_slip
        driven = driven_m_per_s / kept
        if driver_m_per_s > self.least_speed_m_per_s:
            slip = 1.0 - driven / driver_m_per_s
            slip_slope_driver = driven / (driver_m_per_s * driver_m_per_s)
            slip_slope_driven = -1.0 / (kept * driver_m_per_s)
        else:
            slip = (driver_m_per_s - driven) / self.least_speed_m_per_s
            slip_slope_driver = 1.0 / self.least_speed_m_per_s
            slip_slope_driven = -1.0 / (kept * self.least_speed_m_per_s)
        stretch_n = self.stiffness_n + self.tension_n
        forward = math.copysign(1.0, slip)
        limit_slip = limit_n / (stretch_n + forward * limit_n / 2)
        if abs(slip) <= limit_slip:
            room = 1.0 - slip / 2
            force_n = slip * stretch_n / room
            slope_n = stretch_n / (room * room)
            slipping = False
        else:
            force_n = forward * limit_n * (1.0 + self.rise * (abs(slip) - limit_slip))
            slope_n = limit_n * self.rise
            slipping = True
        return Pull(
            force_n=force_n,
            slope_driver_n_s_per_m=slope_n * slip_slope_driver,
            slope_driven_n_s_per_m=slope_n * slip_slope_driven,
            slip=slip,
            slipping=slipping,
        )
