"""How much does one shaft slip behind the one that drives it, and when more than it should?

Slip is told against idle running at the same belt position and gear: its own creep is then zero by choice, and what
is left is change.  A healthy belt creeps in proportion to its pull; how much, the log itself shows where it cut.  Slip
beyond that is found by a cumulative sum.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.baseline import Baseline, Key, baselines_of, blocks_of, key_of
from kerfbeat.diagnose.joint import FAULTY_DEPTH, Joint, joint_of, joint_watched
from kerfbeat.diagnose.lag import Steps, place_at, settled_angles, steps_of
from kerfbeat.diagnose.motor_load import LOADED, light_fall, load_of
from kerfbeat.diagnose.parts import Part, by_setting
from kerfbeat.diagnose.running import LIGHT_FALL, Running, running_of
from kerfbeat.diagnose.slip_events import BLADE, PEAK_S, Course, Law, SlipEvent, events_of, peak_of
from kerfbeat.diagnose.tracks import Track
from kerfbeat.machine import Machine
from kerfbeat.measure.uncertainty import Estimate, coverage_factor, robust_sd

__all__ = ["PairSlip", "mean_percent", "pair_slip", "peak_percent"]

Floats = NDArray[np.float64]

NOISE_SD = 6.0  # of the threshold: false alarm below 1e-8 a step, if steps scatter normally
LEAST_LAGS = 3
LEARN_S = 2.0  # windows in which creep against load is looked at
LEARN_PERCENTILE = 20.0  # of these windows: the healthiest fifth, as far as a log with a fault has one
SPIKE_S, SPIKE_LEFT = 0.002, 0.3  # a misplaced pulse is off by at least this, and the next takes it back so well
MISSED_OFF = 0.02  # of a pass: nearer to a whole number, a missed mark is likelier than a slip (test_a_missed_mark...)
ROUGHEST = 0.01  # scatter of one step's slip, above which a channel's pulses say nothing of slip


@dataclass(frozen=True, kw_only=True, slots=True)
class PairSlip:
    """Slip of one pair of channels.

    slip : (n,) against idle, a fraction, NaN where there is no baseline or it does not run at speed.
    load : (n,) or None.   creep_per_load : fraction at full load; learned : from this log's cuts.
    maximum_percent : greatest over PEAK_S in all running at speed.
    noise_s : standard deviation of one step's lag.   usable : False without a baseline, or if pulses came too badly.
    load_hidden : the motor does not slow in marked cuts, so that its slip tells no load.
    joint : what repeats with the blade and is taken out of `slip`; joint_watched : whether one would show.
    events_with_joint : events if it were not.
    missed : marks that went by unseen, as the other shaft tells.
    doubtful_percent : greatest slip that is no event only because a load that is not known may explain it; 0 for none.
    """

    up: str
    down: str
    steps: Steps
    running: Running
    slip: Floats
    load: Floats | None
    creep_per_load: float
    learned: bool
    baselines: Mapping[Key, Baseline]
    maximum_percent: Estimate | None
    noise_s: float
    threshold_s: float
    events: tuple[SlipEvent, ...]
    usable: bool
    load_hidden: bool
    joint: Joint | None
    joint_watched: bool
    events_with_joint: int
    missed: int
    doubtful_percent: float


def pair_slip(
    machine: Machine,
    tracks: Sequence[Track],
    parts: Sequence[Part],
    *,
    up: str,
    down: str,
    law: Law,
    stored: Mapping[Key, Baseline] | None = None,
    calibrated: Mapping[Key, Baseline] | None = None,
    own_first: bool = True,
) -> PairSlip | None:
    """Slip of `down` behind `up`; None if the two were never counted together.

    stored : baselines of another run, which take the place of this log's own idle running.
    calibrated : baselines where this log has no idle running of its own; before its own unless own_first.
    """
    steps = steps_of([t for t in tracks if t.channel == up], [t for t in tracks if t.channel == down])
    if len(steps.end_s) < 3:
        return None
    running = running_of(
        steps.end_s,
        length_s=steps.length_s,
        shaft_hz=steps.up_turns / steps.length_s,
        parts=parts,
        light_fall=LIGHT_FALL if machine.motor is None else light_fall(machine.motor),
    )
    steps = settled_angles(steps, running.idle)
    own = baselines_of(steps, running, parts)
    held = calibrated or {}
    beside = {**held, **own} if own_first else {**own, **held}
    baselines = beside if stored is None else dict(stored)
    ratio0 = np.array([baselines[key_of(p)].ratio if key_of(p) in baselines else np.nan for p in parts])[running.part]
    slip = np.where(running.at_speed, 1.0 - steps.down_turns / (steps.up_turns * ratio0), np.nan)
    slip, missed = _with_missed_marks(steps, slip)
    slip = _without_spikes(steps, slip)
    load = _load(machine, tracks, steps, running, parts)
    hidden = _is_hidden(load, running, parts)
    if hidden:
        load = None
    raw, joint, watched = slip, None, False
    if law is not BLADE:
        carried = np.array([p.cutting for p in parts], dtype=float)[running.part] if load is None else load
        joint = joint_of(machine, tracks, steps, slip, load=np.nan_to_num(carried), idle=running.idle)
        watched = joint_watched(machine, tracks, steps, slip)
        slip = _without_joint(steps, slip, joint)
    creep, learned = _learn(steps, slip, load, law)
    expected = np.zeros(len(slip)) if load is None else creep * np.clip(np.nan_to_num(load), 0.0, None)
    noise_s = _noise_s(steps, slip, running)
    threshold_s = max(law.threshold_s, NOISE_SD * noise_s)
    usable = bool(np.isfinite(slip).any()) and noise_s <= ROUGHEST * float(np.median(steps.length_s))
    u_base = np.array([_u_base(baselines, part) for part in parts])[running.part]
    # What the idle ratio may be wrong by is no slip; of idle running seen here it is next to nothing.
    reference = law.reference + (law.creep if load is None else 0.0) + coverage_factor(math.inf) * u_base
    course = Course(steps=steps, slip=slip, expected=expected, load=load, noise_s=noise_s, u_base=u_base)
    events: list[SlipEvent] = []
    with_joint, doubtful, greatest = 0, 0.0, None
    if usable:
        events = events_of(course, reference=reference, threshold_s=threshold_s)
        with_joint = len(events)
        if joint is not None:
            with_joint = len(events_of(replace(course, slip=raw), reference=reference, threshold_s=threshold_s))
        if load is None and not events:
            strict = events_of(course, reference=reference - law.creep, threshold_s=threshold_s)
            doubtful = max((each.peak_percent.value for each in strict), default=0.0)
        u_most = max(base.u_relative for base in baselines.values())
        greatest = peak_percent(steps, slip, np.isfinite(slip), noise_s=noise_s, u_base=u_most)
    return PairSlip(
        up=up,
        down=down,
        steps=steps,
        running=running,
        slip=slip,
        load=load,
        creep_per_load=creep,
        learned=learned,
        baselines=baselines,
        maximum_percent=greatest,
        noise_s=noise_s,
        threshold_s=threshold_s,
        events=tuple(events),
        usable=usable,
        load_hidden=hidden,
        joint=joint,
        joint_watched=watched,
        events_with_joint=with_joint,
        missed=missed,
        doubtful_percent=doubtful,
    )


def _without_joint(steps: Steps, slip: Floats, joint: Joint | None) -> Floats:
    """Slip less what repeats with the blade; where the blade's place is not known, a deep dip is not told from slip."""
    if joint is None:
        return slip
    dip = joint.lag_s / steps.length_s
    return slip - (np.nan_to_num(dip) if joint.depth < FAULTY_DEPTH else dip)


