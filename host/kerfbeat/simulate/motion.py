"""How do the shafts move?

Implicit steps that are short in a transient and long in steady running: halved until a group's speed departs from the
straight line through the step before by less than a tolerance, so that a second of transient costs some hundred steps
and a steady minute a few hundred.  Speed is taken as linear between the steps and angles are its exact integral, so
that truth is consistent to rounding whatever the step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import SimulateError
from kerfbeat.simulate.equations import Conditions, Step, solve_step
from kerfbeat.simulate.friction import CALM
from kerfbeat.simulate.noise import Wander, stream
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.plant import Plant
from kerfbeat.simulate.timeline import Timeline

__all__ = ["Course", "Knots", "Motion"]

Floats = NDArray[np.float64]

TOLERANCE = 3e-4  # of speed; the truth is exact at any tolerance, only the course of a transient gains from a finer one
NOISY_TOLERANCE = 3e-3  # while noise drives the machine, whose course between its grid points is arbitrary anyway
SHORTEST_STEP_S = 1e-3
TINY_STEP_S = 1e-8
LONGEST_STEP_S = 0.25
ENDLESS_S = 1e9
MOST_SETTLING_STEPS = 60
A_LITTLE_LONGER = 1.001  # a step reaches this much further rather than leave a tiny one
STILL = 1e-7  # of nominal speed: without supply this is rest
RAMP_STEP_S = 0.02  # while the supply ramps or is held back
LEAST_SUPPLY_HZ = 0.5  # an inverter at its torque limit does not go below
SOURCE_RUN_UP_S = 2.0  # of a machine without a motor
COMPENSATION_S = 0.2  # how fast an inverter adds its slip compensation


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """What is done to the machine over time; `friction` and `slip` by coupling, the blade's last."""

    supply_hz: Timeline
    running: Timeline
    load: Timeline
    friction: tuple[Timeline, ...]
    slip: tuple[Timeline, ...]

    def next_break_s(self, time_s: float) -> float:
        """First time after this one at which any of them changes."""
        lines = (self.supply_hz, self.running, self.load, *self.friction, *self.slip)
        return min(line.next_break_s(time_s) for line in lines)


@dataclass(frozen=True, kw_only=True, slots=True)
class Knots:
    """One stretch of motion at one setting: (K,) times, and (groups, K) or (couplings, K) values at them.

    speed : of each group's first shaft in rad/s, of the blade in m/s.
    slip : total loss of rim speed in each coupling, 0 at rest.
    slipping : whether its whole arc slips.
    """

    seconds: Floats
    speed: Floats
    slip: Floats
    slipping: NDArray[np.bool_]
    supply_hz: Floats
    torque_n_m: Floats
    load: Floats
    limited: NDArray[np.bool_]


class _Supply(NamedTuple):
    """State of the inverter: its frequency, what slip compensation adds, whether its torque limit holds it back."""

    hz: float
    added_hz: float
    limited: bool


