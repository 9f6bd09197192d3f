"""Does one shaft slip behind the one that drives it at this moment, beyond its creep?

The statistics and thresholds are those of `pair_slip`, on what has been seen so far: idle ratio (`live_idle`), creep
for the load (`live_creep`) and noise grow better while it runs.  Against a calibrated ratio nobody knows the load yet,
since idle running has not shown at what speed the motor idles: then all the creep of full load is allowed.
"""

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.diagnose.baseline import Baseline, Key
from kerfbeat.diagnose.live_creep import LiveCreep
from kerfbeat.diagnose.live_idle import LiveIdle
from kerfbeat.diagnose.live_running import LiveRunning
from kerfbeat.diagnose.live_steps import Step
from kerfbeat.diagnose.onset import OnsetWatch
from kerfbeat.diagnose.pair_slip import NOISE_SD, ROUGHEST, SPIKE_LEFT, SPIKE_S
from kerfbeat.diagnose.slip_events import PEAK_S, Law
from kerfbeat.measure.uncertainty import coverage_factor, robust_sd

__all__ = ["LivePair", "SlipNow"]

LAGS, FEWEST_LAGS = 400, 10  # of idle steps that the noise is taken from; before, the blocks of the idle ratio
SAME_RATIO = 0.05  # after a stop the gear may be another: so far from its baseline it is not the same ratio
SAME_COUNT = 0.15  # after a break of the count, or idle: so far from its baseline one of the two was miscounted
MISCOUNTED = 0.4  # of a target's gap, by one step alone: a pulse too many or too few, not a belt
K95 = coverage_factor(math.inf)


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipNow:
    """Slip beyond creep that is going on.

    since_s : its beginning.   alarm_s : when the test was sure.   percent : over the last second.   peak_percent : the
    greatest of these so far.   load : part of full load above idle, None without a motor channel.   baseline : what it
    is told against: "idle running so far" or "ratio calibrated on DATE".
    """

    since_s: float
    alarm_s: float
    percent: float
    peak_percent: float
    load: float | None
    baseline: str


