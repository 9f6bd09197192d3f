"""What speed, torque and power should a setting give, from the motor to the blade?

Every answer is a band: from no load to full load, widened by belt creep and by how well the diameters are known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.drive import motor as motors
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.drive.cautions import Caution, cautions_at, forbids
from kerfbeat.errors import DriveError
from kerfbeat.machine import (
    BeltStage,
    Machine,
    Motor,
    Setting,
    Sheave,
    belt_choices,
    gear_choices,
    stage_ratios,
)

__all__ = [
    "Band",
    "DriveCurve",
    "Prediction",
    "all_settings",
    "drive_curve",
    "drive_curves",
    "predict_setting",
    "require_motor",
    "sheave_half_width",
]

Array = NDArray[np.float64]
Value = TypeVar("Value")

# Half-widths, as fractions of the diameter: how well a pitch diameter is known by the way it was measured, a
# variable-width sheave's place, and the wheel with its tyre.  Common practice, no published source.
DIAMETER_HALF_WIDTH = {"pitch": 0.005, "datum": 0.005, "outside": 0.01}
VARIABLE_HALF_WIDTH = 0.02
WHEEL_HALF_WIDTH = 0.005

MOST_POINTS = 500_000  # settings in one table: more than memory should be filled with, and than anybody reads


@dataclass(frozen=True, kw_only=True, slots=True)
class Band(Generic[Value]):
    """One quantity over everything that may be.

    no_load, full_load : at the pitch diameters as described, without belt creep.
    lowest, highest : the band a healthy machine should be found in.
    """

    no_load: Value
    full_load: Value
    lowest: Value
    highest: Value

    def item(self: Band[Array], index: int) -> Band[float]:
        """Pick one of the arrays' elements."""
        return Band(
            no_load=float(self.no_load[index]),
            full_load=float(self.full_load[index]),
            lowest=float(self.lowest[index]),
            highest=float(self.highest[index]),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Prediction:
    """What one setting should give."""

    setting: Setting
    motor_hz: Band[float]
    wheel_hz: Band[float]
    blade_m_per_s: Band[float]
    torque_ratio: float
    power_ratio: float
    continuous_torque_ratio: tuple[float, float]
    blade_pull_n: float | None
    cautions: tuple[Caution, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """The cautions as texts."""
        return tuple(caution.text for caution in self.cautions)

    @property
    def forbidden(self) -> bool:
        """Whether the setting is not to be used: a limit may be passed."""
        return forbids(self.cautions)


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveCurve:
    """What one belt position and gear should give over supply frequency; arrays of shape (n,).

    ratio : turns of the motor per turn of the wheel, by pitch diameters.
    torque_ratio, power_ratio : at the motor's shaft under full load, in rated torques and powers.
    continuous_torque_ratio : (low, high) that cooling allows for hours.
    blade_pull_n : force along the blade at full load, before losses; None if the nameplate states no power.
    """

    belt: str | None
    gear: str | None
    ratio: float
    supply_hz: Array
    motor_hz: Band[Array]
    wheel_hz: Band[Array]
    blade_m_per_s: Band[Array]
    torque_ratio: Array
    power_ratio: Array
    continuous_torque_ratio: tuple[Array, Array]
    blade_pull_n: Array | None
    cautions: tuple[tuple[Caution, ...], ...]

    @property
    def forbidden(self) -> NDArray[np.bool_]:
        """(n,) Where the setting is not to be used: a limit may be passed."""
        return np.array([forbids(row) for row in self.cautions], dtype=np.bool_)

    @property
    def usable_to_hz(self) -> float | None:
        """Highest frequency up to which nothing is forbidden; None if even the lowest is."""
        barred = np.flatnonzero(self.forbidden)
        if not len(barred):
            return float(self.supply_hz[-1])
        return float(self.supply_hz[barred[0] - 1]) if barred[0] else None

    def predictions(self) -> list[Prediction]:
        """One `Prediction` for each frequency."""
        low, high = self.continuous_torque_ratio
        return [
            Prediction(
                setting=Setting(belt=self.belt, gear=self.gear, hz=float(supply_hz)),
                motor_hz=self.motor_hz.item(index),
                wheel_hz=self.wheel_hz.item(index),
                blade_m_per_s=self.blade_m_per_s.item(index),
                torque_ratio=float(self.torque_ratio[index]),
                power_ratio=float(self.power_ratio[index]),
                continuous_torque_ratio=(float(low[index]), float(high[index])),
                blade_pull_n=None if self.blade_pull_n is None else float(self.blade_pull_n[index]),
                cautions=self.cautions[index],
            )
            for index, supply_hz in enumerate(self.supply_hz)
        ]


def require_motor(machine: Machine) -> Motor:
    """Motor of a machine that is to be predicted; DriveError if it is not described."""
    if machine.motor is None:
        raise DriveError(
            f"{machine.name}: no motor is described, so nothing can be predicted; "
            "add [motor] with poles, base_hz and rpm from its nameplate."
        )
    return machine.motor


def drive_curve(machine: Machine, *, belt: str | None, gear: str | None, supply_hz: ArrayLike) -> DriveCurve:
    """Predict one belt position and gear over supply frequency.

    supply_hz : (n,) or scalar, finite and above 0.
    Raises DriveError without a motor or for an impossible frequency, MachineError for an unknown belt or gear.
    """
    motor = require_motor(machine)
    supply = np.atleast_1d(np.asarray(supply_hz, dtype=float))
    if supply.ndim != 1 or not np.all(np.isfinite(supply) & (supply > 0.0)):
        raise DriveError("supply frequencies must be finite and above 0 Hz.")
    setting = Setting(belt=belt, gear=gear)
    ratios = stage_ratios(machine, setting)
    ratio = math.prod(ratios)
    free_hz = motors.synchronous_hz(supply, poles=motor.poles)
    loaded_hz = motors.full_load_hz(supply, motor=motor)
    slowest_hz = motors.slowest_full_load_hz(supply, motor=motor)
    belts = sum(isinstance(stage, BeltStage) for stage in machine.stages)
    spread = _ratio_half_width(machine)
    motor_hz = Band(no_load=free_hz, full_load=loaded_hz, lowest=slowest_hz, highest=free_hz)
    wheel_hz = Band(
        no_load=free_hz / ratio,
        full_load=loaded_hz / ratio,
        lowest=slowest_hz / ratio * (1.0 - CREEP_HIGH) ** belts * (1.0 - spread),
        highest=free_hz / ratio * (1.0 + spread),
    )
    blade = Band(
        no_load=machine.wheel.surface_speed_m_per_s(wheel_hz.no_load),
        full_load=machine.wheel.surface_speed_m_per_s(wheel_hz.full_load),
        lowest=machine.wheel.surface_speed_m_per_s(wheel_hz.lowest) * (1.0 - WHEEL_HALF_WIDTH),
        highest=machine.wheel.surface_speed_m_per_s(wheel_hz.highest) * (1.0 + WHEEL_HALF_WIDTH),
    )
    torque = motors.torque_ratio(supply, motor=motor)
    continuous = motors.continuous_torque_ratio(supply, motor=motor)
    cautions = cautions_at(
        machine,
        supply_hz=supply,
        motor_hz=free_hz,
        slowest_motor_hz=slowest_hz,
        blade_m_per_s=blade.highest,
        stage_ratios=ratios,
    )
    return DriveCurve(
        belt=belt,
        gear=gear,
        ratio=ratio,
        supply_hz=supply,
        motor_hz=motor_hz,
        wheel_hz=wheel_hz,
        blade_m_per_s=blade,
        torque_ratio=torque,
        power_ratio=torque * loaded_hz / (motor.rpm / 60.0),
        continuous_torque_ratio=(continuous.low, continuous.high),
        blade_pull_n=_blade_pull_n(machine, motor, torque, ratio),
        cautions=cautions,
    )


def drive_curves(
    machine: Machine,
    *,
    supply_hz: ArrayLike,
    belts: Sequence[str | None] | None = None,
    gears: Sequence[str | None] | None = None,
) -> list[DriveCurve]:
    """Predict every belt position and gear, or the named ones, over supply frequency; slowest gear first."""
    belts = belts or belt_choices(machine) or (None,)
    gears = gears or gear_choices(machine) or (None,)
    points = len(belts) * len(gears) * np.size(np.asarray(supply_hz))
    if points > MOST_POINTS:
        raise DriveError(
            f"{points} settings are more than {MOST_POINTS}; name gear or belt, or take a larger step of hertz."
        )
    curves = [drive_curve(machine, belt=belt, gear=gear, supply_hz=supply_hz) for belt in belts for gear in gears]
    return sorted(curves, key=lambda curve: -curve.ratio)


def predict_setting(machine: Machine, setting: Setting) -> Prediction:
    """Predict one setting; its frequency is the motor's base frequency where it is not said.

    Raises DriveError without a motor or for an impossible frequency, MachineError for an unknown belt or gear.
    """
    hz = setting.hz if setting.hz is not None else require_motor(machine).base_hz
    return drive_curve(machine, belt=setting.belt, gear=setting.gear, supply_hz=hz).predictions()[0]


def all_settings(machine: Machine, *, supply_hz: ArrayLike) -> list[Prediction]:
    """Predict every belt position and gear at each of these frequencies, slowest gear first."""
    return [row for curve in drive_curves(machine, supply_hz=supply_hz) for row in curve.predictions()]


def _ratio_half_width(machine: Machine) -> float:
    """Half-width of the whole belt ratio, as a fraction: the diameters' half-widths added in squares."""
    halves = []
    for stage in machine.stages:
        if isinstance(stage, BeltStage):
            halves.append(max(sheave_half_width(position.driver) for position in stage.positions))
            halves.append(max(sheave_half_width(position.driven) for position in stage.positions))
    return math.sqrt(sum(half**2 for half in halves))


def sheave_half_width(sheave: Sheave) -> float:
    """How well a pitch diameter is known, by how it was measured: half-width as a part of it."""
    return VARIABLE_HALF_WIDTH if sheave.varies else DIAMETER_HALF_WIDTH[sheave.taken]


def _blade_pull_n(machine: Machine, motor: Motor, torque: Array, ratio: float) -> Array | None:
    rated_n_m = motors.rated_torque_n_m(motor)
    if rated_n_m is None:
        return None
    return torque * rated_n_m * ratio / ((machine.wheel.diameter_m + machine.wheel.blade_thickness_m) / 2.0)
