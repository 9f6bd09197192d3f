"""When does a shaft reach an angle?

Between two knots of the motion speed is linear, so turns are quadratic and the time of an angle is the root of a
quadratic: exact but for rounding.  Once-a-turn faults (a lumpy belt, an eccentric sheave, a bad joint) are ripples of
known shape on top, sine waves of the turns of some shaft or belt; Newton's method puts them into the root until the
last change is below `CLOSE_S`.  They are kinematic: the small torque with which they shake the motor in return is left
out, which holds while the ripple is slower than the motor's own response (about 40 Hz for the demo saw).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import SimulateError

__all__ = ["Ripple", "Trajectory"]

Floats = NDArray[np.float64]

CLOSE_S = 1e-12  # 62.5 ns is one tick of the board
MOST_ITERATIONS = 50
STEEPEST = 0.95  # greatest sum of relative ripples; at 1 a shaft would stand still and its turns would not be unique


@dataclass(frozen=True, kw_only=True, slots=True)
class Ripple:
    """A speed ripple of one track: relative amplitude, the track that it repeats with and how often per its turn.

    Speed is multiplied by 1 + amplitude cos(2 pi (order * turns of `along` + phase_turns)).
    scale : turns of the rippled track per turn of `along`, by geometry.
    offset_turns : keeps the angle whole where the setting, hence `scale`, has changed at rest.
    """

    along: str
    order: int
    amplitude: float
    phase_turns: float
    scale: float
    offset_turns: float = 0.0

    def turns(self, along_turns: Floats) -> Floats:
        """What the ripple adds to the track's turns: (n,) -> (n,)."""
        size = self.amplitude * self.scale / (math.tau * self.order)
        waves: Floats = np.sin(math.tau * (self.order * along_turns + self.phase_turns))
        return size * waves + self.offset_turns

    def speed_hz(self, along_turns: Floats, along_hz: Floats) -> Floats:
        """What it adds to the track's speed: (n,) -> (n,)."""
        angle_rad = math.tau * (self.order * along_turns + self.phase_turns)
        return self.amplitude * self.scale * along_hz * np.cos(angle_rad)


@dataclass(frozen=True, kw_only=True, slots=True)
class Trajectory:
    """Turns of every track over one stretch of time at one setting.

    seconds : (K,) knots.  hz, turns : per track (K,), speed and turns at the knots, ripples left out.
    ripples : per track what is added.
    """

    seconds: Floats
    hz: Mapping[str, Floats]
    turns: Mapping[str, Floats]
    ripples: Mapping[str, tuple[Ripple, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, ripples in self.ripples.items():
            steepest = sum(abs(ripple.amplitude) for ripple in ripples)
            if steepest > STEEPEST:
                raise SimulateError(
                    f"the speed ripples of {name} add up to {steepest:.0%}; keep them below {STEEPEST:.0%}"
                )

    @property
    def start_s(self) -> float:
        """When it begins."""
        return float(self.seconds[0])

    @property
    def end_s(self) -> float:
        """When it ends."""
        return float(self.seconds[-1])

    def _smooth(self, track: str, seconds: Floats) -> tuple[Floats, Floats]:
        """Turns and speed without ripples at (n,) times."""
        knots_s, hz, turns = self.seconds, self.hz[track], self.turns[track]
        k = np.clip(np.searchsorted(knots_s, seconds, side="right") - 1, 0, len(knots_s) - 2)
        since_s = seconds - knots_s[k]
        slope = (hz[k + 1] - hz[k]) / (knots_s[k + 1] - knots_s[k])
        return turns[k] + since_s * (hz[k] + 0.5 * slope * since_s), hz[k] + slope * since_s

    def at(self, track: str, seconds: Floats) -> tuple[Floats, Floats]:
        """Turns and speed (turns per second) of a track at (n,) times within the stretch."""
        seconds = np.asarray(seconds, dtype=float)
        turns, hz = self._smooth(track, seconds)
        for ripple in self.ripples.get(track, ()):
            along_turns, along_hz = self._smooth(ripple.along, seconds)
            turns = turns + ripple.turns(along_turns)
            hz = hz + ripple.speed_hz(along_turns, along_hz)
        return turns, hz

    def _when_smooth(self, track: str, wanted: Floats) -> Floats:
        """Times at which a track without ripples has made (n,) turns."""
        knots_s, hz, turns = self.seconds, self.hz[track], self.turns[track]
        k = np.clip(np.searchsorted(turns, wanted, side="left") - 1, 0, len(knots_s) - 2)
        missing = np.maximum(wanted - turns[k], 0.0)
        slope = (hz[k + 1] - hz[k]) / (knots_s[k + 1] - knots_s[k])
        below = hz[k] + np.sqrt(np.maximum(hz[k] * hz[k] + 2 * slope * missing, 0.0))
        since_s = np.divide(2 * missing, below, out=np.zeros_like(missing), where=below > 0)
        return np.asarray(np.clip(knots_s[k] + since_s, knots_s[0], knots_s[-1]))

    def when(self, track: str, wanted: Floats) -> Floats:
        """Times at which a track has made so many turns.

        wanted : (n,) turns, between those at the start and at the end of the stretch.
        Returns (n,) seconds, exact to about `CLOSE_S` where the track turns at all.
        """
        wanted = np.asarray(wanted, dtype=float)
        ripples = self.ripples.get(track, ())
        seconds = self._when_smooth(track, wanted)
        if not ripples or not len(wanted):
            return seconds
        early, late = np.full_like(seconds, self.start_s), np.full_like(seconds, self.end_s)
        for _ in range(MOST_ITERATIONS):
            turns, hz = self.at(track, seconds)
            over = turns - wanted
            late = np.where(over >= 0, np.minimum(late, seconds), late)
            early = np.where(over <= 0, np.maximum(early, seconds), early)
            with np.errstate(over="ignore"):  # next to no speed: the step leads out, and is halved below
                step_s = np.divide(over, hz, out=np.zeros_like(over), where=hz > 0)
            better = seconds - step_s
            # A step that leaves what is known to hold the root halves that stretch instead.
            outside = (better < early) | (better > late) | (hz <= 0)
            better = np.where(outside, (early + late) / 2, better)
            change_s = np.abs(better - seconds)
            seconds = better
            if change_s.max() <= max(CLOSE_S, 4 * float(np.spacing(self.end_s))):
                break
        return seconds
