"""How far does the motor fall behind its supply, and how hard does it pull?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.motor_load import OVERLOAD, SUSTAINED_S, load_of, most_slip_hz
from kerfbeat.diagnose.onset import onsets
from kerfbeat.diagnose.pace import Pace
from kerfbeat.diagnose.parts import Part, by_setting
from kerfbeat.diagnose.running import Running, paced
from kerfbeat.diagnose.slip_events import greatest_mean
from kerfbeat.diagnose.stalls import stalls_of
from kerfbeat.diagnose.tracks import Track
from kerfbeat.drive.motor import synchronous_hz
from kerfbeat.machine import Machine
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["MotorEvent", "MotorSlip", "mean_slip_percent", "motor_slip"]

Floats = NDArray[np.float64]

BLOCK_S = 0.25  # a stop is seen to so much; longer ones mix it with the running before (test_a_stop_in_a_light_cut...)
OVERLOAD_SUM_S = 0.3  # of load above OVERLOAD, added up: half a second at half as much again is an event
DEFAULT_STEP_HZ = 0.1  # of a display that is not described


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorEvent:
    """A time of load beyond full, or a stall in a cut.

    peak_load : of full load; of a stall, what was pulled before.   open : it ended in a stall, a stop or the log's end.
    lasts : for SUSTAINED_S and more.   sure : and so far that no motor within its tolerance, no weak supply explains
    it; or a stall under full load.
    """

    start_s: float
    end_s: float
    alarm_s: float
    peak_load: float
    open: bool
    lasts: bool
    sure: bool
    stalled: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorSlip:
    """The motor over the log.

    pace, running : its speed block by block.   load : (n,) above idle, part of full load, NaN where unknown.
    slip : (n,) of synchronous speed, NaN where it or the hertz are unknown.   u_slip : common to all of it.
    idle_percent : mean slip in idle running, of synchronous speed; None if the hertz were never marked.
    """

    pace: Pace
    running: Running
    load: Floats
    slip: Floats
    u_slip: float
    idle_percent: Estimate | None
    events: tuple[MotorEvent, ...]

    def loaded_s(self, least: float) -> float:
        """Time at speed under more than this load."""
        with np.errstate(invalid="ignore"):
            return float(self.pace.length_s[self.load > least].sum())


def motor_slip(machine: Machine, tracks: Sequence[Track], parts: Sequence[Part], *, u_clock: float) -> MotorSlip | None:
    """Look at the channel `motor`; None if there is none or it never turned.

    u_clock : relative standard uncertainty of the board's clock.
    """
    motor = machine.motor
    found = paced(tracks, parts, channel="motor", least_s=BLOCK_S)
    if motor is None or found is None:
        return None
    pace, running = found
    load, slip, most = (np.full(len(pace.seconds), np.nan) for _ in range(3))
    u_hz = 0.0
    for setting, mine in by_setting(parts, running.part):
        use = mine & running.at_speed
        if not use.any():
            continue
        idle = mine & running.idle
        level = float(np.median(pace.shaft_hz[idle])) if idle.any() else float(np.percentile(pace.shaft_hz[use], 95))
        load[use] = load_of(level - pace.shaft_hz[use], motor=motor, supply_hz=setting.hz)
        most_hz = most_slip_hz(motor, supply_hz=setting.hz or motor.base_hz, full_loads=OVERLOAD)
        most[use] = load_of(most_hz, motor=motor, supply_hz=setting.hz)
        if setting.hz:
            field_hz = float(synchronous_hz(setting.hz, poles=motor.poles))
            slip[use] = 1.0 - pace.shaft_hz[use] / field_hz
            step_hz = (machine.inverter and machine.inverter.resolution_hz) or DEFAULT_STEP_HZ
            u_hz = max(u_hz, step_hz / math.sqrt(12.0) / setting.hz)
    u_slip = math.hypot(u_clock, u_hz)
    return MotorSlip(
        pace=pace,
        running=running,
        load=load,
        slip=slip,
        u_slip=u_slip,
        idle_percent=mean_slip_percent(slip, pace, running.idle, u_slip),
        events=tuple(_overloads(pace, load, most) + _stalls(tracks, pace, running, parts, load)),
    )


def mean_slip_percent(slip: Floats, pace: Pace, which: NDArray[np.bool_], u: float) -> Estimate | None:
    """Mean slip of some blocks in percent of synchronous speed; None if none of them is known."""
    use = np.isfinite(slip) & which
    if not use.any():
        return None
    mean = float(np.average(slip[use], weights=pace.length_s[use]))
    return Estimate(value=100 * mean, u95=100 * coverage_factor(math.inf) * u * (1.0 - mean))


def _stalls(
    tracks: Sequence[Track], pace: Pace, running: Running, parts: Sequence[Part], load: Floats
) -> list[MotorEvent]:
    """Stalls in cuts, with the load that was pulled at speed just before."""
    found = []
    for stall in stalls_of(tracks, pace, running, parts):
        before = slice(max(0, np.searchsorted(pace.seconds, pace.seconds[stall.last] - SUSTAINED_S)), stall.last + 1)
        known = np.isfinite(load[before])
        pulled = float(np.average(load[before][known], weights=pace.length_s[before][known])) if known.any() else 0.0
        found.append(
            MotorEvent(
                start_s=stall.start_s,
                end_s=stall.end_s,
                alarm_s=stall.start_s,
                peak_load=pulled,
                open=True,
                lasts=True,
                sure=pulled > 1.0,
                stalled=True,
            )
        )
    return found


def _overloads(pace: Pace, load: Floats, most: Floats) -> list[MotorEvent]:
    """Times of load beyond OVERLOAD.   most : (n,) load that just as much may look like."""
    found = []
    for group in pace.stretches(np.isfinite(load)):
        length = pace.length_s[group]
        for onset in onsets(
            (load[group] - 1.0) * length, reference=(OVERLOAD - 1.0) * length, threshold=OVERLOAD_SUM_S
        ):
            inside = group[onset.first : onset.after]
            lasts = float(pace.length_s[inside].sum()) >= SUSTAINED_S
            held = greatest_mean((load - most)[inside], length_s=pace.length_s[inside], over_s=SUSTAINED_S)[0]
            found.append(
                MotorEvent(
                    start_s=float(pace.begin_s[inside[0]]),
                    end_s=float(pace.end_s[inside[-1]]),
                    alarm_s=float(pace.seconds[group[onset.alarm]]),
                    peak_load=float(load[inside].max()),
                    open=onset.open,
                    lasts=lasts,
                    sure=lasts and held > 0.0,
                )
            )
    return found
