"""What are the speeds at the end of a step?

The groups of a plant obey J dw/dt = torques, coupled by belts that are stiff.  An implicit Euler step with Newton's
method (a tridiagonal system, exact slopes) is stable at any length of step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from kerfbeat.simulate.friction import CALM, Pull
from kerfbeat.simulate.plant import Plant

__all__ = ["Conditions", "Step", "solve_step"]

CLOSE = 1e-6  # of nominal speed: what is left after such a step is of the size of its square
MOST_ITERATIONS = 100  # three are usual; more where a belt breaks loose
LEAST_PART = 1e-6


class Conditions(NamedTuple):
    """What acts on the machine at the end of a step.

    electric_hz : frequency at the motor's terminals, 0 without supply.
    resistance : rotor resistance, of its hot value.
    drag : per group, torque against the motion, N m (blade: N), the cut included.
    limits_n, extra_slip : per coupling, greatest pull, and slip that is there at any pull.
    pitch : the first driver's pitch, of its hot value.
    """

    electric_hz: float
    resistance: float
    drag: Sequence[float]
    limits_n: Sequence[float]
    extra_slip: Sequence[float]
    pitch: float


class Step(NamedTuple):
    """State at the end of a step: group speeds (rad/s, blade m/s), what each coupling carries, the motor's torque."""

    speed: list[float]
    pulls: list[Pull]
    torque_n_m: float


def solve_step(
    plant: Plant, conditions: Conditions, *, old: Sequence[float], guess: Sequence[float], step_s: float
) -> Step | None:
    """Advance the group speeds by one implicit step.

    old, guess : speeds at the start of the step, and about where they will be at its end.
    Returns None where no solution was found: try a shorter step.
    """
    nominal = plant.nominal
    new = [*guess]
    balance = _balance(plant, conditions, old, new, step_s)
    for _ in range(MOST_ITERATIONS):
        change = _tridiagonal(balance.lower, balance.diagonal, balance.upper, [*balance.residual])
        done = True
        for k, part in enumerate(change):
            new[k] -= part
            done = done and abs(part) <= CLOSE * nominal[k]
        if done:
            return Step(new, balance.pulls, balance.torque_n_m)
        better = _balance(plant, conditions, old, new, step_s)
        # Where a belt breaks loose or grips the slopes jump, and a whole step can go too far: take a part of it.
        part_taken = 1.0
        while better.off > balance.off and part_taken > LEAST_PART:
            part_taken /= 2
            for k, part in enumerate(change):
                new[k] += part_taken * part
            better = _balance(plant, conditions, old, new, step_s)
        balance = better
    return None


class _Balance(NamedTuple):
    """Torques that are not in balance at a guess of the speeds, their slopes, and how far off they are as a power."""

    residual: list[float]
    lower: list[float]
    diagonal: list[float]
    upper: list[float]
    off: float
    pulls: list[Pull]
    torque_n_m: float


def _balance(
    plant: Plant, conditions: Conditions, old: Sequence[float], new: Sequence[float], step_s: float
) -> _Balance:
    inertia, turning_drag, nominal, drag = plant.inertia, plant.turning_drag, plant.nominal, conditions.drag
    groups = len(old)
    residual, lower, diagonal, upper = ([0.0] * groups for _ in range(4))
    for k in range(groups):
        calm = CALM * nominal[k]
        grasp = math.tanh(new[k] / calm)
        mass = inertia[k] / step_s
        residual[k] = mass * (new[k] - old[k]) + drag[k] * grasp + turning_drag[k] * new[k]
        diagonal[k] = mass + drag[k] * (1.0 - grasp * grasp) / calm + turning_drag[k]
    torque_n_m = 0.0
    if conditions.electric_hz > 0.0:
        torque_n_m, slope = plant.motor.torque(
            new[0], supply_hz=conditions.electric_hz, resistance=conditions.resistance
        )
        residual[0] -= torque_n_m
        diagonal[0] -= slope
    pulls = []
    for k, coupling in enumerate(plant.couplings):
        up, down = plant.up_m[k], plant.down_m[k]
        if k == 0 and groups > 2:
            up *= conditions.pitch
        pull = coupling.pull(
            up * new[k], down * new[k + 1], limit_n=conditions.limits_n[k], extra_slip=conditions.extra_slip[k]
        )
        pulls.append(pull)
        residual[k] += up * pull.force_n
        residual[k + 1] -= down * pull.force_n
        diagonal[k] += up * up * pull.slope_driver_n_s_per_m
        diagonal[k + 1] -= down * down * pull.slope_driven_n_s_per_m
        upper[k] = up * down * pull.slope_driven_n_s_per_m
        lower[k + 1] = -down * up * pull.slope_driver_n_s_per_m
    off = sum([abs(each * scale) for each, scale in zip(residual, nominal, strict=True)])
    return _Balance(residual, lower, diagonal, upper, off, pulls, torque_n_m)


def _tridiagonal(lower: list[float], diagonal: list[float], upper: list[float], right: list[float]) -> list[float]:
    """Solve a tridiagonal system by elimination (lower[k] stands left of diagonal[k], upper[k] right of it).

    Puts the solution in `right`, and uses `diagonal` up.
    """
    for k in range(1, len(diagonal)):
        factor = lower[k] / diagonal[k - 1]
        diagonal[k] -= factor * upper[k - 1]
        right[k] -= factor * right[k - 1]
    right[-1] /= diagonal[-1]
    for k in range(len(diagonal) - 2, -1, -1):
        right[k] = (right[k] - upper[k] * right[k + 1]) / diagonal[k]
    return right
