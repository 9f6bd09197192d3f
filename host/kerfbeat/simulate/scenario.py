"""Which runs can be played, and what happens in each?

A scenario is a plan for any machine: when it is switched on, what is cut, what goes wrong.  Times below are those of
the default length; `duration` stretches them.  Loads are parts of the motor's full-load torque (`cut_load`, 0.5).  The
physics is the same in all of them: an inverter that ramps, a motor with its torque curve, belts that creep with their
pull and slip beyond their grip, inertias, a blade that creeps and slips on its wheel; parameters set everything else
that may go wrong (a lumpy belt, a bad joint, missing pulses, noise, a reset) in any scenario.

steady        60 s in steady running, idle.
start-stop    60 s: still, on at 3 s, up the inverter's ramp, off at 40 s, down the ramp (coast=1: runs down freely).
cut           90 s running: a cut at 20-50 s, a heavier one (1.6 times the load, at most 1) at 60-75 s.
gear-change   90 s: runs to 30 s, stops, next gear (or belt position, if there is one gear) at 42 s, on again at 45 s.
sweep         `points` frequencies of `dwell` seconds each, from the lowest to the highest the inverter is set to; with
              `all_gears` set to 1 so in every gear, 20 s for stopping and changing between them.
warm-up       40 min idle from cold: belt pitch 0.4 % large, rotor 10 % low in resistance (less slip), drag 1 % more,
              all falling to their warm values with one time constant (`warm_s`, 600 s).
belt-slip     100 s running: a healthy cut at 15-35 s; oil on the first belt from 45 s; a cut at 55-80 s, in which it
              slips.  With `slip` given, exactly that slip is imposed at 55-80 s instead of oil.
blade-slip    the same with the blade on its wheel.
overload      90 s running: from 20 s the load climbs to 2.2 times full load in 40 s, past the inverter's torque limit
              (or the belt's grip, whichever comes first), released at 65 s.
noise         60 s with a cut at 20-40 s: noise bursts of the inverter every 3 s or so, bounce, stray, missing pulses.
lost-target   60 s running; one wheel target falls off at 30 s (`fall_at_s`; `fallen`, the first).
everyday      an hour of a working day: switched on, some cuts of changing load, off for a while, again and again.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from kerfbeat.errors import SimulateError
from kerfbeat.machine import BeltStage, Machine, Setting, belt_choices, gear_choices
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.parameters import Parameters, with_settings
from kerfbeat.simulate.plan import Action, Change, Cut, Frequency, Note, Oil, Plan, Slip, Switch, Where
from kerfbeat.simulate.plant import first_setting

__all__ = ["SCENARIOS", "Scenario", "parameters_of", "plan_of", "scenario_named"]

HOUR_S = 3600.0
CHANGE_S = 20.0  # to stop, change gear and run up again


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """What a scenario's plan is made for."""

    machine: Machine
    parameters: Parameters
    setting: Setting
    duration_s: float
    seed: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Scenario:
    """One named run: its default length, the parameters it sets unless told otherwise, and how its plan is made."""

    name: str
    summary: str
    duration_s: float
    actions: Callable[[Stage], Iterator[Action]]
    running: bool = True
    defaults: tuple[tuple[str, str], ...] = ()


def _steady(stage: Stage) -> Iterator[Action]:
    yield from ()


def _start_stop(stage: Stage) -> Iterator[Action]:
    yield Switch(at_s=0.05 * stage.duration_s, on=True)
    yield Switch(at_s=2 / 3 * stage.duration_s, on=False)


def _cut(stage: Stage) -> Iterator[Action]:
    unit_s, load = stage.duration_s / 90, stage.parameters.cut_load
    yield Cut(at_s=20 * unit_s, load=load)
    yield Cut(at_s=50 * unit_s, load=0.0)
    yield Cut(at_s=60 * unit_s, load=max(load, min(1.6 * load, 1.0)))
    yield Cut(at_s=75 * unit_s, load=0.0)


def _next_choice(choices: tuple[str, ...], now: str | None) -> str | None:
    """The choice after the present one, round to the first; None if there is no other."""
    if len(choices) < 2 or now not in choices:
        return None
    return choices[(choices.index(now) + 1) % len(choices)]


