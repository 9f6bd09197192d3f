"""What can happen while a board is being listened to?

`BoardLink.events` and `Stream.take` yield these, in order; `LogWriter.accept` and the live estimators take them.
Two clocks appear and are never mixed: names in `_ticks` are the board's counter, unwrapped to 64 bits and
comparable only inside one segment; names in `_host_s` are the host's monotonic clock (`time.perf_counter`).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import LogError

__all__ = [
    "TICK_LIMIT",
    "Event",
    "Health",
    "InputHealth",
    "LineCounts",
    "LinkDown",
    "LinkUp",
    "Lost",
    "Pulses",
    "SegmentStarted",
    "Sync",
]

TICK_LIMIT = 1 << 63  # ticks are kept as signed 64-bit integers: 18,000 years at 16 MHz


@dataclass(frozen=True, kw_only=True, slots=True)
class SegmentStarted:
    """From here on ticks count anew: a first board, another board, or the same one after a reset.

    `start_ticks` is the tick at which observation begins: silence before it means nothing.
    `tick_hz` is what the board says of its own clock (nominal, not measured).
    `cause` is in plain words: "recording began", "board reset (power on)", "another board", "imported", ...
    """

    board_id: str
    firmware: str
    tick_hz: float
    cause: str
    start_ticks: int
    start_utc: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Pulses:
    """Edges by channel, and how far the record is complete.

    `edge_ticks` holds every listened-to channel (possibly with an empty array), each strictly increasing.
    Every edge up to and including `complete_ticks` has been yielded or is covered by a `Lost`; an edge may also be
    later than `complete_ticks` when one channel was reported further than another.
    """

    edge_ticks: Mapping[str, NDArray[np.int64]]
    complete_ticks: int
    received_host_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Lost:
    """Pulses of one channel that are not in the record: after `start_ticks`, up to and including `end_ticks`.

    `pulses` is exact, or None where nobody can know.
    """

    channel: str
    start_ticks: int
    end_ticks: int
    pulses: int | None
    cause: str

    def __post_init__(self) -> None:
        if self.end_ticks < self.start_ticks:
            raise LogError(
                f"a loss on {self.channel} ends at tick {self.end_ticks}, before its start {self.start_ticks}"
            )
        if self.pulses is not None and self.pulses < 0:
            raise LogError(f"a loss on {self.channel} counts {self.pulses} pulses; a count is 0 or more")


@dataclass(frozen=True, kw_only=True, slots=True)
class Sync:
    """One two-way exchange: host sent, board received (`ping_ticks`), board answered (`answer_ticks`), host received.

    The host sent no later than `ping_ticks` and received no earlier than `answer_ticks`: both journeys take time, of
    which the shortest ones tell most.
    """

    sent_host_s: float
    received_host_s: float
    ping_ticks: int
    answer_ticks: int


@dataclass(frozen=True, kw_only=True, slots=True)
class InputHealth:
    """One input as the board sees it; counts are since its reset.

    `shortest_ticks` is the time between the closest two edges since the status before, None with fewer than two.
    """

    overruns: int
    floods: int
    shortest_ticks: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class LineCounts:
    """What the line did to the frames since the link was opened."""

    frames: int
    bad_crc: int
    malformed: int
    implausible: int
    noise_bytes: int
    frames_missing: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Health:
    """The board's once-a-second status.  `host_frames_damaged` counts frames from the host that reached it damaged."""

    ticks: int
    supply_v: float | None
    host_frames_damaged: int
    stored_settings: str  # "good", "one copy damaged" or "defaults in force"
    inputs: Mapping[str, InputHealth]
    line: LineCounts
    received_host_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkDown:
    """The port went away or fell silent; the link goes on trying."""

    reason: str
    host_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkUp:
    """A board answered: at the start, or again after a `LinkDown`."""

    board_id: str
    firmware: str
    tick_hz: float
    url: str
    baud: int | None
    host_s: float


Event = SegmentStarted | Pulses | Lost | Sync | Health | LinkDown | LinkUp
