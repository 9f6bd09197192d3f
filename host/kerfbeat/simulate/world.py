"""What does the simulated machine do, stretch by stretch, and which edges come of it?"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import SimulateError
from kerfbeat.machine import Machine, Setting
from kerfbeat.simulate.clock import BoardClock
from kerfbeat.simulate.motion import Knots, Motion
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.plan import Plan
from kerfbeat.simulate.plant import Plant, build_plant
from kerfbeat.simulate.ripples import carried_over, ripples_of
from kerfbeat.simulate.scenario import parameters_of, plan_of, scenario_named
from kerfbeat.simulate.stamps import Stamper
from kerfbeat.simulate.targets import Edges, SensorModel, held_back_s
from kerfbeat.simulate.trajectory import Ripple, Trajectory

__all__ = ["EdgeBlock", "Stretch", "World", "edge_blocks"]

STRETCH_S = 5.0  # of motion at a time: small enough for a live port, large enough for numpy


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """Some seconds of the machine at one setting: its motion, and every channel's edges.

    complete_s : every edge before this time has been given; those of the stretch's last instants come with the next.
    """

    setting: Setting
    plant: Plant
    knots: Knots
    trajectory: Trajectory
    edges: Mapping[str, Edges]
    complete_s: float
    final: bool


class World:
    """One run of a scenario on a machine; everything follows from scenario, machine, seed and settings.

    machine : as described, which is what a log will carry.
    real_machine : what really stands there, if it differs (a wrong pulley, a wrong pole count); it must have the same
        sensors.
    run_on_s : the run goes on, in the state of its end, at least to this time.
    """

    def __init__(
        self,
        scenario: str,
        machine: Machine,
        *,
        seed: int = 0,
        settings: Mapping[str, str | float] | None = None,
        real_machine: Machine | None = None,
        run_on_s: float = 0.0,
    ) -> None:
        if seed < 0:
            raise SimulateError(f"seed: {seed} cannot be; write 0 or a positive whole number")
        self.scenario = scenario_named(scenario)
        self.machine = machine
        self.real_machine = real_machine or machine
        self.seed = seed
        self.parameters: Parameters = parameters_of(self.scenario, settings or {})
        plan = plan_of(self.scenario, machine=self.real_machine, parameters=self.parameters, seed=seed)
        self.plan: Plan = dataclasses.replace(plan, duration_s=max(plan.duration_s, run_on_s))
        self.clock = BoardClock.from_parameters(self.parameters, seed=seed)
        self.hz_error = self._hz_error()
        self.bursts_s = self._bursts()
        # Built here, so that what cannot be is told before anything is played.
        self._plant = build_plant(self.real_machine, self.plan.setting, self.parameters)
        self._ripples = ripples_of(self.real_machine, self._plant, self.parameters, seed=seed)
        self.tracks = {channel: self._track(channel) for channel in machine.sensors}
        self.sensors = {
            channel: SensorModel(
                self.real_machine.sensors[channel], track=track, parameters=self.parameters, bursts_s=self.bursts_s,
                seed=seed,
            )
            for channel, track in self.tracks.items()
        }  # fmt: skip

    def _hz_error(self) -> float:
        """True frequency less the one shown: a display rounds to its last digit."""
        inverter = self.real_machine.inverter
        if self.parameters.hz_error is not None:
            return self.parameters.hz_error
        if inverter is None or inverter.resolution_hz is None:
            return 0.0
        return float(stream(self.seed, "display").uniform(-0.5, 0.5)) * inverter.resolution_hz

    def _bursts(self) -> list[tuple[float, float]]:
        """Start and length of every noise burst of the run."""
        every_s, bursts = self.parameters.burst_every_s, []
        random = stream(self.seed, "bursts")
        now_s = float(random.exponential(every_s)) if every_s else self.plan.duration_s
        while now_s < self.plan.duration_s:
            bursts.append((now_s, self.parameters.burst_s))
            now_s += self.parameters.burst_s + float(random.exponential(every_s))
        return bursts

    def _track(self, channel: str) -> str:
        if channel not in self.real_machine.sensors:
            raise SimulateError(f"the real machine has no sensor for the channel {channel}; describe the same sensors")
        if channel != "driven":
            return channel
        stage = self.real_machine.driven_stage_index()
        if stage is None:
            raise SimulateError(f"{self.machine.name} has a driven channel but no belt; describe the stage it watches")
        return f"shaft {stage + 1}"

    def stampers(self) -> dict[str, Stamper]:
        """What gives each channel's edges their ticks, from the run's start on."""
        return {
            channel: Stamper(
                board_input=sensor.input, clock=self.clock, random=stream(self.seed, f"latency of {channel}")
            )
            for channel, sensor in self.machine.sensors.items()
        }

    def stretches(self) -> Iterator[Stretch]:
        """Play the run once, from its start.  A world can be played once; make another for another run."""
        plan, parameters, seed = self.plan, self.parameters, self.seed
        settings = plan.settings()
        plant, ripples = self._plant, self._ripples
        course = plan.course(
            plant, hz_error=self.hz_error, belt_slip=parameters.belt_slip, blade_slip=parameters.blade_slip
        )
        motion = Motion(plant, course, parameters, seed=seed)
        if plan.running:
            motion.settle()
        turns = dict.fromkeys(plant.tracks, 0.0)
        changes_s = [at_s for at_s, _ in settings[1:]] + [plan.duration_s]
        for (_, setting), until_s in zip(settings, changes_s, strict=True):
            if motion.time_s > 0:
                plant = build_plant(self.real_machine, setting, parameters)
                motion.replace_plant(plant)
                ripples = carried_over(ripples, ripples_of(self.real_machine, plant, parameters, seed=seed), turns)
            while motion.time_s < until_s:
                end_s = min(motion.time_s + STRETCH_S, until_s)
                knots = motion.advance(end_s)
                trajectory = _trajectory(knots, plant, turns, ripples)
                turns = {name: float(values[-1]) for name, values in trajectory.turns.items()}
                final = end_s >= plan.duration_s
                edges = {name: sensor.edges(trajectory, final=final) for name, sensor in self.sensors.items()}
                yield Stretch(
                    setting=setting, plant=plant, knots=knots, trajectory=trajectory, edges=edges, final=final,
                    complete_s=end_s if final else end_s - held_back_s(parameters),
                )  # fmt: skip


def _trajectory(
    knots: Knots, plant: Plant, turns: Mapping[str, float], ripples: Mapping[str, tuple[Ripple, ...]]
) -> Trajectory:
    """Turns of every track: the exact integral of speeds that are linear between the knots."""
    steps_s = np.diff(knots.seconds)
    all_hz, all_turns = {}, {}
    for name, track in plant.tracks.items():
        hz = knots.speed[track.group] * track.turns_per_unit
        made = np.concatenate(([0.0], np.cumsum(steps_s * (hz[1:] + hz[:-1]) / 2)))
        all_hz[name], all_turns[name] = hz, turns[name] + made
    return Trajectory(seconds=knots.seconds, hz=all_hz, turns=all_turns, ripples=ripples)


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeBlock:
    """Edges of all inputs in order of time: (n,) true seconds, and (n,) the board's input numbers, 1 to 3.

    complete_s : no later block holds an edge before this time.
    """

    seconds: NDArray[np.float64]
    inputs: NDArray[np.int8]
    complete_s: float


def edge_blocks(world: World) -> Iterator[EdgeBlock]:
    """Edges at the board's pins, for driving an emulated board with the simulated machine.

    Sensor delay, noise, missing and extra edges are in; the board's own clock and latency are not.
    """
    inputs = {channel: sensor.input for channel, sensor in world.machine.sensors.items()}
    for stretch in world.stretches():
        seconds = np.concatenate([edges.seconds for edges in stretch.edges.values()])
        numbers = [np.full(len(edges.seconds), inputs[name], dtype=np.int8) for name, edges in stretch.edges.items()]
        order = np.argsort(seconds, kind="stable")
        yield EdgeBlock(seconds=seconds[order], inputs=np.concatenate(numbers)[order], complete_s=stretch.complete_s)