class LivePair:
    """Slip of `down` behind `up`, step by step.

    sparse_is_down : whether the steps' own shaft is the driven one.   targets : of its channel, per turn.
    load_of : gives the load for a motor speed and its idle speed in turns per second; None without a motor channel.
    now : what slips at this moment, None if nothing does.
    """

    def __init__(
        self,
        *,
        law: Law,
        calibrated: Callable[[Key], Baseline | None],
        load_of: Callable[[float, float], float] | None,
        sparse_is_down: bool,
        targets: int,
    ) -> None:
        self._law = law
        self._idle = LiveIdle(calibrated=calibrated, sparse_is_down=sparse_is_down)
        self._load_of = load_of
        self._targets = targets
        self._key: Key = (None, None)
        self._lags_s: deque[float] = deque(maxlen=LAGS)
        self._idle_lags_s: deque[float] = deque(maxlen=LAGS)
        self._noise_s: float | None = None
        self._creep = LiveCreep(most=law.creep)
        self._watch = OnsetWatch(threshold=law.threshold_s)
        self._held: tuple[Step, float, float | None] | None = None
        self._recent: deque[tuple[float, float]] = deque()
        self._low_s = self._used_until_s = 0.0
        self._stops = self._lighter = 0
        self._doubt = 0.0  # how far the ratio may be off before it is not believed to be the same
        self._run = -1
        self.now: SlipNow | None = None

    @property
    def baseline(self) -> Baseline | None:
        """The idle ratio in use: that of idle running so far, else a calibrated one."""
        return self._idle.of(self._key)

    def set_key(self, key: Key) -> None:
        """Another belt position or gear is in force."""
        if key != self._key:
            self._key = key
            self.broken()

    def broken(self) -> None:
        """What comes next does not follow from what was: the course ends, and what slipped is not known to slip on."""
        self._watch.end()
        self._held, self.now = None, None
        self._idle.break_off()
        self._creep.break_off()
        self._recent.clear()

    def take(self, step: Step, running: LiveRunning) -> None:
        """Take the next step, and what the machine does."""
        idle = running.idle_s is not None and running.idle_s <= step.start_s
        if running.stops != self._stops:
            self._stops, self._doubt = running.stops, SAME_RATIO
        elif (step.run != self._run or idle) and not self._doubt:
            self._doubt = SAME_COUNT  # idle, no belt slips as much
        self._run = step.run
        if running.lighter != self._lighter:
            self._lighter = running.lighter
            self._idle.forget(self._key)
            self._idle.break_off()
            self._idle_lags_s.clear()
        begun_s = running.at_speed_s
        if begun_s is None or begun_s > step.start_s:
            self.broken()
            return
        if self._doubt and not self._still_the_same(step) and not idle:
            return
        if not idle:
            self._idle.break_off()
        elif (lags_s := self._idle.collect(step, self._key, running.levels)) is not None:
            self._learn_noise(self._idle_lags_s if len(self._idle_lags_s) >= FEWEST_LAGS else lags_s)
        start_s, own, other = step.start_s, step.own_turns, step.other_turns
        if not step.exact:
            if step.whole is None or step.whole[0] < max(self._used_until_s, begun_s):
                return
            start_s, own, other = step.whole
        self._used_until_s = step.end_s
        base = self.baseline
        if base is None or own <= 0.0 or other <= 0.0:
            return
        up, down = self._idle.up_and_down(own, other)
        slip = 1.0 - down / (up * base.ratio)
        length_s = step.end_s - start_s
        used = Step(start_s=start_s, end_s=step.end_s, own_turns=own, other_turns=other, motor_turns=step.motor_turns,
                    exact=step.exact, whole=None, run=step.run)  # fmt: skip
        # Load is told from the idle speed at which the idle ratio was seen; before that is known, as without a motor.
        load = None
        sure = self._idle.seen_at(self._key, running.levels)
        if sure and self._load_of is not None and step.motor_turns is not None and running.level_hz is not None:
            load = self._load_of(step.motor_turns / (step.end_s - step.start_s), running.level_hz)
        if load is None and start_s < running.heavy_until_s:
            self.broken()  # creep may be more than is allowed where the load is unknown
            return
        self._lags_s.append(slip * length_s)
        if idle:
            self._idle_lags_s.append(slip * length_s)
        self._without_spikes(used, slip, load)

    def _still_the_same(self, step: Step) -> bool:
        """After a stop or a break: whether a whole turn was seen; what is known is dropped if that denies it."""
        if step.whole is None:
            return False
        doubt, self._doubt = self._doubt, 0.0
        base = self.baseline
        if base is None:
            return True
        _, own, other = step.whole
        up, down = self._idle.up_and_down(own, other)
        if abs(down / up / base.ratio - 1.0) > doubt:
            self._idle.forget(self._key, refuse=True)
            self._idle_lags_s.clear()
            self._lags_s.clear()
            self._noise_s = None
            self.broken()
        return True

    def _learn_noise(self, lags_s: Sequence[float]) -> None:
        values = np.array(lags_s)
        self._noise_s = robust_sd(values - np.median(values))

    def _without_spikes(self, step: Step, slip: float, load: float | None) -> None:
        """Hold back a step far off until the next shows whether it takes that back: then it was a misplaced pulse."""
        noise_s = self._noise_s
        if noise_s is None:  # nothing ran idle yet: the ratio is a calibrated one
            if len(self._lags_s) >= FEWEST_LAGS:
                self._learn_noise(self._lags_s)
            return
        held, self._held = self._held, None
        if held is not None:
            before, slip_before, load_before = held
            length_s, length_before_s = step.end_s - step.start_s, before.end_s - before.start_s
            lag_s, lag_before_s = slip * length_s, slip_before * length_before_s
            least_s = min(abs(lag_s), abs(lag_before_s))
            if (
                lag_s * lag_before_s < 0.0
                and abs(lag_s + lag_before_s) < SPIKE_LEFT * least_s
                and least_s > NOISE_SD * noise_s + SPIKE_S
            ):
                slip = slip_before = (lag_s + lag_before_s) / (length_s + length_before_s)
                self._judge(before, slip_before, load_before, noise_s)
                self._judge(step, slip, load, noise_s)
                return
            if self._miscounted(before, slip_before) and slip <= self._law.reference + self._law.creep:
                self.broken()
            else:
                self._judge(before, slip_before, load_before, noise_s)
        if not step.exact and self._miscounted(step, slip):
            self.broken()  # too long a step to see by the next one which it was
            return
        if abs(slip) * (step.end_s - step.start_s) > NOISE_SD * noise_s + SPIKE_S:
            self._held = (step, slip, load)
            if self.now is None:
                return
            self._held = None  # while it slips, nothing is held back
        self._judge(step, slip, load, noise_s)

    def _miscounted(self, step: Step, slip: float) -> bool:
        return abs(slip) * step.own_turns * self._targets > MISCOUNTED

    def _judge(self, step: Step, slip: float, load: float | None, noise_s: float) -> None:
        """The test itself."""
        base = self.baseline
        length_s = step.end_s - step.start_s
        if base is None or noise_s > ROUGHEST * length_s:
            return
        self._creep.take(slip, load, length_s)
        self._recent.append((length_s, slip))
        while sum(each[0] for each in self._recent) - self._recent[0][0] >= PEAK_S * (1 - 1e-6):
            self._recent.popleft()
        law, watch = self._law, self._watch
        expected = 0.0 if load is None else self._creep.at_full_load * max(load, 0.0)
        allowed = law.reference + (law.creep if load is None else 0.0) + K95 * base.u_relative
        watch.threshold = max(law.threshold_s, NOISE_SD * noise_s)
        if not watch.running and watch.first == watch.count:
            self._low_s = step.start_s
        watch.take((slip - expected) * length_s, reference=allowed * length_s)
        if not watch.running:
            self.now = None
            return
        percent = 100.0 * sum(each[0] * each[1] for each in self._recent) / sum(each[0] for each in self._recent)
        was = self.now
        if was is None and percent <= 0.0:
            return  # over a second it did not fall behind at all: a misplaced pulse
        self.now = SlipNow(
            since_s=self._low_s if was is None else was.since_s,
            alarm_s=step.end_s if was is None else was.alarm_s,
            percent=percent,
            peak_percent=percent if was is None else max(percent, was.peak_percent),
            load=load,
            baseline=f"ratio calibrated on {base.calibrated}" if base.calibrated else "idle running so far",
        )
