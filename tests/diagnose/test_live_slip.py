"""Does the live detector find slip as the whole log's does, and nothing where nothing slips?

Logs of known truth are played to it edge by edge, as a board tells them, in portions of any length.
"""

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest

from kerfbeat.calibration import Calibration, Result, belongs_to, known
from kerfbeat.diagnose.live_slip import LiveSlip
from kerfbeat.diagnose.slip import slip_of
from kerfbeat.machine import Setting, demo_text
from kerfbeat.measure.live import LiveSpeed

SAW, GRINDER = demo_text("saw"), demo_text("grinder")
ALONE = SAW.replace("[sensor.motor]\ntargets = 1\n", "").replace("[sensor.blade]\ntargets = 1", "")
DRIVEN = SAW.replace("[sensor.blade]\ntargets = 1", '[sensor.driven]\ntargets = 2\nstage = "first belt"\ninput = 3')
RICH = SAW.replace("[sensor.wheel]\ntargets = 4", "[sensor.wheel]\ntargets = 24")
FULL_GRINDER = GRINDER.replace('[sensor.driven]\ntargets = 2\nstage = "step pulleys"\n', "").replace(
    "[limits]", "[sensor.motor]\ntargets = 1\n\n[sensor.blade]\ntargets = 1\n\n[limits]"
)
RIPPLES = {"belt_lump": 0.002, "wheel_wobble": 0.001, "jitter_s": 15e-6}
LOSS = {"loss_at_s": 26.0, "loss_s": 3.0}
BUSY = {"missing": 0.01, "bounce": 0.01}


def acts_of(segment):
    """Marks and losses by tick, losses first: a board tells of them before what came after."""
    losses = [(each.start_ticks, 0, each) for each in segment.losses]
    return sorted([*losses, *((mark.ticks, 1, mark) for mark in segment.marks)], key=lambda act: act[:2])


class Player:
    """Plays a log to the live detector; `told` are (seconds of the log, pair, what is slipping or None)."""

    def __init__(self, log, *, known=None, portion_s=0.1):
        self.live = LiveSlip(log.machine, known=known)
        self.told, self._now, self._setting = [], {}, Setting()
        offset_s = 0.0
        for segment in log.segments:
            self._play(log.machine, segment, offset_s, portion_s)
            offset_s += segment.duration_s

    def _play(self, machine, segment, offset_s, portion_s):
        hz = segment.tick_hz
        shafts = {name: LiveSpeed(targets=sensor.targets, tick_hz=hz) for name, sensor in machine.sensors.items()}
        for name in self.live.watched:
            shafts[name].keep_places()
        self.live.restart(hz)
        acts = acts_of(segment)
        ends = np.arange(segment.start_ticks, segment.end_ticks, max(1, int(portion_s * hz))).tolist()
        fed = dict.fromkeys(shafts, 0)
        for end in sorted({*ends, segment.end_ticks, *(act[0] for act in acts)}):
            for name, shaft in shafts.items():
                edges = segment.edge_ticks[name]
                until = int(np.searchsorted(edges, end, side="right"))
                shaft.feed(edges[fed[name] : until], end)
                fed[name] = until
            self.live.feed({name: shafts[name].take_places() for name in self.live.watched}, end)
            while acts and acts[0][0] <= end:
                _, is_mark, act = acts.pop(0)
                if is_mark:
                    self._mark(act)
                else:
                    shafts[act.channel].lose(act.start_ticks, act.end_ticks, act.pulses)
                    self.live.lose(act.channel, act.end_ticks)
            self._look(offset_s - segment.start_ticks / hz, end / hz)

    def _mark(self, mark):
        if mark.key == "cut":
            self.live.set_cutting(mark.value == "start", mark.ticks)
        elif mark.key in ("hz", "gear", "belt"):
            value = float(mark.value) if mark.key == "hz" else mark.value
            self._setting = dataclasses.replace(self._setting, **{mark.key: value})
            self.live.set_setting(self._setting, mark.ticks)

    def _look(self, shift_s, at_s):
        now = {(each.up, each.down): each for each in self.live.alarms}
        for pair in now.keys() - self._now.keys():
            slipping = now[pair].now
            times = {name: getattr(slipping, name) + shift_s for name in ("since_s", "alarm_s")}
            self.told.append((shift_s + at_s, pair, dataclasses.replace(slipping, **times)))
        self.told += [(shift_s + at_s, pair, None) for pair in self._now.keys() - now.keys()]
        self._now = now


