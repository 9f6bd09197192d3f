"""What is wrong, in plain words, with its evidence, and what would decide what stays open?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from kerfbeat.diagnose.cause_words import (
    fall_evidence,
    fall_words,
    overload_words,
    sentence_of,
    unseen_by,
    unwatched_of,
    which_would_tell,
)
from kerfbeat.diagnose.event_words import Belts, at_blade, through_belts, which_belt
from kerfbeat.diagnose.joint import FAULTY_DEPTH
from kerfbeat.diagnose.motor_slip import MotorEvent, MotorSlip
from kerfbeat.diagnose.one_channel import Fall
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.slip_events import SlipEvent
from kerfbeat.machine import BeltStage, Machine

__all__ = ["Verdict", "verdict_of"]

Told = tuple[list[str], list[str]]  # causes and evidence

NEAR_S = 5.0  # before and after an overload: so near counts as its doing; judgement, and no test tells a better one
LEAST_WATCHED_S = 10.0  # a baseline takes five, starts and padding some more
HEALTHY, PART_HEALTHY = "healthy", "healthy as far as watched"
WITHIN = "no more than full load"
RANK = {"motor, belt or blade": 0, "unknown": 1, "overload or belt": 2, "stall, current limit or belt": 3}


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """cause : "healthy" (every belt, the blade and its joint are watched), "healthy as far as watched", "idle only" (no
    cut, nothing to compare with), "belt slip", "blade joint", "blade slip", "belt or blade slip", "overload",
    "overload or belt", "stall or switched off", several of these joined by " and ", "full load or overload", or what
    one channel allows: "no more than full load", "overload or belt", "stall, current limit or belt", "unknown".

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
        unwatched=(*unwatched_of(machine, belts, blade, seen), *unjudged),
    )  # fmt: skip
    if unjudged and found.cause not in (HEALTHY, PART_HEALTHY, "unknown"):
        found = replace(found, words=f"{found.words} Not judged: {', '.join(unjudged)}.")
    return found


def _weighed(
    machine: Machine, belts: Belts, blade: PairSlip | None, motor: MotorSlip | None, *, falls: Sequence[Fall],
    seen: Sequence[str], watched_s: float, idle_only: bool, unwatched: tuple[str, ...],
) -> Verdict:  # fmt: skip
    usable = [(pair, names) for pair, names in belts if pair.usable]
    events = motor.events if motor is not None else ()
    overloads, heavy = [e for e in events if e.sure], [e for e in events if not e.sure]
    # Where the load passes what the belt must hold, its slip is the overload's doing.
    own = [
        (pair, names, each) for pair, names in usable for each in pair.events if not _during(each.start_s, overloads)
    ]
    told = [
        _of_motor(overloads, heavy),
        _of_belts(own, overloads, heavy, falls=[] if "motor" in seen else falls),
        _of_blade(machine, blade, overloads),
        _of_joints(usable),
    ]
    causes, evidence = [each for some, _ in told for each in some], [line for _, lines in told for line in lines]
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
            words=sentence_of(cause),
            evidence=tuple(evidence),
            would_decide=(*which_would_tell(own), *unseen_by(seen)),
            unwatched=unwatched,
        )
    alone = replace(_of_one(machine, falls, seen, watched_s), unwatched=unwatched)
    if usable or through_belts(machine, blade):
        evidence.append("no slip beyond creep in all running that could be judged")
        if "motor" not in seen and alone.cause not in (PART_HEALTHY, WITHIN):
            words = f"{alone.words} It lies before the first watched shaft." if falls else alone.words
            return replace(alone, words=words, evidence=(*alone.evidence, *evidence))
        if idle_only:
            return _idle_only(evidence)
        return _healthy(blade, (*(alone.evidence if falls else ()), *evidence), seen, unwatched=unwatched)
    if not (idle_only and alone.cause == PART_HEALTHY):
        return alone
    return _idle_only((*alone.evidence, alone.words), alone.would_decide)


def _of_motor(overloads: Sequence[MotorEvent], heavy: Sequence[MotorEvent]) -> Told:
    causes, evidence = [], []
    if overloads:
        causes.append("overload")
        evidence.append(overload_words(max(overloads, key=lambda event: event.peak_load)))
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
    return causes, evidence


def _of_belts(
    own: Sequence[tuple[PairSlip, tuple[str, ...], SlipEvent]],
    overloads: Sequence[MotorEvent],
    heavy: Sequence[MotorEvent],
    *,
    falls: Sequence[Fall],
) -> Told:
    """`own`: slip that no sure overload explains.   falls : of the first shaft, where the motor's own is not seen."""
    if not own:
        return [], []
    sure = [each for _, _, each in own if not each.overload and not _during(each.start_s, heavy)]
    sure = [each for each in sure if not _maybe_overload(each, falls)]
    _, names, worst = max(own, key=lambda each: each[2].peak_percent.value)
    load = "" if worst.load is None else f" at {worst.load:.2f} of full load"
    return (["belt slip" if sure else "overload or belt"] if sure or not overloads else []), [
        f"{which_belt(names)} slips by up to {worst.peak_percent.value:.2f} % against idle{load}, from "
        f"{worst.start_s:.1f} s to {worst.end_s:.1f} s, beyond its creep"
    ]


def _of_blade(machine: Machine, blade: PairSlip | None, overloads: Sequence[MotorEvent]) -> Told:
    if blade is None or not blade.usable or not blade.events:
        return [], []
    kind, what = at_blade(machine, blade)
    worst = max(blade.events, key=lambda event: event.peak_percent.value)
    excused = all(_during(event.start_s, overloads) for event in blade.events)
    return ([] if excused else [kind]), [
        f"{what} by up to {worst.peak_percent.value:.2f} %, from {worst.start_s:.1f} s to {worst.end_s:.1f} s"
    ]


def _of_joints(usable: Belts) -> Told:
    causes, evidence = [], []
    for pair, names in usable:
        if pair.joint is not None:
            evidence.append(
                f"the speed behind the belt dips by {100 * pair.joint.depth:.2g} % each time the blade comes round (in "
                f"{pair.joint.passes} passes, whether it cuts or not), that of the {pair.up} does not: the blade's "
                f"joint, not {which_belt(names)}"
            )
            if pair.joint.depth >= FAULTY_DEPTH or pair.events_with_joint > len(pair.events):
                causes.append("blade joint")
    return causes, evidence


def _healthy(
    blade: PairSlip | None, evidence: tuple[str, ...], seen: Sequence[str], *, unwatched: tuple[str, ...]
) -> Verdict:
    open_ends = unseen_by(seen)
    if blade is not None and not blade.usable:
        open_ends += ("the blade's passes could not be judged here; record longer, with some idle running",)
    watched = ", the blade runs with them" if blade is not None and blade.usable else ""
    limits, but = (" as far as it is watched", f" Not watched: {', '.join(unwatched)}.") if unwatched else ("", "")
    return Verdict(
        cause=PART_HEALTHY if unwatched else HEALTHY,
        words=f"Healthy{limits}: the watched belts creep as they should{watched}.{but}",
        evidence=evidence,
        would_decide=open_ends,
        unwatched=unwatched,
    )


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
    cause = WITHIN if worst.possible == "motor, belt or blade" else worst.possible
    return Verdict(
        cause=cause,
        words=fall_words(worst.possible),
        evidence=tuple(fall_evidence(worst)),
        would_decide=tuple(decide),
    )
