"""How slow may a shaft be, of which an edge came late or is overdue?

No physics bounds how hard a jam brakes, and it may have begun anywhere on the way to the edge that came late: a load
that came in the last part s of the way and made the edge late by the share d of it has slowed the shaft by 2 d / s
already, and goes on.  A cut's load is bounded by the motor's torque.  So a little late is told as a cut or as a brake
that did not begin at the very last; later than a cut can make it, and overdue, a shaft may stand.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["OUT", "LateEdge", "SpeedNow", "brake_part", "late_edge"]

Floats = NDArray[np.float64]

# Chosen with tests/benchmarks/live_reading.py on its tuned seeds; noticed by
# test_a_late_pulse_leaves_a_jam_open_until_the_next and test_the_digits_stand_in_a_cut.
OUT = 0.01  # chance that an edge stays out so long, below which the shaft may stand
LATE = 0.1  # chance that it comes so late or later, below which something has begun on the way to it
NOISE, LEAST = 1.0, 5e-4  # standard deviations of the likeliest belief, and share of the time, that are no lateness
SOON_S = 0.1  # edges that come sooner tell of a change by themselves before anybody has read the first late one
FULL_LOAD, ENTERS_S = 0.08, 0.5  # of the speed: what a load that the motor bears takes off at most, and how soon
PART, PART_PER_S, MOST_PART = 0.12, 0.12, 0.6  # see `brake_part`
ROOT_HALF = math.sqrt(0.5)


class SpeedNow(NamedTuple):
    """A speed and half the width of its 95 % interval; whether an edge is so late that the shaft may stand: then the
    interval begins at 0, and the speed is its middle.
    """

    hz: float
    u95_hz: float
    may_stand: bool


def brake_part(elapsed_s: float) -> float:
    """Last part of the way to a late edge in which no brake is thought to have begun, on a way of so many seconds.

    The less is left out, the more jams are held and the longer a cut takes the digits away, longest on a slow wheel.
    """
    return min(PART + PART_PER_S * elapsed_s, MOST_PART)


class LateEdge(NamedTuple):
    """By what share of the time it came late, after how long, and the speed before."""

    behind: float
    elapsed_s: float
    speed_hz: float

    def lowest_hz(self, since_s: float) -> float:
        """How slow the shaft may be so long after that edge, while no other has come."""
        if self.behind > FULL_LOAD * self.elapsed_s / (self.elapsed_s + ENTERS_S):
            return 0.0
        part = brake_part(self.elapsed_s)
        fall = 2.0 * self.behind / part * (1.0 + since_s / (part * self.elapsed_s))
        return max(0.0, 1.0 - fall) * self.speed_hz


def late_edge(
    weight: Floats, innovation_turns: Floats, sd_turns: Floats, *, elapsed_s: float, speed_hz: float
) -> LateEdge | None:
    """What an edge says that came later than was foreseen; None of any other.

    weight, innovation_turns, sd_turns : (n,) of each belief: how far the edge shows the shaft beyond what it foresaw,
    negative if behind, and the standard deviation of that.   elapsed_s : since the edge before.
    speed_hz : at that edge.
    """
    off = innovation_turns / sd_turns
    best = int(np.argmax(weight))
    if off[best] > -NOISE or elapsed_s < SOON_S or speed_hz <= 0.0:
        return None
    behind = (-float(weight @ innovation_turns) - NOISE * float(sd_turns[best])) / (speed_hz * elapsed_s)
    if behind < LEAST:
        return None
    parts = zip(weight.tolist(), off.tolist(), strict=True)
    if 0.5 * sum([share * math.erfc(-each * ROOT_HALF) for share, each in parts]) > LATE:
        return None
    return LateEdge(behind, elapsed_s, speed_hz)
