"""What is wrong, in plain words, with its evidence, and what would decide what stays open?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from kerfbeat.diagnose.event_words import Belts, at_blade, belt_name, through_belts, which_belt
from kerfbeat.diagnose.joint import FAULTY_DEPTH
from kerfbeat.diagnose.motor_slip import MotorEvent, MotorSlip
from kerfbeat.diagnose.one_channel import Fall
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.shafts import belts_to_blade
from kerfbeat.diagnose.slip_events import SlipEvent
from kerfbeat.machine import BeltStage, Machine

__all__ = ["Verdict", "verdict_of"]

NEAR_S = 5.0
LEAST_WATCHED_S = 10.0  # a baseline takes five, starts and padding some more
HEALTHY, PART_HEALTHY = "healthy", "healthy as far as watched"
WITHIN = "no more than full load"
RANK = {"motor, belt or blade": 0, "unknown": 1, "overload or belt": 2, "stall, current limit or belt": 3}


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """cause : "healthy" (every belt, the blade and its joint are watched), "healthy as far as watched", "idle only" (no
    cut, nothing to compare with), "belt slip", "blade joint", "blade slip", "belt or blade slip", "overload",
    "overload or belt", "stall or switched off", several of these joined by " and ", "full load or overload", or what
    one channel allows:
    "no more than full load", "overload or belt", "stall, current limit or belt", "unknown".

    words : a sentence.   evidence : lines.   would_decide : what to do or add where it stays open.
    unwatched : what may be wrong without its showing: belts, blade, joint, cuts that could not be judged.
    """

    cause: str
    words: str
    evidence: tuple[str, ...]
    would_decide: tuple[str, ...]
    unwatched: tuple[str, ...] = ()


def verdict_of(
    machine: Machine, belts: Belts, blade: PairSlip | None, motor: MotorSlip | None, *, falls: Sequence[Fall],
    seen: Sequence[str], watched_s: float, idle_only: bool, unjudged: Sequence[str] = (),
) -> Verdict:  # fmt: skip
    """Weigh everything.

    watched_s : longest time that any channel was counted without a break.
    idle_only : nothing was cut, and there is no earlier running to compare with.   unjudged : cuts that no pair could
    be judged in, in words.
    """
    found = _weighed(
        machine, belts, blade, motor, falls=falls, seen=seen, watched_s=watched_s, idle_only=idle_only,
        unwatched=(*_unwatched(machine, belts, blade, seen), *unjudged),
    )  # fmt: skip
    if unjudged and found.cause not in (HEALTHY, PART_HEALTHY, "unknown"):
        found = replace(found, words=f"{found.words} Not judged: {', '.join(unjudged)}.")
    return found


def _weighed(
    machine: Machine, belts: Belts, blade: PairSlip | None, motor: MotorSlip | None, *, falls: Sequence[Fall],
    seen: Sequence[str], watched_s: float, idle_only: bool, unwatched: tuple[str, ...],
) -> Verdict:  # fmt: skip
    evidence: list[str] = []
    causes: list[str] = []
    usable = [(pair, names) for pair, names in belts if pair.usable]
    events = motor.events if motor is not None else ()
    overloads, heavy = [e for e in events if e.sure], [e for e in events if not e.sure]
    if overloads:
        causes.append("overload")
        evidence.append(_overload_words(max(overloads, key=lambda event: event.peak_load)))
    if any(each.stalled for each in heavy):
        causes.append("stall or switched off")
        first = next(each for each in heavy if each.stalled)
        evidence.append(
            f"the motor stops in the cut at {first.start_s:.1f} s, though it pulled no more than "
            f"{max(first.peak_load, 0.0):.1f} of full load before"
        )
    elif heavy and not overloads:
        worst = max(heavy, key=lambda event: (event.lasts, event.peak_load))
        evidence.append(
            f"at {worst.start_s:.1f} s the motor falls as far behind as {worst.peak_load:.1f} times full load would "
            f"take it: {'no further than one within its tolerance may' if worst.lasts else 'for too short to matter'}"
        )
    # Where the load passes what the belt must hold, its slip is the overload's doing.
    own = [
        (pair, names, each) for pair, names in usable for each in pair.events if not _during(each.start_s, overloads)
    ]
    if own:
        sure = [each for _, _, each in own if not each.overload and not _during(each.start_s, heavy)]
        if "motor" not in seen:
            sure = [each for each in sure if not _maybe_overload(each, falls)]
        if sure or not overloads:
            causes.append("belt slip" if sure else "overload or belt")
        _, names, worst_slip = max(own, key=lambda each: each[2].peak_percent.value)
        load = "" if worst_slip.load is None else f" at {worst_slip.load:.2f} of full load"
        evidence.append(
            f"{which_belt(names)} slips by up to {worst_slip.peak_percent.value:.2f} % against idle{load}, from "
            f"{worst_slip.start_s:.1f} s to {worst_slip.end_s:.1f} s, beyond its creep"
        )
    if blade is not None and blade.usable and blade.events:
        if not all(_during(event.start_s, overloads) for event in blade.events):
            causes.append(at_blade(machine, blade)[0])
        worst_slip = max(blade.events, key=lambda event: event.peak_percent.value)
        evidence.append(
            f"{at_blade(machine, blade)[1]} by up to {worst_slip.peak_percent.value:.2f} %, from "
            f"{worst_slip.start_s:.1f} s to {worst_slip.end_s:.1f} s"
        )
    for pair, names in usable:
        if pair.joint is not None:
            evidence.append(
                f"the speed behind the belt dips by {100 * pair.joint.depth:.2g} % each time the blade comes round (in "
                f"{pair.joint.passes} passes, whether it cuts or not), that of the {pair.up} does not: the blade's "
                f"joint, not {which_belt(names)}"
            )
            if pair.joint.depth >= FAULTY_DEPTH or pair.events_with_joint > len(pair.events):
                causes.append("blade joint")
    for pair, names in usable:
        if pair.load is not None and pair.learned:
            creep = f"creep {100 * pair.creep_per_load:.2f} % at full load"
            evidence.append(f"{which_belt(names)}: {creep}, as its cuts show")
    if not causes and any(each.lasts for each in heavy):
        causes.append("full load or overload")
    if causes:
        cause = " and ".join(dict.fromkeys(causes))
        return Verdict(
            cause=cause,
            words=_sentence(cause),
            evidence=tuple(evidence),
            would_decide=(*_open(own), *_missing(seen)),
            unwatched=unwatched,
        )
    if usable or through_belts(machine, blade):
        evidence.append("no slip beyond creep in all running that could be judged")
        alone = _of_one(machine, falls, seen, watched_s)
        if "motor" not in seen and alone.cause not in (PART_HEALTHY, WITHIN):
            return Verdict(
                cause=alone.cause,
                words=f"{alone.words} It lies before the first watched shaft." if falls else alone.words,
                evidence=(*alone.evidence, *evidence),
                would_decide=alone.would_decide,
                unwatched=unwatched,
            )
        if idle_only:
            return _idle_only(evidence)
        open_ends = _missing(seen)
        if blade is not None and not blade.usable:
            open_ends += ("the blade's passes could not be judged here; record longer, with some idle running",)
        watched = ", the blade runs with them" if blade is not None and blade.usable else ""
        limits, but = (" as far as it is watched", f" Not watched: {', '.join(unwatched)}.") if unwatched else ("", "")
        return Verdict(
            cause=PART_HEALTHY if unwatched else HEALTHY,
            words=f"Healthy{limits}: the watched belts creep as they should{watched}.{but}",
            evidence=(*(alone.evidence if falls else ()), *evidence),
            would_decide=open_ends,
            unwatched=unwatched,
        )
    alone = replace(_of_one(machine, falls, seen, watched_s), unwatched=unwatched)
    if not (idle_only and alone.cause == PART_HEALTHY):
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


def _maybe_overload(event: SlipEvent, falls: Sequence[Fall]) -> bool:
    """Whether the first shaft falls beside a slip so far that an overload may make it, or stalls."""
    deep = [fall for fall in falls if not fall.light]
    return any(fall.start_s - NEAR_S <= event.start_s and event.end_s <= fall.end_s + NEAR_S for fall in deep)


def _overload_words(worst: MotorEvent) -> str:
    if worst.stalled:
        return f"the motor stalls in the cut at {worst.start_s:.1f} s, after {worst.peak_load:.1f} times full load"
    return (
        f"the motor falls as far behind as {worst.peak_load:.1f} times full load would take it, from "
        f"{worst.start_s:.1f} s on" + (", until it stalls or stops" if worst.open else "")
    )


def _unwatched(machine: Machine, belts: Belts, blade: PairSlip | None, seen: Sequence[str]) -> tuple[str, ...]:
    """What no two channels that can be judged have between them."""
    usable = [(pair, names) for pair, names in belts if pair.usable]
    watched = {name for _, names in usable for name in names}
    if blade is not None and blade.usable:
        watched |= {belt_name(machine, index) for index in belts_to_blade(machine, blade.up)}
    every = [belt_name(machine, k) for k, stage in enumerate(machine.stages) if isinstance(stage, BeltStage)]
    said = [name for name in every if name not in watched]
    if "motor" not in seen:
        said.append("the motor's load")
    if blade is None or not blade.usable:
        said.append("the blade on its wheel")
    said += [
        f"whether {pair.doubtful_percent:.2g} % of slip ({which_belt(names)}) is more than creep, as the load is not "
        "seen"
        for pair, names in usable
        if pair.doubtful_percent > 0.0
    ]
    if not any(pair.joint_watched for pair, _ in usable):
        said.append("the blade's joint")
    return tuple(said)


def _sentence(cause: str) -> str:
    said = {
        "overload": "The drive is loaded beyond what it is made for: cut with less feed, or a slower blade.",
        "overload or belt": (
            "A belt slips while the load may be more than it has to hold: an overload, or the belt; check its tension "
            "and cut with less feed."
        ),
        "full load or overload": (
            "The motor works at full load or beyond; its slip does not tell which: cut with less feed if it runs hot."
        ),
        "stall or switched off": "The drive stopped in a cut: it jammed, or it was switched off there.",
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
            cause=PART_HEALTHY,
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
            "The fall is more than any torque of this motor makes: a stall, the inverter's current limit, or a belt; "
            "or it was switched off in the cut."
        ),
        "unknown": "The speed falls; without the motor's nameplate and the marked hertz nothing more can be said.",
    }
    cause = WITHIN if worst.possible == "motor, belt or blade" else worst.possible
    return Verdict(cause=cause, words=words[worst.possible], evidence=tuple(evidence), would_decide=tuple(decide))
