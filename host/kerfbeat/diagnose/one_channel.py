"""What may be said of a fall of speed that only one channel shows?

Compared in rpm of the motor at its actual frequency, as far as it lasts: up to the low edge of the predicted band of
full load, and the creep of healthy belts, nothing need be wrong; up to breakdown slip it is an overload or a belt;
beyond, or where it stands still in a cut, a stall, an inverter at its current limit, or a belt.  It is never said that
it is not the motor.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from kerfbeat.diagnose.motor_load import OVERLOAD, SUSTAINED_S, breakdown_slip_hz, full_load_slip_hz, most_slip_hz
from kerfbeat.diagnose.onset import onsets
from kerfbeat.diagnose.parts import Part, by_setting
from kerfbeat.diagnose.running import paced
from kerfbeat.diagnose.shafts import belts_between, shaft_of
from kerfbeat.diagnose.slip_events import greatest_mean
from kerfbeat.diagnose.stalls import stalls_of
from kerfbeat.diagnose.tracks import Track
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.drive.motor import SLIP_TOLERANCE, synchronous_hz
from kerfbeat.machine import Machine

__all__ = ["Fall", "Possible", "falls_of"]

Possible = Literal["motor, belt or blade", "overload or belt", "stall, current limit or belt", "unknown"]

BLOCK_S = 0.5
REFERENCE, THRESHOLD_S = 0.005, 0.003  # a fall below 0.5 % is none


@dataclass(frozen=True, kw_only=True, slots=True)
class Fall:
    """A fall of speed.

    peak_percent : at its deepest; 100 where the shaft stood.
    fall_rpm : greatest mean over SUSTAINED_S, as rpm of the motor at the marked frequency; None without motor or hertz.
    full_load_rpm : the most that full load takes, and the creep of healthy belts before the channel.
    breakdown_rpm : slip at the greatest torque.   light : whether it is certainly less than an overload makes.
    """

    start_s: float
    end_s: float
    peak_percent: float
    fall_rpm: float | None
    full_load_rpm: float | None
    breakdown_rpm: float | None
    possible: Possible
    light: bool
    cutting: bool


def falls_of(machine: Machine, tracks: Sequence[Track], parts: Sequence[Part], *, channel: str) -> list[Fall]:
    """Every fall of speed on a channel, below its idle running."""
    told = paced(tracks, parts, channel=channel, least_s=BLOCK_S)
    if told is None:
        return []
    pace, running = told
    shaft = shaft_of(machine, channel)
    belts = len(belts_between(machine, 0, len(machine.stages) if shaft is None else shaft))
    fall = np.full(len(pace.seconds), np.nan)
    for _, mine in by_setting(parts, running.part):
        idle = mine & running.idle
        if idle.any():
            use = mine & running.at_speed
            fall[use] = 1.0 - pace.shaft_hz[use] / float(np.median(pace.shaft_hz[idle]))
    found = []
    for group in pace.stretches(np.isfinite(fall)):
        length = pace.length_s[group]
        for onset in onsets(fall[group] * length, reference=REFERENCE * length, threshold=THRESHOLD_S):
            inside = group[onset.first : onset.after]
            cutting = parts[running.part[inside[0]]].cutting
            if not cutting and len(inside) == 1 and inside[0] in (group[0], group[-1]):
                continue  # as one misplaced pulse makes it
            deepest = int(inside[np.argmax(fall[inside])])
            part = parts[running.part[deepest]]
            found.append(
                _judged(
                    machine, part,
                    start_s=float(pace.begin_s[inside[0]]),
                    end_s=float(pace.end_s[inside[-1]]),
                    deepest=float(fall[deepest]),
                    fall=greatest_mean(fall[inside], length_s=pace.length_s[inside], over_s=SUSTAINED_S)[0],
                    belts=belts,
                )
            )  # fmt: skip
    for stall in stalls_of(tracks, pace, running, parts):
        part = parts[running.part[stall.last]]
        found.append(
            _judged(
                machine, part, start_s=stall.start_s, end_s=stall.end_s, deepest=1.0, fall=1.0, belts=belts,
            )
        )  # fmt: skip
    return found


def _judged(
    machine: Machine, part: Part, *, start_s: float, end_s: float, deepest: float, fall: float, belts: int
) -> Fall:
    motor, hz = machine.motor, part.setting.hz
    fall_rpm = full = breakdown = None
    light = False
    possible: Possible = "unknown"
    if motor is not None and hz:
        fall_rpm = 60.0 * fall * float(synchronous_hz(hz, poles=motor.poles))
        field_hz = float(synchronous_hz(hz, poles=motor.poles))
        creep_hz = CREEP_HIGH * belts * field_hz
        full = 60.0 * (most_slip_hz(motor, supply_hz=hz) + creep_hz)
        breakdown = max(60.0 * breakdown_slip_hz(motor), full)
        light = fall_rpm < OVERLOAD * (1.0 - SLIP_TOLERANCE) * 60.0 * full_load_slip_hz(motor, supply_hz=hz)
        if fall_rpm <= full:
            possible = "motor, belt or blade"
        elif fall_rpm <= breakdown:
            possible = "overload or belt"
        else:
            possible = "stall, current limit or belt"
    return Fall(
        start_s=start_s,
        end_s=end_s,
        peak_percent=100 * deepest,
        fall_rpm=fall_rpm,
        full_load_rpm=full,
        breakdown_rpm=breakdown,
        possible=possible,
        light=light,
        cutting=part.cutting,
    )
