"""Which inertias, rims and couplings does this machine have at this setting?

The chain is cut at every belt, and between wheel and blade, into groups that turn as one piece: the motor with its
sheave; each driven sheave with the gears and the next sheave; the wheel with what drives it rigidly; the blade with
its idle wheel.  A group's speed is that of its first shaft in rad/s, the blade's is its own in m/s.

A machine file holds no inertias, belt sections or tensions.  The defaults here and in `part_sizes` are those of a sound
machine of its size (common practice, no published source for the numbers); parameters scale them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from kerfbeat.machine import BeltStage, Machine, Setting, belt_choices, gear_choices, stage_diameters_m, stage_ratios
from kerfbeat.simulate.friction import Coupling
from kerfbeat.simulate.motor import MotorModel
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.part_sizes import (
    DEFAULT_POWER_W,
    IRON_KG_PER_M3,
    belt_length_m,
    rotor_kg_m2,
    sheave_kg_m2,
    sized_coupling,
    wrap_rad,
)

__all__ = ["MODEST_SPEED_M_PER_S", "Plant", "Track", "build_plant", "first_setting", "motor_model"]

STEEL_KG_PER_M3 = 7850.0
STEEL_E_PA = 205e9
RIM_SECTION_M2 = 0.03 * 0.02  # of a blade wheel
BLADE_WIDTH_M = 0.027
LEAST_BLADE_THICKNESS_M = 0.0006  # stands for a blade whose thickness is not described
GROOVE_FRICTION = 0.5123  # effective, tension ratio 5 at half a turn: Shigley, V belts
RIM_FRICTION = 0.2  # steel on iron
DEFAULT_BREAKDOWN_RATIO = 2.5
MODEST_SPEED_M_PER_S = 40 / 60  # surface speed of a machine that is described without its motor
MODEST_FORCE_N = 500.0  # full load at the blade of such a machine
SOURCE_SLIP = 0.02  # how much such a machine slows at full load


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """Something whose turns are counted: a shaft, a belt's passes, the blade's passes.

    turns_per_unit : turns per radian of its group's first shaft; for the blade group passes per metre.
    """

    name: str
    group: int
    turns_per_unit: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Plant:
    """The machine at one setting, as numbers for the equations of motion.

    inertia : per group, kg m² (the blade's in kg).  still_drag, turning_drag : per group, torque that opposes motion,
        N m (blade: N), and its rise with speed.
    up_m, down_m : per coupling, rim speed of the driver per unit of group speed, and of the driven.
    supply : what turns the motor: an inverter, the mains alone, or (machine without a motor) a source of its own.
    full_load_n : per coupling, the pull that takes the motor's full-load torque; last the force at the blade.
    nominal : per group, speed at the nameplate point, the scale for tolerances.
    """

    motor: MotorModel
    supply: Literal["inverter", "mains", "source"]
    couplings: tuple[Coupling, ...]
    inertia: tuple[float, ...]
    still_drag: tuple[float, ...]
    turning_drag: tuple[float, ...]
    up_m: tuple[float, ...]
    down_m: tuple[float, ...]
    full_load_n: tuple[float, ...]
    nominal: tuple[float, ...]
    tracks: Mapping[str, Track]

    @property
    def coupling_names(self) -> tuple[str, ...]:
        """`belt 1`, `belt 2`, ..., `blade`."""
        return (*(f"belt {k}" for k in range(1, len(self.couplings))), "blade")


def first_setting(machine: Machine, parameters: Parameters) -> Setting:
    """Belt, gear and frequency to begin with: what was asked for, else the first choice and the nameplate's."""
    belts, gears = belt_choices(machine), gear_choices(machine)
    belt = parameters.belt if parameters.belt is not None else (belts[0] if belts else None)
    gear = parameters.gear if parameters.gear is not None else (gears[0] if gears else None)
    setting = Setting(belt=belt, gear=gear, hz=parameters.hz)
    if parameters.hz is None and machine.motor is not None:
        hz = machine.motor.base_hz
        if machine.inverter is not None:
            hz = min(max(hz, machine.inverter.minimum_hz), machine.inverter.maximum_hz)
        setting = Setting(belt=belt, gear=gear, hz=hz)
    if machine.motor is None:
        # Without a motor "hz" is the first shaft's own speed, so that wheel and blade go at a modest pace.
        modest_hz = math.prod(stage_ratios(machine, setting)) * machine.wheel.shaft_hz(MODEST_SPEED_M_PER_S)
        setting = Setting(belt=belt, gear=gear, hz=parameters.hz if parameters.hz is not None else modest_hz)
    return setting


def motor_model(machine: Machine, setting: Setting, parameters: Parameters) -> MotorModel:
    """The motor of the nameplate; a machine without one is turned by a source that hardly gives way."""
    motor = machine.motor
    if motor is None:
        ratio = math.prod(stage_ratios(machine, setting))
        wheel_hz = machine.wheel.shaft_hz(MODEST_SPEED_M_PER_S)
        return MotorModel(
            poles=2,
            base_hz=math.inf,
            full_load_slip_hz=SOURCE_SLIP * wheel_hz * ratio,
            full_load_torque_n_m=MODEST_FORCE_N * machine.wheel.diameter_m / 2 / ratio,
            breakdown_ratio=None,
        )
    power_w = motor.power_w or DEFAULT_POWER_W
    return MotorModel(
        poles=motor.poles,
        base_hz=motor.base_hz,
        full_load_slip_hz=motor.base_hz - motor.poles * motor.rpm / 120,
        full_load_torque_n_m=power_w / (math.tau * motor.rpm / 60),
        breakdown_ratio=max(motor.breakdown_torque_ratio or DEFAULT_BREAKDOWN_RATIO, 1.0 + 1e-6),
        flux_droop=parameters.flux_droop,
    )


def _settings(machine: Machine) -> list[Setting]:
    return [
        Setting(belt=belt, gear=gear)
        for belt in belt_choices(machine) or (None,)
        for gear in gear_choices(machine) or (None,)
    ]


def _full_load_pulls_n(machine: Machine, setting: Setting, torque_n_m: float) -> list[float]:
    """Pull of every belt, and last of the blade, at full-load torque."""
    pulls_n = []
    for ratio, diameters_m in zip(stage_ratios(machine, setting), stage_diameters_m(machine, setting), strict=True):
        if diameters_m is not None:
            pulls_n.append(torque_n_m / (diameters_m[0] / 2))
        torque_n_m *= ratio
    rim_m = (machine.wheel.diameter_m + machine.wheel.blade_thickness_m) / 2
    return [*pulls_n, torque_n_m / rim_m]


def build_plant(machine: Machine, setting: Setting, parameters: Parameters) -> Plant:
    """Turn a description into the numbers of the equations of motion.

    Belts are sized once, for the setting that pulls hardest, as they are on a real machine.
    Raises MachineError if the setting does not exist.
    """
    motor = motor_model(machine, setting, parameters)
    torque_n_m = motor.full_load_torque_n_m
    sized = [
        _full_load_pulls_n(machine, each, motor_model(machine, each, parameters).full_load_torque_n_m)
        for each in _settings(machine)
    ]
    worst_n = [max(column) for column in zip(*sized, strict=True)]
    first_hz = motor.turns_per_supply_cycle * (motor.base_hz - motor.full_load_slip_hz)
    if machine.motor is None:
        first_hz = motor.full_load_slip_hz / SOURCE_SLIP
    rad_per_s = math.tau * first_hz  # of the shaft in hand, at the nameplate point
    group, within = 0, 1.0  # the group in hand; turns of its first shaft per turn of the shaft in hand
    inertia = [rotor_kg_m2(machine.motor)]
    nominal = [rad_per_s]
    up_m: list[float] = []
    down_m: list[float] = []
    couplings: list[Coupling] = []
    tracks = {"motor": Track(name="motor", group=0, turns_per_unit=1 / math.tau)}
    stages = zip(machine.stages, stage_ratios(machine, setting), stage_diameters_m(machine, setting), strict=True)
    for index, (stage, ratio, diameters_m) in enumerate(stages):
        if isinstance(stage, BeltStage) and diameters_m is not None:
            driver_m, driven_m = diameters_m
            inertia[group] += sheave_kg_m2(driver_m) / within**2
            pitch_m = driver_m * (1 + parameters.pitch_error) if not couplings else driver_m
            up_m.append(pitch_m / 2 / within)
            down_m.append(driven_m / 2)
            belt = len(couplings) + 1
            passes = driver_m / 2 / belt_length_m(stage, driver_m, driven_m) / within
            tracks[f"belt {belt}"] = Track(name=f"belt {belt}", group=group, turns_per_unit=passes)
            couplings.append(
                sized_coupling(
                    stage.name or f"belt {belt}", full_load_n=worst_n[belt - 1], creep=parameters.creep,
                    grip=parameters.grip, friction=GROOVE_FRICTION, wrap_rad=wrap_rad(stage, driver_m, driven_m),
                    rise=parameters.grip_rise, speed_m_per_s=rad_per_s * driver_m / 2,
                )
            )  # fmt: skip
            group, within = group + 1, 1.0
            inertia.append(sheave_kg_m2(driven_m))
            rad_per_s /= ratio
            nominal.append(rad_per_s)
        else:
            within *= ratio
            rad_per_s /= ratio
        tracks[f"shaft {index + 1}"] = Track(
            name=f"shaft {index + 1}", group=group, turns_per_unit=1 / (within * math.tau)
        )
    wheel = machine.wheel
    wheel_m = wheel.diameter_m * (1 + parameters.wheel_error) + wheel.blade_thickness_m
    rim_kg = IRON_KG_PER_M3 * math.pi * wheel.diameter_m * RIM_SECTION_M2
    inertia[group] += rim_kg * (wheel.diameter_m / 2) ** 2 / within**2
    thickness_m = max(wheel.blade_thickness_m, LEAST_BLADE_THICKNESS_M)
    length_m = wheel.blade_length_m or 3 * math.pi * wheel.diameter_m
    full_load_n = tuple(_full_load_pulls_n(machine, setting, torque_n_m))
    couplings.append(
        sized_coupling(
            "blade", full_load_n=worst_n[-1], grip=parameters.blade_grip, friction=RIM_FRICTION,
            creep=worst_n[-1] / (STEEL_E_PA * thickness_m * BLADE_WIDTH_M), wrap_rad=math.pi,
            rise=parameters.grip_rise, speed_m_per_s=rad_per_s * wheel_m / 2,
        )
    )  # fmt: skip
    up_m.append(wheel_m / 2 / within)
    down_m.append(1.0)
    inertia.append(STEEL_KG_PER_M3 * thickness_m * BLADE_WIDTH_M * length_m + rim_kg)
    nominal.append(rad_per_s * wheel_m / 2)
    tracks["wheel"] = Track(name="wheel", group=group, turns_per_unit=1 / (within * math.tau))
    tracks["blade"] = Track(name="blade", group=group + 1, turns_per_unit=1 / (length_m * (1 + parameters.blade_error)))
    still_drag, turning_drag = _drags(torque_n_m, full_load_n[-1], nominal, parameters.idle_drag)
    return Plant(
        motor=motor, supply=_supply(machine), couplings=tuple(couplings),
        inertia=tuple(parameters.inertia * each for each in inertia), still_drag=still_drag, turning_drag=turning_drag,
        up_m=tuple(up_m), down_m=tuple(down_m), full_load_n=full_load_n, nominal=tuple(nominal), tracks=tracks,
    )  # fmt: skip


def _supply(machine: Machine) -> Literal["inverter", "mains", "source"]:
    if machine.motor is None:
        return "source"
    return "mains" if machine.inverter is None else "inverter"


def _drags(
    torque_n_m: float, full_load_n: float, nominal: list[float], idle_drag: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Idle drag at nominal speed: two fifths in the motor, three fifths at the blade; half still, half with speed."""
    still, turning = [0.0] * len(nominal), [0.0] * len(nominal)
    for group, share in ((0, 0.4 * torque_n_m), (len(nominal) - 1, 0.6 * full_load_n)):
        still[group] = 0.5 * idle_drag * share
        turning[group] = 0.5 * idle_drag * share / nominal[group]
    return tuple(still), tuple(turning)
