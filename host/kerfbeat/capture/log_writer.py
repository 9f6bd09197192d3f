"""How does a session become a file that survives a power cut?

Rows are only ever added at the end, given to the system some times a second and to the disk within each second
(`growing_file`); `DiskError` says how much is safe.
"""

import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self, cast

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture import log_format
from kerfbeat.capture.events import TICK_LIMIT, Event, LinkDown, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.growing_file import GrowingFile
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine, Setting

__all__ = ["LogWriter"]

# A power cut may cost a second at most.  A row is as old as its batch (0.1 s at most, 20 ms with pulses), and waits for
# the next batch once the time is over, so the disk is asked a fifth of a second early.  What the system has survives a
# killed program, and costs a write of some hundred bytes.  Measured by test_killed_at_any_moment.
KEEP_EVERY_S = 0.8
WRITE_EVERY_S = 0.2
NOT_IN_FORCE = frozenset({"note", "log", "slip"})  # keys that say something once; others hold until marked again


class LogWriter:
    """Writes one pulse log.  Refuses to overwrite a file; use as a context manager, or call `close`.

    `setting` is what the operator had chosen at the start.  `accept` takes every event of a link: pulses, losses,
    syncs and segments become rows, the others do not belong in a log and are passed over.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        machine: Machine,
        calibration_text: str | None = None,
        start_utc: datetime,
        setting: Setting | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if start_utc.tzinfo is None:
            raise ValueError("start_utc needs a time zone")
        if not machine.text:
            raise LogError(f"{path}: the machine has no text to stand in the log; load it from its file")
        self.pulses: dict[str, int] = dict.fromkeys(machine.sensors, 0)
        self.rows = 0  # rows below the header, whether the disk has them or not
        self.last_ticks = 0  # how far the current segment is known
        self._clock = clock
        self._header = log_format.Header(
            start_utc=start_utc, machine_text=machine.text, calibration_text=calibration_text
        )
        log_format.header_lines(self._header, {})  # so that what cannot be written is told before a file exists
        self._in_force: dict[str, str] = {}
        self._marks_waiting: list[tuple[str, str]] = []  # made before there was a segment
        self._edge_ticks: dict[str, int] | None = None  # last edge by channel; None before the first segment
        self._file = GrowingFile(Path(path))
        self._kept_at = self._written_at = clock()
        for key, value in _setting_marks(setting):
            self.mark(key, value)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """Where the file is: where it was made, or beside that if it was taken away."""
        return self._file.path

    @property
    def rewritten(self) -> int:
        """How often the file was taken away, and written anew."""
        return self._file.rewritten

    def accept(self, event: Event) -> None:
        """Write what `event` says; raises LogError if it contradicts the rows before or the disk does not take it."""
        match event:
            case Pulses():
                self._accept_pulses(event)
            case SegmentStarted():
                self._accept_segment(event)
            case Lost():
                pulses = "unknown" if event.pulses is None else str(event.pulses)
                fields = {"until": str(event.end_ticks), "pulses": pulses, "cause": event.cause}
                self._last_edge(event.channel)  # refuses a channel that is not the machine's
                self._row("lost", event.channel, event.start_ticks, log_format.fields_text(fields))
                self.last_ticks = max(self.last_ticks, event.end_ticks)
            case Sync():
                fields = {
                    "sent_s": repr(event.sent_host_s),
                    "received_s": repr(event.received_host_s),
                    "ping_ticks": str(event.ping_ticks),
                }
                self._row("sync", "", event.answer_ticks, log_format.fields_text(fields))
                self.last_ticks = max(self.last_ticks, event.answer_ticks)
            case LinkDown():
                self.keep()  # nothing may come for hours
            case _:
                pass
        now_s = self._clock()
        if now_s - self._kept_at >= KEEP_EVERY_S:
            self.keep()
        elif now_s - self._written_at >= WRITE_EVERY_S:
            self._file.write()
            self._written_at = now_s

    def mark(self, key: str, value: str, ticks: int | None = None) -> None:
        """Note that the operator set `key` to `value` at `ticks` (now, as far as the segment is known, if None)."""
        if not log_format.KEY.fullmatch(key):
            raise LogError(f"{key!r} cannot be the key of a mark; use small letters, digits and _")
        if self._edge_ticks is None:
            self._marks_waiting.append((key, value))
            return
        self._write_mark(key, value, self.last_ticks if ticks is None else ticks)

    def keep(self) -> None:
        """Hand all rows to the disk now.  Called by `accept` within each second; call it too while no events come."""
        if not self._file.is_open:
            return
        self._file.keep()
        self._kept_at = self._written_at = self._clock()

    def close(self) -> None:
        """End the log.  The last row says that it was ended, not cut off; the file is closed even if that fails."""
        if not self._file.is_open:
            return
        try:
            if self._edge_ticks is None:
                self._begin({})
                for key, value in self._marks_waiting:
                    self._write_mark(key, value, 0)
            self._write_mark("log", "end", self.last_ticks)
            self.keep()
        finally:
            self._file.close()

    def _begin(self, board: Mapping[str, str]) -> None:
        self._file.append("".join(f"{line}\n" for line in log_format.header_lines(self._header, board)), lines=0)
        self._edge_ticks = {}

    def _accept_segment(self, event: SegmentStarted) -> None:
        board = {"board": event.board_id, "firmware": event.firmware, "tick_hz": f"{event.tick_hz:.17g}"}
        marks = list(self._in_force.items())
        if self._edge_ticks is None:
            self._begin(board)
            marks = self._marks_waiting
        fields = dict(board)
        if event.start_utc is not None:
            fields["started"] = event.start_utc.astimezone(UTC).isoformat()
        fields["cause"] = event.cause
        self._edge_ticks = {}
        self.last_ticks = event.start_ticks
        self._row("segment", "", event.start_ticks, log_format.fields_text(fields))
        for key, value in marks:
            self._write_mark(key, value, event.start_ticks)

    def _accept_pulses(self, event: Pulses) -> None:
        texts: list[str] = []
        counts: dict[str, int] = {}
        for channel, edges in event.edge_ticks.items():
            if len(edges) == 0:
                continue
            self._require_order(channel, edges)
            start = f"pulse,{channel},"
            texts.append(start + f",\n{start}".join(map(str, edges.tolist())) + ",\n")
            counts[channel] = len(edges)
        assert self._edge_ticks is not None or not counts  # _require_order has seen to it
        for channel, count in counts.items():
            last = int(event.edge_ticks[channel][-1])
            cast("dict[str, int]", self._edge_ticks)[channel] = last
            self.last_ticks = max(self.last_ticks, last)
            self.pulses[channel] += count
            self.rows += count
        self.last_ticks = max(self.last_ticks, event.complete_ticks)
        self._file.append("".join(texts), lines=sum(counts.values()))

    def _last_edge(self, channel: str) -> int | None:
        if not self._file.is_open:
            raise LogError(f"{self.path}: the log is closed; begin another one")
        if self._edge_ticks is None:
            raise LogError(f"{self.path}: pulses or losses came before a segment")
        if channel not in self.pulses:
            raise LogError(f'{self.path}: "{channel}" is not a sensor of this machine ({", ".join(self.pulses)})')
        return self._edge_ticks.get(channel)

    def _require_order(self, channel: str, edges: NDArray[np.int64]) -> None:
        before = self._last_edge(channel)
        if (before is not None and edges[0] <= before) or edges[0] < 0 or not bool(np.all(edges[1:] > edges[:-1])):
            raise LogError(f"{self.path}: ticks of {channel} go backwards or repeat near {int(edges[0])}")

    def _write_mark(self, key: str, value: str, ticks: int) -> None:
        if key not in NOT_IN_FORCE:
            self._in_force[key] = value
        self._row("mark", "", ticks, f"{key}={log_format.escape(value)}")

    def _row(self, kind: str, channel: str, ticks: int, value: str) -> None:
        if not self._file.is_open:
            raise LogError(f"{self.path}: the log is closed; begin another one")
        if self._edge_ticks is None:
            raise LogError(f"{self.path}: a {kind} came before a segment")
        if not 0 <= ticks < TICK_LIMIT:
            raise LogError(f"{self.path}: tick {ticks} of a {kind} does not fit 63 bits")
        self._file.append(log_format.row(kind, channel, ticks, value), lines=1)
        self.rows += 1


def _setting_marks(setting: Setting | None) -> list[tuple[str, str]]:
    if setting is None:
        return []
    hz = None if setting.hz is None else f"{setting.hz:.10g}"
    pairs = (("hz", hz), ("gear", setting.gear), ("belt", setting.belt))
    return [(key, value) for key, value in pairs if value is not None]
