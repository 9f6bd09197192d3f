"""In which words is told what is wrong, what may be without its showing, and what would decide it?"""

from collections.abc import Sequence

from kerfbeat.diagnose.event_words import Belts, belt_name, which_belt
from kerfbeat.diagnose.motor_slip import MotorEvent
from kerfbeat.diagnose.one_channel import Fall, Possible
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.shafts import belts_to_blade
from kerfbeat.diagnose.slip_events import SlipEvent
from kerfbeat.machine import BeltStage, Machine

__all__ = [
    "fall_evidence", "fall_words", "overload_words", "sentence_of", "unseen_by", "unwatched_of", "which_would_tell",
]  # fmt: skip

SENTENCES = {
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
FALLS: dict[Possible, str] = {
    "motor, belt or blade": "The fall is no more than a loaded motor makes; a slipping belt is not excluded.",
    "overload or belt": "The fall is more than full load makes: an overload, or a belt that slips.",
    "stall, current limit or belt": (
        "The fall is more than any torque of this motor makes: a stall, the inverter's current limit, or a belt; "
        "or it was switched off in the cut."
    ),
    "unknown": "The speed falls; without the motor's nameplate and the marked hertz nothing more can be said.",
}


def sentence_of(cause: str) -> str:
    """What to do about a cause, or several joined by " and "."""
    return " ".join(SENTENCES[each] for each in cause.split(" and "))


def fall_words(possible: Possible) -> str:
    """What a fall of speed that only one channel shows may be."""
    return FALLS[possible]


def fall_evidence(fall: Fall) -> list[str]:
    """How far the speed fell, and beside what the motor may make of it."""
    said = [f"the speed falls by up to {fall.peak_percent:.2f} %, from {fall.start_s:.1f} s to {fall.end_s:.1f} s"]
    if fall.fall_rpm is not None and fall.full_load_rpm is not None and fall.breakdown_rpm is not None:
        said.append(
            f"that is {fall.fall_rpm:.0f} rpm of the motor: full load takes up to {fall.full_load_rpm:.0f} rpm "
            f"(nameplate's tolerance and healthy creep included), its breakdown slip {fall.breakdown_rpm:.0f} rpm"
        )
    return said


def overload_words(worst: MotorEvent) -> str:
    """A sure overload, as evidence."""
    if worst.stalled:
        return f"the motor stalls in the cut at {worst.start_s:.1f} s, after {worst.peak_load:.1f} times full load"
    return (
        f"the motor falls as far behind as {worst.peak_load:.1f} times full load would take it, from "
        f"{worst.start_s:.1f} s on" + (", until it stalls or stops" if worst.open else "")
    )


def unwatched_of(machine: Machine, belts: Belts, blade: PairSlip | None, seen: Sequence[str]) -> tuple[str, ...]:
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


def which_would_tell(own: Sequence[tuple[PairSlip, tuple[str, ...], SlipEvent]]) -> tuple[str, ...]:
    """What would tell which of several belts slips."""
    if any(len(names) > 1 for _, names, _ in own):
        return ("a sensor on the shaft between the belts would tell which of them slips",)
    return ()


def unseen_by(seen: Sequence[str]) -> tuple[str, ...]:
    """What the sensors that are there cannot show."""
    said = []
    if "motor" not in seen:
        said.append("a sensor on the motor's shaft would show what happens before the first watched shaft")
    if "blade" in seen and "wheel" not in seen:
        said.append("a sensor on the blade wheel would tell a slipping belt from a slipping blade")
    if "blade" not in seen:
        said.append("a mark on the blade would show whether it slips on its wheel")
    return tuple(said)
