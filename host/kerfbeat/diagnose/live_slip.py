"""What slips at this moment?

The detector of `slip`, fed while pulses come, in any portions.  It keeps quiet while the machine starts, stops or
changes its speed, after a change of gear until the new ratio is known, and where pulses were lost.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter

from kerfbeat.calibration import Known
from kerfbeat.diagnose.baseline import Baseline, Key, calibrated_baseline
from kerfbeat.diagnose.event_words import belt_name, which_belt
from kerfbeat.diagnose.live_pair import LivePair, SlipNow
from kerfbeat.diagnose.live_running import LiveRunning
from kerfbeat.diagnose.live_steps import LiveSteps, Trail
from kerfbeat.diagnose.motor_load import full_load_slip_hz, light_fall, load_of
from kerfbeat.diagnose.running import LIGHT_FALL
from kerfbeat.diagnose.shafts import couplings, in_order
from kerfbeat.diagnose.slip_events import BELT, BLADE
from kerfbeat.machine import Machine, Setting
from kerfbeat.measure.counted import followed_every
from kerfbeat.measure.live import Place

__all__ = ["Alarm", "LiveSlip"]

LINGER_S = 2.0  # an alarm stands so long after it was last seen: a break of the count does not end a slip
OVERLOAD = 1.5  # of full load: so much creep is allowed where the load is unknown (`Law`: reference and full creep);
# of more, nothing is told.  Noticed by an overload of the grinder, whose creep at stalling is 2 %
COMMON_FALL = 0.05  # of its speed, a motor that is not described at full load; common practice, no published source
MOTOR_WAIT_S = 0.5  # a step whose end the motor's pulses do not reach by then is judged without the load


@dataclass(frozen=True, kw_only=True, slots=True)
class Alarm:
    """A coupling that slips now.

    up, down : its channels.   what : what slips, in words.   now : how much, and since when.
    """

    up: str
    down: str
    what: str
    now: SlipNow


class _Coupling:
    """One pair of channels on its way from places to alarm."""

    def __init__(self, machine: Machine, known: Known | None, up: str, down: str, belts: Sequence[int]) -> None:
        self.up, self.down = up, down
        self.what = which_belt(tuple(belt_name(machine, each) for each in belts)) if belts else "blade"
        self.law = BELT if belts else BLADE
        self._known = known
        self.sparse: str | None = None
        self.dense = ""
        self.steps: LiveSteps | None = None
        self.pair: LivePair | None = None
        self.waiting: list[tuple[float, Place]] = []
        self.lost_until_s = -1.0
        self.kept: tuple[SlipNow, float] | None = None

    def keep(self, now_s: float) -> None:
        """Bring what is told of the slip up to date."""
        now = None if self.pair is None else self.pair.now
        if now is None:
            if self.kept is not None and now_s > self.kept[1]:
                self.kept = None
            return
        if self.kept is not None:
            before = self.kept[0]
            now = replace(
                now,
                since_s=before.since_s,
                alarm_s=before.alarm_s,
                peak_percent=max(before.peak_percent, now.peak_percent),
            )
        self.kept = (now, now_s + LINGER_S)

    def calibrated(self, key: Key) -> Baseline | None:
        """The calibrated idle ratio of a belt position and gear, if there is one."""
        return None if self._known is None else calibrated_baseline(self._known, key, up=self.up, down=self.down)


class LiveSlip:
    """All couplings that a machine's sensors watch."""

    def __init__(self, machine: Machine, *, known: Known | None = None, setting: Setting | None = None) -> None:
        self._machine = machine
        self._setting = setting or Setting()
        names = list(machine.sensors)
        self._couplings = [_Coupling(machine, known, *each) for each in couplings(machine, names)]
        chain = in_order(machine, names)
        self._lead = chain[0] if chain else ""
        self._motor = machine.motor if self._lead == "motor" else None
        light = LIGHT_FALL if self._motor is None else light_fall(self._motor)
        self._running = LiveRunning(light=light, heavy=self._heavy())
        self.restart(1.0)

    @property
    def watched(self) -> tuple[str, ...]:
        """Channels whose places are needed; none where no coupling is watched."""
        if not self._couplings:
            return ()
        return tuple(dict.fromkeys([self._lead, *(n for each in self._couplings for n in (each.up, each.down))]))

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """What slips now."""
        return tuple(
            Alarm(up=each.up, down=each.down, what=each.what, now=each.kept[0])
            for each in self._couplings
            if each.kept is not None
        )

    @property
    def baseline(self) -> str:
        """What slip of the first coupling is told against, in words; "" where none is watched."""
        if not self._couplings:
            return ""
        pair = self._couplings[0].pair
        base = None if pair is None else pair.baseline
        if base is None:
            return "none yet (idle for 10 s)"
        return f"ratio calibrated on {base.calibrated}" if base.calibrated else "idle running so far"

    def restart(self, tick_hz: float) -> None:
        """A board has started: its ticks count anew.  Idle ratios and what was learnt of creep stay."""
        self._tick_hz = tick_hz
        self._trails = {name: Trail() for name in self.watched}
        self._ahead: list[tuple[int, str, Place]] = []
        self._running.restart()
        for each in self._couplings:
            each.waiting.clear()
            each.lost_until_s = -1.0
            each.kept = None
            if each.steps is not None and each.pair is not None:
                each.steps.restart()
                each.pair.broken()

    def set_setting(self, setting: Setting, ticks: int) -> None:
        """The operator says that another setting is in force."""
        if setting == self._setting:
            return
        self._setting = setting
        self._running.heavy = self._heavy()
        self._running.set_setting(ticks / self._tick_hz)
        for each in self._couplings:
            if each.pair is not None:
                each.pair.set_key((setting.belt, setting.gear))
                each.pair.broken()

    def set_cutting(self, running: bool, ticks: int) -> None:
        """The operator marks the start or the end of a cut."""
        self._running.set_cutting(running, ticks / self._tick_hz)

    def lose(self, channel: str, end_ticks: int) -> None:
        """Pulses of a channel are lost up to a tick: nothing is told of a step that reaches across."""
        for each in self._couplings:
            if channel in (each.up, each.down, self._lead):
                each.lost_until_s = max(each.lost_until_s, end_ticks / self._tick_hz)

    def feed(self, places: Mapping[str, Sequence[Place]], complete_ticks: int) -> None:
        """Take the places of all watched channels, each increasing, and how far the record is complete."""
        told = [(place.tick, name, place) for name, each in places.items() if name in self._trails for place in each]
        if told or self._ahead:
            told = sorted([*self._ahead, *told], key=itemgetter(0))
            ready = len(told)
            while ready and told[ready - 1][0] > complete_ticks:
                ready -= 1
            self._ahead = told[ready:]
            for tick, name, place in told[:ready]:
                self._take(tick / self._tick_hz, name, place)
        self._running.silent(complete_ticks / self._tick_hz)
        if self._running.at_speed_s is None:
            for coupling in self._couplings:
                if coupling.pair is not None and coupling.pair.now is not None:
                    coupling.pair.broken()
        for coupling in self._couplings:
            coupling.keep(complete_ticks / self._tick_hz)

    def _take(self, at_s: float, name: str, place: Place) -> None:
        """The next place of any channel, in order of time."""
        self._trails[name].take(at_s, place)
        if name == self._lead:
            self._running.take(at_s, place.turns, place.run)
        for each in self._couplings:
            if each.sparse is None and name in (each.up, each.down):
                self._choose(each)
            if name == each.sparse:
                each.waiting.append((at_s, place))
            if each.waiting:
                self._settle(each, at_s)

    def _choose(self, coupling: _Coupling) -> None:
        """See which of two channels has the fewer pulses, once both have shown it."""
        up, down = self._trails[coupling.up].rate, self._trails[coupling.down].rate
        if up is None or down is None:
            return
        down_is_sparse = down <= up
        coupling.sparse, coupling.dense = (
            (coupling.down, coupling.up) if down_is_sparse else (coupling.up, coupling.down)
        )
        targets = self._machine.sensors[coupling.sparse].targets
        coupling.steps = LiveSteps(targets=targets, every=followed_every(targets))
        coupling.pair = LivePair(
            law=coupling.law,
            calibrated=coupling.calibrated,
            load_of=self._load if self._motor is not None else None,
            sparse_is_down=down_is_sparse,
            targets=targets,
        )
        coupling.pair.set_key((self._setting.belt, self._setting.gear))

    def _heavy(self) -> float:
        """Relative fall of the first shaft that is watched, at the greatest load whose creep is allowed."""
        motor, fall = self._machine.motor, COMMON_FALL
        if motor is not None:
            supply_hz = self._setting.hz or motor.base_hz
            fall = full_load_slip_hz(motor, supply_hz=supply_hz) * motor.poles / (2.0 * supply_hz)
        return OVERLOAD * (fall + (0.0 if self._lead == "motor" else BELT.creep))

    def _load(self, motor_hz: float, idle_hz: float) -> float:
        assert self._motor is not None
        return float(load_of(idle_hz - motor_hz, motor=self._motor, supply_hz=self._setting.hz))

    def _settle(self, coupling: _Coupling, now_s: float) -> None:
        """Make steps of the places whose other shaft is known by now."""
        steps, pair = coupling.steps, coupling.pair
        assert steps is not None
        assert pair is not None
        dense = self._trails[coupling.dense]
        motor = self._trails[self._lead] if self._motor is not None else None
        while coupling.waiting:
            at_s, place = coupling.waiting[0]
            if dense.until_s < at_s:
                return
            if motor is not None and motor.until_s < at_s and now_s - at_s < MOTOR_WAIT_S:
                return
            coupling.waiting.pop(0)
            learn = self._running.idle_s is not None or (not steps.known and self._running.at_speed_s is not None)
            step = steps.take(at_s, place, dense.at(at_s), None if motor is None else motor.at(at_s), learn=learn)
            if step is None or step.start_s < coupling.lost_until_s:
                pair.broken()
            else:
                pair.take(step, self._running)
