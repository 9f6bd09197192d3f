"""What must be warned of at a setting, and why?

A caution is advice from the description alone.  The makers of motor, blade and inverter, local rules and licensed
electricians come first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive import motor as motors
from kerfbeat.drive.belt import RIM_LIMIT_M_PER_S
from kerfbeat.drive.words import speed_words
from kerfbeat.machine import BeltStage, Machine, Motor
from kerfbeat.units import ft_per_min, rpm

__all__ = ["BEFORE_WORK", "FORBIDDING", "Caution", "cautions_at", "forbids"]

Array = NDArray[np.float64]

# Breakdown torque should stay this far above the torque asked for.  Common practice, no published source.
BREAKDOWN_MARGIN = 1.3
# Below this part of the torque on offer, cooling and not the inverter sets what the motor can do for hours.
COOLING_WORTH_SAYING = 0.8

# Kinds that make a setting one not to be used; the others are only said.
FORBIDDING = ("blade speed", "motor speed", "rim speed", "inverter limits")


# Said wherever somebody is about to change a machine.
BEFORE_WORK = (
    "Switch off and lock out before a guard comes off; an inverter's terminals stay live for the minutes on its label.",
    "Put every guard back before the first run, and never bypass an interlock.",
    "The makers of motor, blade and inverter, local rules and a licensed electrician come before this advice.",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Caution:
    """One warning: its kind, and a line that says what happens and why it matters."""

    kind: str
    text: str


def forbids(cautions: Sequence[Caution]) -> bool:
    """Whether a setting with these cautions is not to be used: the one rule for table, chart, dial and choice."""
    return any(caution.kind in FORBIDDING for caution in cautions)


Say = Callable[[int], str]


def cautions_at(
    machine: Machine,
    *,
    supply_hz: Array,
    motor_hz: Array,
    slowest_motor_hz: Array,
    blade_m_per_s: Array,
    stage_ratios: Sequence[float],
) -> tuple[tuple[Caution, ...], ...]:
    """Find every caution at each of n supply frequencies, of one belt position and gear.

    supply_hz, motor_hz, slowest_motor_hz, blade_m_per_s : (n,); motor and blade at their highest, and the motor at
        its lowest under full load.
    stage_ratios : of every stage, motor to wheel.
    Returns n tuples.
    """
    assert machine.motor is not None
    found: list[tuple[str, NDArray[np.bool_], Say]] = []
    found += _speed_cautions(machine, machine.motor, supply_hz, motor_hz, blade_m_per_s)
    found += _rim_cautions(machine, motor_hz, stage_ratios)
    found += _torque_cautions(machine.motor, supply_hz, slowest_motor_hz)
    rows: list[list[Caution]] = [[] for _ in supply_hz]
    for kind, where, say in found:
        for index in np.flatnonzero(where):
            rows[int(index)].append(Caution(kind=kind, text=say(int(index))))
    return tuple(tuple(row) for row in rows)


def _speed_cautions(
    machine: Machine, motor: Motor, supply_hz: Array, motor_hz: Array, blade_m_per_s: Array
) -> list[tuple[str, NDArray[np.bool_], Say]]:
    found: list[tuple[str, NDArray[np.bool_], Say]] = []
    limit = machine.limits.blade_speed_m_per_s
    if limit is not None:
        found.append(
            (
                "blade speed",
                blade_m_per_s > limit,
                lambda k: (
                    f"blade may reach {speed_words(machine, float(blade_m_per_s[k]))}, over this machine's limit of "
                    f"{speed_words(machine, limit)}"
                ),
            )
        )
    top_hz, why = motors.top_speed_hz(motor)
    found.append((
        "motor speed",
        motor_hz > top_hz * (1.0 + 1e-9),
        lambda k: f"motor at {rpm(float(motor_hz[k])):.0f} rpm, over {rpm(top_hz):.0f} rpm ({why}): "
        "rotor and bearings may fail",
    ))  # fmt: skip
    if machine.inverter is not None:
        beyond = [machine.inverter.beyond(float(hz)) for hz in supply_hz]
        found.append((
            "inverter limits",
            np.array([words is not None for words in beyond], dtype=np.bool_),
            lambda k: str(beyond[k]),
        ))  # fmt: skip
    return found


def _rim_cautions(
    machine: Machine, motor_hz: Array, stage_ratios: Sequence[float]
) -> list[tuple[str, NDArray[np.bool_], Say]]:
    """Rims of all sheaves; pitch and outside diameter are one for classical sections.

    A pulley's rim is its largest step, or its largest place if its width varies, wherever the belt runs just now.
    """
    found: list[tuple[str, NDArray[np.bool_], Say]] = []
    shaft_hz = motor_hz
    for place, (stage, ratio) in enumerate(zip(machine.stages, stage_ratios, strict=True), start=1):
        if isinstance(stage, BeltStage):
            name = stage.name or f"stage {place}"
            driver_m = max(position.driver.maximum_m for position in stage.positions)
            driven_m = max(position.driven.maximum_m for position in stage.positions)
            for side, diameter_m, turns_hz in (("driving", driver_m, shaft_hz), ("driven", driven_m, shaft_hz / ratio)):
                rim = np.pi * diameter_m * turns_hz
                found.append(("rim speed", rim > RIM_LIMIT_M_PER_S, _rim_words(rim, f"{side} pulley ({name})")))
        shaft_hz = shaft_hz / ratio
    return found


def _rim_words(rim_m_per_s: Array, which: str) -> Say:
    def say(k: int) -> str:
        speed = float(rim_m_per_s[k])
        return (
            f"rim of the {which} at {speed:.1f} m/s ({ft_per_min(speed):.0f} ft/min), "
            "over 33 m/s (6500 ft/min): cast iron may burst"
        )

    return say


def _torque_cautions(motor: Motor, supply_hz: Array, slowest_hz: Array) -> list[tuple[str, NDArray[np.bool_], Say]]:
    torque = motors.torque_ratio(supply_hz, motor=motor)
    breakdown = motors.breakdown_torque_ratio(supply_hz, motor=motor)
    continuous = motors.continuous_torque_ratio(supply_hz, motor=motor)
    cooled = "the motor's own fan" if motor.self_cooled else "its own fan (if it is self-cooled)"
    stated = "" if motor.breakdown_torque_ratio else " (nameplate's not stated; least of its kind taken)"
    return [
        (
            "cooling",
            (continuous.low < COOLING_WORTH_SAYING * torque) & (supply_hz < motor.base_hz),
            lambda k: (
                f"{cooled} cools little at {supply_hz[k]:.4g} Hz: for long runs count on "
                f"{continuous.low[k]:.2f} of rated torque, not {torque[k]:.2f}"
            ),
        ),
        (
            "breakdown torque",
            breakdown < BREAKDOWN_MARGIN * np.minimum(1.0, motor.base_hz / supply_hz),
            lambda k: (
                f"motor stalls at {breakdown[k]:.2f} of rated torque at {supply_hz[k]:.4g} Hz{stated}: "
                "little margin for a heavy cut"
            ),
        ),
        (
            "too slow",
            slowest_hz <= 0.0,
            lambda k: f"at {supply_hz[k]:.4g} Hz the motor may not turn under full load",
        ),
    ]
