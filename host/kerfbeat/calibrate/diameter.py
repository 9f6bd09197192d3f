"""What do logs say of the wheel's effective diameter, by whichever way the blade's speed is known?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kerfbeat.calibrate.passes import Block, Floats
from kerfbeat.calibrate.points import stretches
from kerfbeat.calibrate.runs import Run, runs_of
from kerfbeat.calibrate.targets import LEAST_TURNS, estimate_spacing
from kerfbeat.calibrate.wheel import (
    PassRate,
    WheelResult,
    blade_slip_percent,
    diameter_from_passes,
    diameter_from_speed,
    diameter_from_stopwatch,
    passes_per_turn,
)
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import CalibrateError
from kerfbeat.machine import Machine
from kerfbeat.measure.clock import ClockRate
from kerfbeat.measure.speed import speed_of
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["U_LENGTH_M", "Counted", "Reference", "find_diameter"]

U_LENGTH_M = 0.002  # of a blade's length by a tape, standard; common practice, no published source
MOST_CHANGE = 0.02  # of the wheel's speed while passes are counted by eye


@dataclass(frozen=True, kw_only=True, slots=True)
class Counted:
    """Blade passes counted by eye, and the stopwatch's time; `window_s` is when, in the last log's time, if known."""

    passes: int
    seconds: float
    window_s: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """Another instrument's blade speed with its standard uncertainty; `window_s` as in `Counted`."""

    m_per_s: float
    u_m_per_s: float
    window_s: tuple[float, float] | None = None


def find_diameter(
    logs: Sequence[PulseLog],
    *,
    blade_length_m: float | None,
    u_length_m: float = U_LENGTH_M,
    counted: Counted | None,
    reference: Reference | None,
    clocks: Mapping[str, ClockRate] | None = None,
) -> tuple[WheelResult, Estimate | None]:
    """The wheel's effective diameter, and how much more the blade slips in marked cuts (None where there are none).

    blade_length_m : instead of the described one.   u_length_m : its standard uncertainty.
    counted, reference : instead of the channel `blade`.
    Raises CalibrateError if nothing tells the blade's speed or a length is missing, or the wheel is not seen.
    """
    machine = logs[0].machine
    wheel = machine.wheel
    if reference is not None:
        wheel_hz, u_wheel = _wheel_speed(logs, reference.window_s, over_s=0.0)
        found = diameter_from_speed(
            reference.m_per_s,
            u_reference_m_per_s=reference.u_m_per_s,
            wheel_hz=wheel_hz,
            u_wheel=u_wheel,
            thickness_m=wheel.blade_thickness_m,
            described_m=wheel.diameter_m,
        )
        return found, None
    length_m = blade_length_m if blade_length_m is not None else wheel.blade_length_m
    if length_m is None:
        raise CalibrateError(
            "the blade's length is not known; give --blade-length, or write blade_length under [wheel]."
        )
    if counted is not None:
        wheel_hz, u_wheel = _wheel_speed(logs, counted.window_s, over_s=counted.seconds)
        found = diameter_from_stopwatch(
            passes=counted.passes,
            seconds=counted.seconds,
            wheel_hz=wheel_hz,
            u_wheel=u_wheel,
            blade_length_m=length_m,
            u_length_m=u_length_m,
            thickness_m=wheel.blade_thickness_m,
            described_m=wheel.diameter_m,
        )
        return found, None
    _require_blade(machine, logs)
    idle, cutting = _pass_rates(logs, clocks)
    found = diameter_from_passes(
        idle,
        blade_length_m=length_m,
        u_length_m=u_length_m,
        thickness_m=wheel.blade_thickness_m,
        described_m=wheel.diameter_m,
    )
    return found, None if cutting is None else blade_slip_percent(idle, cutting)


def _require_blade(machine: Machine, logs: Sequence[PulseLog]) -> None:
    if "blade" not in machine.sensors:
        raise CalibrateError(
            f"{logs[0].source}: no channel blade is described; count passes of a mark by eye instead (--passes 40 "
            "--seconds 252s), or give another instrument's reading (--speed)."
        )


def _require_one_speed(logs: Sequence[PulseLog]) -> None:
    """Refuse logs in which the wheel ran at several speeds: nobody knows which one the passes were counted at."""
    turn_s = np.concatenate(
        [np.diff(np.interp(_turn_ends(run), run.block.numbers, run.block.seconds)) for run in runs_of(logs, "wheel")]
    )
    low, high = np.percentile(turn_s, (5.0, 95.0))
    if high / low > 1.0 + MOST_CHANGE:
        raise CalibrateError(
            f"{logs[0].source}: the wheel's speed changed by {100.0 * (high / low - 1.0):.0f} %; count passes, or read "
            "the other instrument, at one setting and in a log of its own."
        )


def _turn_ends(run: Run) -> Floats:
    return np.arange(run.block.numbers[0], run.block.numbers[-1] + 1, run.per_turn, dtype=float)


