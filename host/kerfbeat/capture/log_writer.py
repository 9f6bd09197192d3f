"""How does a session become a file that survives a power cut?

Rows are only ever added at the end, given to the system some times a second and to the disk within each second.  What
the disk did not take stays in memory and is tried again; `LogError` says how much is safe.
"""

import os
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from io import RawIOBase
from pathlib import Path
from types import TracebackType
from typing import Self, cast

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture import log_format
from kerfbeat.capture.events import Event, LinkDown, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.errors import DiskError, LogError
from kerfbeat.machine import Machine, Setting

__all__ = ["LogWriter"]

# A power cut may cost a second at most.  A row is as old as its batch (0.1 s at most, 20 ms with pulses), and waits for
# the next batch once the time is over, so the disk is asked a fifth of a second early.  What the system has survives a
# killed program, and costs a write of some hundred bytes.  Measured by test_killed_at_any_moment.
KEEP_EVERY_S = 0.8
WRITE_EVERY_S = 0.2
WRITE_AT_BYTES = 1 << 20  # rows of a long simulated log go out in pieces of this size
NOT_IN_FORCE = frozenset({"note", "log", "slip"})  # keys that say something once; others hold until marked again
LAST_TICK = 2**63 - 1


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
        self.path = Path(path)
        self.pulses: dict[str, int] = dict.fromkeys(machine.sensors, 0)
        self.rewritten = 0  # how often the file was taken away, and written anew
        self.rows = 0  # rows below the header, whether the disk has them or not
        self.last_ticks = 0  # how far the current segment is known
        self._clock = clock
        self._header = log_format.Header(
            start_utc=start_utc, machine_text=machine.text, calibration_text=calibration_text
        )
        log_format.header_lines(self._header, {})  # so that what cannot be written is told before a file exists
        self._in_force: dict[str, str] = {}
        self._waiting = bytearray()
        self._rows_waiting = 0
        self._marks_waiting: list[tuple[str, str]] = []  # made before there was a segment
        self._edge_ticks: dict[str, int] | None = None  # last edge by channel; None before the first segment
        self._size_bytes = 0  # of the file up to its last whole piece
        self._file: RawIOBase | None = _create(self.path)
        self._kept_at = self._written_at = clock()
        for key, value in _setting_marks(setting):
            self.mark(key, value)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

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
            self._write_waiting()
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
        if self._file is None:
            return
        self._write_waiting()
        try:
            os.fsync(self._file.fileno())
            if not self._is_there(self._file):
                self._write_anew(self._file)
        except OSError as error:
            raise self._disk_error(error) from error
        self._kept_at = self._written_at = self._clock()

    def _is_there(self, file: RawIOBase) -> bool:
        """Whether the path still leads to the file that is written."""
        if os.name != "posix":
            return True  # Windows lets nobody take away a file that is open
        mine = os.fstat(file.fileno())
        try:
            there = self.path.stat()
        except OSError:
            return False
        return (mine.st_dev, mine.st_ino) == (there.st_dev, there.st_ino)

    def _write_anew(self, file: RawIOBase) -> None:
        """The file was removed, renamed or replaced: what was written is still in the open one, so copy it and go on in
        the copy, beside whatever has taken its place.
        """
        new_path, number = self.path, 1
        while new_path.exists():
            number += 1
            new_path = self.path.with_name(f"{self.path.stem}-{number}{self.path.suffix}")
        new_path.parent.mkdir(parents=True, exist_ok=True)
        fresh = _create(new_path)
        file.seek(0)
        while piece := file.read(WRITE_AT_BYTES):
            fresh.write(piece)
        os.fsync(fresh.fileno())
        file.close()
        self._file, self.path = fresh, new_path
        self.rewritten += 1

    def close(self) -> None:
        """End the log.  The last row says that it was ended, not cut off; the file is closed even if that fails."""
        if self._file is None:
            return
        try:
            if self._edge_ticks is None:
                self._begin({})
                for key, value in self._marks_waiting:
                    self._write_mark(key, value, 0)
            self._write_mark("log", "end", self.last_ticks)
            self.keep()
        finally:
            file, self._file = self._file, None
            file.close()

    def _begin(self, board: Mapping[str, str]) -> None:
        self._waiting += "".join(f"{line}\n" for line in log_format.header_lines(self._header, board)).encode()
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
            self._rows_waiting += count
        self.last_ticks = max(self.last_ticks, event.complete_ticks)
        self._waiting += "".join(texts).encode()
        if len(self._waiting) >= WRITE_AT_BYTES:
            self._write_waiting()

    def _last_edge(self, channel: str) -> int | None:
        if self._file is None:
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
        if self._file is None:
            raise LogError(f"{self.path}: the log is closed; begin another one")
        if self._edge_ticks is None:
            raise LogError(f"{self.path}: a {kind} came before a segment")
        if not 0 <= ticks <= LAST_TICK:
            raise LogError(f"{self.path}: tick {ticks} of a {kind} does not fit 63 bits")
        self._waiting += log_format.row(kind, channel, ticks, value).encode()
        self.rows += 1
        self._rows_waiting += 1

    def _write_waiting(self) -> None:
        if self._file is None or not self._waiting:
            return
        done = 0
        failure: OSError | None = None
        try:
            while done < len(self._waiting):
                done += self._file.write(memoryview(self._waiting)[done:]) or 0
        except OSError as error:
            failure = error
            done = self._waiting.rfind(b"\n", 0, done) + 1
            self._cut_after_bytes(self._size_bytes + done)
        self._size_bytes += done
        del self._waiting[:done]
        self._rows_waiting = min(self._rows_waiting, self._waiting.count(b"\n"))
        if failure is not None:
            raise self._disk_error(failure) from failure

    def _cut_after_bytes(self, size_bytes: int) -> None:
        """After a write that failed half way: end the file at a whole row, so that the rest can be tried again."""
        file = self._file
        assert file is not None
        try:
            file.truncate(size_bytes)
            file.seek(size_bytes)
        except OSError:
            pass  # the torn last line is then dropped by the reader

    def _disk_error(self, error: OSError) -> DiskError:
        said = error.strerror or str(error)
        return DiskError(
            f"{self.path}: the disk does not take the log ({said}); {self.rows - self._rows_waiting} rows are in the "
            f"file, {self._rows_waiting} wait in memory; free some space or end here"
        )


def _create(path: Path) -> RawIOBase:
    try:
        file = path.open("x+b", buffering=0)
    except FileExistsError:
        raise LogError(f"{path}: the file exists and is not overwritten; choose another name or move it away") from None
    except OSError as error:
        raise LogError(f"{path}: cannot be made ({error.strerror or error}); check the folder") from error
    _keep_folder(path.parent)
    return file


def _keep_folder(folder: Path) -> None:
    """Have the disk remember that the file exists; Windows needs and offers nothing of the kind."""
    if os.name != "posix":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # a folder that may be written but not listed
    try:
        os.fsync(handle)
    except OSError:
        pass  # some network folders cannot; the file is still written and kept
    finally:
        os.close(handle)


def _setting_marks(setting: Setting | None) -> list[tuple[str, str]]:
    if setting is None:
        return []
    hz = None if setting.hz is None else f"{setting.hz:.10g}"
    pairs = (("hz", hz), ("gear", setting.gear), ("belt", setting.belt))
    return [(key, value) for key, value in pairs if value is not None]
