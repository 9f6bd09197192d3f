"""How much blade passes in one turn of the shaft that tells its speed, and how sure is that?

From the wheel it is pi (D + t), with the measured diameter where there is one, else the described one; from the blade's
own mark it is the blade's length.  A described size is taken to be right to a stated part of itself: nobody's tape is
exact, and a wheel's effective diameter is not its drawing's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from kerfbeat.calibration import Known
from kerfbeat.drive.chain import WHEEL_HALF_WIDTH
from kerfbeat.machine import Machine
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["LENGTH_HALF_WIDTH", "Travel", "blade_travel", "calibrated_machine"]

LENGTH_HALF_WIDTH = 0.001  # of a blade's length as described (2 to 3 mm); common practice, no published source


@dataclass(frozen=True, kw_only=True, slots=True)
class Travel:
    """Blade per turn of a channel's shaft.

    metres : of blade.   u : relative standard uncertainty.   cause : which size it is of.
    source : where that size is from, in words.   described : whether it was never measured but only described.
    """

    metres: float
    u: float
    cause: str
    source: str
    described: bool

    @property
    def u95(self) -> float:
        """Relative 95 % half-width."""
        return coverage_factor(math.inf) * self.u

    def speed(self, shaft_hz: Estimate) -> Estimate:
        """Blade speed of a shaft's turns per second, with the uncertainty of both."""
        told = shaft_hz.times(self.metres)
        return Estimate(value=told.value, u95=math.hypot(told.u95, self.u95 * told.value))


def calibrated_machine(machine: Machine, known: Known) -> Machine:
    """The machine with its wheel's effective diameter in place of the described one, if that is known."""
    if known.wheel_diameter_m is None:
        return machine
    return replace(machine, wheel=replace(machine.wheel, diameter_m=known.wheel_diameter_m[0]))


def blade_travel(machine: Machine, known: Known, *, channel: str) -> Travel:
    """Blade per turn of the wheel, or per pass of the blade's mark.

    channel : "wheel", or "blade" where the blade's length is described.
    """
    if channel == "blade":
        length_m = machine.wheel.blade_length_m
        assert length_m is not None
        source = f"as described, taken to {100 * LENGTH_HALF_WIDTH:g} %"
        return Travel(
            metres=length_m, u=LENGTH_HALF_WIDTH / math.sqrt(3.0), cause="blade length", source=source, described=True
        )
    metres = calibrated_machine(machine, known).wheel.blade_per_turn_m
    if known.wheel_diameter_m is not None:
        date = known.results["wheel diameter", ""].date
        return Travel(
            metres=metres,
            u=math.pi * known.wheel_diameter_m[1] / metres,
            cause="diameter",
            source=f"calibrated {date:%Y-%m-%d}",
            described=False,
        )
    return Travel(
        metres=metres,
        u=WHEEL_HALF_WIDTH / math.sqrt(3.0),
        cause="diameter",
        source=f"as described, taken to {100 * WHEEL_HALF_WIDTH:g} % (kerfbeat calibrate wheel)",
        described=True,
    )
