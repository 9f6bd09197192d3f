"""Which unbroken runs of counted pulses do logs hold of one channel?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from kerfbeat.calibrate.passes import Block
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import CalibrateError
from kerfbeat.machine import Machine
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.clock import ClockRate
from kerfbeat.measure.pieces import pieces_of

__all__ = ["Run", "require_machine", "require_one_machine", "runs_of"]

LEAST_TURNS = 2.0
STANDSTILL = 3.5  # of the gaps around; uneven targets make at most twice, and two missed pulses three times


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """One unbroken run: seconds by the corrected clock from the segment's beginning, and pulse numbers.

    per_turn : how many pulses repeat in a turn, as the pulses themselves show it.
    missing, extra : of the whole segment's channel.   place : index of log and segment, the same for channels that were
        recorded together.
    changes : (second, pulses in a turn from there on) where that changes: a target fell off, or something false came.
    """

    block: Block
    per_turn: int
    missing: int
    extra: int
    source: str
    place: tuple[int, int]
    changes: tuple[tuple[float, int], ...] = ()

    @property
    def turns(self) -> float:
        """How long it is."""
        return float(self.block.numbers[-1] - self.block.numbers[0]) / self.per_turn


def require_one_machine(logs: Sequence[PulseLog]) -> None:
    """Refuse logs of different machines, which say nothing together.

    Raises CalibrateError, naming both.
    """
    for log in logs[1:]:
        first = logs[0].machine
        if (log.machine.name, log.machine.sensors) != (first.name, first.sensors):
            raise CalibrateError(
                f'{log.source}: was recorded at "{log.machine.name}" and {logs[0].source} at "{first.name}", or their '
                "sensors differ; calibrate each machine from its own logs."
            )


def require_machine(logs: Sequence[PulseLog], machine: Machine, *, name: str) -> None:
    """Refuse a log of another machine than the one whose store it would change.

    Raises CalibrateError, naming both.
    """
    for log in logs:
        if log.machine.name != machine.name:
            raise CalibrateError(
                f'{log.source}: was recorded at "{log.machine.name}", and {name} describes "{machine.name}"; give the '
                "machine file that the log was recorded with."
            )


def _between_stops(clean: CleanPulses, changes: Sequence[int]) -> Iterator[tuple[int, int]]:
    """First edge, and one past the last, of every run, cut where the shaft stood still.

    A target that comes to rest before its sensor may be counted twice or not at all, so the count does not hold,
    however well the pulses around seem to bridge it.

    changes : ticks at which gear or belt were changed, which nobody does while it turns.
    """
    for first, last in clean.runs():
        numbers, ticks = clean.numbers(first, last), clean.ticks[first:last]
        gap = np.diff(ticks)
        usual = gap / np.diff(numbers)
        stood = np.flatnonzero(gap[1:-1] > STANDSTILL * np.maximum(usual[:-2], usual[2:])) + 2
        changed = np.searchsorted(ticks, changes)
        cuts = np.unique(np.concatenate((stood, changed[(changed > 0) & (changed < len(ticks))])))
        yield from pairwise([first, *(first + cuts).tolist(), last])


def runs_of(
    logs: Sequence[PulseLog], channel: str, *, clocks: Mapping[str, ClockRate] | None = None
) -> list[Run]:
    """Every run of a channel with at least LEAST_TURNS, in order of time.

    clocks : by board, for segments whose own exchanges say nothing of their clock.
    Raises CalibrateError if the channel is not described or never seen.
    """
    found: list[Run] = []
    pulses = 0
    for index, log in enumerate(logs):
        if channel not in log.machine.sensors:
            known = ", ".join(log.machine.sensors)
            raise CalibrateError(f"{log.source}: has no channel {channel}; it has {known}.")
        for place, piece in enumerate(pieces_of(log, clocks=clocks)):
            clean = piece.clean(channel, log.machine.sensors[channel].targets)
            pulses += len(clean.ticks)
            changes = [mark.ticks for mark in piece.segment.marks if mark.key in ("gear", "belt")]
            for first, last in _between_stops(clean, changes):
                numbers = clean.numbers(first, last)
                if last - first < 2 or numbers[-1] - numbers[0] < LEAST_TURNS * clean.per_turn:
                    continue
                start_ticks, per_s = piece.segment.start_ticks, piece.true_tick_hz
                ticks = clean.ticks[first:last]
                found.append(
                    Run(
                        block=Block(seconds=(ticks - start_ticks).astype(np.float64) / per_s, numbers=numbers),
                        per_turn=clean.per_turn,
                        missing=clean.missing,
                        extra=clean.extra,
                        source=log.source,
                        place=(index, place),
                        changes=tuple(
                            ((tick - start_ticks) / per_s, seen)
                            for tick, seen in clean.changes
                            if ticks[0] <= tick <= ticks[-1]
                        ),
                    )
                )
    if not found:
        names = ", ".join(log.source for log in logs)
        what = "no pulses" if not pulses else f"{pulses} pulses but no run of {LEAST_TURNS:g} turns"
        raise CalibrateError(f"{names}: {what} on channel {channel}; record longer, and look at kerfbeat check.")
    return found