def unmarked(log, *keys):
    """The log without the marks of some keys but those at its beginning."""
    segments = tuple(
        dataclasses.replace(
            segment, marks=tuple(m for m in segment.marks if m.key not in keys or m.ticks <= segment.start_ticks + 1000)
        )
        for segment in log.segments
    )
    return dataclasses.replace(log, segments=segments)


def begun_at(log, at_s):
    """The log as it were if it had begun later, without marks of cuts."""
    (segment,) = log.segments
    start = segment.start_ticks + int(at_s * segment.tick_hz)
    marks = tuple(
        dataclasses.replace(mark, ticks=max(mark.ticks, start)) for mark in segment.marks if mark.key != "cut"
    )
    edges = {name: ticks[ticks > start] for name, ticks in segment.edge_ticks.items()}
    return dataclasses.replace(
        log, segments=(dataclasses.replace(segment, start_ticks=start, edge_ticks=edges, marks=marks),)
    )


SLIPS = [
    (SAW, "belt-slip", {"slip": 0.015, **RIPPLES}, ("motor", "wheel")),
    (SAW, "belt-slip", {"gear": "high", "hz": 35}, ("motor", "wheel")),
    (SAW, "belt-slip", {"reset_at_s": 40.0}, ("motor", "wheel")),
    (SAW, "belt-slip", {**LOSS, **BUSY}, ("motor", "wheel")),
    (RICH, "belt-slip", {"slip": 0.01, **RIPPLES}, ("motor", "wheel")),
    (DRIVEN, "belt-slip", {"slip": 0.01, **RIPPLES}, ("motor", "driven")),
    (FULL_GRINDER, "belt-slip", {"slip": 0.01, **RIPPLES}, ("motor", "wheel")),
    (FULL_GRINDER, "blade-slip", {}, ("wheel", "blade")),
]


@pytest.mark.parametrize(("machine", "scenario", "settings", "pair"), SLIPS)
def test_the_same_slip_as_in_the_whole_log(play, machine, scenario, settings, pair):
    """One event in both, at 55 to 80 s: begun alike within a pulse of the slower channel (1.25 s at least) and found
    within three of them, since one that looks misplaced is held back by a pulse.
    """
    log, _ = play(scenario, machine=machine, seed=900 + SLIPS.index((machine, scenario, settings, pair)), **settings)
    (event,) = [each for each in slip_of(log).events if each.kind.endswith("slip")]
    (_, begun, slipping), (ended_s, over, nothing) = Player(log).told
    assert begun == over == pair
    assert nothing is None
    assert slipping.since_s == pytest.approx(event.start_s, abs=1.25)
    assert -0.2 < slipping.alarm_s - event.alarm_s < 1.5
    assert ended_s == pytest.approx(event.end_s + 2.0, abs=2.0)
    assert slipping.baseline == "idle running so far"


def test_any_portions_give_the_same(play):
    log, _ = play("belt-slip", machine=DRIVEN, seed=910, slip=0.015, jitter_s=15e-6)
    late = begun_at(log, 35.0)  # twenty seconds of idle running, then the slip
    played = [Player(late, portion_s=portion_s) for portion_s in (0.1, 0.013, 1.7, 12.0)]
    begun = [[(pair, now.since_s, now.alarm_s) for _, pair, now in each.told if now is not None] for each in played]
    assert len(begun[0]) == 1
    assert begun[1:] == begun[:1] * 3
    assert {each.live.baseline for each in played} == {"idle running so far"}


