"""How fast is the blade, by the readings of the shafts?"""

import math
from collections.abc import Mapping
from dataclasses import replace

from kerfbeat.calibration import Known
from kerfbeat.errors import MachineError
from kerfbeat.machine import Machine
from kerfbeat.measure.live import ShaftReading
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.snapshot import BladeNow

__all__ = ["BladeRule"]

K95 = 1.96


class BladeRule:
    """The channel that tells the blade's speed, and how much blade passes in one of its turns.

    The wheel comes first, since its targets come often; a sensor on the blade alone does where the blade's length is
    known.  Raises MachineError where neither is there.
    """

    def __init__(self, machine: Machine, known: Known | None = None) -> None:
        """Make the rule; a calibrated diameter takes the place of the described one, with its uncertainty."""
        measured = None if known is None else known.wheel_diameter_m
        self._u95_metres = 0.0
        if measured is not None:
            machine = replace(machine, wheel=replace(machine.wheel, diameter_m=measured[0]))
            self._u95_metres = K95 * math.pi * measured[1] if "wheel" in machine.sensors else 0.0
        self._machine = machine
        if "wheel" in machine.sensors:
            self.channel = "wheel"
            self._metres_a_turn = machine.wheel.surface_speed_m_per_s(1.0)
        elif "blade" in machine.sensors and machine.wheel.blade_length_m is not None:
            self.channel = "blade"
            self._metres_a_turn = machine.wheel.blade_length_m
        elif "blade" in machine.sensors:
            raise MachineError(
                f"{machine.name}: a sensor on the blade alone needs the blade's length; add blade_length to [wheel]"
            )
        else:
            raise MachineError(
                f"{machine.name}: no sensor sees the blade's speed; add [sensor.wheel] with its targets"
            )

    def blade_now(self, reading: ShaftReading) -> BladeNow:
        """The reading of the channel's shaft as blade speed."""
        metres = self._metres_a_turn
        # Before the first turn nothing was seen to slow down: a bound would look like a reading.
        slower_than_hz = None if reading.state == "waiting" else reading.slower_than_hz
        return BladeNow(
            channel=self.channel,
            state=reading.state,
            speed_m_per_s=None if reading.shaft_hz is None else self._speed(reading.shaft_hz),
            slower_than_m_per_s=None if slower_than_hz is None else slower_than_hz * metres,
            acceleration_m_per_s2=None if reading.accel_hz_per_s is None else reading.accel_hz_per_s * metres,
            silent_s=reading.silent_s,
            evidence=reading.evidence,
        )

    def _speed(self, shaft_hz: Estimate) -> Estimate:
        """Blade speed, with what is uncertain of the wheel's measured diameter."""
        told = shaft_hz.times(self._metres_a_turn)
        return Estimate(value=told.value, u95=math.hypot(told.u95, self._u95_metres * shaft_hz.value))

    def slip_percent(self, readings: Mapping[str, ShaftReading]) -> Estimate | None:
        """How much slower the blade runs than the wheel's surface; None where not both are read.

        The uncertainties of both are taken as independent: too wide while the clock, common to both, is not measured.
        """
        wheel, blade = readings.get("wheel"), readings.get("blade")
        length_m = self._machine.wheel.blade_length_m
        if wheel is None or blade is None or length_m is None or wheel.shaft_hz is None or blade.shaft_hz is None:
            return None
        surface_m_per_s = self._speed(wheel.shaft_hz)
        blade_m_per_s = blade.shaft_hz.times(length_m)
        ratio = blade_m_per_s.value / surface_m_per_s.value
        relative = math.hypot(
            blade_m_per_s.u95 / blade_m_per_s.value, surface_m_per_s.u95 / surface_m_per_s.value
        )
        return Estimate(value=100.0 * (1.0 - ratio), u95=100.0 * ratio * relative)
