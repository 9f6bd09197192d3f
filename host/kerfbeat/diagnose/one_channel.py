"""What may be said of a fall of speed that only one channel shows?

Compared in rpm of the motor at its actual frequency: up to full-load slip with the nameplate's tolerance, and the creep
of healthy belts, nothing need be wrong; up to breakdown slip it is an overload or a belt; beyond, a stall, an inverter
at its current limit, or a belt.  It is never said that it is not the motor.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from kerfbeat.diagnose.motor_load import breakdown_slip_hz, full_load_slip_hz
from kerfbeat.diagnose.onset import onsets
from kerfbeat.diagnose.pace import pace_of
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import running_of
from kerfbeat.diagnose.shafts import belts_between, shaft_of
from kerfbeat.diagnose.tracks import Track
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.drive.motor import SLIP_TOLERANCE, synchronous_hz
from kerfbeat.machine import Machine

__all__ = ["Fall", "Possible", "falls_of"]

Possible = Literal["motor, belt or blade", "overload or belt", "stall, current limit or belt", "unknown"]

BLOCK_S, MOST_BLOCKS = 0.5, 100_000
REFERENCE, THRESHOLD_S = 0.005, 0.003  # a fall below 0.5 % is none


@dataclass(frozen=True, kw_only=True, slots=True)
class Fall:
    """A fall of speed.

    fall_rpm : at its deepest, as rpm of the motor at the marked frequency; None without motor or hertz.
    full_load_rpm : full-load slip with tolerance and the creep of healthy
    belts before the channel.   breakdown_rpm : slip at the greatest torque.
    """

    start_s: float
    end_s: float
    peak_percent: float
    fall_rpm: float | None
    full_load_rpm: float | None
    breakdown_rpm: float | None
    possible: Possible
    cutting: bool


def falls_of(machine: Machine, tracks: Sequence[Track], parts: Sequence[Part], *, channel: str) -> list[Fall]:
    """Every fall of speed on a channel, below its idle running."""
    pace = pace_of([track for track in tracks if track.channel == channel], least_s=BLOCK_S, most=MOST_BLOCKS)
    if len(pace.seconds) < 3:
        return []
    running = running_of(
        pace.seconds + 0.5 * pace.length_s,
        length_s=pace.length_s,
        shaft_hz=pace.shaft_hz,
        parts=parts,
        light_fall=REFERENCE,
    )
    shaft = shaft_of(machine, channel)
    belts = len(belts_between(machine, 0, len(machine.stages) if shaft is None else shaft))
    fall = np.full(len(pace.seconds), np.nan)
    for setting in dict.fromkeys(part.setting for part in parts):
        mine = np.isin(running.part, [k for k, part in enumerate(parts) if part.setting == setting])
        idle = mine & running.idle
        if idle.any():
            use = mine & running.at_speed
            fall[use] = 1.0 - pace.shaft_hz[use] / float(np.median(pace.shaft_hz[idle]))
    known = np.isfinite(fall)
    edges = np.flatnonzero(np.diff(known.astype(int)) | (np.diff(pace.unbroken) != 0)) + 1
    found = []
    for group in np.split(np.arange(len(fall)), edges):
        if not len(group) or not known[group[0]]:
            continue
        length = pace.length_s[group]
        for onset in onsets(fall[group] * length, reference=REFERENCE * length, threshold=THRESHOLD_S):
            inside = group[onset.first : onset.after]
            deepest = int(inside[np.argmax(fall[inside])])
            part = parts[running.part[deepest]]
            found.append(
                _judged(
                    machine, part,
                    start_s=float(pace.seconds[inside[0]] - 0.5 * pace.length_s[inside[0]]),
                    end_s=float(pace.seconds[inside[-1]] + 0.5 * pace.length_s[inside[-1]]),
                    fall=float(fall[deepest]),
                    belts=belts,
                )
            )  # fmt: skip
    return found


def _judged(machine: Machine, part: Part, *, start_s: float, end_s: float, fall: float, belts: int) -> Fall:
    motor, hz = machine.motor, part.setting.hz
    fall_rpm = full = breakdown = None
    possible: Possible = "unknown"
    if motor is not None and hz:
        fall_rpm = 60.0 * fall * float(synchronous_hz(hz, poles=motor.poles))
        field_hz = float(synchronous_hz(hz, poles=motor.poles))
        creep_hz = CREEP_HIGH * belts * field_hz
        full = 60.0 * ((1.0 + SLIP_TOLERANCE) * full_load_slip_hz(motor, supply_hz=hz) + creep_hz)
        breakdown = max(60.0 * breakdown_slip_hz(motor), full)
        if fall_rpm <= full:
            possible = "motor, belt or blade"
        elif fall_rpm <= breakdown:
            possible = "overload or belt"
        else:
            possible = "stall, current limit or belt"
    return Fall(
        start_s=start_s,
        end_s=end_s,
        peak_percent=100 * fall,
        fall_rpm=fall_rpm,
        full_load_rpm=full,
        breakdown_rpm=breakdown,
        possible=possible,
        cutting=part.cutting,
    )
