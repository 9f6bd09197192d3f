"""How fast is the blade, by the readings of the shafts?"""

import math
from collections.abc import Mapping

from kerfbeat.calibrate.travel import blade_travel
from kerfbeat.calibration import NOTHING_KNOWN, Known
from kerfbeat.errors import MachineError
from kerfbeat.machine import Machine
from kerfbeat.measure.live import ShaftReading
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.snapshot import BladeNow

__all__ = ["BladeRule"]


class BladeRule:
    """The channel that tells the blade's speed, and `travel`, how much blade passes in one of its turns.

    The wheel comes first, since its targets come often; a sensor on the blade alone does where the blade's length is
    known.  Raises MachineError where neither is there.
    """

    def __init__(self, machine: Machine, known: Known | None = None) -> None:
        """Make the rule; a calibrated diameter takes the place of the described one."""
        length_m = machine.wheel.blade_length_m
        if "wheel" in machine.sensors:
            self.channel = "wheel"
        elif "blade" in machine.sensors and length_m is not None:
            self.channel = "blade"
        elif "blade" in machine.sensors:
            raise MachineError(
                f"{machine.name}: a sensor on the blade alone needs the blade's length; add blade_length to [wheel]"
            )
        else:
            raise MachineError(
                f"{machine.name}: no sensor sees the blade's speed; add [sensor.wheel] with its targets"
            )
        held = known or NOTHING_KNOWN
        self.travel = blade_travel(machine, held, channel=self.channel)
        self._by_mark = None if length_m is None else blade_travel(machine, held, channel="blade")

    def blade_now(self, reading: ShaftReading) -> BladeNow:
        """The reading of the channel's shaft as blade speed."""
        metres = self.travel.metres
        # Before the first turn nothing was seen to slow down: a bound would look like a reading.
        slower_than_hz = None if reading.state == "waiting" else reading.slower_than_hz
        return BladeNow(
            channel=self.channel,
            state=reading.state,
            speed_m_per_s=None if reading.shaft_hz is None else self.travel.speed(reading.shaft_hz),
            turning_u95_m_per_s=None if reading.shaft_hz is None else reading.shaft_hz.u95 * metres,
            described=self.travel.described,
            slower_than_m_per_s=None if slower_than_hz is None else slower_than_hz * metres,
            acceleration_m_per_s2=None if reading.accel_hz_per_s is None else reading.accel_hz_per_s * metres,
            silent_s=reading.silent_s,
            evidence=reading.evidence,
        )

    def slip_percent(self, readings: Mapping[str, ShaftReading]) -> Estimate | None:
        """How much slower the blade runs than the wheel's surface; None where not both are read.

        The uncertainties of both are taken as independent: too wide while the clock, common to both, is not measured.
        """
        wheel, blade = readings.get("wheel"), readings.get("blade")
        if wheel is None or blade is None or wheel.shaft_hz is None or blade.shaft_hz is None or self._by_mark is None:
            return None
        surface_m_per_s = self.travel.speed(wheel.shaft_hz)
        blade_m_per_s = self._by_mark.speed(blade.shaft_hz)
        ratio = blade_m_per_s.value / surface_m_per_s.value
        relative = math.hypot(
            blade_m_per_s.u95 / blade_m_per_s.value, surface_m_per_s.u95 / surface_m_per_s.value
        )
        return Estimate(value=100.0 * (1.0 - ratio), u95=100.0 * ratio * relative)
