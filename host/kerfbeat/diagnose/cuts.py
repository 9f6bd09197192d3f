"""What did each cut do to the speed, the belts and the motor?

Cuts are those the operator marked.  Without marks no cut is made up: a fall of speed may as well be a turned knob, so
only the log as a whole is told, against its least loaded running.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from kerfbeat.diagnose.cut_speed import Course, Depth, Recovery, depth_of, gaps_of, recovery_of
from kerfbeat.diagnose.cut_words import left_out_of, notes_of
from kerfbeat.diagnose.motor_load import LOAD_U95, full_load_slip_hz
from kerfbeat.diagnose.motor_slip import MotorSlip, mean_slip_percent
from kerfbeat.diagnose.pair_slip import PairSlip, mean_percent, peak_percent
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import MARK_S
from kerfbeat.diagnose.shafts import SPEED_FROM
from kerfbeat.diagnose.tracks import Track
from kerfbeat.machine import Machine, Setting
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["Cut", "CutReport", "Figures", "SlipInCut", "cuts_of"]

EDGE = 0.25  # of a short cut, at either end, is left out of its means; of a long one MARK_S


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipInCut:
    """Slip of one pair of channels against idle: mean, and greatest over a second.

    creep_percent : how much of the mean the load explains; None without a motor channel.
    """

    up: str
    down: str
    percent: Estimate
    maximum_percent: Estimate
    creep_percent: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """What is known of a stretch of cutting; None where its channels, marks or pulses do not tell it.

    drop_percent, deepest_percent : of speed against idle, mean and greatest over a second.
    slips : of every pair that can be judged.   motor_slip_percent : of synchronous speed, idle slip included.
    load : above idle, as a part of full load, by the motor's slip.   judged_s : of which the speed could be judged.
    """

    drop_percent: Estimate | None
    deepest_percent: Estimate | None
    slips: tuple[SlipInCut, ...]
    motor_slip_percent: Estimate | None
    load: Estimate | None
    judged_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Cut:
    """One marked cut.

    number : from 1 on.   settings : those in force in it, in order.   slipped : kinds of slip beyond creep that fell in
    it ("belt slip", "blade slip", "overload", ...).   left_out : what of it could not be judged, in words.
    """

    number: int
    start_s: float
    end_s: float
    settings: tuple[Setting, ...]
    figures: Figures
    recovery: Recovery
    slipped: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CutReport:
    """All cuts of a log.

    channel : whose speed it is.   marked : whether cuts were marked.   overall : over all cuts, each by its length;
    over the whole log if no cut is marked.   cutting_s, observed_s : time in cuts, and of the log.
    notes : what holds for all of them, in words.
    """

    channel: str
    marked: bool
    cuts: tuple[Cut, ...]
    overall: Figures
    cutting_s: float
    observed_s: float
    notes: tuple[str, ...]

    def slip_between(self, up: str, down: str) -> SlipInCut | None:
        """Slip of a pair of channels in all cuts, or over the whole log if none is marked; None if it is not known."""
        return next((slip for slip in self.overall.slips if (slip.up, slip.down) == (up, down)), None)


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What cuts are judged from."""

    machine: Machine
    tracks: Sequence[Track]
    parts: Sequence[Part]
    course: Course | None
    pairs: Sequence[PairSlip]
    motor: MotorSlip | None


def cuts_of(
    machine: Machine,
    tracks: Sequence[Track],
    parts: Sequence[Part],
    *,
    pairs: Sequence[PairSlip],
    motor: MotorSlip | None,
    happened: Iterable[tuple[str, float, float]] = (),
) -> CutReport:
    """Judge every marked cut of a log, or the log as a whole if none is marked.

    pairs : slip of every pair of channels.   happened : kind, start and end of what was found to slip.
    """
    turned = [name for name in SPEED_FROM if any(t.channel == name and t.runs for t in tracks)]
    channel = turned[0] if turned else SPEED_FROM[0]
    seen = Seen(
        machine=machine,
        tracks=tracks,
        parts=parts,
        course=gaps_of(tracks, parts, channel=channel),
        pairs=pairs,
        motor=motor,
    )
    happened = list(happened)
    spans = [list(group) for cutting, group in groupby(parts, key=lambda part: part.cutting) if cutting]
    cuts = tuple(_cut(seen, number=number, mine=mine, happened=happened) for number, mine in enumerate(spans, 1))
    if cuts:
        overall = _together([(cut.figures, cut.end_s - cut.start_s) for cut in cuts])
    else:
        overall = _figures(seen, start_s=-math.inf, end_s=math.inf)[0]
    return CutReport(
        channel=channel,
        marked=bool(cuts),
        cuts=cuts,
        overall=overall,
        cutting_s=sum(cut.end_s - cut.start_s for cut in cuts),
        observed_s=sum(part.duration_s for part in parts),
        notes=tuple(
            notes_of(
                machine, turned, pairs, motor, marked=bool(cuts),
                hertz_marked=any(part.setting.hz is not None for part in parts),
            )
        ),
    )  # fmt: skip


def _cut(seen: Seen, *, number: int, mine: Sequence[Part], happened: Sequence[tuple[str, float, float]]) -> Cut:
    start_s, end_s = mine[0].start_s, mine[-1].end_s
    figures, depth = _figures(seen, start_s=start_s, end_s=end_s)
    if seen.course is None or mine[-1] is seen.parts[-1]:
        recovery = Recovery(state="not seen", seconds=None, band_percent=None, watched_s=0.0)
    else:
        recovery = recovery_of(seen.course, seen.parts, start_s=start_s, end_s=end_s)
    return Cut(
        number=number,
        start_s=start_s,
        end_s=end_s,
        settings=tuple(dict.fromkeys(part.setting for part in mine)),
        figures=figures,
        recovery=recovery,
        slipped=tuple(dict.fromkeys(kind for kind, from_s, to_s in happened if from_s < end_s and to_s > start_s)),
        left_out=tuple(
            left_out_of(seen.tracks, seen.parts, mine, course=seen.course, depth=depth, edge_s=_edge_s(end_s - start_s))
        ),
    )


