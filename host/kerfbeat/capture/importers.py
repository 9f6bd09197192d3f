"""How do pulses recorded by another instrument become a log?

One reader a format, chosen by the file's suffix: to add a format, write its reader (see `csv_pulses.py`) and add one
line to `READERS`.  Times stay exact: a reader gives whole nanoseconds and the picoseconds beyond them.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.csv_pulses import read_csv
from kerfbeat.capture.events import TICK_LIMIT, Pulses, SegmentStarted
from kerfbeat.capture.log_writer import LogWriter
from kerfbeat.capture.times import Times
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine, Setting
from kerfbeat.whole_file import gone_unless_whole

__all__ = ["READERS", "Imported", "import_pulses"]

Progress = Callable[[int, int], None]  # bytes done, bytes in all
Reader = Callable[[Path, Mapping[str, object], Progress | None], dict[str, Times]]

READERS: dict[str, Reader] = {
    "csv": read_csv,
}

NANOSECOND_HZ = 10**9
PICOSECOND_HZ = 10**12
PULSES_AT_A_TIME = 100_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Imported:
    """What came of an import; `warnings` say what was mended."""

    pulses: Mapping[str, int]
    tick_hz: int
    warnings: tuple[str, ...]


def import_pulses(
    source: str | Path,
    path: str | Path,
    *,
    machine: Machine,
    setting: Setting | None = None,
    tick_hz: int | None = None,
    progress: Progress | None = None,
) -> Imported:
    """Read the pulses in `source` and write them to a new log at `path`, begun when the source was last written.

    setting : what the operator had chosen; stands as marks at the start of the log.
    tick_hz : rate of the log's ticks; None takes nanoseconds, or picoseconds where the times are that fine.
    Raises LogError if the source cannot be read or holds anything but times of this machine's channels.
    """
    source = Path(source)
    read = _reader(source)
    try:
        modified = datetime.fromtimestamp(source.stat().st_mtime, UTC)
        columns = read(source, machine.sensors, progress)
    except OSError as error:
        raise LogError(f"{source}: cannot be read ({error.strerror or error}); check name and folder") from error
    warnings: list[str] = []
    rate_hz, edges = _to_ticks(source, columns, tick_hz, warnings)
    for channel in edges:
        edges[channel] = _in_order(source, channel, edges[channel], warnings)
    start_ticks = min(int(ticks[0]) for ticks in edges.values())
    with (
        gone_unless_whole(path),
        LogWriter(path, machine=machine, start_utc=modified, setting=setting) as writer,
    ):
        writer.accept(
            SegmentStarted(
                board_id="imported",
                firmware="",
                tick_hz=float(rate_hz),
                cause=f"imported from {source.name}",
                start_ticks=start_ticks,
            )
        )
        for channel, ticks in edges.items():
            for first in range(0, len(ticks), PULSES_AT_A_TIME):
                part = ticks[first : first + PULSES_AT_A_TIME]
                writer.accept(Pulses(edge_ticks={channel: part}, complete_ticks=start_ticks))
    return Imported(
        pulses={channel: len(ticks) for channel, ticks in edges.items()}, tick_hz=rate_hz, warnings=tuple(warnings)
    )


def _reader(source: Path) -> Reader:
    wanted = source.suffix.removeprefix(".").lower()
    if wanted not in READERS:
        known = ", ".join(READERS)
        said = f'format "{wanted}"' if wanted else "a file without a suffix"
        raise LogError(f"{source}: {said} cannot be imported; known are {known}")
    return READERS[wanted]


def _to_ticks(
    source: Path, columns: Mapping[str, Times], tick_hz: int | None, warnings: list[str]
) -> tuple[int, dict[str, NDArray[np.int64]]]:
    """Ticks from a common zero; shifted only where they would not fit."""
    earliest_ns = min(int(times.whole_ns.min()) for times in columns.values())
    latest_ns = max(int(times.whole_ns.max()) for times in columns.values()) + 1
    fine = any(bool(times.rest_ps.any()) for times in columns.values())
    rate_hz = tick_hz or (PICOSECOND_HZ if fine else NANOSECOND_HZ)
    shift_ns = 0
    if earliest_ns < 0 or latest_ns * rate_hz >= TICK_LIMIT * NANOSECOND_HZ:
        shift_ns = earliest_ns
        warnings.append(f"{source}: times were shifted so that the first is 0 (it was {earliest_ns / 1e9:.9g} s)")
    if tick_hz is None and fine and (latest_ns - shift_ns) * rate_hz >= TICK_LIMIT * NANOSECOND_HZ:
        rate_hz = NANOSECOND_HZ
    if (latest_ns - shift_ns) * rate_hz >= TICK_LIMIT * NANOSECOND_HZ:
        raise LogError(f"{source}: the times span too long for {rate_hz} ticks a second; choose a lower tick rate")
    edges = {}
    rounded = False
    for channel, times in columns.items():
        edges[channel], was_rounded = times.to_ticks(rate_hz, shift_ns=shift_ns)
        rounded = rounded or was_rounded
    if rounded:
        warnings.append(f"{source}: times are finer than a tick of 1/{rate_hz} s and were rounded to the nearest")
    return rate_hz, edges


def _in_order(source: Path, channel: str, ticks: NDArray[np.int64], warnings: list[str]) -> NDArray[np.int64]:
    late = int(np.count_nonzero(ticks[1:] < ticks[:-1]))
    if late:
        places = "1 place" if late == 1 else f"{late} places"
        warnings.append(f"{source}: {channel}: times go backwards in {places}; they were sorted")
        ticks = np.sort(ticks)
    repeated = int(np.count_nonzero(ticks[1:] == ticks[:-1]))
    if repeated:
        times = "1 time is" if repeated == 1 else f"{repeated} times are"
        warnings.append(f"{source}: {channel}: {times} repeated; each was taken once")
        ticks = np.unique(ticks)
    return ticks