def _with_missed_marks(steps: Steps, slip: Floats) -> tuple[Floats, int]:
    """Slip with passes counted that went by unseen, and how many; of a channel with one target, driven and sparse.

    Alone such a channel cannot tell a missed mark from half the speed.  Beside the other shaft it can: a step in which
    just a whole number of passes is wanting, between steps in which nothing is.
    """
    if steps.targets != 1 or not steps.sparse_is_down:
        return slip, 0
    with np.errstate(divide="ignore", invalid="ignore"):
        passes = 1.0 / (1.0 - slip)  # that should have been, for each that was counted
        whole = np.round(np.where(np.isfinite(passes), passes, 0.0))
        missed = (whole > 1.0) & (np.abs(passes - whole) < MISSED_OFF * whole)
        calm = ~(np.abs(slip) > MISSED_OFF)
    calm_before, calm_after = np.append(True, calm[:-1]), np.append(calm[1:], True)
    missed &= calm_before & calm_after
    return np.where(missed, 1.0 - (1.0 - slip) * whole, slip), int((whole[missed] - 1.0).sum())


def _without_spikes(steps: Steps, slip: Floats) -> Floats:
    """Slip with single misplaced pulses evened out: one step too long and the next too short by the same time.

    A shaft that has slipped does not catch up; noise taken for a pulse does.
    """
    lag = slip * steps.length_s
    known = lag[np.isfinite(lag)]
    usual = robust_sd(known - np.median(known)) if len(known) else 0.0
    first, second = lag[:-1], lag[1:]
    least = np.minimum(np.abs(first), np.abs(second))
    with np.errstate(invalid="ignore"):
        spike = (
            (first * second < 0) & (np.abs(first + second) < SPIKE_LEFT * least) & (least > NOISE_SD * usual + SPIKE_S)
        )
    spike &= np.diff(steps.block) == 0
    cured = slip.copy()
    for k in np.flatnonzero(spike).tolist():
        cured[k : k + 2] = (lag[k] + lag[k + 1]) / (steps.length_s[k] + steps.length_s[k + 1])
    return cured


