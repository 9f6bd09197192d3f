"""What will sensors on this machine see, and what holds a target on?

How many pulses come, how fine and how often the speed is known, which orders can be seen, and the force that tries to
throw a target off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.drive.belt import belt_turns_hz
from kerfbeat.drive.chain import drive_curves
from kerfbeat.drive.frequency import limits_hz, listed_hz
from kerfbeat.drive.material import SpeedRange
from kerfbeat.errors import DriveError
from kerfbeat.machine import BeltStage, Machine, Sensor, Setting, stage_diameters_m, stage_ratios

__all__ = ["BOARD_PULSES_PER_S", "ChannelPlan", "MountPlan", "OrderSource", "plan_mount", "pull_off_n"]

# What the board carries without loss, over all inputs together, at its two line speeds in baud.
BOARD_PULSES_PER_S = {500_000: 10_000.0, 115_200: 2_000.0}
# Finest step of a timestamp, by input: one clock tick of 16 MHz on the capture pin; the two others are stamped by an
# interrupt that may have to wait for another.
STEP_S = {1: 62.5e-9, 2: 10e-6, 3: 15e-6}
READINGS_PER_S = 2.0  # at the slowest speed; slower than that feels like a dead instrument
DEFAULT_MASS_KG = 0.005  # a small magnet
HEAVIEST_KG, LARGEST_RADIUS_M = 10.0, 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class ChannelPlan:
    """One sensor over the machine's speed range; pairs are (slowest, fastest).

    step_ppm : one step of a timestamp as a part of one turn.
    targets_wanted : how many would give two readings a second at the slowest speed.
    highest_order : events per turn of this shaft that can be told apart: fewer than half the targets.
    pull_n : force on a target at the fastest speed; None where its radius is not known.
    """

    channel: str
    targets: int
    input: int
    shaft_hz: tuple[float, float]
    pulses_hz: tuple[float, float]
    seconds_per_pulse: tuple[float, float]
    step_ppm: tuple[float, float]
    targets_wanted: int
    highest_order: float
    radius_m: float | None
    pull_n: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderSource:
    """Something that happens in step with a shaft, in events per turn of the wheel: a range over all settings."""

    name: str
    low: float
    high: float
    seen: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class MountPlan:
    """All sensors of a machine.

    baud : slowest line speed that carries all pulses; None if none does.
    """

    channels: tuple[ChannelPlan, ...]
    orders: tuple[OrderSource, ...]
    total_pulses_hz: float
    baud: int | None
    mass_kg: float
    warnings: tuple[str, ...]


def pull_off_n(*, mass_kg: float, radius_m: float, shaft_hz: float) -> float:
    """Force that throws a target off, m omega^2 r.

    Raises DriveError for a mass or radius that is not above 0, or that no machine has.
    """
    if not (0.0 < mass_kg <= HEAVIEST_KG and 0.0 < radius_m <= LARGEST_RADIUS_M):
        raise DriveError(
            f"mass and radius of a target must be above 0, up to {HEAVIEST_KG:g} kg and {LARGEST_RADIUS_M:g} m; "
            "write them such as 5 g and 150 mm."
        )
    return mass_kg * (2.0 * math.pi * shaft_hz) ** 2 * radius_m


def plan_mount(
    machine: Machine,
    *,
    blade: SpeedRange | None = None,
    mass_kg: float = DEFAULT_MASS_KG,
    radius_m: float | None = None,
) -> MountPlan:
    """Look over every sensor of a machine.

    blade : slowest and fastest blade speed; None for what the drive gives over its inverter's range.
    radius_m : where the targets sit; None for the rim of the blade wheel, and unknown on other shafts.
    Raises DriveError if neither a motor nor a blade range tells how fast things turn.
    """
    speeds = _shaft_ranges(machine, blade)
    channels = []
    for channel, sensor in machine.sensors.items():
        if channel in speeds:
            rim_m = machine.wheel.diameter_m / 2.0 if channel == "wheel" else None
            at_m = rim_m if radius_m is None else radius_m
            channels.append(_channel(sensor, speeds[channel], mass_kg, None if channel == "blade" else at_m))
    total_hz = sum(plan.pulses_hz[1] for plan in channels)
    baud = min((baud for baud, most in BOARD_PULSES_PER_S.items() if total_hz <= most), default=None)
    wheel = next((plan for plan in channels if plan.channel == "wheel"), None)
    return MountPlan(
        channels=tuple(channels),
        orders=_orders(machine, wheel.highest_order if wheel is not None else 0.0),
        total_pulses_hz=total_hz,
        baud=baud,
        mass_kg=mass_kg,
        warnings=_warnings(machine, channels, baud, total_hz, speeds),
    )


def _channel(sensor: Sensor, shaft_hz: tuple[float, float], mass_kg: float, radius_m: float | None) -> ChannelPlan:
    slow, fast = shaft_hz
    step_s = STEP_S[sensor.input]
    return ChannelPlan(
        channel=sensor.channel,
        targets=sensor.targets,
        input=sensor.input,
        shaft_hz=shaft_hz,
        pulses_hz=(slow * sensor.targets, fast * sensor.targets),
        seconds_per_pulse=(1.0 / (slow * sensor.targets), 1.0 / (fast * sensor.targets)),
        step_ppm=(step_s * slow * 1e6, step_s * fast * 1e6),
        targets_wanted=max(1, math.ceil(READINGS_PER_S / slow - 1e-9)),
        highest_order=sensor.targets / 2.0,
        radius_m=radius_m,
        pull_n=None if radius_m is None else pull_off_n(mass_kg=mass_kg, radius_m=radius_m, shaft_hz=fast),
    )


def _shaft_ranges(machine: Machine, blade: SpeedRange | None) -> dict[str, tuple[float, float]]:
    """Slowest and fastest turns per second of each channel's shaft, as far as they can be told."""
    speeds: dict[str, tuple[float, float]] = {}
    if blade is not None:
        blade.require_runnable()
        speeds["wheel"] = machine.wheel.shaft_hz(blade.low_m_per_s), machine.wheel.shaft_hz(blade.high_m_per_s)
    elif machine.motor is None:
        raise DriveError(
            f"{machine.name}: without a motor nothing tells how fast it turns; give --low and --high blade speeds."
        )
    if machine.motor is not None:
        curves = drive_curves(machine, supply_hz=limits_hz(machine) or listed_hz(machine))
        if blade is None:
            wheel = [hz for c in curves for hz in (c.wheel_hz.full_load[0], c.wheel_hz.highest[-1])]
            speeds["wheel"] = _turning(min(wheel)), float(max(wheel))
        motor = curves[0].motor_hz
        speeds["motor"] = _turning(motor.full_load[0]), float(motor.highest[-1])
        index = machine.driven_stage_index()
        if index is not None:
            until = [math.prod(stage_ratios(machine, Setting(belt=c.belt, gear=c.gear))[: index + 1]) for c in curves]
            speeds["driven"] = speeds["motor"][0] / max(until), speeds["motor"][1] / min(until)
    length_m = machine.wheel.blade_length_m
    if length_m is not None:
        low_hz, high_hz = speeds["wheel"]
        around = machine.wheel.blade_per_turn_m / length_m
        speeds["blade"] = low_hz * around, high_hz * around
    return speeds


