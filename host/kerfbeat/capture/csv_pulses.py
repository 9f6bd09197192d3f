"""What pulses does a CSV file hold?

Header `channel,seconds`, then one row a pulse: `wheel,12.3456789`.  This is also what `kerfbeat export` writes.
"""

import csv
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO, NoReturn

from kerfbeat.capture.times import Times, TimesBuilder
from kerfbeat.errors import LogError

__all__ = ["HEADER", "read_csv"]

HEADER = ("channel", "seconds")
PROGRESS_EVERY_ROWS = 50_000


def read_csv(
    source: Path, channels: Mapping[str, object], progress: Callable[[int, int], None] | None = None
) -> dict[str, Times]:
    """Times by channel, in the file's order.

    channels : whose names may appear.  progress : is told bytes done and bytes in all now and then.
    Raises LogError naming the line: no header, an unknown channel, anything but a decimal number of seconds.
    """
    builders: dict[str, TimesBuilder] = {}
    size_bytes = source.stat().st_size
    with source.open("rb") as file:
        rows = csv.reader(_lines(source, file))
        line = 0
        try:
            _require_header(source, next(rows, None))
            for cells in rows:
                line = rows.line_num
                if progress and line % PROGRESS_EVERY_ROWS == 0:
                    progress(file.tell(), size_bytes)
                if not any(cells):
                    continue
                if len(cells) != len(HEADER):
                    _fail(source, line, f"has {len(cells)} cells where 2 belong: channel,seconds")
                channel, seconds = cells[0].strip(), cells[1]
                builder = builders.get(channel)
                if builder is None:
                    if channel not in channels:
                        known = ", ".join(channels)
                        _fail(source, line, f"channel {channel[:30]!r} is not a sensor of this machine ({known})")
                    builder = builders[channel] = TimesBuilder()
                try:
                    builder.add(seconds)
                except ValueError as error:
                    _fail(source, line, f"{seconds[:30]!r} is no time in seconds ({error}); correct or remove the row")
        except csv.Error as error:
            _fail(source, rows.line_num, f"cannot be read as CSV ({error})")
    if not builders:
        raise LogError(f"{source}: holds no pulses below the header")
    return {channel: builder.times() for channel, builder in builders.items()}


def _lines(source: Path, file: BinaryIO) -> Iterator[str]:
    for number, raw in enumerate(file, start=1):
        if b"\0" in raw:
            _fail(source, number, "holds zero bytes; the file is damaged, or no CSV")
        try:
            yield raw.decode("utf-8-sig" if number == 1 else "utf-8")
        except UnicodeDecodeError:
            _fail(source, number, "is not UTF-8 text; save the file as UTF-8")


def _require_header(source: Path, cells: list[str] | None) -> None:
    if cells is None:
        raise LogError(f"{source}: the file is empty; it needs the header channel,seconds and a row for each pulse")
    if tuple(cell.strip().lower() for cell in cells) != HEADER:
        found = ",".join(cells)[:40]
        _fail(source, 1, f"the header must be channel,seconds and is {found!r}")


def _fail(source: Path, line: int, said: str) -> NoReturn:
    raise LogError(f"{source}: line {line}: {said}")
