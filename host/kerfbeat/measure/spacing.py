"""What do unequal targets do to speed, and how does a known pattern of angles undo it?

A target a few degrees off makes the gap before it too long and the gap after it too short by the same amount, in every
turn.  The time from a target to its own next pass is free of it: whole turns never show spacing.  Where the angles
are known (a stored pattern), each edge has its exact place in the turn, once the pattern is turned so that it fits:
counting starts at an arbitrary target.
A speed wobble locked to the wheel's own turns looks exactly like unequal spacing: one sensor cannot tell them apart.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import MeasureError
from kerfbeat.measure.uncertainty import robust_sd

__all__ = ["Match", "find_angles", "match_pattern", "pattern_angles", "places", "whole_turns"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

SURE = 25.0  # chi-square by which the best rotation must beat the next: false match below 1e-5 for one comparison
MOST_EDGES = 1 << 18  # edges that decide the angles; more would not make them better than a degree's thousandth


def whole_turns(times: NDArray[np.float64] | Ticks, *, per_turn: int) -> NDArray[np.float64] | Ticks:
    """Time from each edge to the same target's next pass: (n,) -> (n - per_turn,), whatever the angles are.

    The edges must be of one unbroken run with no pulse missing.
    """
    return times[per_turn:] - times[:-per_turn]


def find_angles(ticks: Ticks, *, numbers: Ticks, per_turn: int) -> tuple[Floats, Floats]:
    """Angles of the targets of a run and their standard uncertainty, (per_turn,) turns each.

    numbers : (n,) pulse numbers; target j is seen at numbers j, j + per_turn, ...  Angle 0 is the even place of
    target 0; the deviations from even places average 0.
    Each edge is compared with the mean of the turn around it, so steady and evenly changing speed drop out.
    The median over the turns makes a few wild turns harmless.
    Raises MeasureError with less than 3 whole turns of edges.
    """
    even = np.arange(per_turn) / per_turn
    if per_turn == 1:
        return even, np.zeros(1)
    ticks, numbers = ticks[:MOST_EDGES], numbers[:MOST_EDGES]
    half = per_turn // 2
    gone = np.concatenate(([0], np.cumsum(ticks - ticks[0])))
    centre = np.arange(half, len(ticks) - per_turn + half)
    if len(centre) < 2 * per_turn:
        raise MeasureError(f"{len(ticks)} pulses of {per_turn} in a turn are too few to find where the targets sit")
    first = centre - half
    if per_turn % 2:
        mean = (gone[first + per_turn] - gone[first]) / per_turn
    else:  # a whole turn around the edge has the opposite target at both ends: half of each
        ends = 0.5 * (ticks[first] + ticks[first + per_turn]) - ticks[0]
        mean = (gone[first + per_turn] - gone[first + 1] + ends) / per_turn
    turn = ticks[first + per_turn] - ticks[first]
    off = (ticks[centre] - ticks[0] - mean) / turn
    whole = numbers[first + per_turn] - numbers[first] == per_turn
    target = numbers[centre] % per_turn
    deviation, u = np.zeros(per_turn), np.full(per_turn, np.inf)
    for j in range(per_turn):
        mine = off[(target == j) & whole]
        if len(mine) > 1:
            deviation[j] = np.median(mine)
            spread = robust_sd(mine - deviation[j])
            u[j] = 1.2533 * spread / np.sqrt(len(mine))  # sd of a median, normal noise, is sqrt(pi / 2) of the mean's
    if not np.isfinite(u).all():
        raise MeasureError("a target is hardly ever seen; its angle cannot be found")
    return even + deviation - deviation.mean(), u


@dataclass(frozen=True, kw_only=True, slots=True)
class Match:
    """How a pattern lies on a run: target j of the run is target (j + rotation) of the pattern.

    certain : no other rotation fits nearly as well.  fits : this one fits within its uncertainty.
    """

    rotation: int
    certain: bool
    fits: bool


def match_pattern(angles_turns: Floats, *, u_turns: Floats, spacing_turns: Floats) -> Match:
    """Turn a pattern until it fits the angles that a run shows.

    angles_turns, u_turns : (m,), of the run (`find_angles`).
    spacing_turns : (m,), from each target of the pattern to the next; sums to 1.
    Raises MeasureError if the counts of targets differ or the pattern is no full turn.
    """
    m = len(spacing_turns)
    if len(angles_turns) != m:
        raise MeasureError(f"the pattern has {m} targets and the run shows {len(angles_turns)}; they cannot be matched")
    if abs(float(np.sum(spacing_turns)) - 1.0) > 1e-6 or float(np.min(spacing_turns)) <= 0.0:
        raise MeasureError("the spacing must be positive and add up to a whole turn")
    seen = np.diff(angles_turns, append=angles_turns[0] + 1.0)
    variance = u_turns**2 + np.roll(u_turns, -1) ** 2 + 1e-12
    chi = np.array([((seen - np.roll(spacing_turns, -turn)) ** 2 / variance).sum() for turn in range(m)])
    order = np.argsort(chi)
    certain = m == 1 or bool(chi[order[1]] - chi[order[0]] > SURE)
    return Match(rotation=int(order[0]), certain=certain, fits=bool(chi[order[0]] < SURE * m))


def places(numbers: Ticks, *, angles_turns: Floats) -> Floats:
    """Place of each pulse in turns, from its number and the angles of a turn's targets, (n,)."""
    per_turn = len(angles_turns)
    return np.asarray(numbers // per_turn + angles_turns[numbers % per_turn], dtype=np.float64)


def pattern_angles(spacing_turns: Floats, *, rotation: int = 0) -> Floats:
    """Angles from 0 on of a pattern that begins at its target `rotation`, (m,) turns."""
    turned = np.roll(spacing_turns, -rotation)
    return np.concatenate(([0.0], np.cumsum(turned)[:-1]))
