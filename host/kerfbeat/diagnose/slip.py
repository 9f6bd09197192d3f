"""What slips in a log, under which cut, and how sure is that?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose import shafts
from kerfbeat.diagnose.absolute import Absolute, absolute_of
from kerfbeat.diagnose.baseline import Baseline, Key, calibrated_baseline, key_of
from kerfbeat.diagnose.cuts import CutReport, cuts_of
from kerfbeat.diagnose.event_words import Event, belt_name, events_in_words, through_belts
from kerfbeat.diagnose.idle_log import why_unused
from kerfbeat.diagnose.motor_load import LOADED
from kerfbeat.diagnose.motor_slip import MotorSlip, motor_slip
from kerfbeat.diagnose.one_channel import Fall, falls_of
from kerfbeat.diagnose.pair_slip import PairSlip, pair_slip
from kerfbeat.diagnose.parts import UNMARKED, Part, parts_of, setting_words
from kerfbeat.diagnose.slip_events import BELT, BLADE, Law
from kerfbeat.diagnose.tracks import Track, breaks_of, tracks_with
from kerfbeat.diagnose.verdict import Verdict, verdict_of
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Machine, Setting
from kerfbeat.measure.clean import too_noisy
from kerfbeat.measure.pieces import clock_of
from kerfbeat.measure.uncertainty import coverage_factor

__all__ = ["Slip", "slip_of"]

MANY_MISSING = 0.05
LOADED_S = 3.0  # of load above LOADED: a cut that nobody marked; a run-up's last second is none


@dataclass(frozen=True, kw_only=True, slots=True)
class Slip:
    """Everything a log says of slip.

    belts : pairs of shafts with belts between; names of these belts stand beside.   blade : wheel and blade.
    falls : what the first watched shaft alone shows; none where that is the motor's and a pair tells more.
    baseline : in words, what relative slip is told against.   cuts : what each cut did.
    """

    source: str
    belts: tuple[tuple[PairSlip, tuple[str, ...]], ...]
    blade: PairSlip | None
    motor: MotorSlip | None
    absolute: tuple[Absolute, ...]
    falls: tuple[Fall, ...]
    baseline: str
    events: tuple[Event, ...]
    verdict: Verdict
    cuts: CutReport
    parts: tuple[Part, ...]
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def belt(self) -> PairSlip | None:
        """The belt pair nearest to the motor that can be judged."""
        usable = [pair for pair, _ in self.belts if pair.usable]
        return usable[0] if usable else None


def slip_of(
    log: PulseLog,
    *,
    idle: PulseLog | None = None,
    known: Known | None = None,
    tracks: Sequence[Track] | None = None,
) -> Slip:
    """Look for slip in a log.

    idle : another log whose idle running is the baseline, instead of this log's own; where it cannot be, there is
        none, and `baseline` and the warnings say why.
    known : calibration whose ratios are the baseline of settings without idle running; not used beside `idle`.
    tracks : this log's, with the calibrated spacing, where they are at hand.
    Raises MeasureError if nothing turned.
    """
    machine = log.machine
    tracks, parts = tracks or tracks_with(log, known), parts_of(log)
    seen = [name for name in machine.sensors if any(t.channel == name and t.runs for t in tracks)]
    if not seen:
        raise MeasureError(f"{log.source}: no channel turned; there is no slip to look for")
    stored = None if idle is None else _stored(idle, known)
    unused = "" if idle is None or stored is None else why_unused(log, parts, idle, stored)
    if unused:
        idle, stored = None, {}
    u_clock = max(clock_of(segment).u_ppm for segment in log.segments) * 1e-6
    motor = motor_slip(machine, tracks, parts, u_clock=u_clock)
    cut_seen = any(part.cutting for part in parts) or (motor is not None and motor.loaded_s(LOADED) > LOADED_S)
    belts, blade = _pairs(machine, tracks, parts, seen, stored=stored, known=known, own_first=cut_seen)
    judged = any(pair.usable for pair, _ in belts) or through_belts(machine, blade)
    # What comes before the first watched shaft only a fall of speed can show.
    lone = shafts.in_order(machine, seen)[0] if judged else next(name for name in shafts.SPEED_FROM if name in seen)
    falls = [] if judged and lone == "motor" else falls_of(machine, tracks, parts, channel=lone)
    absolute = tuple(each for pair, _ in belts for each in absolute_of(machine, pair))
    events = events_in_words(machine, belts, blade, motor, falls=falls, lone=lone)
    source = "this log" if idle is None else idle.source
    held = [pair for pair, _ in belts] + ([blade] if blade is not None else [])
    cuts = cuts_of(
        machine,
        tracks,
        parts,
        pairs=held,
        motor=motor,
        happened=[(each.kind, each.start_s, each.end_s) for each in events if each.kind != "speed falls"],
    )
    compared = idle is not None or any(base.calibrated for pair in held for base in pair.baselines.values())
    return Slip(
        source=log.source,
        belts=tuple(belts),
        blade=blade,
        motor=motor,
        absolute=absolute,
        falls=tuple(falls),
        baseline=f"none: {unused}" if unused else _baseline_words(belts, blade, parts, source, seen=seen),
        events=events,
        verdict=(None if judged else _noisy_verdict(tracks))
        or verdict_of(
            machine,
            belts,
            blade,
            motor,
            falls=falls,
            seen=seen,
            watched_s=_watched_s(tracks),
            idle_only=not (cut_seen or falls or compared),
            unjudged=_unjudged(cuts, judged=judged),
        ),
        cuts=cuts,
        parts=parts,
        left_out=tuple(_left_out(tracks, belts, blade)),
        warnings=(*log.warnings, *filter(None, [unused]), *_target_warnings(tracks)),
    )


def _pairs(
    machine: Machine, tracks: Sequence[Track], parts: Sequence[Part], seen: Sequence[str], *,
    stored: Mapping[tuple[str, str], Mapping[Key, Baseline]] | None, known: Known | None, own_first: bool,
) -> tuple[list[tuple[PairSlip, tuple[str, ...]]], PairSlip | None]:  # fmt: skip
    """Slip of every two shafts with belts between, with these belts' names, and of the blade; see `pair_slip`."""
    belts, blade = [], None
    for up, down, between in shafts.couplings(machine, seen):
        pair = pair_slip(
            machine,
            tracks,
            parts,
            up=up,
            down=down,
            law=_law(len(between or shafts.belts_to_blade(machine, up))),
            stored=None if stored is None else stored.get((up, down), {}),
            calibrated=_calibrated(known, parts, up=up, down=down),
            own_first=own_first,
        )
        if not between:
            blade = pair
        elif pair is not None:
            belts.append((pair, tuple(belt_name(machine, index) for index in between)))
    return belts, blade


