"""What does a log file say?

Every row is checked.  What a power cut leaves behind (a torn last line, a log that was never closed) is mended and
told as a warning; anything else that is wrong is an error that names the line.  A tick is never guessed.
"""

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from io import BufferedReader
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture import log_format
from kerfbeat.capture.log_data import PulseLog
from kerfbeat.capture.log_pulses import Piece, PlainPulses
from kerfbeat.capture.log_rows import Rows
from kerfbeat.errors import LogError, MachineError
from kerfbeat.machine import parse_machine

__all__ = ["read_log"]

PIECE_BYTES = 1 << 20  # its working arrays then fit the cache of one core
LONGEST_LINE_BYTES = 1 << 17  # a whole machine file may be 1 << 16, and no row comes near that
LONGEST_HEADER_BYTES = 1 << 22
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
READERS = max(1, min(4, os.cpu_count() or 1))  # numpy works outside the interpreter's lock


def read_log(path: str | Path) -> PulseLog:
    """Read a whole log.

    Raises LogError if there is no such file, it is not a log, of another version, or damaged in a way that a power
    cut does not explain; the message names the line.
    """
    path = Path(path)
    if path.is_dir():
        raise LogError(f"{path}: is a folder; give one of its logs, such as {path / 'run.csv'}")
    try:
        with path.open("rb") as file:
            return _Reading(str(path), file).whole()
    except OSError as error:
        raise LogError(f"{path}: cannot be read ({error.strerror or error}); check name and folder") from error


class _Reading:
    """One file being read from start to end."""

    def __init__(self, source: str, file: BufferedReader) -> None:
        self._source = source
        self._file = file
        self._warnings: list[str] = []
        self._header_lines = 0

    def whole(self) -> PulseLog:
        header = self._header()
        try:
            machine = parse_machine(header.machine_text, source=f"{self._source}: machine in the header")
        except MachineError as error:
            raise LogError(f"{error} If a program saved the log anew, use it as it was recorded.") from error
        rows = Rows(machine, lines_before=self._header_lines)
        for piece, plain, others in _scanned(self._pieces(), tuple(machine.sensors)):
            try:
                rows.take(piece, plain, others)
            except LogError as error:
                self._fail(str(error))
        if not rows.ended:
            self._warnings.append(
                f"{self._source}: the log was not closed (a power cut, or it is still being written); "
                "everything in it up to there is used"
            )
        return PulseLog(
            source=self._source,
            machine=machine,
            calibration_text=header.calibration_text,
            start_utc=header.start_utc,
            segments=rows.segments(),
            warnings=tuple(self._warnings),
        )

    def _fail(self, said: str, *, line: int | None = None) -> NoReturn:
        place = "" if line is None else f" line {line}:"
        raise LogError(f"{self._source}:{place} {said}")

    def _header(self) -> log_format.Header:
        lines: list[str] = []
        size_bytes = 0
        anew = False
        while True:
            raw = self._file.readline(LONGEST_LINE_BYTES)
            size_bytes += len(raw)
            if not lines:
                if not raw:
                    self._fail("the file is empty; nothing was recorded in it")
                raw = raw.removeprefix(BYTE_ORDER_MARK)
                if log_format.TITLE.strip().encode() not in raw[:40]:
                    self._fail("is not a pulse log; make one with kerfbeat record or kerfbeat import")
            if not raw.endswith(b"\n") or size_bytes > LONGEST_HEADER_BYTES:
                self._fail("the header ends early, so the machine is not known; nothing can be read from it")
            try:
                line = raw.decode().rstrip("\r\n")
            except UnicodeDecodeError:
                self._fail("is not UTF-8 text; save it as UTF-8 or use it as it was recorded", line=len(lines) + 1)
            if not lines:
                anew = line.endswith((",", '"'))
            if anew:  # comment lines were taken for cells: split at commas, filled up, quoted
                line = ",".join(log_format.split_row(line)).rstrip(",")
            self._header_lines += 1
            if line == log_format.COLUMNS:
                break
            if not line.startswith("#"):
                self._fail(f"expected a comment or {log_format.COLUMNS}, found {line[:40]!r}", line=self._header_lines)
            lines.append(line)
        if anew:
            self._warnings.append(
                f"{self._source}: a spreadsheet saved this log anew; keep the file as it was recorded"
            )
        try:
            return log_format.parse_header(lines)
        except LogError as error:
            self._fail(str(error))

    def _pieces(self) -> Iterator[Piece]:
        """Whole lines, a piece at a time; a last line without its end is dropped."""
        begun = b""  # of a line
        while fresh := self._file.read(PIECE_BYTES):
            end = fresh.rfind(b"\n") + 1
            if end:
                yield Piece(begun + fresh[:end])
                begun = b""
            begun += fresh[end:]
            if len(begun) > LONGEST_LINE_BYTES:
                # A power cut can leave a tail of zero bytes; one of them is enough to know that the line is bad.
                begun = begun.rstrip(b"\0") + b"\0"
                if len(begun) > LONGEST_LINE_BYTES:
                    self._fail("holds a line without end; it is damaged, or not a pulse log")
        if begun:
            self._warnings.append(
                f"{self._source}: the last line is torn ({len(begun)} bytes) and was dropped; writing was cut off there"
            )


def _scanned(
    pieces: Iterator[Piece], channels: tuple[str, ...]
) -> Iterator[tuple[Piece, list[PlainPulses], NDArray[np.int64]]]:
    """Look through the pieces on several cores; they come out in order, and few are in memory at a time."""
    with ThreadPoolExecutor(READERS) as pool:
        begun: deque[tuple[Piece, Future[tuple[list[PlainPulses], NDArray[np.int64]]]]] = deque()
        for piece in pieces:
            begun.append((piece, pool.submit(piece.plain_pulses, channels)))
            if len(begun) > READERS:
                first, future = begun.popleft()
                yield first, *future.result()
        for first, future in begun:
            yield first, *future.result()