def _wander(logs: Sequence[PulseLog], window_s: tuple[float, float] | None, *, over_s: float) -> float:
    """Relative rms by which means over some time, a turn at least, differ from the mean of all: nobody knows when in
    the log the blade was counted or the instrument was read.
    """
    apart = []
    for run in runs_of(logs, "wheel"):
        ends_s = np.interp(_turn_ends(run), run.block.numbers, run.block.seconds)
        if window_s is not None:
            ends_s = ends_s[(ends_s >= window_s[0]) & (ends_s <= window_s[1])]
        if len(ends_s) < 2:
            continue
        usual_s = (ends_s[-1] - ends_s[0]) / (len(ends_s) - 1)
        long_s = max(over_s, usual_s)
        starts_s = ends_s[ends_s + long_s <= ends_s[-1]]
        turns = np.interp(starts_s + long_s, ends_s, np.arange(len(ends_s))) - np.arange(len(starts_s))
        apart.append(turns * usual_s / long_s - 1.0)
    every = np.concatenate(apart) if apart else np.empty(0)
    return math.sqrt(float(np.mean(every**2))) if len(every) else 0.0


def _wheel_speed(
    logs: Sequence[PulseLog], window_s: tuple[float, float] | None, *, over_s: float
) -> tuple[float, float]:
    """Mean speed of the wheel over the logs, or a window of the last, and its relative standard uncertainty as the
    mean over some seconds somewhere in it.
    """
    if window_s is None:
        _require_one_speed(logs)
    start_s, end_s = window_s or (None, None)
    looked_at = logs[-1:] if window_s is not None else logs
    results = [speed_of(log, start_s=start_s, end_s=end_s).channels.get("wheel") for log in looked_at]
    found = [each for each in results if each is not None and each.shaft_hz is not None]
    if not found:
        raise CalibrateError(f"{logs[0].source}: the wheel was not seen to turn.")
    weight = np.array([each.turning_s for each in found])
    speeds = [each.shaft_hz for each in found if each.shaft_hz is not None]
    mean_hz = float(np.average([each.value for each in speeds], weights=weight))
    u_mean = max(each.u95 / each.value for each in speeds) / coverage_factor(math.inf)
    return mean_hz, math.hypot(u_mean, _wander(looked_at, window_s, over_s=over_s))


def _pass_rates(logs: Sequence[PulseLog], clocks: Mapping[str, ClockRate] | None) -> tuple[PassRate, PassRate | None]:
    """Passes per turn at idle, and in marked cuts if there are any long enough."""
    wheel, blade = runs_of(logs, "wheel", clocks=clocks), runs_of(logs, "blade", clocks=clocks)
    per_turn = max(wheel, key=lambda run: run.turns).per_turn
    wheel = [run for run in wheel if run.per_turn == per_turn]
    cuts = {
        (index, place): [
            (
                (stretch.start_ticks - segment.start_ticks) / segment.tick_hz,
                (stretch.end_ticks - segment.start_ticks) / segment.tick_hz,
            )
            for stretch in stretches(segment)
            if stretch.cutting
        ]
        for index, log in enumerate(logs)
        for place, segment in enumerate(log.segments)
    }
    idle = _rate(wheel, [part for run in blade for part in _parts(run, cuts.get(run.place, []), cutting=False)])
    try:
        loaded = _rate(wheel, [part for run in blade for part in _parts(run, cuts.get(run.place, []), cutting=True)])
    except CalibrateError:
        return idle, None
    return idle, loaded


def _parts(run: Run, cuts: Sequence[tuple[float, float]], *, cutting: bool) -> list[Run]:
    """The parts of a run inside, or outside, the marked cuts."""
    inside = np.zeros(len(run.block.seconds), dtype=bool)
    for start_s, end_s in cuts:
        inside |= (run.block.seconds >= start_s) & (run.block.seconds <= end_s)
    wanted = inside if cutting else ~inside
    borders = np.flatnonzero(np.diff(wanted.astype(np.int8), prepend=0, append=0))
    return [
        replace(run, block=Block(seconds=run.block.seconds[low:high], numbers=run.block.numbers[low:high]))
        for low, high in zip(borders[0::2].tolist(), borders[1::2].tolist(), strict=True)
        if high - low > 1
    ]


def _rate(wheel: Sequence[Run], blade: Sequence[Run]) -> PassRate:
    """Passes per turn, pairing runs that were recorded together."""
    rates: list[PassRate] = []
    reason = "the blade and the wheel were never seen together"
    for run in wheel:
        together = [other.block for other in blade if other.place == run.place]
        try:
            rates.append(passes_per_turn([run.block], together, spacing_turns=_spacing(run)))
        except CalibrateError as problem:
            reason = str(problem)
    if not rates:
        raise CalibrateError(reason)
    if len(rates) == 1:
        return rates[0]
    weight = np.array([1.0 / max(rate.u, 1e-15) ** 2 for rate in rates])
    return PassRate(
        value=float(np.average([rate.value for rate in rates], weights=weight)),
        u=1.0 / math.sqrt(float(weight.sum())),
        dof=sum(rate.dof for rate in rates),
        passes=sum(rate.passes for rate in rates),
    )


def _spacing(run: Run) -> Floats:
    """Spacing of the wheel's targets as this run shows it; even where it is too short to show any."""
    if run.per_turn > 1 and run.turns >= LEAST_TURNS:
        try:
            return estimate_spacing([run.block], targets=run.per_turn).spacing_turns
        except CalibrateError:
            pass
    return np.full(run.per_turn, 1.0 / run.per_turn)
