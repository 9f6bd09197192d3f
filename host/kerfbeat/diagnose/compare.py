"""Do two sets of runs differ, setting by setting: before and after a pulley swap, this saw against last year's?

Only idle, steady running is compared.  Speeds carry the uncertainty of the clocks and of the inverter's display on both
sides; the ratio of two channels needs neither.  Significance is corrected for looking at many rows at once (Holm,
Scand. J. Statist. 6 (1979) 65).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.pace import pace_of
from kerfbeat.diagnose.parts import parts_of, setting_words
from kerfbeat.diagnose.slow_model import stretch_factor
from kerfbeat.diagnose.steady import steady_spans
from kerfbeat.diagnose.tracks import Track, breaks_of, tracks_with
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting
from kerfbeat.measure.pieces import clock_of
from kerfbeat.measure.uncertainty import Contribution, Estimate, combine, effective_dof

__all__ = [
    "LEVEL", "SPEED_OF", "Comparison", "Mean", "Row", "RunMeans", "compare_means", "holm", "means_of",
    "steady_speeds",
]  # fmt: skip

Floats = NDArray[np.float64]

LEVEL = 0.05  # chance that any row of a comparison is called different when none is
LEAST_BLOCKS = 5
SLOW = ("wheel", "blade", "driven")
SPEED_OF = "speed of "


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One setting and one quantity, the second set against the first.

    first, second : means, in turns per second or turns per turn.   runs : how many logs on each side.
    chance : of so large a difference without any.   significant : after correction for all rows.
    """

    setting: Setting
    quantity: str
    first: Estimate
    second: Estimate
    runs: tuple[int, int]
    difference_percent: Estimate
    chance: float
    significant: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """All rows of one set against the first.   left_out : settings that only one side holds, or too briefly."""

    first: str
    second: str
    rows: tuple[Row, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mean:
    """One log's mean: what it is, its scatter's standard uncertainty with freedom, and that of clock and display."""

    value: float
    u: float
    dof: float
    u_clock: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RunMeans:
    """What comparing needs of one log.   left_out : what was too short.   name : of its machine."""

    name: str
    means: Mapping[tuple[Setting, str], Mean]
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]


def compare_means(first: Sequence[RunMeans], second: Sequence[RunMeans], *, names: tuple[str, str]) -> Comparison:
    """Compare two sets of logs by what was taken from each.

    names : of the two sets, for the result.
    Raises MeasureError if no setting is held by both.
    """
    rows: list[Row] = []
    left_out = [line for run in (*first, *second) for line in run.left_out]
    sides = [_collected(first), _collected(second)]
    for key in dict.fromkeys((*sides[0], *sides[1])):
        if key in sides[0] and key in sides[1]:
            rows.append(_row(key, sides[0][key], sides[1][key]))
        else:
            only = names[0] if key in sides[0] else names[1]
            left_out.append(f"{setting_words(key[0])}, {key[1]}: only in {only}")
    if not rows:
        held = ["; ".join(dict.fromkeys(setting_words(setting) for setting, _ in side)) or "none" for side in sides]
        raise MeasureError(
            f"{names[0]} and {names[1]} have no setting in common with steady idle running "
            f"({held[0]} against {held[1]})"
        )
    kept = holm([row.chance for row in rows], level=LEVEL)
    marked = tuple(replace(row, significant=bool(sure)) for row, sure in zip(rows, kept, strict=True))
    return Comparison(first=names[0], second=names[1], rows=marked, left_out=tuple(left_out))


def steady_speeds(log: PulseLog, held: RunMeans) -> dict[Setting, tuple[str, Estimate]]:
    """Of every setting that idled steadily: which channel tells it, and its mean speed in turns per second.

    held : the means of the log.
    """
    found, u_clock = {}, _u_clock(log)
    for (setting, quantity), value in held.means.items():
        if quantity.startswith(SPEED_OF):
            parts = [Contribution(u=value.u, dof=value.dof), Contribution(u=value.value * u_clock)]
            found[setting] = quantity.removeprefix(SPEED_OF), combine(value.value, parts)
    return found


def holm(chances: ArrayLike, *, level: float) -> NDArray[np.bool_]:
    """Which of (n,) tests are significant together at a level, by Holm's step-down rule."""
    p = np.asarray(chances, dtype=float)
    order = np.argsort(p)
    passed = p[order] <= level / (len(p) - np.arange(len(p)))
    kept = np.zeros(len(p), dtype=bool)
    kept[order] = np.logical_and.accumulate(passed)
    return kept


def _collected(runs: Sequence[RunMeans]) -> dict[tuple[Setting, str], list[Mean]]:
    """Of every setting and quantity the means of all logs that hold it."""
    found: dict[tuple[Setting, str], list[Mean]] = {}
    for run in runs:
        for key, mean in run.means.items():
            found.setdefault(key, []).append(mean)
    return found


