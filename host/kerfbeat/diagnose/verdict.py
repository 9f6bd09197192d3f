"""What is wrong, in plain words, with its evidence, and what would decide what stays open?"""

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbeat.diagnose.motor_slip import MotorEvent, MotorSlip
from kerfbeat.diagnose.one_channel import Fall
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.shafts import belts_to_blade
from kerfbeat.diagnose.slip_events import SlipEvent
from kerfbeat.machine import BeltStage, Machine

__all__ = ["Event", "Verdict", "belt_name", "events_in_words", "through_belts", "verdict_of", "which_belt"]

Belts = Sequence[tuple[PairSlip, tuple[str, ...]]]

NEAR_S = 5.0
LEAST_WATCHED_S = 10.0  # a baseline takes five, starts and padding some more
WITHIN = "no more than full load"
RANK = {"motor, belt or blade": 0, "unknown": 1, "overload or belt": 2, "stall, current limit or belt": 3}


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """One thing that happened.

    peak_percent : of slip against idle, of fall of speed, or (overload) of full load above idle; u95 may be unknown.
    kind : "belt slip", "blade slip", "belt or blade slip", "overload", "speed falls".
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """cause : "healthy", "idle only" (no cut, nothing to compare with), "belt slip", "blade joint", "blade slip",
    "belt or blade slip", "overload", several of these five joined by " and ", or what one channel allows:
    "no more than full load", "overload or belt", "stall, current limit or belt", "unknown".

    words : a sentence.   evidence : lines.   would_decide : what to do or add where it stays open.
    """

    cause: str
    words: str
    evidence: tuple[str, ...]
    would_decide: tuple[str, ...]


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


def _at_blade(machine: Machine, blade: PairSlip) -> tuple[str, str]:
    """Kind of slip between the blade and the shaft it is compared with, and what slips."""
    if belts_to_blade(machine, blade.up):
        return "belt or blade slip", "a belt slips, or the blade on its wheel (no sensor between tells which)"
    return "blade slip", "the blade slips on its wheel"


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
            found.append(
                Event(
                    start_s=each.start_s, end_s=each.end_s, alarm_s=each.alarm_s, kind="belt slip",
                    peak_percent=each.peak_percent.value, u95_percent=each.peak_percent.u95, cause=cause,
                    confidence=each.confidence, load=each.load,
                )
            )  # fmt: skip
    for each in blade.events if blade is not None else ():
        kind, cause = _at_blade(machine, blade) if blade is not None else ("", "")
        found.append(
            Event(
                start_s=each.start_s, end_s=each.end_s, alarm_s=each.alarm_s, kind=kind,
                peak_percent=each.peak_percent.value, u95_percent=each.peak_percent.u95,
                cause=cause, confidence=each.confidence, load=each.load,
            )
        )  # fmt: skip
    for over in motor.events if motor is not None else ():
        found.append(
            Event(
                start_s=over.start_s, end_s=over.end_s, alarm_s=over.alarm_s, kind="overload",
                peak_percent=100 * over.peak_load, u95_percent=None, cause="the motor is overloaded", confidence=None,
                load=over.peak_load,
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


def verdict_of(
    machine: Machine, belts: Belts, blade: PairSlip | None, motor: MotorSlip | None, *, falls: Sequence[Fall],
    seen: Sequence[str], watched_s: float, idle_only: bool,
) -> Verdict:  # fmt: skip
    """Weigh everything.

    watched_s : longest time that any channel was counted without a break.
    idle_only : nothing was cut, and there is no earlier running to compare with.
    """
    evidence: list[str] = []
    causes: list[str] = []
    usable = [(pair, names) for pair, names in belts if pair.usable]
    slipping = [(pair, names, e) for pair, names in usable for e in pair.events if not e.overload]
    forced = [e for pair, _ in usable for e in pair.events if e.overload]
    overloads = motor.events if motor is not None else ()
    if overloads or forced:
        causes.append("overload")
        if overloads:
            worst = max(overloads, key=lambda event: event.peak_load)
            evidence.append(
                f"the motor falls as far behind as {worst.peak_load:.1f} times full load would take it, from "
                f"{worst.start_s:.1f} s on" + (", until it stalls or stops" if worst.open else "")
            )
    # Where the load passes what the belt must hold, its slip is the overload's doing.
    own = [each for each in slipping if not _during(each[2].start_s, overloads)]
    if own:
        deep = [fall for fall in falls if fall.possible not in ("motor, belt or blade", "unknown")]
        unsure = "motor" not in seen and any(_over(each[2], deep) for each in own)
        causes.append("overload or belt" if unsure else "belt slip")
        _, names, worst_slip = max(own, key=lambda each: each[2].peak_percent.value)
        load = "" if worst_slip.load is None else f" at {worst_slip.load:.2f} of full load"
        evidence.append(
            f"{which_belt(names)} slips by up to {worst_slip.peak_percent.value:.2f} % against idle{load}, from "
            f"{worst_slip.start_s:.1f} s to {worst_slip.end_s:.1f} s, beyond its creep"
        )
    if blade is not None and blade.usable and blade.events:
        if not all(_during(event.start_s, overloads) for event in blade.events):
            causes.append(_at_blade(machine, blade)[0])
        worst_slip = max(blade.events, key=lambda event: event.peak_percent.value)
        evidence.append(
            f"{_at_blade(machine, blade)[1]} by up to {worst_slip.peak_percent.value:.2f} %, from "
            f"{worst_slip.start_s:.1f} s to {worst_slip.end_s:.1f} s"
        )
    for pair, _ in usable:
        if pair.joint is not None:
            evidence.append(
                f"the speed behind the belt dips by {100 * pair.joint.depth:.2g} % each time the blade comes round (in "
                f"{pair.joint.passes} passes, whether it cuts or not), that of the {pair.up} does not: the blade's "
                "joint, not the belt"
            )
            if pair.events_with_joint > len(pair.events):
                causes.append("blade joint")
    for pair, names in usable:
        if pair.load is not None and pair.learned:
            creep = f"creep {100 * pair.creep_per_load:.2f} % at full load"
            evidence.append(f"{which_belt(names)}: {creep}, as its cuts show")
    if causes:
        cause = " and ".join(dict.fromkeys(causes))
        return Verdict(
            cause=cause, words=_sentence(cause), evidence=tuple(evidence), would_decide=(*_open(own), *_missing(seen))
        )
    if usable or through_belts(machine, blade):
        evidence.append("no slip beyond creep in all running that could be judged")
        alone = _of_one(machine, falls, seen, watched_s)
        if "motor" not in seen and alone.cause not in ("healthy", WITHIN):
            return Verdict(
                cause=alone.cause,
                words=f"{alone.words} It lies before the first watched shaft.",
                evidence=(*alone.evidence, *evidence),
                would_decide=alone.would_decide,
            )
        if idle_only:
            return _idle_only(evidence)
        open_ends = _missing(seen)
        if blade is not None and not blade.usable:
            open_ends += ("the blade's passes could not be judged here; record longer, with some idle running",)
        watched = ", the blade runs with them" if blade is not None and blade.usable else ""
        limits = " as far as it is watched" if open_ends else ""
        words = f"Healthy{limits}: the watched belts creep as they should{watched}."
        return Verdict(cause="healthy", words=words, evidence=tuple(evidence), would_decide=open_ends)
    alone = _of_one(machine, falls, seen, watched_s)
    if not (idle_only and alone.cause == "healthy"):
        return alone
    return _idle_only((*alone.evidence, alone.words), alone.would_decide)


def _idle_only(evidence: Sequence[str], besides: Sequence[str] = ()) -> Verdict:
    """What a log without any cut allows to be said: by itself idle running is always as it is."""
    return Verdict(
        cause="idle only",
        words="Idle only: nothing to compare with; no cut in this log.",
        evidence=tuple(evidence),
        would_decide=(
            "record and mark a cut, or give an idle run of when all was well (slip --idle), or calibrate the drive",
            *besides,
        ),
    )


def _during(at_s: float, overloads: Sequence[MotorEvent]) -> bool:
    """Whether something begins while the motor is overloaded, or just before or after."""
    return any(each.start_s - NEAR_S <= at_s <= each.end_s + NEAR_S for each in overloads)


def _over(event: SlipEvent, falls: Sequence[Fall]) -> bool:
    """Whether a slip lies within a fall of speed that more than full load makes."""
    return any(fall.start_s - NEAR_S <= event.start_s and event.end_s <= fall.end_s + NEAR_S for fall in falls)


def _sentence(cause: str) -> str:
    said = {
        "overload": "The drive is loaded beyond what it is made for: cut with less feed, or a slower blade.",
        "overload or belt": "A belt slips, and the speed falls by more than full load makes: an overload, or the belt.",
        "belt slip": "A belt slips more than it creeps: check its tension, wear, and oil on the sheaves.",
        "blade joint": "The wheel slows each time the blade comes round: look at the blade's joint and at the guides.",
        "belt or blade slip": "A belt slips, or the blade on its wheel: check both, tension first.",
        "blade slip": "The blade slips on its wheel: check its tension, the tyre, and oil or chips on the wheel.",
    }
    return " ".join(said[each] for each in cause.split(" and "))


def _open(own: Sequence[tuple[PairSlip, tuple[str, ...], SlipEvent]]) -> tuple[str, ...]:
    if any(len(names) > 1 for _, names, _ in own):
        return ("a sensor on the shaft between the belts would tell which of them slips",)
    return ()


def _missing(seen: Sequence[str]) -> tuple[str, ...]:
    """What the sensors that are there cannot show."""
    said = []
    if "motor" not in seen:
        said.append("a sensor on the motor's shaft would show what happens before the first watched shaft")
    if "blade" in seen and "wheel" not in seen:
        said.append("a sensor on the blade wheel would tell a slipping belt from a slipping blade")
    if "blade" not in seen:
        said.append("a mark on the blade would show whether it slips on its wheel")
    return tuple(said)


def _of_one(machine: Machine, falls: Sequence[Fall], seen: Sequence[str], watched_s: float) -> Verdict:
    """What one channel allows to be said."""
    belts = any(isinstance(stage, BeltStage) for stage in machine.stages)
    decide = []
    if "motor" not in seen:
        decide.append("a sensor on the motor's shaft tells motor from belt")
    if "wheel" not in seen and "driven" not in seen:
        decide.append("a sensor on the blade wheel, or behind the first belt, tells whether a belt slips")
    if belts and "motor" in seen:
        decide.append("ten seconds of idle running at this belt position and gear give a baseline for slip")
    worst = max(falls, key=lambda fall: (RANK[fall.possible], fall.peak_percent), default=None)
    if worst is None and watched_s < LEAST_WATCHED_S:
        return Verdict(
            cause="unknown",
            words=f"{watched_s:.0f} s of unbroken running are too short to judge anything by.",
            evidence=(f"channels seen: {', '.join(seen)}",),
            would_decide=(f"record at least {LEAST_WATCHED_S:g} s of idle running, then a cut",),
        )
    if worst is None:
        why = "one channel cannot show" if len(seen) == 1 else "could not be told, as the baseline says"
        return Verdict(
            cause="healthy",
            words=f"No fall of speed beyond half a per cent was seen; slip itself {why}.",
            evidence=(f"channels seen: {', '.join(seen)}",),
            would_decide=tuple(decide),
        )
    seen_line = (
        f"the speed falls by up to {worst.peak_percent:.2f} %, from {worst.start_s:.1f} s to {worst.end_s:.1f} s"
    )
    evidence = [seen_line]
    if worst.fall_rpm is not None and worst.full_load_rpm is not None and worst.breakdown_rpm is not None:
        evidence.append(
            f"that is {worst.fall_rpm:.0f} rpm of the motor: full load takes up to {worst.full_load_rpm:.0f} rpm "
            f"(nameplate's tolerance and healthy creep included), its breakdown slip {worst.breakdown_rpm:.0f} rpm"
        )
    words = {
        "motor, belt or blade": "The fall is no more than a loaded motor makes; a slipping belt is not excluded.",
        "overload or belt": "The fall is more than full load makes: an overload, or a belt that slips.",
        "stall, current limit or belt": (
            "The fall is more than any torque of this motor makes: a stall, the inverter's current limit, or a belt."
        ),
        "unknown": "The speed falls; without the motor's nameplate and the marked hertz nothing more can be said.",
    }
    cause = WITHIN if worst.possible == "motor, belt or blade" else worst.possible
    return Verdict(cause=cause, words=words[worst.possible], evidence=tuple(evidence), would_decide=tuple(decide))
