"""What happened in a log, when, and by what cause?"""

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbeat.diagnose.motor_slip import MotorEvent, MotorSlip
from kerfbeat.diagnose.one_channel import Fall
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.shafts import belts_to_blade
from kerfbeat.diagnose.slip_events import SlipEvent
from kerfbeat.machine import Machine

__all__ = ["Belts", "Event", "at_blade", "belt_name", "events_in_words", "through_belts", "which_belt"]

Belts = Sequence[tuple[PairSlip, tuple[str, ...]]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """One thing that happened.

    peak_percent : of slip against idle, of fall of speed, or (motor) of full load above idle; u95 may be unknown.
    kind : "belt slip", "blade slip", "belt or blade slip", "overload", "heavy load" (full load or beyond: for too short
        to matter, or by no more than the motor's tolerance explains), "stall" (or switched off), "speed falls".
    confidence : chance that it is no chance.
    """

    start_s: float
    end_s: float
    alarm_s: float
    kind: str
    peak_percent: float
    u95_percent: float | None
    cause: str
    confidence: float | None
    load: float | None


def belt_name(machine: Machine, index: int) -> str:
    """A belt stage in words."""
    return machine.stages[index].name or f"belt of stage {index + 1}"


def which_belt(belts: tuple[str, ...]) -> str:
    """The belts between two sensors in words."""
    if len(belts) == 1:
        return belts[0]
    return f"one of {', '.join(belts)} (two sensors with {len(belts)} belts between cannot tell which)"


def through_belts(machine: Machine, blade: PairSlip | None) -> bool:
    """Whether the blade is compared with a shaft before the belts, so that it tells of them, too."""
    return blade is not None and blade.usable and bool(belts_to_blade(machine, blade.up))


def at_blade(machine: Machine, blade: PairSlip) -> tuple[str, str]:
    """Kind of slip between the blade and the shaft it is compared with, and what slips."""
    if belts_to_blade(machine, blade.up):
        return "belt or blade slip", "a belt slips, or the blade on its wheel (no sensor between tells which)"
    return "blade slip", "the blade slips on its wheel"


def _of_pair(slip: SlipEvent, *, kind: str, cause: str) -> Event:
    """What happened between two shafts."""
    return Event(
        start_s=slip.start_s, end_s=slip.end_s, alarm_s=slip.alarm_s, kind=kind,
        peak_percent=slip.peak_percent.value, u95_percent=slip.peak_percent.u95, cause=cause,
        confidence=slip.confidence, load=slip.load,
    )  # fmt: skip


def _of_motor(event: MotorEvent) -> tuple[str, str]:
    """Kind and cause of what the motor did."""
    if event.stalled:
        return ("overload", "the motor stalls") if event.sure else ("stall", "the motor stalls, or is switched off")
    if event.sure:
        return "overload", "the motor is overloaded"
    return "heavy load", "the motor works at full load or beyond"


def events_in_words(
    machine: Machine,
    belts: Belts,
    blade: PairSlip | None,
    motor: MotorSlip | None,
    *,
    falls: Sequence[Fall],
    lone: str,
) -> tuple[Event, ...]:
    """All events in order of time, each with its cause."""
    found = []
    for pair, names in belts:
        for each in pair.events:
            cause = f"{which_belt(names)} slips"
            cause += " under a load it need not hold" if each.overload else ""
            found.append(_of_pair(each, kind="belt slip", cause=cause))
    if blade is not None:
        kind, cause = at_blade(machine, blade)
        found += [_of_pair(each, kind=kind, cause=cause) for each in blade.events]
    for over in motor.events if motor is not None else ():
        kind, cause = _of_motor(over)
        found.append(
            Event(
                start_s=over.start_s, end_s=over.end_s, alarm_s=over.alarm_s, kind=kind,
                peak_percent=100 * over.peak_load, u95_percent=None, cause=cause, confidence=None, load=over.peak_load,
            )
        )  # fmt: skip
    for fall in falls:
        found.append(
            Event(
                start_s=fall.start_s, end_s=fall.end_s, alarm_s=fall.start_s, kind="speed falls",
                peak_percent=fall.peak_percent, u95_percent=None, cause=f"{lone} slows: {fall.possible}",
                confidence=None, load=None,
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda event: (event.start_s, event.kind)))
