"""How does the speed change slowly at one setting: does it warm up, does it wander, when has it settled?

Looked at are blocks of whole turns at the setting that the log holds longest, outside the marked cuts.  What starts,
stops and jumps is left out and said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.allan import Stability, stability
from kerfbeat.diagnose.pace import Pace, pace_of
from kerfbeat.diagnose.parts import Part, longest_setting, parts_of, setting_words
from kerfbeat.diagnose.slow_model import Shape, SlowModel, describe, stretch_factor
from kerfbeat.diagnose.tracks import Track, breaks_of, tracks_with
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting
from kerfbeat.measure.pieces import clock_of
from kerfbeat.measure.uncertainty import Estimate, coverage_factor, fit_line, robust_sd

__all__ = ["SETTLED_PERCENT", "Drift", "drift_of", "thinned"]

Floats = NDArray[np.float64]
Chosen = NDArray[np.bool_]

ORDER = ("wheel", "blade", "driven", "motor")  # the channel nearest to the blade that is there
SETTLED_PERCENT = 0.1  # the speed has settled when it has less than this left to go: below what a cut notices
AFTER_MARK_S, BEFORE_MARK_S = 8.0, 3.0  # marks come late or early, ramps and cuts take time to die away
GROSS = 0.03  # of the usual speed: blocks farther off are a start, a stop or another setting
WILD_SD, WILD_LEAST = 6.0, 3e-4  # blocks farther from the model than this many robust sd are left out
POINTS = 160  # averages that the models are fitted to
LEAST_BLOCKS, LEAST_S = 12, 30.0
LEAST_FOR_STABILITY = 16
MANY_WILD = 0.2


@dataclass(frozen=True, kw_only=True, slots=True)
class Drift:
    """The slow change of one channel at one setting.

    pace : all blocks looked at; kept : (n,) those that the model is fitted to; model_hz : (n,) the model at them.
    total_percent : change from the log's first moment on to the settled speed (warm-up), or over the time looked at.
    time_constant_s : None unless the speed approaches a final value in the time seen.
    settled_after_s : log time from which less than SETTLED_PERCENT is left to go, 0 with 0 if nothing was to
        settle; None if it has not settled.
    trend_percent_per_hour : after settling, beside what is left of the warm-up; None if that part is too short.
    settled_hz : by channel, speed once settled (timing and model only, without the clock's uncertainty u_clock).
    by_channel_percent : the same change on every channel that was seen.
    stability : of the longest unbroken stretch; None if that is too short.
    """

    source: str
    channel: str
    setting: Setting
    shape: Shape
    pace: Pace
    kept: Chosen
    model_hz: Floats
    total_percent: Estimate
    time_constant_s: Estimate | None
    settled_after_s: Estimate | None
    trend_percent_per_hour: Estimate | None
    settled_hz: Mapping[str, Estimate]
    u_clock: float
    by_channel_percent: Mapping[str, Estimate]
    stability: Stability | None
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]


def thinned(drift: Drift, most: int) -> Drift:
    """The same with at most so many blocks, evenly chosen among those kept, where thousands of runs are held."""
    kept = np.flatnonzero(drift.kept)
    chosen = np.unique(np.linspace(0, len(kept) - 1, min(most, len(kept))).astype(np.int64))
    some = np.zeros(len(drift.kept), dtype=bool)
    some[kept[chosen]] = True
    return replace(
        drift, pace=drift.pace.where(some), kept=np.ones(len(chosen), dtype=bool), model_hz=drift.model_hz[chosen]
    )


def drift_of(
    log: PulseLog,
    *,
    channel: str | None = None,
    known: Known | None = None,
    tracks: Sequence[Track] | None = None,
) -> Drift:
    """Describe the slow change in one log.

    channel : without it the wheel, or the next best that is there.
    known : calibration whose spacing of targets counts.   tracks : this log's, with that spacing, where at hand.
    Raises MeasureError if the channel is not there, or less than half a minute of steady running was seen.
    """
    tracks, parts = tracks or tracks_with(log, known), parts_of(log)
    name = _chosen(log, tracks, channel)
    setting = longest_setting(parts)
    mine = [part for part in parts if part.setting == setting and not part.cutting]
    left_out = _left_out(parts, setting) + breaks_of([track for track in tracks if track.channel == name])
    start_s = min(part.start_s for part in parts)
    pace, steady = _steady_blocks(name, tracks, mine, log.source)
    usual_hz, model = _model(pace.where(steady), start_s)
    kept = steady & ~_wild(pace.shaft_hz / (usual_hz * (1.0 + model.at(pace.seconds - start_s))) - 1.0, steady)
    usual_hz, model = _model(pace.where(kept), start_s)
    if not steady.all():
        left_out.append(f"{pace.where(~steady).length_s.sum():.0f} s of starts and stops")
    wild = 1.0 - np.count_nonzero(kept) / np.count_nonzero(steady)
    if wild > 0:
        left_out.append(f"{100 * wild:.1f} % of the running: jumps, or cuts that are not marked")
    warnings = list(log.warnings)
    if wild > MANY_WILD:
        warnings.append("the speed jumps often at one setting; mark the cuts, so that idle running is known")
    if not all(track.clock_measured for track in tracks if track.channel == name):
        warnings.append(
            "the board's clock was not followed through the log (too few exchanges); a resonator that warms can look "
            "like a drift of the speed of some 0.1 %"
        )
    trend = model.trend_per_s(SETTLED_PERCENT / 100)
    channels = _by_channel(tracks, mine, model, start_s, log.source)
    return Drift(
        source=log.source,
        channel=name,
        setting=setting,
        shape=model.shape,
        pace=pace,
        kept=kept,
        model_hz=usual_hz * (1.0 + model.at(pace.seconds - start_s)),
        total_percent=model.total().times(100.0),
        time_constant_s=model.time_constant_s(),
        settled_after_s=model.settled_after_s(SETTLED_PERCENT / 100),
        trend_percent_per_hour=None if trend is None else trend.times(3600.0 * 100.0),
        settled_hz={each: value[0] for each, value in channels.items()},
        u_clock=max(clock_of(segment).u_ppm for segment in log.segments) * 1e-6,
        by_channel_percent={each: value[1] for each, value in channels.items()},
        stability=_stability(pace, kept),
        left_out=tuple(left_out),
        warnings=tuple(warnings),
    )


def _chosen(log: PulseLog, tracks: Sequence[Track], channel: str | None) -> str:
    seen = [name for name in ORDER if any(track.channel == name and track.runs for track in tracks)]
    if channel is None:
        if not seen:
            raise MeasureError(f"{log.source}: no channel turned; there is no speed to look at")
        return seen[0]
    if channel not in log.machine.sensors:
        raise MeasureError(
            f"{log.source}: there is no channel {channel}; this machine has {', '.join(log.machine.sensors)}"
        )
    if channel not in seen:
        raise MeasureError(f"{log.source}: no turning was seen on {channel}; choose one of {', '.join(seen) or 'none'}")
    return channel


def _left_out(parts: Sequence[Part], setting: Setting) -> list[str]:
    """What the marks exclude, in words."""
    cut_s = sum(part.duration_s for part in parts if part.cutting and part.setting == setting)
    other: dict[Setting, float] = {}
    for part in parts:
        if part.setting != setting:
            other[part.setting] = other.get(part.setting, 0.0) + part.duration_s
    said = [f"{cut_s:.0f} s of marked cuts"] if cut_s else []
    return said + [f"{time_s:.0f} s at {setting_words(each)}" for each, time_s in other.items()]


def _steady_blocks(name: str, tracks: Sequence[Track], parts: Sequence[Part], source: str) -> tuple[Pace, Chosen]:
    """Blocks inside the parts, and which of them turn about as fast as usual."""
    pace = pace_of(track for track in tracks if track.channel == name)
    inside = np.zeros(len(pace.seconds), dtype=bool)
    first_s = min((part.start_s for part in parts), default=0.0)
    for part in parts:
        low_s = part.start_s + (AFTER_MARK_S if part.start_s > first_s else 0.0)
        inside |= (pace.begin_s >= low_s) & (pace.end_s <= part.end_s - BEFORE_MARK_S)
    pace = pace.where(inside)
    if len(pace.seconds) < LEAST_BLOCKS or pace.length_s.sum() < LEAST_S:
        raise MeasureError(
            f"{source}: {pace.length_s.sum():.0f} s of running outside cuts on {name}, {AFTER_MARK_S:g} s after and "
            f"{BEFORE_MARK_S:g} s before each mark left out, are too short to show a drift; at least {LEAST_S:g} s and "
            f"{LEAST_BLOCKS} turns are needed"
        )
    usual_hz = float(np.median(pace.shaft_hz))
    steady = np.abs(pace.shaft_hz / usual_hz - 1.0) <= GROSS
    # A block beside a start, a stop or a jump holds a part of it.
    steady &= ~np.concatenate(([False], ~steady[:-1])) & ~np.concatenate((~steady[1:], [False]))
    if np.count_nonzero(steady) < LEAST_BLOCKS:
        raise MeasureError(f"{source}: {name} never turns steadily long enough; let it run idle for a minute or more")
    return pace, steady


def _points(pace: Pace, start_s: float) -> tuple[float, Floats, Floats]:
    """Usual speed, and at most POINTS averages of neighbours weighted by their time: seconds, relative speed less 1."""
    usual_hz = float(np.median(pace.shaft_hz))
    groups = np.array_split(np.arange(len(pace.seconds)), min(POINTS, len(pace.seconds)))
    when = np.array([np.average(pace.seconds[g], weights=pace.length_s[g]) for g in groups]) - start_s
    speed = np.array([np.average(pace.shaft_hz[g], weights=pace.length_s[g]) for g in groups])
    return usual_hz, when, speed / usual_hz - 1.0


def _model(pace: Pace, start_s: float) -> tuple[float, SlowModel]:
    usual_hz, when, value = _points(pace, start_s)
    return usual_hz, describe(when, value)


def _wild(off: Floats, among: Chosen) -> Chosen:
    """Which relative deviations from a model are too large for those among them that count."""
    off = off - np.median(off[among])
    sd = robust_sd(off[among])
    return np.asarray(np.abs(off) > max(WILD_SD * sd, WILD_LEAST))


def _by_channel(
    tracks: Sequence[Track], parts: Sequence[Part], model: SlowModel, start_s: float, source: str
) -> dict[str, tuple[Estimate, Estimate]]:
    """Of every channel its settled speed, and its change in per cent by the same model (same course)."""
    found = {}
    for name in dict.fromkeys(track.channel for track in tracks):
        try:
            pace, steady = _steady_blocks(name, tracks, parts, source)
        except MeasureError:
            continue  # a channel that was not seen long enough has no say; the chosen one was
        usual_hz, x, y = _points(pace.where(steady), start_s)
        if model.curve is not None:
            x = (model.curve.at(x) - model.curve.start) / model.curve.rise
        line = fit_line(x, y)
        near = ~_wild(y - line.intercept - line.slope * x, np.ones(len(x), dtype=bool))
        x, y = x[near], y[near]
        line = fit_line(x, y)
        stretch = stretch_factor(y - line.intercept - line.slope * x)
        factor = stretch * coverage_factor(max(1.0, line.dof / stretch**2))
        span, where = (float(np.ptp(x)), float(x.mean())) if model.curve is None else (1.0, 1.0)
        found[name] = (
            Estimate(value=usual_hz * (1.0 + line.at(where)), u95=usual_hz * factor * line.u_at(where)),
            Estimate(value=100 * line.slope * span, u95=100 * factor * line.u_slope * span),
        )
    return found


def _stability(pace: Pace, kept: Chosen) -> Stability | None:
    """Allan deviation of the longest unbroken stretch of kept blocks."""
    longest = max(pace.stretches(kept), key=len, default=np.empty(0, np.int64))
    if len(longest) < LEAST_FOR_STABILITY:
        return None
    speed = pace.shaft_hz[longest]
    return stability(speed / speed.mean(), tau0_s=float(np.median(pace.length_s[longest])))
