"""Which edges does a sensor give when its targets pass?"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import SimulateError
from kerfbeat.machine import Sensor
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.trajectory import Trajectory

__all__ = ["BOUNCE", "BURST", "KINDS", "STRAY", "TARGET", "Edges", "SensorModel", "held_back_s", "target_angles_turns"]

Floats = NDArray[np.float64]

TARGET, BOUNCE, STRAY, BURST = range(4)
KINDS = ("target", "bounce", "stray", "burst")
SHORTEST_BOUNCE_S = 12e-6
DEAD_S = 10e-6  # edges closer than this are one edge: the sensor's own recovery (common practice, no published source)
HELD_BACK_SIGMAS = 8.0  # an edge may come this much earlier than its target by timing noise


@dataclass(frozen=True, kw_only=True, slots=True)
class Edges:
    """Edges of one channel in order of time, and the truth about them.

    seconds : (n,) true times.  kinds : (n,) indices into `KINDS`.  targets : (n,) which target passed, -1 for others.
    missing_s : (m,) true times at which a target passed and gave no edge.
    passes : how many targets passed, seen or not.
    """

    seconds: Floats
    kinds: NDArray[np.int8]
    targets: NDArray[np.int16]
    missing_s: Floats
    passes: int


def target_angles_turns(sensor: Sensor, parameters: Parameters, *, seed: int) -> Floats:
    """True angles of the targets of one channel: (targets,) turns, from 0 to below 1, ascending.

    As given by the parameters, else evenly spaced with errors drawn by the seed.  A ring that sits off its centre by
    e at a radius R turns every angle a by (e/R) sin(a) radians.
    Raises SimulateError if the given angles are not as many as the targets, or two are the same.
    """
    key = f"{sensor.channel}_angles_deg"
    given = getattr(parameters, key)
    if given is not None:
        try:
            turns = np.array([float(part) for part in given.replace(",", ";").split(";")]) / 360
        except ValueError:
            raise SimulateError(f'{key}: "{given}" is not a list of degrees such as 0;88.5;181;270') from None
        if len(turns) != sensor.targets:
            raise SimulateError(f"{key}: {len(turns)} angles for {sensor.targets} targets; give one for each")
    else:
        errors = stream(seed, f"targets of {sensor.channel}").standard_normal(sensor.targets)
        turns = np.arange(sensor.targets) / sensor.targets + errors * parameters.target_error_deg / 360
    if sensor.channel == "wheel":
        turns = turns + parameters.ring_runout * np.sin(math.tau * turns) / math.tau
    turns = np.sort(turns % 1.0)
    if sensor.targets > 1 and np.min(np.diff(turns, append=turns[0] + 1)) <= 0:
        raise SimulateError(f"{key}: two targets stand at the same angle; move one")
    return np.asarray(turns)


def held_back_s(parameters: Parameters) -> float:
    """How long before the end of a stretch an edge must wait for the next: timing noise could bring one before it."""
    return HELD_BACK_SIGMAS * parameters.jitter_s


class SensorModel:
    """One sensor, carried forward in time: targets pass, edges come out with delay, noise, losses and extras."""

    def __init__(
        self, sensor: Sensor, *, track: str, parameters: Parameters, bursts_s: Sequence[tuple[float, float]], seed: int
    ) -> None:
        self.channel = sensor.channel
        self.track = track
        self.angles_turns = target_angles_turns(sensor, parameters, seed=seed)
        self._parameters = parameters
        self._bursts_s = bursts_s
        self._fallen = parameters.fallen - 1 if sensor.channel == "wheel" and parameters.fall_at_s > 0 else None
        if self._fallen is not None and self._fallen >= sensor.targets:
            raise SimulateError(f"fallen: there is no target {parameters.fallen}; the wheel has {sensor.targets}")
        self._noise = stream(seed, f"timing of {self.channel}")
        self._chance = stream(seed, f"faults of {self.channel}")
        self.phase_turns = float(stream(seed, f"phase of {self.channel}").random())
        self._done_turns: float | None = None
        self._carried = _Pending.none()
        self._last_s = -math.inf

    def edges(self, trajectory: Trajectory, *, final: bool) -> Edges:
        """Edges of the next stretch of motion.

        Edges near its end wait for the next stretch, since noise could put one of that before them, unless this is
        the final stretch.
        """
        start_s, end_s = trajectory.start_s, trajectory.end_s
        pending = self._carried.joined(self._passes(trajectory), self._extras(start_s, end_s)).sorted()
        horizon_s = end_s if final else end_s - held_back_s(self._parameters)
        ready = int(np.searchsorted(pending.seconds, horizon_s, side="right" if final else "left"))
        now, self._carried = pending.first(ready), pending.rest(ready)
        seen = now.seen & ~self._too_close(now)
        if np.any(seen):
            self._last_s = float(now.seconds[seen][-1])
        is_target = now.kinds == TARGET
        return Edges(
            seconds=now.seconds[seen],
            kinds=now.kinds[seen],
            targets=now.targets[seen],
            missing_s=now.seconds[is_target & ~seen],
            passes=int(np.count_nonzero(is_target)),
        )

    def _passes(self, trajectory: Trajectory) -> _Pending:
        """Target passes of a stretch, with delay and noise; some are not seen."""
        parameters = self._parameters
        ends_turns, _ = trajectory.at(self.track, np.array([trajectory.start_s, trajectory.end_s]))
        start = self._done_turns if self._done_turns is not None else float(ends_turns[0]) + self.phase_turns
        end = max(float(ends_turns[1]) + self.phase_turns, start)
        self._done_turns = end
        whole = np.arange(math.floor(start), math.floor(end) + 1)
        passes = (whole[:, None] + self.angles_turns[None, :]).ravel()
        targets = np.tile(np.arange(len(self.angles_turns), dtype=np.int16), len(whole))
        inside = (passes > start) & (passes <= end)
        passes, targets = passes[inside], targets[inside]
        seconds = trajectory.when(self.track, passes - self.phase_turns) + parameters.sensor_delay_s
        seen = np.ones(len(seconds), dtype=bool)
        if self._fallen is not None:
            seen &= (targets != self._fallen) | (seconds < parameters.fall_at_s)
        if parameters.missing:
            seen &= self._chance.random(len(seconds)) >= parameters.missing
        if parameters.jitter_s:
            seconds = seconds + parameters.jitter_s * self._noise.standard_normal(len(seconds))
        seconds = np.maximum(seconds, 0.0)  # noise puts no edge before the start
        passed = _Pending(seconds, np.full(len(seconds), TARGET, dtype=np.int8), targets, seen)
        return passed.joined(self._bounces(seconds[seen])) if parameters.bounce else passed

    def _bounces(self, seconds: Floats) -> _Pending:
        chosen = self._chance.random(len(seconds)) < self._parameters.bounce
        after_s = self._chance.uniform(SHORTEST_BOUNCE_S, self._parameters.bounce_s, len(seconds))
        return _Pending.extras((seconds + after_s)[chosen], BOUNCE)

    def _extras(self, start_s: float, end_s: float) -> _Pending:
        """Edges that no target made: stray ones, and those of noise bursts."""
        found = _Pending.none()
        if self._parameters.extra_hz:
            found = found.joined(self._poisson(start_s, end_s, self._parameters.extra_hz, STRAY))
        low = bisect_left(self._bursts_s, (start_s - self._parameters.burst_s, 0.0))
        high = bisect_left(self._bursts_s, (end_s, 0.0))
        for burst_s, length_s in self._bursts_s[low:high]:
            first_s, last_s = max(burst_s, start_s), min(burst_s + length_s, end_s)
            if first_s < last_s:
                found = found.joined(self._poisson(first_s, last_s, self._parameters.burst_hz, BURST))
        return found

    def _poisson(self, start_s: float, end_s: float, rate_hz: float, kind: int) -> _Pending:
        count = self._chance.poisson((end_s - start_s) * rate_hz)
        return _Pending.extras(self._chance.uniform(start_s, end_s, count), kind)

    def _too_close(self, now: _Pending) -> NDArray[np.bool_]:
        """Which edges come within the dead time of the one before and are not told apart from it."""
        close = np.zeros(len(now.seconds), dtype=bool)
        index = np.flatnonzero(now.seen)
        times_s = now.seconds[index]
        if not len(times_s) or (times_s[0] - self._last_s >= DEAD_S and np.all(np.diff(times_s) >= DEAD_S)):
            return close
        last_s = self._last_s
        for place, time_s in zip(index.tolist(), times_s.tolist(), strict=True):
            if time_s - last_s < DEAD_S:
                close[place] = True
            else:
                last_s = time_s
        return close


@dataclass(frozen=True, slots=True)
class _Pending:
    """Edges on their way; those not seen are passes without an edge."""

    seconds: Floats
    kinds: NDArray[np.int8]
    targets: NDArray[np.int16]
    seen: NDArray[np.bool_]

    @classmethod
    def none(cls) -> _Pending:
        return cls.extras(np.empty(0), TARGET)

    @classmethod
    def extras(cls, seconds: Floats, kind: int) -> _Pending:
        count = len(seconds)
        return cls(
            seconds, np.full(count, kind, dtype=np.int8), np.full(count, -1, dtype=np.int16), np.ones(count, dtype=bool)
        )

    def joined(self, *others: _Pending) -> _Pending:
        every = (self, *others)
        return _Pending(
            np.concatenate([each.seconds for each in every]),
            np.concatenate([each.kinds for each in every]),
            np.concatenate([each.targets for each in every]),
            np.concatenate([each.seen for each in every]),
        )

    def _taken(self, index: NDArray[np.intp] | slice) -> _Pending:
        return _Pending(self.seconds[index], self.kinds[index], self.targets[index], self.seen[index])

    def sorted(self) -> _Pending:
        return self._taken(np.argsort(self.seconds, kind="stable"))

    def first(self, count: int) -> _Pending:
        return self._taken(slice(count))

    def rest(self, count: int) -> _Pending:
        return self._taken(slice(count, None))