def means_of(log: PulseLog, *, known: Known | None = None, tracks: Sequence[Track] | None = None) -> RunMeans:
    """Mean speed, and ratio of two channels, at each setting that a log holds in steady idle running.

    known : calibration whose spacing of targets counts.   tracks : the log's, with that spacing, where at hand.
    """
    means: dict[tuple[Setting, str], Mean] = {}
    tracks, parts, u_clock = tracks or tracks_with(log, known), parts_of(log), _u_clock(log)
    left_out = [f"{log.source}: {line}" for line in breaks_of(tracks)]
    slow = next((name for name in SLOW if any(t.channel == name and t.runs for t in tracks)), None)
    guide = slow or "motor"
    for setting in dict.fromkeys(part.setting for part in parts):
        spans = steady_spans(tracks, parts, channel=guide, setting=setting)
        speed = _mean(tracks, guide, spans)
        if speed is None:
            left_out.append(f"{setting_words(setting)}: {log.source}: too little steady idle running ({guide})")
            continue
        u_common = math.hypot(u_clock, _u_display(log, setting))
        means[setting, f"{SPEED_OF}{guide}"] = replace(speed, u_clock=u_common)
        motor = _mean(tracks, "motor", spans) if guide != "motor" else None
        if motor is not None:
            u = math.hypot(speed.u / speed.value, motor.u / motor.value)
            ratio = speed.value / motor.value
            dof = min(speed.dof, motor.dof)
            quantity = f"turns of {guide} per turn of the motor"
            means[setting, quantity] = Mean(value=ratio, u=u * ratio, dof=dof, u_clock=0.0)
    return RunMeans(name=log.machine.name, means=means, left_out=tuple(left_out), warnings=log.warnings)


def _u_clock(log: PulseLog) -> float:
    """Relative standard uncertainty of the clock that tells a log's speeds."""
    return max((clock_of(segment).u_ppm for segment in log.segments), default=0.0) * 1e-6


def _u_display(log: PulseLog, setting: Setting) -> float:
    """Relative standard uncertainty of the supply: it may lie half a digit of the display off what is marked."""
    inverter = log.machine.inverter
    if inverter is None or inverter.resolution_hz is None or not setting.hz:
        return 0.0
    return inverter.resolution_hz / math.sqrt(12.0) / setting.hz


def _mean(tracks: Sequence[Track], channel: str, spans: Sequence[tuple[float, float]]) -> Mean | None:
    """Mean speed over stretches, with its standard uncertainty by the scatter of blocks of whole turns."""
    pace = pace_of(track for track in tracks if track.channel == channel)
    inside = np.zeros(len(pace.seconds), dtype=bool)
    for start_s, end_s in spans:
        inside |= (pace.begin_s >= start_s - 1e-6) & (pace.end_s <= end_s + 1e-6)
    if np.count_nonzero(inside) < LEAST_BLOCKS:
        return None
    pace = pace.where(inside)
    mean = float(np.average(pace.shaft_hz, weights=pace.length_s))
    off = pace.shaft_hz - mean
    stretch = stretch_factor(off)
    n = len(off)
    u = float(np.std(off, ddof=1)) / math.sqrt(n) * stretch
    return Mean(value=mean, u=u, dof=max(1.0, (n - 1) / stretch**2), u_clock=0.0)


def _side(values: Sequence[Mean]) -> tuple[float, list[Contribution]]:
    """Mean of one side and its relative contributions: the scatter, between logs if there are several; the clocks."""
    mean = float(np.mean([each.value for each in values]))
    n = len(values)
    if n > 1:
        between = float(np.std([each.value for each in values], ddof=1)) / math.sqrt(n) / mean
        within = math.sqrt(sum((each.u / mean) ** 2 for each in values)) / n
        scatter = Contribution(u=max(between, within), dof=n - 1 if between >= within else math.inf)
    else:
        scatter = Contribution(u=values[0].u / mean, dof=values[0].dof)
    clock = math.sqrt(sum(each.u_clock**2 for each in values)) / n
    return mean, [scatter, Contribution(u=clock)]


def _row(key: tuple[Setting, str], first: Sequence[Mean], second: Sequence[Mean]) -> Row:
    from scipy.special import stdtr

    (a, parts_a), (b, parts_b) = _side(first), _side(second)
    relative = b / a - 1.0
    parts = [*parts_a, *parts_b]
    difference = combine(relative, parts)
    u = math.sqrt(sum(part.u**2 for part in parts))
    chance = float(2 * stdtr(max(effective_dof(parts), 1.0), -abs(relative) / u)) if u > 0 else float(relative == 0)
    return Row(
        setting=key[0],
        quantity=key[1],
        first=combine(a, [Contribution(u=part.u * a, dof=part.dof) for part in parts_a]),
        second=combine(b, [Contribution(u=part.u * b, dof=part.dof) for part in parts_b]),
        runs=(len(first), len(second)),
        difference_percent=difference.times(100.0),
        chance=chance,
        significant=False,
    )
