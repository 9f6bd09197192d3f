"""How does speed against time become a table for a spreadsheet?"""

import heapq
import math
from collections.abc import Iterator, Sequence

from kerfbeat.calibrate.travel import Travel
from kerfbeat.capture.exporters import thinned
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import MeasureError
from kerfbeat.measure.smooth import SpeedTrace, speed_trace
from kerfbeat.measure.speed import SpeedResult
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.units import ft_per_min, m_per_min, rpm

__all__ = ["COLUMNS", "speed_rows"]

COLUMNS = (
    "seconds", "channel", "rpm", "rpm_u95", "blade_m_per_min", "blade_m_per_min_u95", "blade_ft_per_min",
    "blade_ft_per_min_u95",
)  # fmt: skip
POINTS = 20_000  # of a channel's curve where nothing is thinned
POINTS_A_STRETCH = 4  # of the curve in each stretch of a thinned table
MOST_POINTS = 200_000
SECONDS_DIGITS = 6  # microseconds

Row = Sequence[float | int | str | None]


def speed_rows(
    log: PulseLog, result: SpeedResult, *, travel: Travel | None, every_s: float | None
) -> Iterator[Row]:
    """Rows under COLUMNS in order of time, the first of each `every_s` seconds and channel, or all for None.

    result : the averages of the log.   travel : of the channel that tells the blade's speed; None if none does.  The
        blade's columns are filled in the rows of that channel.
    Raises MeasureError if no channel has pulses enough, LogError for a time that is not above 0.
    """
    points = POINTS
    if every_s is not None and every_s > 0:
        points = min(MOST_POINTS, max(POINTS, math.ceil(POINTS_A_STRETCH * result.duration_s / every_s)))
    tables = []
    for channel in log.machine.sensors:
        try:
            trace = speed_trace(log, channel, points=points)
        except MeasureError:
            continue  # too few pulses: no row
        rows = _rows(trace, travel if channel == result.blade_channel else None)
        tables.append(rows if every_s is None else thinned(rows, every_s=every_s))
    if not tables:
        raise MeasureError(f"{log.source}: no channel has pulses enough for a speed against time")
    return heapq.merge(*tables, key=_time_of)


def _time_of(row: Row) -> float:
    assert isinstance(row[0], float)
    return row[0]


def _rows(trace: SpeedTrace, travel: Travel | None) -> Iterator[Row]:
    for at_s, speed_hz, u95_hz in zip(
        trace.at_s.tolist(), trace.speed_hz.tolist(), trace.u95_hz.tolist(), strict=True
    ):
        if math.isnan(at_s):
            continue
        blade: Row = (None, None, None, None)
        if travel is not None:
            speed = travel.speed(Estimate(value=speed_hz, u95=u95_hz))
            blade = (
                *_cut(m_per_min(speed.value), m_per_min(speed.u95)),
                *_cut(ft_per_min(speed.value), ft_per_min(speed.u95)),
            )
        yield (round(at_s, SECONDS_DIGITS), trace.channel, *_cut(rpm(speed_hz), rpm(u95_hz)), *blade)


def _cut(value: float, u95: float) -> tuple[float, float]:
    """Value and half-width to two significant digits of the half-width, as in print; as they are if it is none."""
    if not (math.isfinite(u95) and u95 > 0.0):
        return value, u95
    digits = 1 - math.floor(math.log10(u95))
    return round(value, digits), round(u95, digits)
