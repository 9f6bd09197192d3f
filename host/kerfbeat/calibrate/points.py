"""At which settings did the machine run steadily and unloaded, and how fast did each shaft turn there?

A log's marks cut it into stretches of one setting.  Of each the steady part is taken: what surrounds its middle as long
as whole turns take the same time.  A mark may come late or early by some seconds, an inverter takes time to ramp, and
both then fall away.  What is not steady gives no point but a reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.machine import Setting
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.clock import ClockRate
from kerfbeat.measure.pieces import Piece, clock_of
from kerfbeat.measure.runs import time_run
from kerfbeat.measure.uncertainty import coverage_factor, fit_line, robust_sd

__all__ = ["SteadyPoint", "Stretch", "steady_points", "steady_points_of", "stretches"]

Floats = NDArray[np.float64]

LEAST_S = 4.0  # of a steady part
LEAST_TURNS = 3
# Whole turns that differ from the middle ones by more than this many robust standard deviations, or this part of
# themselves, whichever is more, belong to a ramp.
GATE_SD, GATE_PART = 6.0, 0.002
# A point whose speed still changes by more than this from its beginning to its end has not settled.
SETTLED_PART = 0.001
SETTLED_LEVEL = 0.999  # and it must surely change: one steady point in a thousand is refused by chance
PARTS = 10  # into which a steady stretch is cut to see how steady it is
TURNED = ("motor", "driven", "wheel", "blade")  # the first that is seen shows best where the speed is steady


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A time of one setting: ticks of a segment, and whether a cut was marked in it."""

    segment: Segment
    setting: Setting
    start_ticks: int
    end_ticks: int
    cutting: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SteadyPoint:
    """A steady stretch: speeds by channel in turns per second by the corrected clock, with their standard uncertainty.

    u_hz : how well the turns were timed; the clock's own is `clock.u_ppm`, common to all channels.
    u_wander : relative, how well so short a stretch shows the setting's speed, common to all channels.
    per_turn : by channel, how many pulses repeat in a turn; not what is described if a target fell off or is too many.
    start_s, end_s : in the log's time.
    """

    source: str
    setting: Setting
    start_s: float
    end_s: float
    speed_hz: Mapping[str, float]
    u_hz: Mapping[str, float]
    u_wander: float
    per_turn: Mapping[str, int]
    clock: ClockRate
    board: str


def stretches(segment: Segment) -> Iterator[Stretch]:
    """Cut a segment wherever a mark changes frequency, gear, belt or cutting; a mark holds until the next."""
    now: dict[str, str] = {}
    since = segment.start_ticks
    changes = [mark for mark in segment.marks if mark.key in ("hz", "gear", "belt", "cut")]
    for mark in sorted(changes, key=lambda mark: mark.ticks):
        if now.get(mark.key) == mark.value:
            continue
        if mark.ticks > since:
            yield _stretch(segment, now, since, mark.ticks)
        now[mark.key] = mark.value
        since = max(since, mark.ticks)
    if segment.end_ticks > since:
        yield _stretch(segment, now, since, segment.end_ticks)


def _stretch(segment: Segment, marks: Mapping[str, str], start_ticks: int, end_ticks: int) -> Stretch:
    try:
        hz = float(marks["hz"]) if "hz" in marks else None
    except ValueError:
        hz = None
    setting = Setting(belt=marks.get("belt"), gear=marks.get("gear"), hz=hz)
    cutting = marks.get("cut", "off").lower() not in ("off", "stop", "end", "no", "0", "")
    return Stretch(segment=segment, setting=setting, start_ticks=start_ticks, end_ticks=end_ticks, cutting=cutting)


def steady_points(
    log: PulseLog, *, clocks: Mapping[str, ClockRate] | None = None
) -> tuple[list[SteadyPoint], list[str]]:
    """Every steady, unloaded point of a log, and a line for every stretch that gives none.

    clocks : by board, what to use instead where a segment's own exchanges say nothing of its clock.
    """
    points: list[SteadyPoint] = []
    reasons: list[str] = []
    offset_s = 0.0
    for segment in log.segments:
        clock = clock_of(segment, clocks)
        for stretch in stretches(segment):
            start_s = offset_s + (stretch.start_ticks - segment.start_ticks) / (segment.tick_hz * clock.factor)
            found = _point(log, stretch, clock, offset_s)
            if isinstance(found, SteadyPoint):
                points.append(found)
            elif found:
                end_s = offset_s + (stretch.end_ticks - segment.start_ticks) / (segment.tick_hz * clock.factor)
                reasons.append(f"{log.source}, {start_s:.0f} to {end_s:.0f} s, left out: {found}")
        offset_s += segment.duration_s / clock.factor
    return points, reasons


def steady_points_of(
    logs: Sequence[PulseLog], *, clocks: Mapping[str, ClockRate] | None = None
) -> tuple[list[SteadyPoint], list[str]]:
    """Points and reasons of several logs, in order."""
    points: list[SteadyPoint] = []
    reasons: list[str] = []
    for log in logs:
        more, why = steady_points(log, clocks=clocks)
        points += more
        reasons += why
    return points, reasons


