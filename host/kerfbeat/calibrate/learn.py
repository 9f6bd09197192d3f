"""What do logs say of a channel's targets, and of what is stored of them?

Runs that begin at different targets are laid together first: each long one by its own pattern, the longest leads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from kerfbeat.calibrate.cutting import cut
from kerfbeat.calibrate.match import Change, Count, Match, count_targets, find_change, match_spacing
from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.runs import Run, runs_of
from kerfbeat.calibrate.targets import Spacing, estimate_spacing
from kerfbeat.calibrate.wobble import Split, split_wobble
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import CalibrateError
from kerfbeat.measure.clock import ClockRate

__all__ = ["TargetsResult", "learn_targets", "stored_spacing"]

MOST_COUNTED_BLOCKS = 8  # that decide how many targets there are
# Another count is said if it is so probable, and shows by so much of a spacing: targets placed by hand do.
CONTRADICTED, CONTRADICTED_PART = 0.99, 0.002
HARMLESS = 1e-3  # of a spacing: two ways of laying patterns together that differ by less may be mixed


@dataclass(frozen=True, kw_only=True, slots=True)
class TargetsResult:
    """What was found of one channel.

    per_turn : pulses that repeat in a turn; the described count if all is well.
    spacing : as found, beginning at the stored pattern's target 0 if that is known, else where the longest run began.
    change : how it differs from the stored pattern; None if none is stored.
    counts : how likely each count of targets is, by how the pattern repeats, likeliest first.
    split : what a second channel says of wobble; None without one.
    left_out : runs that could not be laid on the longest, or were too short.
    gone : (second, target, log) of every target that fell off on the way.
    """

    channel: str
    described: int
    per_turn: int
    spacing: Spacing
    change: Change | None
    match: Match | None
    counts: tuple[Count, ...]
    split: Split | None
    split_channel: str | None
    runs: int
    left_out: int
    gone: tuple[tuple[float, int, str], ...]
    missing: int
    extra: int
    warnings: tuple[str, ...]

    @property
    def worth_keeping(self) -> bool:
        """Whether this is the pattern of a healthy wheel, as described: one with a target missing is not kept."""
        return self.per_turn == self.described and not self.gone


def stored_spacing(spacing_turns: Sequence[float], u_turns: Sequence[float]) -> Spacing:
    """A stored pattern in the form that comparison needs; covariances are those of independent target angles."""
    variance = np.square(u_turns)
    m = len(variance)
    covariance = np.diag(variance)
    if m > 1:
        # Spacings sum to 1: take the common part out, so that the total has no variance.
        free = np.eye(m) - 1.0 / m
        covariance = free @ covariance @ free * (m / (m - 1.0))
    return Spacing(
        spacing_turns=np.asarray(spacing_turns, dtype=float), covariance=covariance, dof=np.inf, turns=np.inf,
        timing_sd_s=0.0, wander=0.0, wander_s=0.0,
    )  # fmt: skip


def _together(runs: Sequence[Run], per_turn: int) -> tuple[list[Run], int]:
    """Runs whose numbers count from the same target, and how many had to be left out."""
    ordered = sorted(runs, key=lambda run: -run.turns)
    lead = ordered[0]
    pattern = estimate_spacing([lead.block], targets=per_turn)
    kept, left_out = [lead], 0
    for run in ordered[1:]:
        try:
            match = match_spacing(estimate_spacing([run.block], targets=per_turn), pattern)
        except CalibrateError:
            left_out += 1
            continue
        if not match.sure and match.doubt > HARMLESS:
            left_out += 1
            continue
        # Its pulse number 0 is the leading pattern's target `first`.
        block = Block(seconds=run.block.seconds, numbers=run.block.numbers + match.first)
        kept.append(replace(run, block=block))
    return kept, left_out


def learn_targets(
    logs: Sequence[PulseLog],
    channel: str,
    *,
    stored: Spacing | None = None,
    reference: str | None = None,
    reference_spacing: Spacing | None = None,
    clocks: Mapping[str, ClockRate] | None = None,
) -> TargetsResult:
    """Find the spacing of a channel's targets.

    stored : the pattern in store, to compare with.
    reference : a channel that turns along rigidly and faster, to tell wobble from spacing; with its spacing if it has
        more than one target.
    Raises CalibrateError with too few turns, or if one target has nothing to find.
    """
    described = logs[0].machine.sensors[channel].targets if channel in logs[0].machine.sensors else 0
    runs = runs_of(logs, channel, clocks=clocks)
    per_turn = max(runs, key=lambda run: run.turns).per_turn
    if per_turn == 1:
        raise CalibrateError(
            f"{channel}: one target has no spacing to find; whole turns are timed exactly as it is. Nothing to do."
        )
    runs = [run for run in runs if run.per_turn == per_turn]
    kept, left_out = _together(runs, per_turn)
    spacing = estimate_spacing([run.block for run in kept], targets=per_turn)
    change = find_change(spacing, stored) if stored is not None else None
    match = change.match if change is not None and change.kind == "same" else None
    if match is not None:
        spacing = spacing.begun_at(-match.first % per_turn)
    gone = _gone(kept, per_turn, first=0 if match is None else match.first)
    split = None
    if reference is not None:
        others = runs_of(logs, reference, clocks=clocks)
        split = _split(kept, others, per_turn=per_turn, reference_spacing=reference_spacing)
    pieces = [piece for run in kept for piece in cut(run.block, per_turn=per_turn)]
    counts = count_targets(pieces[:MOST_COUNTED_BLOCKS], described=per_turn)
    return TargetsResult(
        channel=channel,
        described=described,
        per_turn=per_turn,
        spacing=split.spacing if split is not None else spacing,
        change=change,
        match=match,
        counts=tuple(counts),
        split=split,
        split_channel=reference,
        runs=len(kept),
        left_out=left_out,
        gone=gone,
        missing=sum(run.missing for run in {run.place: run for run in kept}.values()),
        extra=sum(run.extra for run in {run.place: run for run in kept}.values()),
        warnings=tuple(_warnings(channel, described, spacing, counts=counts, left_out=left_out, gone=gone)),
    )


def _gone(kept: Sequence[Run], per_turn: int, *, first: int) -> tuple[tuple[float, int, str], ...]:
    """Targets that are seen in a run up to some time, and never after it.

    first : which target the numbers' 0 is, as targets are called.
    """
    found = []
    for run in kept:
        for at_s, seen in run.changes:
            if seen < per_turn:
                after = np.unique(run.block.numbers[run.block.seconds > at_s] % per_turn)
                missing = np.setdiff1d(np.arange(per_turn), after)
                found += [(at_s, int((each + first) % per_turn), run.source) for each in missing]
    return tuple(found)


def _split(kept: Sequence[Run], others: Sequence[Run], *, per_turn: int, reference_spacing: Spacing | None) -> Split:
    """Pair every run with the other channel's run at the same time."""
    longest = max(others, key=lambda run: run.turns)
    if reference_spacing is None and longest.per_turn > 1:
        reference_spacing = estimate_spacing([longest.block], targets=longest.per_turn)
    spacing_turns = np.ones(1) if reference_spacing is None else reference_spacing.spacing_turns
    ours, theirs = [], []
    for run in kept:
        together = [other for other in others if other.place == run.place]
        if not together:
            continue
        beside = max((other.block for other in together), key=partial(_overlap_s, run.block))
        ours.append(run.block)
        theirs.append(beside)
    return split_wobble(ours, theirs, targets=per_turn, reference_spacing_turns=spacing_turns)


