"""Which pulses of a segment have come, and which are missing between which ticks?

The board's running counts and its "complete up to" tell it for each channel, whatever frames were lost.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.events import Event, Lost, Pulses
from kerfbeat.capture.messages import COUNT_MODULUS, Batch, Masked

__all__ = ["Account"]

_NO_EDGES: NDArray[np.int64] = np.empty(0, dtype=np.int64)
_NO_EDGES.setflags(write=False)


@dataclass(slots=True)
class _Input:
    channel: str
    count: int  # edges since reset, modulo 2**32
    last_edge_ticks: int
    masked_until_ticks: int

    def lost(self, start_ticks: int, end_ticks: int, pulses: int | None, cause: str) -> Lost:
        return Lost(
            channel=self.channel,
            start_ticks=start_ticks,
            end_ticks=max(start_ticks, end_ticks),
            pulses=pulses,
            cause=cause,
        )


class Account:
    """Keeps count from the first batch of a segment on; that batch is then taken like any other.

    `gap_cause` is what a gap before the next batch is owed to.
    """

    def __init__(self, first: Batch, channels: Mapping[int, str]) -> None:
        self.complete_ticks = first.base_ticks
        self.gap_cause = "frames lost"
        self._inputs = {
            index: _Input(
                channel=channel,
                count=(first.counts[index] - len(first.edge_ticks[index]) - first.lost[index]) % COUNT_MODULUS,
                last_edge_ticks=first.base_ticks - 1,
                masked_until_ticks=first.base_ticks,
            )
            for index, channel in channels.items()
        }

    def missing(self, batch: Batch, *, latest_ticks: float) -> dict[int, int] | None:
        """Pulses lost before `batch`, by input; None if it contradicts what is known.

        `latest_ticks` is what the board's counter cannot have passed yet.
        """
        if batch.base_ticks < self.complete_ticks or batch.complete_ticks > latest_ticks:
            return None
        missing = {}
        for index, each in self._inputs.items():
            edges = batch.edge_ticks[index]
            if edges and (edges[0] <= each.last_edge_ticks or edges[-1] > latest_ticks):
                return None
            came = len(edges) + batch.lost[index]
            missing[index] = (batch.counts[index] - came - each.count) % COUNT_MODULUS
            most = 0
            if batch.base_ticks != self.complete_ticks:  # one edge a tick is more than any board sees
                most = (edges[0] if edges else batch.complete_ticks) - self.complete_ticks
            if missing[index] > most:
                return None
        return missing

    def take(self, batch: Batch, missing: Mapping[int, int], received_host_s: float) -> list[Event]:
        """Pulses and losses of `batch`, in the order of their ticks for each channel; `missing` as told above."""
        before: list[Event] = []
        after: list[Event] = []
        edge_ticks: dict[str, NDArray[np.int64]] = {}
        for index, each in self._inputs.items():
            edges = batch.edge_ticks[index]
            if missing[index]:
                start_ticks = max(self.complete_ticks, each.last_edge_ticks)
                end_ticks = edges[0] - 1 if edges else batch.base_ticks  # an edge may have been sent early
                before.append(each.lost(start_ticks, end_ticks, missing[index], self.gap_cause))
            edge_ticks[each.channel] = np.array(edges, dtype=np.int64) if edges else _NO_EDGES
            if edges:
                each.last_edge_ticks = edges[-1]
            if batch.lost[index]:
                start_ticks = max(batch.base_ticks, each.last_edge_ticks)
                after.append(each.lost(start_ticks, batch.complete_ticks, batch.lost[index], "ring overrun"))
            each.count = batch.counts[index]
        self.complete_ticks = batch.complete_ticks
        self.gap_cause = "frames lost"
        pulses = Pulses(edge_ticks=edge_ticks, complete_ticks=batch.complete_ticks, received_host_s=received_host_s)
        return [*before, pulses, *after]

    def mask(self, masked: Masked) -> list[Event]:
        """The loss of a masked range; one that is told again with a later end adds what is new of it."""
        each = self._inputs.get(masked.input_index)
        if each is None or masked.until_ticks <= each.masked_until_ticks:
            return []
        start_ticks = max(masked.from_ticks, each.masked_until_ticks)
        each.masked_until_ticks = masked.until_ticks
        return [each.lost(start_ticks, masked.until_ticks, None, "edge flood")]

    def lose_until(self, end_ticks: int, cause: str) -> list[Event]:
        """Everything from what is known to `end_ticks`: nobody can know what came."""
        return [
            each.lost(max(self.complete_ticks, each.last_edge_ticks), end_ticks, None, cause)
            for each in self._inputs.values()
        ]