HEALTHY = [
    ("start-stop", {}, None),
    ("start-stop", {"coast": 1}, None),
    ("gear-change", RIPPLES, None),
    ("gear-change", RIPPLES, lambda log: unmarked(log, "gear", "belt")),
    ("sweep", RIPPLES, lambda log: unmarked(log, "hz")),
    ("sweep", RIPPLES, None),
    ("cut", {"cut_load": 0.9, **RIPPLES}, lambda log: unmarked(log, "cut")),
    ("cut", {"cut_load": 0.9, **RIPPLES}, lambda log: begun_at(log, 30.0)),
    ("cut", {"cut_load": 0.9, "reset_at_s": 25.0}, None),
    ("cut", {"loss_at_s": 22.0, "loss_s": 1.0}, None),
    ("cut", BUSY, None),
    ("noise", {}, None),
    ("lost-target", {"fall_at_s": 3.0}, None),
    ("overload", RIPPLES, None),
]


@pytest.mark.parametrize(
    ("machine", "chosen"),
    [(SAW, range(len(HEALTHY))), (FULL_GRINDER, (2, 6, 7, 11)), (GRINDER, (3, 7, 10, 11, 13)), (RICH, (6, 11))],
    ids=["saw", "full grinder", "grinder", "24 targets"],
)
def test_nothing_slips(play, machine, chosen):
    """Starts, stops, changes of gear and speed (marked or not), cuts, loss, reset, noise, a lost target: no alarm.

    In an overload belts creep more than at full load, and slip for an instant as the motor stalls; without a motor
    channel nothing is told of it.
    """
    for number in chosen:
        scenario, settings, change = HEALTHY[number]
        log, _ = play(scenario, machine=machine, seed=950 + number, **settings)
        player = Player(log if change is None else change(log))
        assert player.told == [], (scenario, settings)
        assert player.live.baseline == "idle running so far" or scenario in ("noise", "cut"), scenario


def calibrated_saw(machine, name, ratio):
    """The machine with a stored total ratio of one gear."""
    stored = Result(
        quantity="total ratio", of=name, value=(ratio,), u=(0.0002 * ratio,), unit="1",
        date=datetime(2026, 3, 4, tzinfo=UTC), sources=(), conditions={},
        belongs_to=belongs_to(machine, "total ratio", name),
    )  # fmt: skip
    return known(Calibration(machine=machine.name, results=(stored,)), machine)


@pytest.mark.parametrize("load", [0.5, 1.0])
def test_no_normal_creep_in_a_normal_cut_is_an_alarm_against_a_calibrated_ratio(play, load):
    """The host begins in a cut: no idle running tells the load, and a belt at the end of its life creeps 2 % at full
    load (the most that is healthy; common practice, no published source)."""
    log, _ = play("cut", machine=RICH, seed=931, creep=0.02, cut_load=load, gear="high", chatter=0.3)
    first = next(mark for mark in log.segments[0].marks if mark.key == "cut" and mark.value == "start")
    late = begun_at(log, first.ticks / log.segments[0].tick_hz + 2.0)
    player = Player(late, known=calibrated_saw(log.machine, "gear high", 26.0))
    assert player.told == []


def test_a_calibrated_ratio_is_the_baseline_until_idle_running_was_seen(play):
    """6 % of slip from the first second on: only a stored ratio can tell, since no idle running came before it."""
    log, _ = play("belt-slip", machine=RICH, seed=930, slip=0.06, gear="high")
    late = begun_at(log, 57.0)
    assert Player(late).told == []
    held = calibrated_saw(log.machine, "gear high", 26.0)
    (_, pair, now), *_ = Player(late, known=held).told
    assert pair == ("motor", "wheel")
    assert now.baseline == "ratio calibrated on 2026-03-04"
    assert now.percent == pytest.approx(6.0, abs=1.0)


def test_one_channel_is_not_watched(play):
    log, _ = play("cut", machine=ALONE, seed=1)
    assert LiveSlip(log.machine).watched == ()
    assert LiveSlip(log.machine).baseline == ""
