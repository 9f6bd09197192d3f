"""How fast does this board's clock run against the host's, how sure is that, and did either clock jump?

A two-way exchange brackets the board's tick between two host times.  Beyond the shortest journeys there and back a trip
takes some excess E, shared unknown between the two ways, so that the middle of the bracket is wrong by at most E / 2
and, if the ways are alike, evenly spread between: its variance is E^2 / 12.  All exchanges count with that weight, so a
busy host spoils nothing, and an offset that moves by more than the bounds allow is a step of a clock, not a delay.
The mean rate between first and last exchange is found although the rate wanders (`kerfbeat.measure.wander`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import CalibrateError
from kerfbeat.measure.clock import HOST_CRYSTAL_PPM, RATES, RESONATOR_PPM
from kerfbeat.measure.uncertainty import Estimate, coverage_factor, fit_line
from kerfbeat.measure.wander import time_of_turns

__all__ = ["ClockResult", "ClockStep", "Exchanges", "calibrate_clock"]

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

LEAST_EXCHANGES = 8
LEAST_S = 20.0
STAMP_S = 2e-6  # a host time or a tick is not better than this; common practice, no published source
GUARD_S = 2e-4  # a step is told from the bounds by at least so much
MOST_DRIFT_PPM = 100.0  # by which the rate may change within a run: a step must be more than that makes
CRYSTAL_PPM = 100.0  # no crystal is off by more: the board keeps time with a ceramic resonator
GROWTH_POINTS = 10
WORTH = 0.05  # of the usual weight: exchanges below it say nothing and only cost time
LATE_S = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Exchanges:
    """The exchanges of one segment: (n,) host seconds and board ticks, in any order; see `capture.log.Syncs`."""

    sent_host_s: Floats
    received_host_s: Floats
    ping_ticks: Ticks
    answer_ticks: Ticks
    tick_hz: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockStep:
    """A jump between the clocks: so many seconds after the first exchange the board's was `ahead_s` further on."""

    at_s: float
    ahead_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockResult:
    """True tick rate over the stated one, less 1, in ppm.

    ppm : u95 holds the host's own class.   against_host : against the host's clock alone.
    growth : (minutes, u95 in ppm) as the run went on, if it was wanted.
    drift_ppm : rate of the late half less that of the early half, with its u95.
    late : exchanges whose trip was so long (by `LATE_S` and ten times the usual) that they say nothing.
    """

    ppm: Estimate
    against_host: Estimate
    minutes: float
    exchanges: int
    late: int
    shortest_trip_s: float
    steps: tuple[ClockStep, ...]
    drift_ppm: Estimate
    growth: tuple[tuple[float, float], ...]

    @property
    def is_resonator(self) -> bool:
        """Whether it is off by more than any crystal would be."""
        return abs(self.ppm.value) - self.ppm.u95 > CRYSTAL_PPM


@dataclass(frozen=True, slots=True)
class _Series:
    """Usable exchanges in order: the board's own time, which never jumps, and how far it is ahead of the host's."""

    board_s: Floats
    ahead_s: Floats
    excess_s: Floats
    least_s: float  # what the shortest trip itself may hold of excess
    shortest_s: float

    @property
    def variance(self) -> Floats:
        return STAMP_S**2 + (self.excess_s + self.least_s) ** 2 / 12.0

    def part(self, which: slice | NDArray[np.bool_]) -> _Series:
        """Some of the exchanges."""
        return _Series(self.board_s[which], self.ahead_s[which], self.excess_s[which], self.least_s, self.shortest_s)


def _series(exchanges: Exchanges) -> _Series:
    board_s = np.asarray(0.5 * (exchanges.ping_ticks + exchanges.answer_ticks) / exchanges.tick_hz, dtype=float)
    held_s = (exchanges.answer_ticks - exchanges.ping_ticks) / exchanges.tick_hz
    middle_s = np.asarray(0.5 * (exchanges.sent_host_s + exchanges.received_host_s), dtype=float)
    trip_s: Floats = (exchanges.received_host_s - exchanges.sent_host_s) - held_s
    usable = np.isfinite(trip_s) & (trip_s > -STAMP_S) & (held_s >= 0.0)
    order = np.flatnonzero(usable)[np.argsort(board_s[usable], kind="stable")]
    middle_s, board_s, trip_s = middle_s[order], board_s[order], trip_s[order]
    if len(trip_s) < LEAST_EXCHANGES:
        raise CalibrateError(
            f"{len(trip_s)} exchanges with the board are too few to measure its clock; record at least a minute, "
            "better two."
        )
    excess_s = trip_s - trip_s.min()
    # Sum of two exponential delays of mean m: median 1.68 m; the least of n is about m sqrt(2 / n).
    least_s = float(np.median(excess_s)) / 1.68 * math.sqrt(2.0 / len(trip_s))
    return _Series(board_s - board_s[0], board_s - middle_s, excess_s, least_s, float(trip_s.min()))