def _unjudged(cuts: CutReport, *, judged: bool) -> list[str]:
    """Cuts in which no pair could be judged, though elsewhere one could, in words."""
    if not judged:
        return []
    return [
        f"the cut from {cut.start_s:.1f} to {cut.end_s:.1f} s"
        for cut in cuts.cuts
        if not cut.figures.slips and "overload" not in cut.slipped
    ]


def _law(belts: int) -> Law:
    """What may be between two shafts: the creep of so many belts in a row, or of the blade on its wheel."""
    return replace(BELT, creep=belts * BELT.creep) if belts else BLADE


def _stored(idle: PulseLog, known: Known | None) -> dict[tuple[str, str], Mapping[Key, Baseline]]:
    """Baselines of another log, by pair of channels."""
    other = slip_of(idle, tracks=tracks_with(idle, known))
    found = {(pair.up, pair.down): pair.baselines for pair, _ in other.belts}
    if other.blade is not None:
        found[other.blade.up, other.blade.down] = other.blade.baselines
    if not any(found.values()):
        raise MeasureError(f"{idle.source}: no idle running to compare with; record some seconds without cutting")
    return found


def _calibrated(known: Known | None, parts: Sequence[Part], *, up: str, down: str) -> dict[Key, Baseline]:
    """Calibrated idle ratios of two channels at the settings of a log."""
    if known is None:
        return {}
    keys = dict.fromkeys(key_of(part) for part in parts)
    return {key: base for key in keys if (base := calibrated_baseline(known, key, up=up, down=down)) is not None}