def _point(log: PulseLog, stretch: Stretch, clock: ClockRate, offset_s: float) -> SteadyPoint | str:
    """The point, or the reason why there is none; "" if nobody would expect one."""
    segment, tick_hz = stretch.segment, stretch.segment.tick_hz
    long_s = (stretch.end_ticks - stretch.start_ticks) / tick_hz
    if stretch.cutting:
        return "under load (a cut was marked); only idle running calibrates the drive"
    if long_s < LEAST_S:
        return ""  # the moment between two marks
    whole = Piece(
        segment=segment, clock=clock, offset_s=offset_s, start_ticks=stretch.start_ticks, end_ticks=stretch.end_ticks
    )
    guide = next(
        (channel for channel in TURNED if channel in log.machine.sensors and len(whole.edges(channel)) > 1), None
    )
    if guide is None:
        return "no pulses"
    if stretch.setting.hz is None:
        return "no mark tells the frequency; record with --hz, or mark it while recording"
    inverter = log.machine.inverter
    beyond = None if inverter is None else inverter.beyond(stretch.setting.hz)
    if beyond is not None:
        return f"marked so, but {beyond}; a mistyped mark, or is the machine file out of date?"
    clean = whole.clean(guide, log.machine.sensors[guide].targets)
    steady = _steady_ticks(clean, tick_hz)
    if isinstance(steady, str):
        return steady
    piece = Piece(segment=segment, clock=clock, offset_s=offset_s, start_ticks=steady[0], end_ticks=steady[1])
    speed_hz, u_hz, per_turn = {}, {}, {}
    for channel, sensor in log.machine.sensors.items():
        pulses = piece.clean(channel, sensor.targets)
        timed = _timed(pulses, tick_hz)
        if timed is not None:
            speed_hz[channel], u_hz[channel] = timed[0] * clock.factor, timed[1] * clock.factor
            per_turn[channel] = pulses.per_turn
    return SteadyPoint(
        source=log.source,
        setting=stretch.setting,
        start_s=piece.seconds(steady[0]),
        end_s=piece.seconds(steady[1]),
        speed_hz=speed_hz,
        u_hz=u_hz,
        u_wander=steady[2],
        per_turn=per_turn,
        clock=clock,
        board=segment.board_id,
    )


def _steady_ticks(clean: CleanPulses, tick_hz: float) -> tuple[int, int, float] | str:
    """First and last tick of the steady part around the middle of the longest run, or why there is none.

    The third number is the relative standard error of its mean speed as one of the setting's, from its wander.
    """
    first, last = max(clean.runs(), key=lambda run: run[1] - run[0], default=(0, 0))
    numbers, ticks = clean.numbers(first, last), clean.ticks[first:last].astype(float)
    per_turn = clean.per_turn
    if not len(numbers) or numbers[-1] - numbers[0] < LEAST_TURNS * per_turn:
        turns = (numbers[-1] - numbers[0]) // per_turn if len(numbers) else 0
        return f"{turns} turns are too few; stay longer at each frequency"
    # The turn that ends with each pulse, by number, so that a missed pulse does not lengthen one.
    count = np.arange(numbers[0], numbers[-1] + 1)
    at = np.interp(count, numbers, ticks)
    turn = at[per_turn:] - at[:-per_turn]
    quarter = len(turn) // 4
    middle = turn[quarter : len(turn) - quarter]
    usual = float(np.median(middle))
    sd = robust_sd(middle - usual)
    off = np.abs(turn - usual) > max(GATE_SD * sd, GATE_PART * usual)
    centre = int(np.argmin(off[quarter:])) + quarter
    before, after = np.flatnonzero(off[:centre]), np.flatnonzero(off[centre:])
    low = int(before[-1]) + per_turn if len(before) else 0  # one turn more, since a ramp ends gently
    high = centre + int(after[0]) - 1 if len(after) else len(turn) - 1
    long_s = (at[min(high + per_turn, len(at) - 1)] - at[min(low, len(at) - 1)]) / tick_hz
    if high - low < (LEAST_TURNS - 1) * per_turn or long_s < LEAST_S:
        return "the speed does not settle; stay longer at each frequency, without cutting"
    steady = turn[low : high + 1]
    parts = max(3, min(PARTS, len(steady) // 2))
    line = fit_line(np.linspace(0.0, 1.0, parts), [part.mean() / usual for part in np.array_split(steady, parts)])
    if abs(line.slope) > max(SETTLED_PART, coverage_factor(line.dof, SETTLED_LEVEL) * line.u_slope):
        return (
            f"the speed still changes by {-100 * line.slope * 60.0 / long_s:+.2f} % a minute; let the machine run "
            "until it is steady"
        )
    return int(at[low]), int(at[high + per_turn]), line.residual_sd / math.sqrt(parts)


def _timed(clean: CleanPulses, tick_hz: float) -> tuple[float, float] | None:
    """Speed and standard uncertainty over all runs, by the board's stated clock."""
    times = [time_run(clean, first, last, tick_hz=tick_hz) for first, last in clean.runs()]
    found = [time for time in times if time is not None]
    turns, time_s = sum(time.turns for time in found), sum(time.time_s for time in found)
    if turns == 0:
        return None
    u_s = math.sqrt(sum(time.u_s**2 for time in found))
    return turns / time_s, turns / time_s * u_s / time_s
