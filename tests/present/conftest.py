"""Which moments does the live reading have to show?"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from kerfbeat.machine import Setting, demo_machine
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.snapshot import (
    BladeNow,
    ChannelNow,
    ClockNow,
    LinkNow,
    LogNow,
    MotorNow,
    Prospect,
    Snapshot,
)

READING = ("turning", "speeding up", "slowing down")


@pytest.fixture
def moment() -> Callable[..., Snapshot]:
    """Makes a snapshot of the demo saw in the given state; more fields by keyword."""

    def make(state: str = "turning", **fields: object) -> Snapshot:
        reads = state in READING
        blade = BladeNow(
            channel="wheel",
            state=state,
            speed_m_per_s=Estimate(value=1.3556, u95=0.002) if reads else None,
            slower_than_m_per_s=0.21 if state in ("no pulses", "silent") else None,
            acceleration_m_per_s2=0.05 if reads else None,
            silent_s=None if reads or state == "waiting" else 3.4,
        )
        wheel = ChannelNow(
            channel="wheel",
            targets=4,
            state=state,
            shaft_hz=Estimate(value=1.306, u95=0.0003) if reads else None,
            slower_than_hz=0.2,
            silent_s=blade.silent_s,
            pulses=12345,
            missing=2,
            extra=0,
            lost=17,
            lost_stretches=0,
        )
        motor_hz = Estimate(value=21.78, u95=0.004)
        motor = replace(wheel, channel="motor", targets=1, state="turning", shaft_hz=motor_hz, missing=0, lost=0)
        now = Snapshot(
            at_s=100.0,
            estimates=5,
            machine=demo_machine("saw"),
            setting=Setting(hz=45.0, gear="low"),
            cutting=False,
            blade=blade,
            channels=(wheel, motor),
            motor=MotorNow(slip_hz=Estimate(value=0.72, u95=0.06), slip_percent=3.2),
            prospect=Prospect(low_m_per_s=1.32, high_m_per_s=1.41),
            link=LinkNow(up=state != "no link", words="/dev/ttyUSB0 went away", silent_s=0.0),
            clock=ClockNow(off_ppm=Estimate(value=-310.0, u95=22.0)),
        )
        return replace(now, **fields)  # type: ignore[arg-type]

    return make


@pytest.fixture
def running_log() -> LogNow:
    """A log two minutes in."""
    return LogNow(path=Path("saw-3.csv"), seconds=134.0, pulses=12345, marks=2)
