"""What may be said of a shaft from which no pulse comes?

Silence alone never says "stopped": a torn wire looks the same.  "Signal lost" is said on evidence only: another
shaft of the same drive still turns, or no brake could have stopped the shaft so fast.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from kerfbeat.measure.uncertainty import Estimate

__all__ = ["ShaftReading", "State", "judge_silence", "unstoppable"]

State = Literal["waiting", "turning", "speeding up", "slowing down", "no pulses", "silent", "signal lost"]

QUIET = ("no pulses", "silent")
FASTEST_STOP_S = 0.2  # from full speed to standstill; a braking inverter needs longer (common practice, no published
#                       source)
PASSED = 2.0  # targets that must have passed during such a stop: one may have been missed
ALONE_GAPS = 3.0  # silence of so many gaps, and so long, before the last pulse of another shaft that turns on
ALONE_S = 0.3


@dataclass(frozen=True, kw_only=True, slots=True)
class ShaftReading:
    """What a shaft does now.

    shaft_hz : turns per second; None without a speed that can be told.
    slower_than_hz : bound on the mean speed since the last edge, from the silence; None if an edge has only just come.
    turning_s : how long its pulses came without a break, up to the last target.
    last_edge_ticks : any edge, also an extra one.  silent_s : since the last target; losses do not count as silence.
    expected_gap_s : when the next target was due at the last speed.  missing, extra : pulses since the board started.
    gone : how many targets came in none of the last turns.
    evidence : why the signal is said to be lost.
    """

    state: State
    shaft_hz: Estimate | None = None
    slower_than_hz: float | None = None
    accel_hz_per_s: float | None = None
    last_edge_ticks: int | None = None
    silent_s: float = 0.0
    turning_s: float = 0.0
    expected_gap_s: float | None = None
    missing: int = 0
    extra: int = 0
    gone: int = 0
    evidence: str = ""


def unstoppable(speed_hz: float, *, gap_turns: float, silent_s: float) -> bool:
    """Whether no brake could have kept the due targets from passing.

    speed_hz : before the silence.  gap_turns : from target to target.
    Braked evenly to standstill in the shortest time T, a shaft still makes n T / 2 turns.
    """
    time_s = min(silent_s, FASTEST_STOP_S)
    turns = speed_hz * (time_s - time_s**2 / (2.0 * FASTEST_STOP_S))
    return turns > (PASSED + 0.5) * gap_turns


def judge_silence(readings: Mapping[str, ShaftReading]) -> dict[str, ShaftReading]:
    """All channels of one drive together: a silent one has lost its signal if another shaft turns on.

    (Or the drive has parted between them: a belt is off, a gear out.  That too is no standstill to trust.)
    """

    def witness(silent: ShaftReading) -> str | None:
        """A shaft whose pulses went on steadily when the silent one's had long been due."""
        assert silent.expected_gap_s is not None
        long_s = max(ALONE_GAPS * silent.expected_gap_s, ALONE_S)
        for name, reading in readings.items():
            turned_all_along = reading.turning_s + reading.silent_s >= silent.silent_s
            alone = silent.silent_s - reading.silent_s >= long_s
            if reading.state in ("turning", "speeding up") and turned_all_along and alone:
                return name
        return None

    def judged(reading: ShaftReading) -> ShaftReading:
        if reading.state not in QUIET or reading.expected_gap_s is None:
            return reading
        name = witness(reading)
        return reading if name is None else replace(reading, state="signal lost", evidence=f"{name} still turns")

    return {name: judged(reading) for name, reading in readings.items()}