def _gear_change(stage: Stage) -> Iterator[Action]:
    machine, setting, unit_s = stage.machine, stage.setting, stage.duration_s / 90
    gear = _next_choice(gear_choices(machine), setting.gear)
    belt = _next_choice(belt_choices(machine), setting.belt)
    if gear is not None:
        new = dataclasses.replace(setting, gear=gear)
    elif belt is not None:
        new = dataclasses.replace(setting, belt=belt)
    else:
        raise SimulateError(f"gear-change: {machine.name} has one gear and one belt position; choose another scenario")
    yield Switch(at_s=30 * unit_s, on=False)
    yield Change(at_s=42 * unit_s, setting=new)
    yield Switch(at_s=45 * unit_s, on=True)


def _sweep_hz(stage: Stage) -> list[float]:
    """The frequencies of a sweep, as the inverter's display can show them."""
    parameters, machine, setting = stage.parameters, stage.machine, stage.setting
    middle_hz = setting.hz or 0.0
    inverter = machine.inverter
    low_hz = parameters.sweep_from_hz or (inverter.minimum_hz if inverter else 0.5 * middle_hz)
    high_hz = parameters.sweep_to_hz or (inverter.maximum_hz if inverter else middle_hz)
    if low_hz <= 0 or high_hz <= low_hz:
        raise SimulateError(f"sweep: {low_hz:g} to {high_hz:g} Hz is no sweep; set sweep_from_hz below sweep_to_hz")
    step_hz = (high_hz - low_hz) / (parameters.points - 1)
    shown_hz = inverter.resolution_hz if inverter and inverter.resolution_hz else 0.01
    return [round((low_hz + k * step_hz) / shown_hz) * shown_hz for k in range(parameters.points)]


def _swept_settings(machine: Machine, parameters: Parameters, setting: Setting) -> list[Setting]:
    """Settings in which a sweep is made: the present one, then the other gears if all were asked for."""
    others = [gear for gear in gear_choices(machine) if gear != setting.gear] if parameters.all_gears else []
    return [setting, *(dataclasses.replace(setting, gear=gear) for gear in others)]


def _sweep(stage: Stage) -> Iterator[Action]:
    parameters, steps_hz = stage.parameters, _sweep_hz(stage)
    for n, setting in enumerate(_swept_settings(stage.machine, parameters, stage.setting)):
        start_s = n * (parameters.points * parameters.dwell_s + CHANGE_S)
        if n:
            yield Switch(at_s=start_s - CHANGE_S, on=False)
            yield Change(at_s=start_s - 0.3 * CHANGE_S, setting=setting)
            yield Switch(at_s=start_s - 0.2 * CHANGE_S, on=True)
        for k, hz in enumerate(steps_hz):
            if k:
                yield Frequency(at_s=start_s + k * parameters.dwell_s, hz=hz)
            elif n:
                yield Frequency(at_s=start_s - 0.25 * CHANGE_S, hz=hz)


def _warm_up(stage: Stage) -> Iterator[Action]:
    yield Note(at_s=0.0, text="started cold")


def _slipping(stage: Stage, where: Where) -> Iterator[Action]:
    parameters, unit_s = stage.parameters, stage.duration_s / 100
    if where == "belt" and not any(isinstance(each, BeltStage) for each in stage.machine.stages):
        raise SimulateError(
            f"belt-slip: {stage.machine.name} has no belt stage; describe one or choose another scenario"
        )
    yield Cut(at_s=15 * unit_s, load=parameters.cut_load)
    yield Cut(at_s=35 * unit_s, load=0.0)
    if parameters.slip is None:
        yield Oil(at_s=45 * unit_s, where=where, grip=parameters.oil * parameters.cut_load)
    else:
        yield Slip(at_s=55 * unit_s, where=where, slip=parameters.slip)
    yield Cut(at_s=55 * unit_s, load=parameters.cut_load)
    yield Cut(at_s=80 * unit_s, load=0.0)
    if parameters.slip is not None:
        yield Slip(at_s=80 * unit_s, where=where, slip=0.0)


def _belt_slip(stage: Stage) -> Iterator[Action]:
    yield from _slipping(stage, "belt")


def _blade_slip(stage: Stage) -> Iterator[Action]:
    yield from _slipping(stage, "blade")


def _overload(stage: Stage) -> Iterator[Action]:
    unit_s = stage.duration_s / 90
    yield Cut(at_s=20 * unit_s, load=2.2, ramp_s=40 * unit_s)
    yield Cut(at_s=65 * unit_s, load=0.0)


