"""How fast did the shafts of a log turn, on average while they turned?

The number told is whole turns over the time they took, summed over all unbroken runs of pulses in the window: the
average over time of the speed while the shaft turned and was seen.  Pauses and stretches in which pulses were lost
count neither as turns nor as time.  It is not the middle of a smooth curve and not the average of per-turn speeds.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.log import PulseLog
from kerfbeat.machine import Machine
from kerfbeat.measure.clean import CleanPulses, too_noisy
from kerfbeat.measure.clock import ClockRate
from kerfbeat.measure.gone_target import gone_words, seldom_seen_words
from kerfbeat.measure.pieces import Piece, pieces_of
from kerfbeat.measure.runs import COARSE, FINE, RunTime, time_run
from kerfbeat.measure.uncertainty import Contribution, Estimate, combine, effective_dof

__all__ = ["ChannelSpeed", "SpeedResult", "speed_of"]

Floats = NDArray[np.float64]

MOST_RUNS = 200  # treated in full; the shorter ones of a broken log by their first and last edge
FEW_RUNS = 20  # with more, long runs are thinned more coarsely, to keep the time


@dataclass(frozen=True, kw_only=True, slots=True)
class ChannelSpeed:
    """One channel over the window.

    pulses : edges in the log.  missing, extra : see `CleanPulses`.
    doubtful : pulses that may be missing besides, or the shaft paused.  stray : extra ones that come at any time.
    lost : None if any loss has no count.
    turns, turning_s : whole turns and their time, which the speed is made of.  runs : unbroken stretches.
    timing_sd_s : noise of one edge as the pulses themselves show it; None where nothing repeats.
    contributions : cause -> its part of the uncertainty of `shaft_hz`, in turns per second.
    gone : what to tell of targets that were seen no more at the end; these lines are among the warnings, too.
    """

    channel: str
    pulses: int
    missing: int
    doubtful: int
    stray: int
    extra: int
    lost: int | None
    turns: int
    turning_s: float
    runs: int
    timing_sd_s: float | None
    shaft_hz: Estimate | None
    contributions: Mapping[str, Contribution]
    gone: tuple[str, ...] = ()

    @property
    def noisy(self) -> bool:
        """Whether so many pulses come from no target that the speed may be off by more than its interval."""
        return too_noisy(self.stray, self.pulses)

    @property
    def rpm(self) -> Estimate | None:
        """The same speed per minute."""
        return None if self.shaft_hz is None else self.shaft_hz.times(60.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeedResult:
    """Speeds of all channels from `start_s` to `end_s` of the log; `clocks` has one rate for each segment.

    blade_channel : where the blade's speed comes from ("wheel" or "blade"); None with blade_m_per_s.
    """

    start_s: float
    end_s: float
    duration_s: float
    channels: Mapping[str, ChannelSpeed]
    blade_m_per_s: Estimate | None
    blade_channel: str | None
    clocks: tuple[ClockRate, ...]
    warnings: tuple[str, ...]


def _run_times(clean: CleanPulses, tick_hz: float, spacing_turns: Floats | None) -> list[RunTime]:
    """Whole turns of every run; the longest in full, the others by their ends and the noise of the longest."""
    runs = sorted(clean.runs(), key=lambda run: run[0] - run[1])
    thin = FINE if len(runs) <= FEW_RUNS else COARSE
    full = [
        time_run(clean, first, last, tick_hz=tick_hz, spacing_turns=spacing_turns, thin=thin)
        for first, last in runs[:MOST_RUNS]
    ]
    times = [time for time in full if time is not None]
    if len(runs) > MOST_RUNS and times:
        noise = math.sqrt(sum(time.timing_sd_s**2 * time.dof for time in times) / sum(time.dof for time in times))
        for first, last in runs[MOST_RUNS:]:
            numbers = clean.numbers(first, last)
            turns = int(numbers[-1]) // clean.per_turn
            end = int(np.searchsorted(numbers, turns * clean.per_turn))
            if turns > 0 and numbers[end] == turns * clean.per_turn:
                start_tick, end_tick = int(clean.ticks[first]), int(clean.ticks[first + end])
                times.append(
                    replace(
                        times[0],
                        turns=turns,
                        time_s=(end_tick - start_tick) / tick_hz,
                        u_s=noise * math.sqrt(2.0),
                        assumed=False,
                        start=start_tick,
                        end=end_tick,
                    )
                )
    return times


def _average(
    times: list[tuple[RunTime, ClockRate]], doubts: list[tuple[float, float]]
) -> tuple[Estimate | None, Mapping[str, Contribution]]:
    """Turns over time with the timing's and the clock's uncertainty; clock errors of segments are taken as common.

    doubts : turns and seconds of each silence that may belong to the run or not; the ± holds both.
    """
    true_s = sum(time.time_s / clock.factor for time, clock in times)
    turns = sum(time.turns for time, _ in times)
    if turns == 0:
        return None, {}
    speed_hz = turns / true_s
    timing = [Contribution(u=time.u_s / true_s * speed_hz, dof=time.dof) for time, _ in times]
    clock_part = sum(time.time_s / clock.factor * clock.u_ppm * 1e-6 for time, clock in times) / true_s
    total = Contribution(u=math.sqrt(sum(part.u**2 for part in timing)), dof=effective_dof(timing))
    parts = {"timing": total, "clock": Contribution(u=clock_part * speed_hz)}
    if doubts:
        either = sum(abs((turns + more) / (true_s + more_s) - speed_hz) for more, more_s in doubts)
        parts["silences"] = Contribution(u=either / math.sqrt(3.0))  # rectangular, GUM 4.3.7
    return combine(speed_hz, parts.values()), parts


def _pulses(count: int) -> str:
    return "1 pulse" if count == 1 else f"{count} pulses"


def _change_words(channel: str, piece: Piece, tick: int, seen: int, targets: int) -> str:
    """What happened where the number of pulses in a turn changes on the way."""
    at_s = piece.seconds(tick)
    if seen == targets:
        return f"{channel}: from {at_s:.1f} s on all {targets} targets are seen again"
    if seen < targets:
        return gone_words(channel, seen=seen, targets=targets, since=f"from {at_s:.1f} s on")
    return (
        f"{channel}: from {at_s:.1f} s on {seen} pulses come in every turn, not {targets}: something else is seen, too "
        "(a screw, a burr, bounce); the speed allows for it"
    )


def _doubt_words(channel: str, piece: Piece, doubt: tuple[int, int, int]) -> str:
    """What is not known of a silence."""
    before, after, missed = doubt
    at_s = piece.seconds(before)
    return (
        f"{channel}: the silence of {(after - before) / piece.true_tick_hz:.1f} s from {at_s:.1f} s on may be "
        f"{missed} missing {'pulse' if missed == 1 else 'pulses'} or a pause; it is left out, and the ± holds both"
    )


def _channel_speed(
    pieces: list[Piece], channel: str, targets: int, spacing_turns: Floats | None
) -> tuple[ChannelSpeed, list[str]]:
    """One channel over all pieces, and what the user should know."""
    times: list[tuple[RunTime, ClockRate]] = []
    pulses = missing = extra = stray = irregular = runs = 0
    lost: int | None = 0
    seen_per_turn = set()
    doubts: list[tuple[float, float]] = []
    doubtful = 0
    told: list[str] = []
    gone: list[str] = []
    for piece in pieces:
        clean = piece.clean(channel, targets)
        pulses += len(piece.edges(channel))
        stray += clean.stray
        missing, extra, irregular = missing + clean.missing, extra + clean.extra, irregular + clean.irregular
        for loss in piece.losses(channel):
            lost = None if lost is None or loss.pulses is None else lost + loss.pulses
        found = _run_times(clean, piece.segment.tick_hz, spacing_turns)
        runs += len(found)
        times += [(time, piece.clock) for time in found]
        if found:
            seen_per_turn.add(clean.per_turn)
        for tick, seen in clean.changes:
            told.append(_change_words(channel, piece, tick, seen, targets))
            gone = [told[-1]] if seen < targets else []  # those seen again are back in their place
        told += [_doubt_words(channel, piece, doubt) for doubt in clean.doubtful]
        for before, after, missed in clean.doubtful:
            doubtful += missed
            true_s = (after - before) / piece.true_tick_hz
            doubts.append(((missed + 1) / clean.per_turn, true_s))
    for per_turn in sorted(seen_per_turn - {targets}):
        if per_turn < targets:
            gone.append(seldom_seen_words(channel, seen=per_turn, targets=targets))
            told.append(gone[-1])
            continue
        told.append(
            f"{channel}: {per_turn} pulses repeat in every turn, more than the {targets} targets described; a false "
            "one is seen, or the description is wrong (then the speed is too)"
        )
    if too_noisy(stray, pulses):
        told.append(
            f"{channel}: {stray} of {_pulses(pulses)} are no targets: the sensor sees noise, and its speed may be "
            "off by more than its ±; mend cable, shield or sensor and record again"
        )
    if irregular:
        told.append(f"{channel}: {_pulses(irregular)} came too irregularly for a turning shaft, so left out")
    if any(time.assumed for time, _ in times):
        told.append(f"{channel}: too few turns to see how steady its pulses are; its ± is that of a usual sensor")
    if pulses and not times and irregular < pulses / 2:
        told.append(f"{channel}: no whole turn ({targets} to a turn) in {_pulses(pulses)}; no speed")
    if not pulses:
        told.append(f"{channel}: no pulses")
    known = [time for time, _ in times if not time.assumed]
    weight = sum(time.dof for time in known)
    noise = math.sqrt(sum(time.timing_sd_s**2 * time.dof for time in known) / weight) if known else None
    shaft_hz, contributions = _average(times, doubts)
    return (
        ChannelSpeed(
            channel=channel,
            pulses=pulses,
            missing=missing,
            doubtful=doubtful,
            stray=stray,
            extra=extra,
            lost=lost,
            turns=sum(time.turns for time, _ in times),
            turning_s=sum(time.time_s / clock.factor for time, clock in times),
            runs=runs,
            timing_sd_s=noise,
            shaft_hz=shaft_hz,
            contributions=contributions,
            gone=tuple(gone),
        ),
        told,
    )


def _blade(machine: Machine, channels: Mapping[str, ChannelSpeed]) -> tuple[Estimate | None, str | None]:
    """Blade speed from the wheel's surface; without a wheel sensor, from counted passes of the blade's mark."""
    wheel, blade = channels.get("wheel"), channels.get("blade")
    if wheel is not None and wheel.shaft_hz is not None:
        return wheel.shaft_hz.times(machine.wheel.surface_speed_m_per_s(1.0)), "wheel"
    length_m = machine.wheel.blade_length_m
    if wheel is None and blade is not None and blade.shaft_hz is not None and length_m is not None:
        return blade.shaft_hz.times(length_m), "blade"
    return None, None


def speed_of(
    log: PulseLog,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    spacing_turns: Mapping[str, Floats] | None = None,
    clocks: Mapping[str, ClockRate] | None = None,
) -> SpeedResult:
    """Average speed while turning, of every channel, over the log or a window of it.

    start_s, end_s : seconds from the log's beginning, by the corrected clock where it is known, as are all told.
    spacing_turns : known spacing of a channel's targets, from each to the next.
    clocks : what is stored of boards, for segments that hold no exchange.
    A channel without a whole turn has no speed and a warning.  The uncertainty holds timing noise, the shaft's wander
    and the clock; the wheel's diameter and the blade's length are taken as described.
    Raises MeasureError if the window holds nothing of the log.
    """
    pieces = pieces_of(log, start_s=start_s, end_s=end_s, clocks=clocks)
    channels, warnings = {}, list(log.warnings)
    for channel, sensor in log.machine.sensors.items():
        known = None if spacing_turns is None else spacing_turns.get(channel)
        channels[channel], told = _channel_speed(pieces, channel, sensor.targets, known)
        warnings += told
    for basis in dict.fromkeys(piece.clock.basis for piece in pieces if not piece.clock.basis.startswith("measured")):
        warnings.append(f"clock: {basis}")
    blade_m_per_s, blade_channel = _blade(log.machine, channels)
    first, last = pieces[0], pieces[-1]
    return SpeedResult(
        start_s=first.seconds(first.start_ticks),
        end_s=last.seconds(last.end_ticks),
        duration_s=sum((piece.end_ticks - piece.start_ticks) / piece.true_tick_hz for piece in pieces),
        channels=channels,
        blade_m_per_s=blade_m_per_s,
        blade_channel=blade_channel,
        clocks=tuple(piece.clock for piece in pieces),
        warnings=tuple(warnings),
    )