def _turning(shaft_hz: float) -> float:
    """A speed to divide by: a motor that stalls at its lowest frequency is looked at where it barely turns."""
    return max(float(shaft_hz), 0.01)


def _orders(machine: Machine, highest: float) -> tuple[OrderSource, ...]:
    """What shakes the wheel in step with something that turns, in events per turn of the wheel."""
    found = [("wheel: out of round, or its targets' spacing", 1.0, 1.0)]
    length_m = machine.wheel.blade_length_m
    if length_m is not None:
        passes = machine.wheel.blade_per_turn_m / length_m
        found.append(("blade: weld, once each pass", passes, passes))
    if machine.motor is not None:
        curves = drive_curves(machine, supply_hz=[machine.motor.base_hz])
        found.append(("motor shaft", min(c.ratio for c in curves), max(c.ratio for c in curves)))
        for index, stage in enumerate(machine.stages):
            if isinstance(stage, BeltStage) and stage.belt_length_m is not None:
                turns = [_belt_order(machine, index, c.belt, c.gear) for c in curves]
                found.append((f"belt of {stage.name or f'stage {index + 1}'}, once round", min(turns), max(turns)))
    return tuple(OrderSource(name=name, low=low, high=high, seen=high < highest) for name, low, high in found)


def _belt_order(machine: Machine, index: int, belt: str | None, gear: str | None) -> float:
    """Turns of a belt per turn of the wheel: pi d n / L, n the driver's turns per turn of the wheel."""
    setting = Setting(belt=belt, gear=gear)
    stage, pair = machine.stages[index], stage_diameters_m(machine, setting)[index]
    assert isinstance(stage, BeltStage)
    assert stage.belt_length_m is not None
    assert pair is not None
    driver_turns = math.prod(stage_ratios(machine, setting)[index:])
    return float(np.squeeze(belt_turns_hz(driver_turns, pitch_m=pair[0], length_m=stage.belt_length_m)))


def _warnings(
    machine: Machine, channels: Sequence[ChannelPlan], baud: int | None, total_hz: float,
    speeds: dict[str, tuple[float, float]],
) -> tuple[str, ...]:  # fmt: skip
    said = []
    if baud is None:
        said.append(f"{total_hz:.0f} pulses/s are more than the board carries (10,000 at 500,000 baud): fewer targets")
    for plan in channels:
        if (
            plan.targets < plan.targets_wanted and plan.channel != "blade"
        ):  # a blade bears one mark, for its whole turns
            said.append(
                f"{plan.channel}: a pulse every {plan.seconds_per_pulse[0]:.1f} s at the slowest speed; "
                f"{plan.targets_wanted} targets would give two readings a second"
            )
    said += [
        f"{channel}: its speed cannot be told from this description, so it is left out here"
        for channel in machine.sensors
        if channel not in speeds
    ]
    return tuple(said)