def _noise(stage: Stage) -> Iterator[Action]:
    unit_s = stage.duration_s / 60
    yield Cut(at_s=20 * unit_s, load=stage.parameters.cut_load)
    yield Cut(at_s=40 * unit_s, load=0.0)


def _everyday(stage: Stage) -> Iterator[Action]:
    random = stream(stage.seed, "everyday")
    now_s = 2.0
    while now_s < stage.duration_s:
        yield Switch(at_s=now_s, on=True)
        now_s += float(random.uniform(12, 20))
        for _ in range(int(random.integers(3, 6))):
            yield Cut(at_s=now_s, load=stage.parameters.cut_load * float(random.uniform(0.6, 1.4)))
            now_s += float(random.uniform(20, 60))
            yield Cut(at_s=now_s, load=0.0)
            now_s += float(random.uniform(10, 25))
        yield Switch(at_s=now_s, on=False)
        now_s += float(random.uniform(15, 30))


WARM_UP = (("warm_pitch", "0.004"), ("warm_motor", "-0.1"), ("warm_drag", "0.01"))
NOISE = (("burst_every_s", "3"), ("bounce", "0.004"), ("extra_hz", "0.05"), ("missing", "0.002"))
LOST = (("fall_at_s", "30"),)

SCENARIOS = (
    Scenario(name="steady", summary="Steady running, idle.", duration_s=60, actions=_steady),
    Scenario(name="start-stop", summary="On, and off again.", duration_s=60, actions=_start_stop, running=False),
    Scenario(name="cut", summary="Two cuts under load.", duration_s=90, actions=_cut),
    Scenario(name="gear-change", summary="Stopped, another gear, on again.", duration_s=90, actions=_gear_change),
    Scenario(name="sweep", summary="The inverter's frequencies, step by step.", duration_s=120, actions=_sweep),
    Scenario(name="warm-up", summary="From cold to warm.", duration_s=2400, actions=_warm_up, defaults=WARM_UP),
    Scenario(name="belt-slip", summary="An oily belt slips in a cut.", duration_s=100, actions=_belt_slip),
    Scenario(name="blade-slip", summary="The blade slips on its wheel in a cut.", duration_s=100, actions=_blade_slip),
    Scenario(name="overload", summary="A load grows past what the drive can do.", duration_s=90, actions=_overload),
    Scenario(name="noise", summary="Noise, bounce, missing pulses.", duration_s=60, actions=_noise, defaults=NOISE),
    Scenario(name="lost-target", summary="A wheel target falls off.", duration_s=60, actions=_steady, defaults=LOST),
    Scenario(name="everyday", summary="An hour of a working day.", duration_s=HOUR_S, actions=_everyday, running=False),
)  # fmt: skip


def scenario_named(name: str) -> Scenario:
    """Find a scenario; SimulateError with the nearest name if there is none."""
    known = {scenario.name: scenario for scenario in SCENARIOS}
    wanted = name.strip().lower().replace("_", "-").replace(" ", "-")
    if wanted in known:
        return known[wanted]
    near = difflib.get_close_matches(wanted, known, n=1)
    guess = f'did you mean "{near[0]}"?' if near else f"choose one of {', '.join(known)}"
    raise SimulateError(f'there is no scenario "{name}"; {guess}')


def parameters_of(scenario: Scenario, settings: Mapping[str, str | float]) -> Parameters:
    """Take the general defaults, the scenario's own over them, what the user set over both."""
    return with_settings(with_settings(Parameters(), dict(scenario.defaults)), settings)


def plan_of(scenario: Scenario, *, machine: Machine, parameters: Parameters, seed: int) -> Plan:
    """Make the plan of a scenario for a machine.

    Raises SimulateError if the machine has not what the scenario needs, MachineError if the setting does not exist.
    """
    duration_s = parameters.duration_s or scenario.duration_s
    if scenario.name == "sweep":
        sweeps = len(_swept_settings(machine, parameters, first_setting(machine, parameters)))
        duration_s = sweeps * (parameters.points * parameters.dwell_s + CHANGE_S) - CHANGE_S
    setting = first_setting(machine, parameters)
    stage = Stage(machine=machine, parameters=parameters, setting=setting, duration_s=duration_s, seed=seed)
    if scenario.name == "sweep":
        setting = dataclasses.replace(setting, hz=_sweep_hz(stage)[0])
    actions = tuple(action for action in scenario.actions(stage) if action.at_s < duration_s)
    return Plan(duration_s=duration_s, running=scenario.running, setting=setting, actions=actions)
