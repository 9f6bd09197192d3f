"""What is known at this moment, and in which words is it told?

A snapshot is all that the screen and the plain lines show.  It is taken from the feed and never changes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from kerfbeat.machine import Machine, Setting
from kerfbeat.measure.gone_target import gone_words
from kerfbeat.measure.uncertainty import Estimate

__all__ = [
    "CAUTION",
    "SHORT_CAUTION",
    "STATE_WORDS",
    "BladeNow",
    "ChannelNow",
    "ClockNow",
    "LinkNow",
    "LogNow",
    "MotorNow",
    "Prospect",
    "SlipNow",
    "Snapshot",
]

CAUTION = "Indicator, not a safety device: never reach in because of what it shows."
SHORT_CAUTION = "Indicator, not a safety device."

STATE_WORDS: Mapping[str, str] = {
    "waiting": "waiting for the first turn",
    "turning": "turning",
    "speeding up": "speeding up",
    "slowing down": "slowing down",
    "no pulses": "no pulses: slower than shown",
    "silent": "no pulses: stopped, or signal lost",
    "signal lost": "signal lost",
    "no link": "no link to the board",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class ChannelNow:
    """One sensor: what its shaft does, and how well its pulses come.

    `gone` counts targets that are seen no more.
    `lost` counts pulses known to be lost; `lost_stretches` those stretches whose count nobody can know.
    """

    channel: str
    targets: int
    state: str
    shaft_hz: Estimate | None
    slower_than_hz: float | None
    silent_s: float | None
    pulses: int
    missing: int
    extra: int
    lost: int
    lost_stretches: int
    gone: int = 0

    @property
    def gone_words(self) -> str:
        """What to tell of targets that are seen no more; "" while all are."""
        if not self.gone:
            return ""
        return gone_words(self.channel, seen=self.targets - self.gone, targets=self.targets)


@dataclass(frozen=True, kw_only=True, slots=True)
class BladeNow:
    """The blade's speed, and the channel it comes from ("wheel" or "blade").

    speed_m_per_s : with all that is uncertain of it.   turning_u95_m_per_s : the part that comes from the turning; the
        rest is of the blade's way in a turn and the same in every reading.
    described : whether this way rests on a size that was never measured, only described.
    evidence : what speaks for "signal lost".
    """

    channel: str
    state: str
    speed_m_per_s: Estimate | None = None
    turning_u95_m_per_s: float | None = None
    described: bool = False
    slower_than_m_per_s: float | None = None
    acceleration_m_per_s2: float | None = None
    silent_s: float | None = None
    evidence: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorNow:
    """The motor's slip at the inverter's frequency: how far the rotor is behind its field."""

    slip_hz: Estimate
    slip_percent: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipNow:
    """Slip beyond creep that goes on now.

    what : "first belt" or "blade".   since_s : how long ago it began.   percent : over the last second.
    against : what it is told against.
    """

    what: str
    since_s: float
    percent: float
    peak_percent: float
    against: str

    @property
    def words(self) -> str:
        """What slips and how much, such as "first belt slips 2.1 %"."""
        where = " on its wheel" if self.what == "blade" else ""
        return f"{self.what} slips{where} {self.percent:.1f} %"


@dataclass(frozen=True, kw_only=True, slots=True)
class Prospect:
    """What the blade should do at the setting, from no load to full load with all that is uncertain about it.

    `words` says why there is no band, where there is none.
    """

    low_m_per_s: float | None = None
    high_m_per_s: float | None = None
    words: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkNow:
    """Is the board heard?  `counts` are the line's troubles since the link was opened."""

    up: bool
    words: str
    silent_s: float
    damaged: int = 0
    missing: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockNow:
    """How far the board's clock is off its own statement; None while it is being measured."""

    off_ppm: Estimate | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LogNow:
    """The running log."""

    path: Path
    seconds: float
    pulses: int
    marks: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Snapshot:
    """Everything at one moment.

    at_s : on the host's monotonic clock.
    estimates : how often new pulses of the blade's channel have come so far.
    calibrated : what stored calibration is in use.
    slips : what slips beyond its creep now.   slip_against : what that is told against, "" where nothing is watched.
    """

    at_s: float
    estimates: int
    machine: Machine
    setting: Setting
    cutting: bool
    blade: BladeNow
    blade_slip_percent: Estimate | None = None
    channels: tuple[ChannelNow, ...]
    motor: MotorNow | None = None
    prospect: Prospect = field(default_factory=Prospect)
    link: LinkNow
    clock: ClockNow = field(default_factory=ClockNow)
    calibrated: tuple[str, ...] = ()
    slips: tuple[SlipNow, ...] = ()
    slip_against: str = ""
    log: LogNow | None = None
    notice: str = ""

    @property
    def gone(self) -> tuple[str, ...]:
        """What to tell of targets that are seen no more, sensor by sensor."""
        return tuple(channel.gone_words for channel in self.channels if channel.gone)