def _edge_s(length_s: float) -> float:
    return min(MARK_S, EDGE * length_s) if math.isfinite(length_s) else 0.0


def _figures(seen: Seen, *, start_s: float, end_s: float) -> tuple[Figures, Depth | None]:
    edge_s = _edge_s(end_s - start_s)
    course = seen.course
    depth = None if course is None else depth_of(course, seen.parts, start_s=start_s, end_s=end_s, edge_s=edge_s)
    inner = (start_s + edge_s, end_s - edge_s)
    figures = Figures(
        drop_percent=None if depth is None else depth.fall_percent,
        deepest_percent=None if depth is None else depth.deepest_percent,
        slips=tuple(each for pair in seen.pairs if (each := _slip_in(pair, inner)) is not None),
        motor_slip_percent=None if seen.motor is None else _motor_slip(seen.motor, inner),
        load=_load(seen, start_s=start_s, end_s=end_s, edge_s=edge_s),
        judged_s=0.0 if depth is None else depth.judged_s,
    )
    return figures, depth


def _slip_in(pair: PairSlip, inner: tuple[float, float]) -> SlipInCut | None:
    """Slip of a pair inside a stretch; None where it cannot be judged."""
    if not pair.usable:
        return None
    steps = pair.steps
    use = np.isfinite(pair.slip) & (steps.end_s - steps.length_s >= inner[0]) & (steps.end_s <= inner[1])
    if not use.any():
        return None
    u_base = max((base.u_relative for base in pair.baselines.values()), default=0.0)
    creep = None
    if pair.load is not None:
        explained = pair.creep_per_load * np.clip(np.nan_to_num(pair.load[use]), 0.0, None)
        creep = 100 * float(np.average(explained, weights=steps.length_s[use]))
    return SlipInCut(
        up=pair.up,
        down=pair.down,
        percent=mean_percent(steps, pair.slip, use, noise_s=pair.noise_s, u_base=u_base),
        maximum_percent=peak_percent(steps, pair.slip, use, noise_s=pair.noise_s, u_base=u_base),
        creep_percent=creep,
    )


def _motor_slip(motor: MotorSlip, inner: tuple[float, float]) -> Estimate | None:
    inside = (motor.pace.begin_s >= inner[0]) & (motor.pace.end_s <= inner[1])
    return mean_slip_percent(motor.slip, motor.pace, inside, motor.u_slip)


def _load(seen: Seen, *, start_s: float, end_s: float, edge_s: float) -> Estimate | None:
    """Load by the motor's fall below its own idle running near the cut."""
    motor, described = seen.motor, seen.machine.motor
    if motor is None or described is None:
        return None
    course = Course(
        channel="motor",
        end_s=motor.pace.end_s,
        length_s=motor.pace.length_s,
        shaft_hz=motor.pace.shaft_hz,
        unbroken=motor.pace.unbroken,
        running=motor.running,
    )
    depth = depth_of(course, seen.parts, start_s=start_s, end_s=end_s, edge_s=edge_s)
    if depth is None:
        return None
    inside = [part.setting.hz for part in seen.parts if part.end_s > start_s and part.start_s < end_s]
    slip_hz = full_load_slip_hz(described, supply_hz=inside[0] or described.base_hz)
    load = depth.fall_hz.value / slip_hz
    return Estimate(value=load, u95=math.hypot(LOAD_U95 * load, depth.fall_hz.u95 / slip_hz))


def _together(cuts: Sequence[tuple[Figures, float]]) -> Figures:
    """Means over cuts, each by its length; errors as if all cuts shared them, which is the worst case."""

    def mean(estimates: Iterable[tuple[Estimate | None, float]]) -> Estimate | None:
        known = [(each, length_s) for each, length_s in estimates if each is not None]
        whole_s = sum(length_s for _, length_s in known)
        if not known or whole_s <= 0:
            return None
        return Estimate(
            value=sum(each.value * length_s for each, length_s in known) / whole_s,
            u95=sum(each.u95 * length_s for each, length_s in known) / whole_s,
        )

    deepest = [figures.deepest_percent for figures, _ in cuts if figures.deepest_percent is not None]
    pairs = dict.fromkeys((slip.up, slip.down) for figures, _ in cuts for slip in figures.slips)
    slips = []
    for up, down in pairs:
        mine = [(s, length_s) for figures, length_s in cuts for s in figures.slips if (s.up, s.down) == (up, down)]
        percent = mean((slip.percent, length_s) for slip, length_s in mine)
        creeps = [(slip.creep_percent, length_s) for slip, length_s in mine if slip.creep_percent is not None]
        assert percent is not None
        slips.append(
            SlipInCut(
                up=up,
                down=down,
                percent=percent,
                maximum_percent=max((slip.maximum_percent for slip, _ in mine), key=lambda each: each.value),
                creep_percent=sum(c * length_s for c, length_s in creeps) / sum(length_s for _, length_s in creeps)
                if creeps
                else None,
            )
        )
    return Figures(
        drop_percent=mean((figures.drop_percent, length_s) for figures, length_s in cuts),
        deepest_percent=max(deepest, key=lambda each: each.value, default=None),
        slips=tuple(slips),
        motor_slip_percent=mean((figures.motor_slip_percent, length_s) for figures, length_s in cuts),
        load=mean((figures.load, length_s) for figures, length_s in cuts),
        judged_s=sum(figures.judged_s for figures, _ in cuts),
    )
