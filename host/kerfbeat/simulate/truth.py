"""What is true of a run, for whoever judges an estimate of it?

The document has plain keys with their unit:

scenario, machine, real_machine (text, if it differs from the described one), seed, parameters, duration_s
mean_blade_m_per_s, mean_surface_m_per_s, mean_hz{track}: over the whole run, from exact turns; surface is the wheel's
blade_length_m, hz_error (true supply frequency less the one shown)
steady[]: stretches between two actions of the operator, without their first part (at most `SETTLE_S`, at most half):
    start_s, end_s, belt, gear, hz (as shown), supply_hz, running, load, mean_hz{track}, blade_m_per_s, ratio
events[]: start_s, end_s, cause, peak_percent: what was done, and what came of it (a belt slips beyond creep, ...)
marks[]: at_s, key, value: what the operator wrote down
ripples[]: every sine wave in the speeds: track, along, order (per turn of `along`), order_of_track, amplitude_percent
clock{}: ppm by its parts; mean_ppm over the run; host_ppm
channels{}: track, input, angles_deg, phase_turns, passes, pulses, missing, extra, extra_by_kind, missing_s[],
    extra_s[], delay_s, jitter_s
trace{}: by time: seconds, ticks of the board's clock, turns and speed of every track (ripples included), slip of every
    belt and of the blade, motor slip, supply, torque, load; point samples, between which turns give exact means

Tracks are `motor`, `shaft 1` (behind the first stage) and so on, `wheel`, `blade` (passes) and `belt 1` (passes).
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.simulate.clock import TICK_HZ
from kerfbeat.simulate.plan import Change, Cut, Frequency, Happening, OperatorMark, Switch
from kerfbeat.simulate.targets import KINDS, TARGET
from kerfbeat.simulate.watcher import Watcher
from kerfbeat.simulate.world import Stretch, World

__all__ = ["TruthKeeper"]

Floats = NDArray[np.float64]

SAMPLES = 2000  # of the trace; closer than LEAST_STEP_S there are none
LEAST_STEP_S = 0.05
SETTLE_S = 8.0
MOST_LISTED = 10_000  # times of missing and extra pulses
DIGITS = 12


class TruthKeeper:
    """Watches a world being played and writes down what is true of it."""

    def __init__(self, world: World) -> None:
        self._world = world
        duration_s = world.plan.duration_s
        count = max(2, min(SAMPLES, int(duration_s / LEAST_STEP_S)) + 1)
        steady = self._steady_s()
        wanted_s = {*np.linspace(0.0, duration_s, count).tolist(), *(end for pair in steady for end in pair)}
        self._steady = steady
        self._samples_s = np.array(sorted(wanted_s))
        self._columns: dict[str, list[Floats]] = {}
        self._pulses = dict.fromkeys(world.sensors, 0)
        self._passes = dict.fromkeys(world.sensors, 0)
        self._extra = {channel: np.zeros(len(KINDS), dtype=int) for channel in world.sensors}
        self._missing_s: dict[str, list[float]] = {channel: [] for channel in world.sensors}
        self._extra_s: dict[str, list[float]] = {channel: [] for channel in world.sensors}
        self._missing = dict.fromkeys(world.sensors, 0)
        self._watcher = Watcher()
        self._blade_length_m = math.nan
        self._ripples: list[dict[str, Any]] = []

    def _steady_s(self) -> list[tuple[float, float]]:
        """Stretches between two actions of the operator, without their beginnings."""
        plan = self._world.plan
        acts_s = [each.at_s for each in plan.actions if isinstance(each, Switch | Frequency | Change | Cut)]
        edges_s = sorted({0.0, *acts_s, plan.duration_s})
        found = []
        for start_s, end_s in itertools.pairwise(edges_s):
            settle_s = min(SETTLE_S, (end_s - start_s) / 2) if start_s > 0 or not plan.running else 0.0
            found.append((start_s + settle_s, end_s))
        return found

    def accept(self, stretch: Stretch) -> None:
        """Take the next stretch of the run."""
        self._sample(stretch)
        self._count(stretch)
        self._watcher.accept(stretch)
        if not self._ripples:
            self._ripples = [
                {
                    "track": name,
                    "along": ripple.along,
                    "order": ripple.order,
                    "amplitude_percent": 100 * abs(ripple.amplitude),
                    "order_of_track": ripple.order / ripple.scale,
                }
                for name, ripples in stretch.trajectory.ripples.items()
                for ripple in ripples
            ]

    def _sample(self, stretch: Stretch) -> None:
        trajectory, knots = stretch.trajectory, stretch.knots
        samples_s = self._samples_s
        low = np.searchsorted(samples_s, trajectory.start_s, side="left" if trajectory.start_s == 0 else "right")
        seconds = samples_s[low : np.searchsorted(samples_s, trajectory.end_s, side="right")]
        row: dict[str, Floats] = {"seconds": seconds, "ticks": self._world.clock.reading(seconds)}
        for name in trajectory.hz:
            turns, hz = trajectory.at(name, seconds)
            row[f"{name}_turns"], row[f"{name}_hz"] = turns, hz
        for name, slip in zip(stretch.plant.coupling_names, knots.slip, strict=True):
            row[f"{name}_slip_percent"] = 100 * np.interp(seconds, knots.seconds, slip)
        self._blade_length_m = 1 / stretch.plant.tracks["blade"].turns_per_unit
        row["blade_m_per_s"] = row["blade_hz"] * self._blade_length_m
        row["surface_m_per_s"] = self._world.machine.wheel.surface_speed_m_per_s(row["wheel_hz"])
        row["supply_hz"] = np.interp(seconds, knots.seconds, knots.supply_hz)
        synchronous_hz = row["supply_hz"] * stretch.plant.motor.turns_per_supply_cycle
        row["motor_slip_rpm"] = 60 * (synchronous_hz - row["motor_hz"])
        row["torque_n_m"] = np.interp(seconds, knots.seconds, knots.torque_n_m)
        row["load"] = np.interp(seconds, knots.seconds, knots.load)
        for name, values in row.items():
            self._columns.setdefault(name, []).append(values)

    def _count(self, stretch: Stretch) -> None:
        for channel, edges in stretch.edges.items():
            self._pulses[channel] += len(edges.seconds)
            self._passes[channel] += edges.passes
            self._missing[channel] += len(edges.missing_s)
            self._extra[channel] += np.bincount(edges.kinds, minlength=len(KINDS))
            room = MOST_LISTED - len(self._missing_s[channel])
            self._missing_s[channel] += edges.missing_s[: max(room, 0)].tolist()
            room = MOST_LISTED - len(self._extra_s[channel])
            self._extra_s[channel] += edges.seconds[edges.kinds != TARGET][: max(room, 0)].tolist()

    def _events(self) -> list[Happening]:
        found = self._world.plan.happenings() + self._watcher.happenings()
        for start_s, length_s in self._world.bursts_s:
            found.append(Happening(start_s=start_s, end_s=start_s + length_s, cause="noise burst"))
        parameters, end_s = self._world.parameters, self._world.plan.duration_s
        if "wheel" in self._world.sensors and 0 < parameters.fall_at_s < end_s:
            cause = f"wheel target {parameters.fallen} fell off"
            found.append(Happening(start_s=parameters.fall_at_s, end_s=end_s, cause=cause))
        return sorted(found, key=lambda happening: (happening.start_s, happening.cause))

    def _channel(self, channel: str) -> dict[str, Any]:
        sensor = self._world.sensors[channel]
        parameters = self._world.parameters
        extra = {kind: int(self._extra[channel][k]) for k, kind in enumerate(KINDS) if k != TARGET}
        return {
            "track": sensor.track,
            "input": self._world.machine.sensors[channel].input,
            "angles_deg": (360 * sensor.angles_turns).tolist(),
            "phase_turns": sensor.phase_turns,
            "passes": self._passes[channel],
            "pulses": self._pulses[channel],
            "missing": self._missing[channel],
            "extra": sum(extra.values()),
            "extra_by_kind": extra,
            "missing_s": self._missing_s[channel],
            "extra_s": self._extra_s[channel],
            "delay_s": parameters.sensor_delay_s,
            "jitter_s": parameters.jitter_s,
        }

    def document(self, *, marks: Iterable[OperatorMark] = (), host_ppm: float | None = None) -> dict[str, Any]:
        """Everything that is true of the run, once it is over; JSON's own types only."""
        world, plan, clock = self._world, self._world.plan, self._world.clock
        trace = {name: np.concatenate(parts) for name, parts in self._columns.items()}
        tracks = [name.removesuffix("_turns") for name in trace if name.endswith("_turns")]
        steady = [self._steady_row(start_s, end_s, trace, tracks) for start_s, end_s in self._steady]
        means_hz = {name: _mean_hz(trace, name, 0.0, plan.duration_s) for name in tracks}
        real = None if world.real_machine is world.machine else world.real_machine.text
        document = {
            "scenario": world.scenario.name,
            "machine": world.machine.name,
            "real_machine": real,
            "seed": world.seed,
            "parameters": dataclasses.asdict(world.parameters),
            "duration_s": plan.duration_s,
            "mean_blade_m_per_s": means_hz["blade"] * self._blade_length_m,
            "mean_surface_m_per_s": world.machine.wheel.surface_speed_m_per_s(means_hz["wheel"]),
            "mean_hz": means_hz,
            "blade_length_m": self._blade_length_m,
            "hz_error": world.hz_error,
            "steady": steady,
            "events": [dataclasses.asdict(each) for each in self._events()],
            "marks": [dataclasses.asdict(each) for each in marks],
            "ripples": self._ripples,
            "clock": {
                "ppm": clock.ppm,
                "warm_ppm": clock.warm_ppm,
                "warm_s": clock.warm_s,
                "wander_ppm": clock.wander_ppm,
                "mean_ppm": 1e6 * (float(trace["ticks"][-1]) / TICK_HZ / plan.duration_s - 1),
                "host_ppm": host_ppm,
            },
            "channels": {channel: self._channel(channel) for channel in world.sensors},
            "trace": trace,
        }
        plain: dict[str, Any] = _rounded(document)
        return plain

    def _steady_row(
        self, start_s: float, end_s: float, trace: Mapping[str, Floats], tracks: list[str]
    ) -> dict[str, Any]:
        plan = self._world.plan
        hz, running, load = plan.setting.hz, plan.running, 0.0
        for action in sorted(plan.actions, key=lambda action: action.at_s):
            if action.at_s < end_s and isinstance(action, Frequency):
                hz = action.hz
            elif action.at_s < end_s and isinstance(action, Switch):
                running = action.on
            elif action.at_s < end_s and isinstance(action, Cut):
                load = action.load
        setting = [each for at_s, each in plan.settings() if at_s < end_s][-1]
        means_hz = {name: _mean_hz(trace, name, start_s, end_s) for name in tracks}
        middle = int(np.searchsorted(trace["seconds"], (start_s + end_s) / 2))
        return {
            "start_s": start_s,
            "end_s": end_s,
            "belt": setting.belt,
            "gear": setting.gear,
            "hz": hz,
            "supply_hz": float(trace["supply_hz"][middle]),
            "running": running,
            "load": load,
            "mean_hz": means_hz,
            "blade_m_per_s": means_hz["blade"] * self._blade_length_m,
            "ratio": means_hz["motor"] / means_hz["wheel"] if running else None,
        }


def _mean_hz(trace: Mapping[str, Floats], name: str, start_s: float, end_s: float) -> float:
    """Turns made between two sampled times, over that time."""
    first, last = np.searchsorted(trace["seconds"], [start_s, end_s])
    turns = trace[f"{name}_turns"]
    return float((turns[last] - turns[first]) / (end_s - start_s)) if end_s > start_s else math.nan


def _rounded(item: Any) -> Any:
    """JSON's own types, numbers to `DIGITS` digits, null for what is no number."""
    if isinstance(item, np.ndarray):
        return _rounded(item.tolist())
    if isinstance(item, Mapping):
        return {str(key): _rounded(value) for key, value in item.items()}
    if isinstance(item, list | tuple):
        return [_rounded(value) for value in item]
    if isinstance(item, float):
        return float(f"{item:.{DIGITS}g}") if math.isfinite(item) else None
    return item
