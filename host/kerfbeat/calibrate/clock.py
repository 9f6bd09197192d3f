"""How fast does this board's clock run against the host's, how sure is that, and did either clock jump?

What an exchange says, and how the mean rate comes of many, is in `kerfbeat.measure.exchanges`.  An offset that moves by
more than the trips allow is a step of a clock, not a delay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kerfbeat.capture.log import Syncs
from kerfbeat.errors import CalibrateError
from kerfbeat.measure.clock import HOST_CRYSTAL_PPM, RATES, RESONATOR_PPM
from kerfbeat.measure.exchanges import MeanRate, Series, jumps_of, mean_rate, series_of, unbroken
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["ClockResult", "ClockStep", "calibrate_clock"]

LEAST_EXCHANGES = 8
LEAST_S = 20.0
CRYSTAL_PPM = 100.0  # no crystal is off by more: the board keeps time with a ceramic resonator
GROWTH_POINTS = 10
LATE_S = 1e-3


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
    drift_ppm : mean rate of the late half less that of the early half, with its u95.
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


def _series(syncs: Syncs, tick_hz: float) -> Series:
    series = series_of(syncs, tick_hz=tick_hz)
    if len(series.board_s) < LEAST_EXCHANGES:
        raise CalibrateError(
            f"{len(series.board_s)} exchanges with the board are too few to measure its clock; record at least a "
            "minute, better two."
        )
    return replace(series, board_s=series.board_s - series.board_s[0])


def _rate(parts: Sequence[Series]) -> MeanRate:
    rate = mean_rate(parts, least=LEAST_EXCHANGES)
    if rate is None:
        raise CalibrateError("too few exchanges with the board are in one piece; record at least a minute.")
    if not RATES[0] <= 1.0 + 1e-6 * rate.ppm <= RATES[1]:
        raise CalibrateError(
            f"by the exchanges the board counted {1.0 + 1e-6 * rate.ppm:.3g} s for each second of this computer, which "
            "no clock does; the exchanges of this log are damaged: record again."
        )
    return rate


def _drift(parts: Sequence[Series]) -> Estimate:
    """Mean rate of the late half less that of the early half, ppm; within a resonator's class if halves say nothing."""
    longest = max(parts, key=lambda part: float(np.ptp(part.board_s)))
    middle = 0.5 * (longest.board_s[0] + longest.board_s[-1])
    early, late = longest.part(longest.board_s < middle), longest.part(longest.board_s >= middle)
    first, second = (mean_rate([half], least=LEAST_EXCHANGES) for half in (early, late))
    if first is None or second is None:
        return Estimate(value=0.0, u95=RESONATOR_PPM)
    return Estimate(value=second.ppm - first.ppm, u95=math.hypot(first.u95_ppm, second.u95_ppm))


def calibrate_clock(syncs: Syncs, *, tick_hz: float, with_growth: bool = False) -> ClockResult:
    """Rate of a board's clock from the exchanges of one segment, in any order.

    with_growth : tell also how the uncertainty shrank with time, which costs as much again several times.

    Raises CalibrateError with too few exchanges or too short a time, if the clocks stepped so often that no stretch
    between is long enough, and for a rate that no clock has.
    """
    series = _series(syncs, tick_hz)
    long_s = float(series.board_s[-1])
    if long_s < LEAST_S:
        raise CalibrateError(
            f"exchanges over {long_s:.0f} s are too short to measure the board's clock; record at least a minute."
        )
    found = jumps_of(series)
    parts = [series.part(stretch) for stretch in unbroken(series, found)]
    if len(found) > len(series.board_s) // LEAST_EXCHANGES:
        raise CalibrateError(
            f"the clocks jumped {len(found)} times in {long_s:.0f} s; let nothing set this computer's clock or put it "
            "to sleep meanwhile, and record again."
        )
    rate = _rate(parts)
    ppm, u95 = rate.ppm, rate.u95_ppm
    usual_s = float(np.median(series.excess_s))
    return ClockResult(
        ppm=Estimate(value=ppm, u95=math.hypot(u95, HOST_CRYSTAL_PPM / math.sqrt(3.0) * coverage_factor(math.inf))),
        against_host=Estimate(value=ppm, u95=u95),
        minutes=long_s / 60.0,
        exchanges=len(series.board_s),
        late=int(np.count_nonzero(series.excess_s > LATE_S + 10.0 * usual_s)),
        shortest_trip_s=series.shortest_s,
        steps=tuple(ClockStep(at_s=float(series.board_s[jump.index]), ahead_s=jump.ahead_s) for jump in found),
        drift_ppm=_drift(parts),
        growth=tuple(_growth(series, parts)) if with_growth else (),
    )


def _growth(series: Series, parts: Sequence[Series]) -> list[tuple[float, float]]:
    """How the uncertainty against the host shrank as the run went on."""
    found = []
    for until_s in np.geomspace(LEAST_S, max(float(series.board_s[-1]), LEAST_S), GROWTH_POINTS):
        early = [part.part(part.board_s <= until_s) for part in parts]
        if sum(len(part.board_s) for part in early) < LEAST_EXCHANGES:
            continue
        found.append((float(until_s) / 60.0, _rate(early).u95_ppm))
    return found
