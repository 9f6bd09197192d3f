"""What does a pulse log hold?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.events import Lost
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine

__all__ = ["Mark", "PulseLog", "Segment", "Syncs"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """What the operator did: `key` takes `value` at `ticks`, in force until the same key is marked again."""

    ticks: int
    key: str
    value: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Syncs:
    """The two-way exchanges of a segment, (n,) arrays in the order they were made; see `events.Sync`."""

    sent_host_s: NDArray[np.float64]
    received_host_s: NDArray[np.float64]
    ping_ticks: NDArray[np.int64]
    answer_ticks: NDArray[np.int64]

    def __post_init__(self) -> None:
        shapes = {self.sent_host_s.shape, self.received_host_s.shape, self.ping_ticks.shape, self.answer_ticks.shape}
        if len(shapes) != 1 or self.sent_host_s.ndim != 1:
            raise LogError(f"the four columns of a sync differ in shape: {shapes}")

    def __len__(self) -> int:
        return len(self.sent_host_s)

    @classmethod
    def of(cls, exchanges: Sequence[tuple[float, float, int, int]]) -> "Syncs":
        """From (sent, received, ping, answer) of each exchange; an imported log has none."""
        sent, received, ping, answer = zip(*exchanges, strict=True) if exchanges else ((), (), (), ())
        return cls(
            sent_host_s=np.array(sent, dtype=np.float64),
            received_host_s=np.array(received, dtype=np.float64),
            ping_ticks=np.array(ping, dtype=np.int64),
            answer_ticks=np.array(answer, dtype=np.int64),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """A stretch in which ticks compare: one board from one reset to the next.

    `edge_ticks` has an entry for every channel of the machine, each (n,) int64 and strictly increasing.
    Observation runs from `start_ticks` to `end_ticks`, the last tick that any row speaks of.
    """

    board_id: str
    firmware: str
    tick_hz: float
    cause: str
    start_ticks: int
    end_ticks: int
    edge_ticks: Mapping[str, NDArray[np.int64]]
    losses: tuple[Lost, ...] = ()
    marks: tuple[Mark, ...] = ()
    syncs: Syncs = field(default_factory=lambda: Syncs.of(()))

    def __post_init__(self) -> None:
        if not self.tick_hz > 0:
            raise LogError(f"a segment has a tick rate of {self.tick_hz} Hz; it must be above 0")
        if self.end_ticks < self.start_ticks:
            raise LogError(f"a segment ends at tick {self.end_ticks}, before its start {self.start_ticks}")

    @property
    def duration_s(self) -> float:
        """How long was observed, by the board's nominal clock."""
        return (self.end_ticks - self.start_ticks) / self.tick_hz


@dataclass(frozen=True, kw_only=True, slots=True)
class PulseLog:
    """A whole log.  `source` is where it was read from; `warnings` say what was mended or dropped while reading."""

    source: str
    machine: Machine
    calibration_text: str | None
    start_utc: datetime
    segments: tuple[Segment, ...]
    warnings: tuple[str, ...] = ()

    def described_by(self, machine: Machine, *, calibration_text: str | None) -> "PulseLog":
        """The same pulses with another description; warned of where it is of another machine or has no such sensors."""
        told = []
        if machine.name != self.machine.name:
            told.append(f'the log was recorded on "{self.machine.name}", but is read as of "{machine.name}"')
        seen = dict.fromkeys(name for each in self.segments for name, ticks in each.edge_ticks.items() if len(ticks))
        gone = [name for name in seen if name not in machine.sensors]
        if gone:
            told.append(f"pulses of {', '.join(gone)} are not looked at: that machine file has no such sensor")
        return replace(self, machine=machine, calibration_text=calibration_text, warnings=(*self.warnings, *told))