class Motion:
    """The state of the machine, carried forward in time."""

    def __init__(self, plant: Plant, course: Course, parameters: Parameters, *, seed: int) -> None:
        self.plant = plant
        self.time_s = 0.0
        self._course = course
        self._parameters = parameters
        self._speed = [0.0] * len(plant.inertia)
        self._rate = [0.0] * len(plant.inertia)
        self._supply = _Supply(0.0, 0.0, False)
        self._torque_n_m = 0.0
        self._step_s = SHORTEST_STEP_S
        self._break_s = course.next_break_s(0.0)
        self._wander = Wander(correlation_s=parameters.wander_s, random=stream(seed, "wander"))
        self._chatter = Wander(correlation_s=parameters.chatter_s, random=stream(seed, "chatter"))

    def replace_plant(self, plant: Plant) -> None:
        """Put another belt position or gear in; only at rest, as on a real machine."""
        if any(abs(speed) > CALM * nominal for speed, nominal in zip(self._speed, self.plant.nominal, strict=True)):
            raise SimulateError(
                f"belt or gear cannot change at {self.time_s:g} s: the machine still turns; stop it first"
            )
        self.plant = plant
        self._speed = [0.0] * len(plant.inertia)

    def settle(self) -> None:
        """Begin in steady running.

        From synchronous speed, on the stable side of the torque curve, by longer and longer steps at the same moment
        until one that is longer than any transient changes nothing.
        """
        hz = self._course.supply_hz.at(self.time_s)
        pace = math.tau * hz * self.plant.motor.turns_per_supply_cycle / self.plant.nominal[0]
        self._speed = [pace * each for each in self.plant.nominal]
        step_s = SHORTEST_STEP_S
        for _ in range(MOST_SETTLING_STEPS):
            self._supply = _Supply(hz, self._compensation_hz(), False)
            before = self._speed
            self._speed, _, self._torque_n_m = self._solve(step_s, before)
            changes = zip(self._speed, before, self.plant.nominal, strict=True)
            if step_s > ENDLESS_S and max(abs(new - old) / scale for new, old, scale in changes) < 1e-12:
                break
            step_s *= 4
        self._step_s = LONGEST_STEP_S

    def _compensation_hz(self) -> float:
        motor = self.plant.motor
        share = self._torque_n_m / motor.full_load_torque_n_m
        return self._parameters.slip_compensation * motor.full_load_slip_hz * share

    def _conditions(self) -> Conditions:
        """What acts on the machine at `time_s`."""
        plant, course, parameters, now_s = self.plant, self._course, self._parameters, self.time_s
        electric_hz = 0.0
        if self._supply.hz > 0.0:
            swing = 1.0 + parameters.wander * self._wander.at(now_s) if parameters.wander else 1.0
            electric_hz = max(self._supply.hz + self._supply.added_hz, 0.0) * swing
        cold = math.exp(-now_s / parameters.warm_s)
        load = course.load.at(now_s)
        if load and parameters.chatter:
            load *= max(1.0 + parameters.chatter * self._chatter.at(now_s), 0.0)
        drag = [*plant.still_drag]
        drag[0] += parameters.warm_drag * cold * plant.motor.full_load_torque_n_m
        drag[-1] += load * plant.full_load_n[-1]
        return Conditions(
            electric_hz=electric_hz,
            resistance=1.0 + parameters.warm_motor * cold,
            drag=drag,
            limits_n=[
                each.limit_n(line.at(now_s)) for each, line in zip(plant.couplings, course.friction, strict=True)
            ],
            extra_slip=[line.at(now_s) for line in course.slip],
            pitch=1.0 + parameters.warm_pitch * cold,
        )

    def _try(self, step_s: float, guess: list[float]) -> Step | None:
        return solve_step(self.plant, self._conditions(), old=self._speed, guess=guess, step_s=step_s)

    def _solve(self, step_s: float, guess: list[float]) -> Step:
        step = self._try(step_s, guess)
        if step is None:
            raise SimulateError(
                f"the equations of motion were not solved at {self.time_s:g} s: a parameter is far from a real machine"
            )
        return step

    def _wanted_hz(self) -> float:
        """What the operator has set, 0 while the machine is switched off."""
        return self._course.supply_hz.at(self.time_s) if self._course.running.at(self.time_s) > 0.5 else 0.0

    def _next_supply(self, step_s: float) -> _Supply:
        """Find where the supply is after a step; an inverter ramps, and is held back at its torque limit."""
        parameters, plant, (hz, added_hz, _) = self._parameters, self.plant, self._supply
        wanted_hz = self._wanted_hz()
        if plant.supply == "mains" or (wanted_hz == 0.0 and parameters.coast):
            return _Supply(wanted_hz, 0.0, False)
        reach_hz = parameters.ramp_hz_per_s * step_s
        if plant.supply == "source":
            reach_hz = self._course.supply_hz.at(self.time_s) * step_s / SOURCE_RUN_UP_S
        limited = wanted_hz > 0.0 and plant.supply == "inverter" and self._past_limit(hz + added_hz)
        if limited:
            hz = max(hz - reach_hz, LEAST_SUPPLY_HZ)
        else:
            hz += min(max(wanted_hz - hz, -reach_hz), reach_hz)
        added_hz += (self._compensation_hz() - added_hz) * min(step_s / COMPENSATION_S, 1.0)
        return _Supply(hz, added_hz, limited)

    def _past_limit(self, electric_hz: float) -> bool:
        """Whether the motor slips by more than at the inverter's torque limit: it draws too much current."""
        motor = self.plant.motor
        limit_n_m = self._parameters.torque_limit * motor.full_load_torque_n_m * motor.flux(electric_hz)
        if not limit_n_m:
            return False
        slip_hz = electric_hz - self._speed[0] / (math.tau * motor.turns_per_supply_cycle)
        return slip_hz > motor.slip_hz_at(limit_n_m, supply_hz=electric_hz)

    def _pace(self) -> tuple[float, float]:
        """Longest step and tolerance for what drives the machine at `time_s`."""
        parameters = self._parameters
        longest_s, tolerance = LONGEST_STEP_S, TOLERANCE
        if parameters.wander:
            longest_s, tolerance = min(longest_s, self._wander.grid_s), NOISY_TOLERANCE
        if parameters.chatter and self._course.load.at(self.time_s) > 0.0:
            longest_s, tolerance = min(longest_s, self._chatter.grid_s), NOISY_TOLERANCE
        if self._supply.limited or self._supply.hz != self._wanted_hz():
            longest_s = min(longest_s, RAMP_STEP_S)
        return longest_s, tolerance

    def advance(self, until_s: float) -> Knots:
        """Move on to a time and return every step, the first being the state it began with."""
        nominal = self.plant.nominal
        rows = [self._row(self._solve(1e-9, self._speed))]
        while self.time_s < until_s:
            start_s, supply = self.time_s, self._supply
            end_s = min(self._break_s, until_s)
            longest_s, tolerance = self._pace()
            step_s = min(self._step_s, longest_s)
            at_end = start_s + step_s * A_LITTLE_LONGER >= end_s
            if at_end:
                step_s = end_s - start_s
            self.time_s = end_s if at_end else start_s + step_s
            self._supply = self._next_supply(step_s)
            guess = [speed + rate * step_s for speed, rate in zip(self._speed, self._rate, strict=True)]
            # The shortest step is taken as it is, or, where belts break loose in it, in still smaller pieces.
            shortest = step_s <= SHORTEST_STEP_S * A_LITTLE_LONGER
            step = self._solve(step_s, guess) if step_s < TINY_STEP_S else self._try(step_s, guess)
            off = math.inf
            if step is not None:
                off = max(
                    abs(new - straight) / (abs(new) + CALM * scale)
                    for new, straight, scale in zip(step.speed, guess, nominal, strict=True)
                )
            if step is None or (off > tolerance and not shortest):
                self.time_s, self._supply = start_s, supply
                self._step_s = step_s / 8 if shortest else max(step_s / 2, SHORTEST_STEP_S)
                continue
            self._rate = [(new - old) / step_s for new, old in zip(step.speed, self._speed, strict=True)]
            self._speed, self._torque_n_m = self._rested(step.speed), step.torque_n_m
            rows.append(self._row(step))
            if self.time_s >= self._break_s:
                self._break_s = self._course.next_break_s(self.time_s)
                self._step_s = SHORTEST_STEP_S
            elif off < tolerance / 4 or step_s < SHORTEST_STEP_S:
                self._step_s = min(max(self._step_s, step_s) * 1.6, LONGEST_STEP_S)
        return _knots(rows)

    def _rested(self, speed: list[float]) -> list[float]:
        """Call it rest when nothing drives and the drag has all but won."""
        still = self._supply.hz == 0.0 and all(
            abs(each) < STILL * scale for each, scale in zip(speed, self.plant.nominal, strict=True)
        )
        return [0.0] * len(speed) if still else speed

    def _row(self, step: Step) -> _Row:
        turning = self._speed[0] > CALM * self.plant.nominal[0]
        extras = (line.at(self.time_s) for line in self._course.slip)
        return _Row(
            seconds=self.time_s,
            speed=tuple([max(each, 0.0) for each in self._speed]),
            slip=tuple([1 - (1 - each.slip) * (1 - extra) for each, extra in zip(step.pulls, extras, strict=True)])
            if turning
            else (0.0,) * len(step.pulls),
            slipping=tuple([each.slipping and turning for each in step.pulls]),
            supply_hz=self._supply.hz,
            torque_n_m=self._torque_n_m,
            load=self._course.load.at(self.time_s),
            limited=self._supply.limited,
        )


class _Row(NamedTuple):
    """One step, as in `Knots`."""

    seconds: float
    speed: tuple[float, ...]
    slip: tuple[float, ...]
    slipping: tuple[bool, ...]
    supply_hz: float
    torque_n_m: float
    load: float
    limited: bool


def _knots(rows: list[_Row]) -> Knots:
    """Turn the steps into arrays."""
    numbers = [np.array(column, dtype=float).T for column in zip(*rows, strict=True)]
    return Knots(
        seconds=numbers[0], speed=numbers[1], slip=numbers[2], slipping=numbers[3] > 0.5, supply_hz=numbers[4],
        torque_n_m=numbers[5], load=numbers[6], limited=numbers[7] > 0.5,
    )  # fmt: skip