def _overlap_s(one: Block, other: Block) -> float:
    return float(min(one.seconds[-1], other.seconds[-1]) - max(one.seconds[0], other.seconds[0]))


def _warnings(
    channel: str,
    described: int,
    spacing: Spacing,
    *,
    counts: Sequence[Count],
    left_out: int,
    gone: Sequence[tuple[float, int, str]],
) -> list[str]:
    told = [
        f"{channel}: from {at_s:.0f} s of {source} on target {target + 1} is not seen any more: it may have fallen off "
        "(keep clear of its path); fasten it again, in its place, and calibrate anew"
        for at_s, target, source in gone
    ]
    per_turn = spacing.targets
    if per_turn != described:
        told.append(
            f"{channel}: {per_turn} pulses repeat in every turn, not the {described} that are described; a target is "
            "missing or one is too many, or the description is wrong"
        )
    best = counts[0]
    if per_turn % best.targets and best.probability > CONTRADICTED and best.apart > CONTRADICTED_PART:
        told.append(
            f"{channel}: the pattern repeats after {best.targets} pulses, not after {per_turn}: count the targets by "
            "hand and correct the machine file, or every speed is off by that factor"
        )
    if spacing.widened > 1.0:
        told.append(
            f"{channel}: parts of the run disagree {spacing.widened:.1f} times as much as chance allows, and the ± was "
            "widened; a loose target or a loose sensor would do that"
        )
    if left_out:
        told.append(
            f"{channel}: left out between interruptions, as too short or too even to be laid on the longest run: "
            f"{left_out}"
        )
    return told