def _steps(series: _Series) -> list[tuple[int, float]]:
    """Index of the first exchange after each step, and by how much the board came to be ahead."""
    good = np.flatnonzero(series.excess_s <= 2.0 * np.median(series.excess_s) + STAMP_S)
    t, ahead = series.board_s[good], series.ahead_s[good]
    half_s = 0.5 * (series.excess_s[good] + series.least_s)
    lag = max(1, len(good) // 10)
    rate = float(np.median((ahead[lag:] - ahead[:-lag]) / np.maximum(t[lag:] - t[:-lag], 1e-9)))
    jump = np.diff(ahead - rate * t)
    allowed = half_s[1:] + half_s[:-1] + GUARD_S + MOST_DRIFT_PPM * 1e-6 * np.diff(t)
    return [(int(good[k + 1]), float(jump[k])) for k in np.flatnonzero(np.abs(jump) > allowed)]


@dataclass(frozen=True, slots=True)
class _Rate:
    slope: float
    u: float
    dof: float


def _rate(parts: Sequence[_Series]) -> _Rate:
    """Mean rate over all parts: how much host time passed for the board's, though the rate itself may wander.

    A clock that warms up, or wanders a millionth over minutes, is no straight line; what is wanted is the time between
    first and last exchange, which `kerfbeat.measure.wander` finds with an interval that holds for both.
    """
    board_s = host_less_s = variance = 0.0
    dof = 0
    for part in parts:
        long_s = float(np.ptp(part.board_s)) if len(part.board_s) >= LEAST_EXCHANGES else 0.0
        if long_s <= 0.0:
            continue
        weight = 1.0 / part.variance
        told = weight > WORTH * np.median(weight)
        told &= np.append(True, np.diff(part.board_s) > 0.0)
        first, last = np.flatnonzero(told)[[0, -1]].tolist()
        count = int(np.count_nonzero(told))
        long_s = float(part.board_s[last] - part.board_s[first])
        if count < LEAST_EXCHANGES or long_s <= 0.0:
            continue
        took = time_of_turns(
            part.ahead_s[first] - part.ahead_s[told],
            place_turns=part.board_s[told] * (count / long_s),
            start=0,
            end=count - 1,
            weight=weight[told] / weight[told].mean(),
        )
        board_s += long_s
        host_less_s += float(took.value_s[0])
        variance += float(took.u_s[0]) ** 2
        dof += took.dof
    if board_s <= 0.0:
        raise CalibrateError("too few exchanges with the board are in one piece; record at least a minute.")
    slope = -host_less_s / board_s
    if not 1.0 - 1.0 / RATES[0] <= slope <= 1.0 - 1.0 / RATES[1]:
        raise CalibrateError(
            f"by the exchanges {board_s:.0f} s of the board took {board_s * (1.0 - slope):.1f} s of this computer, "
            "which no clock does; the exchanges of this log are damaged: record again."
        )
    return _Rate(slope, math.sqrt(variance) / board_s, float(dof))


def _wander(parts: Sequence[_Series]) -> tuple[float, float]:
    """Rate of the late half less that of the early half, and its standard error; (0, inf) if halves say nothing."""
    longest = max(parts, key=lambda part: float(np.ptp(part.board_s)))
    middle = 0.5 * (longest.board_s[0] + longest.board_s[-1])
    early, late = longest.part(longest.board_s < middle), longest.part(longest.board_s >= middle)
    if min(len(early.board_s), len(late.board_s)) < LEAST_EXCHANGES:
        return 0.0, math.inf
    first, second = (fit_line(half.board_s, half.ahead_s, weights=1.0 / half.variance) for half in (early, late))
    return second.slope - first.slope, math.hypot(first.u_slope, second.u_slope)


def _estimate(rate: _Rate) -> tuple[float, float]:
    """ppm, and u95 in ppm of the rate against the host: board seconds per host second, less 1."""
    return 1e6 * rate.slope / (1.0 - rate.slope), 1e6 * rate.u * coverage_factor(rate.dof)


def calibrate_clock(exchanges: Exchanges, *, with_growth: bool = False) -> ClockResult:
    """Rate of a board's clock from the exchanges of one segment.

    with_growth : tell also how the uncertainty shrank with time, which costs as much again several times.

    Raises CalibrateError with too few exchanges or too short a time, if the clocks stepped so often that no stretch
    between is long enough, and for a rate that no clock has.
    """
    series = _series(exchanges)
    long_s = float(series.board_s[-1])
    if long_s < LEAST_S:
        raise CalibrateError(
            f"exchanges over {long_s:.0f} s are too short to measure the board's clock; record at least a minute."
        )
    found = _steps(series)
    borders = [0, *(index for index, _ in found), len(series.board_s)]
    parts = [series.part(slice(low, high)) for low, high in pairwise(borders)]
    if len(found) > len(series.board_s) // LEAST_EXCHANGES:
        raise CalibrateError(
            f"the clocks jumped {len(found)} times in {long_s:.0f} s; let nothing set this computer's clock or put it "
            "to sleep meanwhile, and record again."
        )
    change, u_change = _wander(parts)
    ppm, u95 = _estimate(_rate(parts))
    usual_s = float(np.median(series.excess_s))
    return ClockResult(
        ppm=Estimate(value=ppm, u95=math.hypot(u95, HOST_CRYSTAL_PPM / math.sqrt(3.0) * coverage_factor(math.inf))),
        against_host=Estimate(value=ppm, u95=u95),
        minutes=long_s / 60.0,
        exchanges=len(series.board_s),
        late=int(np.count_nonzero(series.excess_s > LATE_S + 10.0 * usual_s)),
        shortest_trip_s=series.shortest_s,
        steps=tuple(ClockStep(at_s=float(series.board_s[index]), ahead_s=jump) for index, jump in found),
        drift_ppm=Estimate(
            value=1e6 * change,
            u95=1e6 * u_change * coverage_factor(math.inf) if math.isfinite(u_change) else RESONATOR_PPM,
        ),
        growth=tuple(_growth(series, parts)) if with_growth else (),
    )


def _growth(series: _Series, parts: Sequence[_Series]) -> list[tuple[float, float]]:
    """How the uncertainty against the host shrank as the run went on."""
    found = []
    for until_s in np.geomspace(LEAST_S, max(float(series.board_s[-1]), LEAST_S), GROWTH_POINTS):
        early = [part.part(part.board_s <= until_s) for part in parts]
        if sum(len(part.board_s) for part in early) < LEAST_EXCHANGES:
            continue
        found.append((float(until_s) / 60.0, _estimate(_rate(early))[1]))
    return found