def _baseline_words(
    belts: Sequence[tuple[PairSlip, tuple[str, ...]]], blade: PairSlip | None, parts: Sequence[Part], source: str,
    *, seen: Sequence[str],
) -> str:  # fmt: skip
    pairs = [pair for pair, _ in belts] + ([blade] if blade is not None else [])
    if not pairs:
        if len(seen) < 2:
            return "none: slip needs two channels"
        return f"none: {' and '.join(seen)} were not counted together long enough, or no belt is between them"
    here = {key_of(part) for part in parts}
    used = [(key, base) for pair in pairs for key, base in pair.baselines.items() if key in here]
    seconds = max((base.idle_s for _, base in used), default=0.0)
    how = (
        "idle running outside the marked cuts"
        if pairs[0].running.marked
        else "the least loaded running (no cut is marked)"
    )
    said = [f"{seconds:.0f} s of {how} of {source}"] if seconds else []
    for (belt, gear), base in dict.fromkeys(pair for pair in used if pair[1].calibrated):
        at = setting_words(Setting(belt=belt, gear=gear))
        where = "" if at == UNMARKED else f" for {at}"
        doubt = 100 * coverage_factor(math.inf) * base.u_relative
        why = "for want of idle running here" if seconds == 0.0 else "for the belts"
        said.append(f"the ratio calibrated on {base.calibrated}{where} (± {doubt:.2g} %), {why}")
    return "; ".join(said) or "none: no idle running at this belt position and gear; let it run idle for ten seconds"


def _left_out(
    tracks: Sequence[Track], belts: Sequence[tuple[PairSlip, tuple[str, ...]]], blade: PairSlip | None
) -> list[str]:
    """What was not looked at, in words."""
    said = []
    for pair in [pair for pair, _ in belts] + ([blade] if blade is not None else []):
        off_s = float(pair.steps.length_s[~pair.running.at_speed].sum())
        if off_s >= 1.0:
            said.append(f"{pair.up} to {pair.down}: {off_s:.0f} s of starts, stops, stalls and changes")
        if pair.steps.left_s >= 1.0:
            said.append(
                f"{pair.up} to {pair.down}: {pair.steps.left_s:.0f} s in runs too short to know the targets' angles"
            )
        if pair.load_hidden:
            said.append(
                f"{pair.up} to {pair.down}: the load; the motor hardly slows in the marked cuts (light ones, or an "
                "inverter that makes good its slip), so that creep up to the most that is healthy is allowed"
            )
        if pair.joint is not None:
            how = "its mark" if pair.joint.by_mark else "its length"
            said.append(
                f"{pair.up} to {pair.down}: what repeats with the blade (by {how}), a dip of "
                f"{100 * pair.joint.depth:.2g} % once a pass"
            )
        if pair.missed:
            said.append(f"{pair.up} to {pair.down}: {pair.missed} marks that went by unseen, as the {pair.up} tells")
        if not pair.usable and pair.baselines:
            said.append(f"{pair.up} to {pair.down}: pulses come too irregularly to tell slip")
    return said + breaks_of(tracks)


def _watched_s(tracks: Sequence[Track]) -> float:
    """The longest time that any channel was counted without a break."""
    return max((float(run.seconds[-1] - run.seconds[0]) for track in tracks for run in track.runs), default=0.0)


def _noisy_verdict(tracks: Sequence[Track]) -> Verdict | None:
    """What is said where no two channels could be judged, and a sensor sees so much noise that it proves nothing."""
    noisy = {}
    for channel in dict.fromkeys(track.channel for track in tracks):
        stray = sum(track.stray for track in tracks if track.channel == channel)
        pulses = stray + sum(track.pulses for track in tracks if track.channel == channel)
        if too_noisy(stray, pulses):
            noisy[channel] = f"{channel}: {stray} of {pulses} pulses are no targets"
    if not noisy:
        return None
    return Verdict(
        cause="unknown",
        words=f"Noise on {' and '.join(noisy)}: nothing can be judged by such pulses.",
        evidence=tuple(noisy.values()),
        would_decide=("mend cable, shield or sensor (kerfbeat check tells when it is quiet), then record again",),
    )


def _target_warnings(tracks: Sequence[Track]) -> list[str]:
    said = []
    for track in tracks:
        if track.runs and track.per_turn != track.targets:
            said.append(
                f"{track.channel}: {track.per_turn} pulses repeat in a turn, not the {track.targets} described; a "
                "target may have fallen off, or a false one is seen"
            )
        elif track.missing > MANY_MISSING * (track.pulses + track.missing):
            share = 100 * track.missing / (track.pulses + track.missing)
            said.append(
                f"{track.channel}: {share:.0f} % of its pulses are missing; a target or the sensor may be loose"
            )
    return list(dict.fromkeys(said))
