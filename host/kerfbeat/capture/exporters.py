"""How do pulses and results become tables that other programs read?

Functions here give lines; `write_lines` puts them into a new file.
"""

import heapq
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path

from kerfbeat.capture.csv_pulses import HEADER
from kerfbeat.capture.log_data import PulseLog, Segment
from kerfbeat.capture.log_format import escape
from kerfbeat.capture.times import decimal_seconds
from kerfbeat.errors import DiskError, LogError
from kerfbeat.whole_file import gone_unless_whole

__all__ = ["cell", "pulse_lines", "table_lines", "thinned", "write_lines"]

NAMED = 8  # segments in an error: it stays one line
RISKY_STARTS = ("=", "+", "-", "@")  # a spreadsheet takes a text that starts so for a formula


def pulse_lines(
    log: PulseLog, *, segment: int | None = None, rate_of: Callable[[Segment], float] = lambda _: 1.0
) -> Iterator[str]:
    """`channel,seconds` of every pulse in order of time, from the start of its segment; `import` reads it back.

    segment : number of the segment, from 1; None takes the only one that has pulses.
    rate_of : true tick rate of a segment over the stated one.
    Raises LogError if there is no such segment, or several to choose from.
    """
    chosen = _segment(log, segment)
    rate_hz = Fraction(chosen.tick_hz) * Fraction(rate_of(chosen))

    def rows(channel: str) -> Iterator[tuple[int, str]]:
        return ((tick, channel) for tick in chosen.edge_ticks[channel].tolist())

    yield ",".join(HEADER)
    for tick, channel in heapq.merge(*map(rows, chosen.edge_ticks)):
        yield f"{channel},{decimal_seconds(tick - chosen.start_ticks, rate_hz)}"


def _segment(log: PulseLog, number: int | None) -> Segment:
    with_pulses = [
        place for place, each in enumerate(log.segments, 1) if any(len(ticks) for ticks in each.edge_ticks.values())
    ]
    if number is None:
        if len(with_pulses) > 1:
            names = ", ".join(map(str, with_pulses[:NAMED]))
            more = f" and {len(with_pulses) - NAMED} more" if len(with_pulses) > NAMED else ""
            raise LogError(f"{log.source}: times do not compare across its segments {names}{more}; choose one of them")
        if not with_pulses:
            raise LogError(f"{log.source}: holds no pulses")
        number = with_pulses[0]
    if not 1 <= number <= len(log.segments):
        raise LogError(f"{log.source}: there is no segment {number}; it has {len(log.segments)}")
    return log.segments[number - 1]


def cell(value: float | int | str | None) -> str:
    """One cell: numbers plain, nothing for None, texts so that no spreadsheet runs them."""
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.12g}"
    text = escape(value)
    if text.startswith(RISKY_STARTS):
        text = "'" + text
    return '"' + text.replace('"', '""') + '"' if "," in text or '"' in text else text


def table_lines(columns: Sequence[str], rows: Iterable[Sequence[float | int | str | None]]) -> Iterator[str]:
    """A table under the names of its columns, such as speed versus time."""
    yield ",".join(map(cell, columns))
    for row in rows:
        yield ",".join(map(cell, row))


def thinned(
    rows: Iterable[Sequence[float | int | str | None]], *, every_s: float
) -> Iterator[Sequence[float | int | str | None]]:
    """The first row of each stretch of `every_s` seconds; the first cell of a row is its time in seconds."""
    if not every_s > 0:
        raise LogError(f"--every: {every_s:g} s cannot be; write a time above 0 such as 1s")
    stretch: float | None = None
    for row in rows:
        time_s = row[0]
        if not isinstance(time_s, (int, float)):
            raise TypeError("the first cell of a row is its time in seconds")
        fresh = time_s // every_s
        if fresh != stretch:
            stretch = fresh
            yield row


def write_lines(path: str | Path, lines: Iterable[str]) -> int:
    """Write a new file and tell how many lines it has.

    Raises LogError if it exists already or cannot be made, DiskError if the disk does not take all of it.
    """
    path = Path(path)
    count, made = 0, False
    try:
        with gone_unless_whole(path), path.open("x", encoding="utf-8", newline="\n") as file:
            made = True
            for count, line in enumerate(lines, start=1):  # noqa: B007  the last count is the result
                file.write(line + "\n")
    except FileExistsError:
        raise LogError(f"{path}: the file exists and is not overwritten; choose another name or move it away") from None
    except OSError as error:
        said = error.strerror or error
        if made:
            raise DiskError(f"{path}: the disk does not take it ({said}); nothing of it is kept") from error
        raise LogError(f"{path}: cannot be made ({said}); check the folder") from error
    return count
