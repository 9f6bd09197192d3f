"""How far did the speed fall in a cut, and when was it back?

Told against the idle running just before, at the same setting in the same segment; where there was none, against the
idle running just after.  Speeds are those from pulse to pulse, a few joined where they come fast.  What scatters in
idle running counts as wander of the level, so that intervals are rather too wide than too narrow.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import LIGHT_FALL, Running, running_of
from kerfbeat.diagnose.slip_events import PEAK_S, greatest_mean
from kerfbeat.diagnose.tracks import Track
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["Course", "Depth", "Recovery", "depth_of", "gaps_of", "recovery_of"]

Floats = NDArray[np.float64]
Chosen = NDArray[np.bool_]
State = Literal["recovered", "not recovered", "not seen"]

LEAST_GAP_S = 0.1  # pulses that come faster are joined: a drive of this size does nothing sooner
IDLE_S, IDLE_STEPS = 10.0, 8  # of idle running that a level is taken from; both, as far as there is so much
FEWEST = 4  # steps from which a level and its scatter can be told
BAND_SD = 3.0  # one idle step in 370 lies outside, if they scatter normally
# A cut warms motor and belt, so that the idle speed after it is not the one before it: by 0.06 % in the first minute of
# the scenario `warm-up`.  A narrower band would call that "not recovered" (test_a_warming_machine_recovers).
BAND_LEAST = 0.001
HOLD_S, HOLD_STEPS = 2.0, 3  # so long it must stay in the band to count as back


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """Speed of one channel step by step, (n,): when a step ends, how long it is, turns per second.

    unbroken : (n,) number of the unbroken count a step belongs to.   running : what the shaft does in it.
    """

    channel: str
    end_s: Floats
    length_s: Floats
    shaft_hz: Floats
    unbroken: NDArray[np.int64]
    running: Running

    @property
    def start_s(self) -> Floats:
        """When each step begins."""
        return self.end_s - self.length_s


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """Idle speed, with relative 95 % half-width and the relative scatter of one step."""

    hz: float
    u95: float
    sd: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Depth:
    """How far the speed lay below idle over a stretch.

    fall_percent : mean.   deepest_percent : greatest mean over a second (or over all, if less was judged).
    fall_hz : mean, in turns per second.   judged_s : how much of the stretch could be judged.
    after : True where idle running was found only after the stretch.
    """

    fall_percent: Estimate
    deepest_percent: Estimate
    fall_hz: Estimate
    judged_s: float
    after: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Recovery:
    """When the speed was back in its idle band after a cut.

    state : "recovered"; "not recovered" if it never came back to stay until `watched_s` after the cut, when the next
        cut, another setting, a stop, a break of the count or the end of the log came; "not seen" if that came so soon
        that nothing can be said.
    seconds : from the end of the cut; only how close pulses come is in its u95, not how late the mark was.
    band_percent : half-width of the band around the idle speed before: 3 standard deviations of an idle step.
    """

    state: State
    seconds: Estimate | None
    band_percent: float | None
    watched_s: float


def gaps_of(tracks: Sequence[Track], parts: Sequence[Part], *, channel: str) -> Course | None:
    """Speed of a channel from pulse to pulse; None with fewer than 3 steps.

    Runs too short to know their targets' angles are left out.
    """
    ends, lengths, speeds, names = [], [], [], []
    for name, run in enumerate(run for track in tracks if track.channel == channel for run in track.runs if run.sure):
        keep = _apart(run.seconds)
        when, turns = run.seconds[keep], run.turns[keep]
        ends.append(when[1:])
        lengths.append(np.diff(when))
        speeds.append(np.diff(turns) / np.diff(when))
        names.append(np.full(len(when) - 1, name, dtype=np.int64))
    if sum(len(each) for each in ends) < 3:
        return None
    end_s, length_s, shaft_hz = np.concatenate(ends), np.concatenate(lengths), np.concatenate(speeds)
    running = running_of(end_s, length_s=length_s, shaft_hz=shaft_hz, parts=parts, light_fall=LIGHT_FALL)
    return Course(
        channel=channel,
        end_s=end_s,
        length_s=length_s,
        shaft_hz=shaft_hz,
        unbroken=np.concatenate(names),
        running=running,
    )


def _apart(when: Floats) -> NDArray[np.int64]:
    """Indices of pulses about LEAST_GAP_S apart or more: every second, third ... where they come faster."""
    usual_s = float(np.median(np.diff(when)))
    return np.arange(0, len(when), max(1, math.ceil(LEAST_GAP_S / usual_s)))


def _level(course: Course, mine: Chosen, *, start_s: float, end_s: float) -> tuple[Level, bool] | None:
    """Idle speed before a stretch, else after it, and whether it is after; `mine` are the steps that may be used.

    Without an end the stretch is the whole log, and all of its idle running counts.
    """
    idle = mine & course.running.idle
    if math.isinf(end_s - start_s):
        return (_level_of(course, np.flatnonzero(idle)), False) if np.count_nonzero(idle) >= FEWEST else None
    for after, near in (
        (False, np.flatnonzero(idle & (course.end_s <= start_s))[::-1]),
        (True, np.flatnonzero(idle & (course.start_s >= end_s))),
    ):
        if len(near) < FEWEST:
            continue
        reach = int(np.searchsorted(np.cumsum(course.length_s[near]), IDLE_S)) + 1
        return _level_of(course, near[: max(reach, IDLE_STEPS)]), after
    return None


def _level_of(course: Course, near: NDArray[np.int64]) -> Level:
    speeds, length_s = course.shaft_hz[near], course.length_s[near]
    hz = float((speeds * length_s).sum() / length_s.sum())
    n, sd = len(near), float(np.std(speeds, ddof=1)) / hz
    return Level(hz=hz, u95=coverage_factor(n - 1.0) * sd / math.sqrt(n), sd=sd)


def _keys(course: Course, parts: Sequence[Part]) -> list[tuple[Part, Chosen]]:
    """For every setting of every segment, one of its parts and the steps that lie in it."""
    found: dict[object, list[int]] = {}
    for k, part in enumerate(parts):
        found.setdefault((part.segment, part.setting), []).append(k)
    return [(parts[ks[0]], np.isin(course.running.part, ks)) for ks in found.values()]


def depth_of(course: Course, parts: Sequence[Part], *, start_s: float, end_s: float, edge_s: float) -> Depth | None:
    """Mean fall over a stretch without its first and last `edge_s`; None where nothing of it can be judged.

    Where the setting or the segment changes in it, each piece is told against its own idle running.
    """
    inside = (course.start_s >= start_s + edge_s) & (course.end_s <= end_s - edge_s) & course.running.at_speed
    fall, fall_hz = np.full(len(course.end_s), np.nan), np.full(len(course.end_s), np.nan)
    u95 = sd = 0.0
    hz, after = 1.0, False
    for _, mine in _keys(course, parts):
        here = mine & inside
        if not here.any():
            continue
        told = _level(course, mine, start_s=start_s, end_s=end_s)
        if told is None:
            continue
        level, late = told
        after |= late
        fall_hz[here] = level.hz - course.shaft_hz[here]
        fall[here] = fall_hz[here] / level.hz
        u95, sd, hz = max(u95, level.u95), max(sd, level.sd), max(hz, level.hz)
    known = np.flatnonzero(np.isfinite(fall))
    if not len(known):
        return None
    length_s = course.length_s[known]
    judged_s = float(length_s.sum())
    pieces = np.split(known, np.flatnonzero((np.diff(known) > 1) | (np.diff(course.unbroken[known]) != 0)) + 1)
    # Timing errors do not add up along unbroken steps: only the first and last of each piece count.
    lag_s = coverage_factor(math.inf) * sd * float(np.mean(length_s))
    mean = float((fall[known] * length_s).sum()) / judged_s
    u95_mean = math.hypot(u95, math.sqrt(2.0 * len(pieces)) * lag_s / judged_s)
    deepest, width_s = -math.inf, PEAK_S
    for piece in pieces:
        value, first, end = greatest_mean(fall[piece], length_s=course.length_s[piece])
        if value > deepest:
            deepest, width_s = value, float(course.length_s[piece][first:end].sum())
    u95_deepest = math.hypot(u95, math.sqrt(2.0) * lag_s / width_s)
    return Depth(
        fall_percent=Estimate(value=100 * mean, u95=100 * u95_mean),
        deepest_percent=Estimate(value=100 * deepest, u95=100 * u95_deepest),
        fall_hz=Estimate(value=float((fall_hz[known] * length_s).sum()) / judged_s, u95=hz * u95_mean),
        judged_s=judged_s,
        after=after,
    )


def recovery_of(course: Course, parts: Sequence[Part], *, start_s: float, end_s: float) -> Recovery:
    """When the speed is back after a cut from start_s to end_s."""
    unseen = Recovery(state="not seen", seconds=None, band_percent=None, watched_s=0.0)
    following = next((k for k, part in enumerate(parts) if part.start_s >= end_s - 1e-9 and not part.cutting), None)
    if following is None:
        return unseen
    part = parts[following]
    mine = next(mask for each, mask in _keys(course, parts) if (each.segment, each.setting) == _key(part))
    told = _level(course, mine, start_s=start_s, end_s=end_s)
    watched = _watched(course, part, mine)
    if told is None or told[1] or not len(watched):
        return unseen  # against the idle running after the cut every cut would count as recovered
    level, band = told[0], max(BAND_SD * told[0].sd, BAND_LEAST)
    watched_s = float(course.end_s[watched[-1]]) - end_s
    inside = np.abs(course.shaft_hz[watched] / level.hz - 1.0) <= band
    middle_s = course.end_s[watched] - 0.5 * course.length_s[watched] - end_s
    for k in np.flatnonzero(inside & np.concatenate(([True], ~inside[:-1]))).tolist():
        held = (course.end_s[watched] <= course.start_s[watched[k]] + HOLD_S) & (np.arange(len(watched)) >= k)
        held[k : k + HOLD_STEPS] = True
        if k + HOLD_STEPS > len(watched) or not inside[held].all():
            continue
        # Between the middle of the last step outside and that of the first inside; rectangular, so 0.95 of the half.
        low_s = max(float(middle_s[k - 1]), 0.0) if k else 0.0
        high_s = max(float(middle_s[k]), low_s)
        seconds = Estimate(value=0.5 * (low_s + high_s), u95=0.95 * 0.5 * (high_s - low_s))
        return Recovery(state="recovered", seconds=seconds, band_percent=100 * band, watched_s=watched_s)
    state: State = "not recovered" if watched_s >= HOLD_S and len(watched) >= HOLD_STEPS else "not seen"
    return Recovery(state=state, seconds=None, band_percent=100 * band, watched_s=max(watched_s, 0.0))


def _key(part: Part) -> tuple[int, object]:
    return part.segment, part.setting


def _watched(course: Course, part: Part, mine: Chosen) -> NDArray[np.int64]:
    """Steps from the end of a cut to the end of the part behind it, one unbroken count, without a stop at their end."""
    after = np.flatnonzero(mine & (course.end_s > part.start_s) & (course.end_s <= part.end_s))
    if not len(after) or course.start_s[after[0]] > part.start_s + LEAST_GAP_S:
        return after[:0]  # pulses stayed away as the cut ended: what was then is not known
    breaks = [
        k + 1
        for k, (a, b) in enumerate(pairwise(after.tolist()))
        if b - a > 1 or course.unbroken[a] != course.unbroken[b]
    ]
    after = after[: breaks[0]] if breaks else after
    good = np.flatnonzero(course.running.at_speed[after])
    return after[: good[-1] + 1] if len(good) else after[:0]
