"""Which stretches of a log are looked at, by which clock, and which edges of them are targets?"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.events import Lost
from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.errors import MeasureError
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.clock import ClockRate, as_imported, rate_of, unmeasured
from kerfbeat.measure.pulses import clean_pulses

__all__ = ["Piece", "clock_of", "pieces_of"]

SILENT_GAPS, SILENT_SHARE = 8.0, 0.4  # a faster channel's silence is a pause from so many of its own gaps, and from so
#                                       much of the slow channel's, below which no pulse is claimed to be missing
USUAL_GAPS = 5000


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """What the window leaves of a segment; `offset_s` is where the segment begins in the log's time."""

    segment: Segment
    clock: ClockRate
    offset_s: float
    start_ticks: int
    end_ticks: int

    @property
    def true_tick_hz(self) -> float:
        """Ticks in a true second, as well as that is known."""
        return self.segment.tick_hz * self.clock.factor

    def seconds(self, tick: float) -> float:
        """True seconds of the log at a tick."""
        return self.offset_s + (tick - self.segment.start_ticks) / self.true_tick_hz

    def edges(self, channel: str) -> NDArray[np.int64]:
        """Edges of a channel inside."""
        ticks = self.segment.edge_ticks.get(channel)
        if ticks is None:
            return np.empty(0, np.int64)
        low, high = np.searchsorted(ticks, (self.start_ticks, self.end_ticks + 1))
        return ticks[low:high]

    def losses(self, channel: str) -> list[Lost]:
        """Losses of a channel that touch it."""
        return [
            loss
            for loss in self.segment.losses
            if loss.channel == channel and loss.end_ticks >= self.start_ticks and loss.start_ticks <= self.end_ticks
        ]

    def _beside(self, channel: str) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
        """Edges of each faster channel, and which of them are followed by a silence long enough for a standstill."""
        own = _usual_gap(self.edges(channel))
        others = [other for other in self.segment.edge_ticks if other != channel] if own < math.inf else []
        for other in others:
            seen = self.edges(other)
            usual = _usual_gap(seen)
            if usual < own:
                yield seen, np.flatnonzero(np.diff(seen) > max(SILENT_GAPS * usual, SILENT_SHARE * own))

    def pauses(self, channel: str) -> list[tuple[int, int]]:
        """Silences of faster channels in which this one is silent, too: a standstill, not a few missing pulses."""
        edges, found = self.edges(channel), []
        for seen, long in self._beside(channel):
            between = np.searchsorted(edges, np.stack((seen[long], seen[long + 1])))
            alone = between[0] == between[1]
            found += [(int(seen[k]), int(seen[k + 1])) for k in long[alone].tolist()]
        return found

    def watched(self, channel: str) -> list[tuple[int, int]]:
        """Spans from tick to tick through which a faster channel turned."""
        found = []
        for seen, long in self._beside(channel):
            first, last = np.append(0, long + 1), np.append(long, len(seen) - 1)
            found += list(zip(seen[first].tolist(), seen[last].tolist(), strict=True))
        return found

    def clean(self, channel: str, targets: int) -> CleanPulses:
        """The channel's edges, sorted."""
        broken = [(loss.start_ticks, loss.end_ticks) for loss in self.losses(channel)] + self.pauses(channel)
        return clean_pulses(
            self.edges(channel),
            targets=targets,
            tick_hz=self.segment.tick_hz,
            losses=broken,
            watched=self.watched(channel),
        )


def _usual_gap(edges: NDArray[np.int64]) -> float:
    """Median gap in ticks, from some thousand of them; infinite if there is none."""
    if len(edges) < 2:
        return math.inf
    if len(edges) <= USUAL_GAPS + 1:
        return float(np.median(np.diff(edges)))
    at = np.unique(np.linspace(0, len(edges) - 2, USUAL_GAPS).astype(np.int64))
    return float(np.median(edges[at + 1] - edges[at]))


def clock_of(segment: Segment, stored: Mapping[str, ClockRate] | None = None) -> ClockRate:
    """What is known of a segment's clock: measured, taken as imported, as stored of its board, or its class."""
    if segment.board_id == "imported":
        return as_imported()
    if len(segment.syncs) == 0:
        return (stored or {}).get(segment.board_id, unmeasured())
    return rate_of(segment.syncs, tick_hz=segment.tick_hz)


def pieces_of(
    log: PulseLog,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    clocks: Mapping[str, ClockRate] | None = None,
) -> list[Piece]:
    """Segments cut to a window, in seconds from the log's beginning (time between segments is not counted).

    Seconds are true ones, by the corrected clock, as far as exchanges or a stored calibration tell it.

    clocks : what is stored of boards, for segments that hold no exchange.
    Raises MeasureError if the window holds nothing of the log.
    """
    low_s = -math.inf if start_s is None else start_s
    high_s = math.inf if end_s is None else end_s
    found, offset_s = [], 0.0
    for segment in log.segments:
        clock = clock_of(segment, clocks)
        per_s, long_s = segment.tick_hz * clock.factor, segment.duration_s / clock.factor
        begin = max(low_s, offset_s) - offset_s
        finish = min(high_s, offset_s + long_s) - offset_s
        if finish > begin or (long_s == 0 and begin == 0):
            last = segment.end_ticks - segment.start_ticks
            found.append(
                Piece(
                    segment=segment,
                    clock=clock,
                    offset_s=offset_s,
                    start_ticks=segment.start_ticks + math.ceil(begin * per_s),
                    # A whole segment keeps its last tick, which rounding must not take.
                    end_ticks=segment.start_ticks + (last if finish >= long_s else math.floor(finish * per_s)),
                )
            )
        offset_s += long_s
    if not found:
        if not log.segments:
            raise MeasureError(f"{log.source}: nothing was recorded in it, not even a board's start; record anew")
        low = "the beginning" if start_s is None else f"{start_s:g} s"
        high = "the end" if end_s is None else f"{end_s:g} s"
        raise MeasureError(f"{log.source}: nothing lies between {low} and {high}; the log is {offset_s:.1f} s long")
    return found