def _load(
    machine: Machine, tracks: Sequence[Track], steps: Steps, running: Running, parts: Sequence[Part]
) -> Floats | None:
    """(n,) load above idle by the motor's fall; None without a motor and its channel."""
    motor_tracks = [track for track in tracks if track.channel == "motor"]
    if machine.motor is None or not any(track.runs for track in motor_tracks):
        return None
    start, end = place_at(motor_tracks, steps)
    motor_hz = (end - start) / steps.length_s
    load = np.full(len(motor_hz), np.nan)
    for setting, mine in by_setting(parts, running.part):
        idle = mine & running.idle & np.isfinite(motor_hz)
        base = idle if idle.any() else mine & running.at_speed & np.isfinite(motor_hz)
        if base.any():
            level = float(np.median(motor_hz[base])) if idle.any() else float(np.percentile(motor_hz[base], 95))
            load[mine] = load_of(level - motor_hz[mine], motor=machine.motor, supply_hz=setting.hz)
    return load


def _is_hidden(load: Floats | None, running: Running, parts: Sequence[Part]) -> bool:
    """Whether the motor hardly slows in the marked cuts: an inverter that makes good its slip hides the load.

    Without idle running beside the cuts the load has no zero, and this cannot be told.
    """
    if load is None or not running.idle.any():
        return False
    cutting = np.array([part.cutting for part in parts])[running.part] & running.at_speed & np.isfinite(load)
    return bool(cutting.any()) and float(np.median(load[cutting])) < LOADED


def _learn(steps: Steps, slip: Floats, load: Floats | None, law: Law) -> tuple[float, bool]:
    """Creep at full load as the healthiest cutting of the log shows it; the most that is healthy if there is none."""
    if load is None:
        return law.creep, False
    loaded = np.isfinite(slip) & np.isfinite(load) & (np.nan_to_num(load) > LOADED)
    windows = [
        (float((slip * steps.length_s)[g].sum()), float((load * steps.length_s)[g].sum()))
        for g in blocks_of(steps, loaded, LEARN_S)
        if steps.length_s[g].sum() >= 0.5 * LEARN_S
    ]
    if len(windows) < 2:
        return law.creep, False
    creep = float(np.percentile([gone / pulled for gone, pulled in windows], LEARN_PERCENTILE))
    return min(max(creep, 0.0), law.creep), creep <= law.creep


def _noise_s(steps: Steps, slip: Floats, running: Running) -> float:
    """Standard deviation of one step's lag in idle running, robustly; ripples and timing together."""
    lag = (slip * steps.length_s)[running.idle & np.isfinite(slip)]
    if len(lag) < LEAST_LAGS:
        lag = (slip * steps.length_s)[np.isfinite(slip)]
    return robust_sd(lag - np.median(lag)) if len(lag) else 0.0


def _u_base(baselines: Mapping[Key, Baseline], part: Part) -> float:
    """Relative standard uncertainty of a part's baseline."""
    base = baselines.get(key_of(part))
    return math.nan if base is None else base.u_relative


def mean_percent(steps: Steps, slip: Floats, use: NDArray[np.bool_], *, noise_s: float, u_base: float) -> Estimate:
    """Mean slip of some steps, at least one of them.

    noise_s : standard deviation of a step's lag, which does not add up along unbroken steps.
    u_base : relative standard uncertainty of the idle ratio.
    """
    time_s = float(steps.length_s[use].sum())
    breaks = 1 + np.count_nonzero(np.diff(np.flatnonzero(use)) > 1)
    mean = float((slip * steps.length_s)[use].sum()) / time_s
    u = math.hypot(math.sqrt(2 * breaks) * noise_s / time_s, u_base)
    return Estimate(value=100 * mean, u95=100 * coverage_factor(math.inf) * u)


def peak_percent(steps: Steps, slip: Floats, use: NDArray[np.bool_], *, noise_s: float, u_base: float) -> Estimate:
    """Greatest mean slip of some steps over PEAK_S; arguments as of `mean_percent`."""
    greatest = max((peak_of(steps, slip, None, group)[0] for group in blocks_of(steps, use, math.inf)), default=0.0)
    u = math.hypot(math.sqrt(2) * noise_s / PEAK_S, u_base)
    return Estimate(value=100 * greatest, u95=100 * coverage_factor(math.inf) * u)
