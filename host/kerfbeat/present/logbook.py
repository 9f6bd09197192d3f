"""How is a log begun, marked and ended while the board is being listened to?

The log may begin at any moment: the segment that is running then is written at its head with the tick at which the
log began, and the setting in force stands at the start.  What the board tells late of the time before stays out.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from kerfbeat.capture.events import Event, Lost, Pulses, SegmentStarted
from kerfbeat.capture.log import LogWriter
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine, Setting

__all__ = ["Logbook", "Tally", "require_new"]


def require_new(path: Path) -> None:
    """Refuse a name that is taken before a board is asked; raises LogError.  The writer itself refuses it, too."""
    if path.is_dir():
        raise LogError(f"{path}: is a folder; write the name of a file in it, such as {path / 'log.csv'}")
    if path.exists():
        raise LogError(f"{path}: the file exists and is not overwritten; choose another name or move it away")


@dataclass(kw_only=True, slots=True)
class Tally:
    """What went into one log: pulses and losses by channel; `lost_stretches` are those that nobody could count."""

    pulses: Counter[str] = field(default_factory=Counter)
    lost: Counter[str] = field(default_factory=Counter)
    lost_stretches: Counter[str] = field(default_factory=Counter)
    marks: int = 0
    segments: int = 0

    def count_loss(self, event: Lost) -> None:
        """Add one stretch of lost pulses."""
        if event.pulses is None:
            self.lost_stretches[event.channel] += 1
        else:
            self.lost[event.channel] += event.pulses


class Logbook:
    """One running log."""

    def __init__(
        self,
        path: Path,
        *,
        machine: Machine,
        setting: Setting,
        calibration_text: str | None = None,
        running: SegmentStarted | None = None,
    ) -> None:
        """Create the file; `running` is the segment already under way, with `start_ticks` set to now.

        Raises LogError if the file exists or cannot be made.
        """
        now_utc = datetime.now(UTC)
        self.tally = Tally()
        self._begins_ticks = 0  # in the segment that was running
        self._writer = LogWriter(
            path, machine=machine, calibration_text=calibration_text, start_utc=now_utc, setting=setting
        )
        if running is not None:
            self.accept(replace(running, cause="log begun", start_utc=now_utc))
            self._begins_ticks = running.start_ticks

    @property
    def path(self) -> Path:
        """Where the log is; another place than at first if the file was moved away meanwhile."""
        return self._writer.path

    @property
    def rewritten(self) -> int:
        """How often the file was taken away while it was written, and written anew."""
        return self._writer.rewritten

    def accept(self, event: Event) -> None:
        """Write an event and count it; raises LogError if the disk does not take it."""
        if isinstance(event, SegmentStarted):
            self._begins_ticks = 0
            self.tally.segments += 1
        elif isinstance(event, Pulses):
            event = self._since_begin(event)
        elif isinstance(event, Lost):
            if event.end_ticks <= self._begins_ticks:
                return
            if event.start_ticks < self._begins_ticks:
                event = replace(event, start_ticks=self._begins_ticks, pulses=None)
            self.tally.count_loss(event)
        self._writer.accept(event)
        self.tally.pulses = Counter(self._writer.pulses)

    def _since_begin(self, event: Pulses) -> Pulses:
        begins = self._begins_ticks
        if all(len(ticks) == 0 or ticks[0] > begins for ticks in event.edge_ticks.values()):
            return event
        return replace(event, edge_ticks={name: ticks[ticks > begins] for name, ticks in event.edge_ticks.items()})

    def mark(self, key: str, value: str, ticks: int | None) -> None:
        """Write what the operator did; None: as far as the record goes now."""
        self._writer.mark(key, value, ticks)
        self.tally.marks += 1

    def close(self) -> None:
        """End the log whole."""
        self._writer.close()
