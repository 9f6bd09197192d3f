"""What is a machine, from its motor's nameplate to its blade wheel and sensors?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeVar

from kerfbeat.errors import MachineError
from kerfbeat.machine.stages import BeltStage, Stage, require_name

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["CHANNELS", "DEFAULT_INPUT", "Inverter", "Limits", "Machine", "Motor", "Sensor", "Wheel"]

Quantity = TypeVar("Quantity", float, "NDArray[float64]")

CHANNELS = ("wheel", "motor", "driven", "blade")
DEFAULT_INPUT: Mapping[str, int] = {"wheel": 1, "motor": 2, "driven": 3, "blade": 3}
INPUTS = (1, 2, 3)  # the board's pin groups; 1 is the capture pin
MOST_TARGETS = 1000
MOST_POLES = 16
MOST_SETTINGS = 1000  # belt positions times gears: a small file must not fill memory with a table of them all
VARIABLE_CHOICES = 25  # what a variable-width sheave counts for; of three in a row nobody has heard
LARGEST_SLIP = 0.25  # of synchronous speed; high-slip (design D) motors reach 25 %, NEMA MG 10 table 2-1
FREQUENCIES_HZ = (1.0, 1000.0)  # what a nameplate or an inverter can hold


def _between(value: float, least: float, most: float, *, key: str, unit: str) -> None:
    if not (math.isfinite(value) and least <= value <= most):
        raise MachineError(f"{key}: {value:g} {unit} cannot be; write a value from {least:g} to {most:g} {unit}")


def _choices(stage: Stage) -> int:
    if not isinstance(stage, BeltStage):
        return len(stage.gears)
    return VARIABLE_CHOICES if stage.varies else len(stage.positions)


def fitting_poles(*, hz: float, rpm: float) -> int | None:
    """Pole count whose synchronous speed 120 f / p is the next above a full-load speed; None if none fits."""
    for poles in range(MOST_POLES, 0, -2):
        synchronous_rpm = 120 * hz / poles
        if rpm < synchronous_rpm:
            return poles if rpm >= (1 - LARGEST_SLIP) * synchronous_rpm else None
    return None


@dataclass(frozen=True, kw_only=True, slots=True)
class Motor:
    """An induction motor by its nameplate: full-load speed `rpm` at `base_hz`.

    maximum_rpm : the maker's safe top speed, where it is known.
    self_cooled : True if its fan sits on its own shaft, so that it cools badly when slow.
    """

    poles: int
    base_hz: float
    rpm: float
    power_w: float | None = None
    breakdown_torque_ratio: float | None = None
    self_cooled: bool | None = None
    maximum_rpm: float | None = None

    def __post_init__(self) -> None:
        if not 2 <= self.poles <= MOST_POLES or self.poles % 2:
            raise MachineError(f"poles: {self.poles} cannot be; write an even count such as 4 (2 to {MOST_POLES})")
        _between(self.base_hz, *FREQUENCIES_HZ, key="base_hz", unit="Hz")
        _between(self.rpm, 10.0, 60_000.0, key="rpm", unit="rpm")
        self._require_agreement()
        if self.power_w is not None:
            _between(self.power_w, 1.0, 1e7, key="power", unit="W")
        if self.breakdown_torque_ratio is not None:
            _between(self.breakdown_torque_ratio, 1.0, 10.0, key="breakdown_torque_ratio", unit="times rated torque")
        if self.maximum_rpm is not None:
            _between(self.maximum_rpm, 10.0, 100_000.0, key="maximum_rpm", unit="rpm")
            if self.maximum_rpm < self.rpm:
                raise MachineError(
                    f"maximum_rpm: {self.maximum_rpm:g} is below the nameplate's own {self.rpm:g} rpm; "
                    "write the safe top speed or leave it out"
                )

    def _require_agreement(self) -> None:
        fit = fitting_poles(hz=self.base_hz, rpm=self.rpm)
        if fit == self.poles:
            return
        synchronous_rpm = 120 * self.base_hz / self.poles
        said = (
            f"rpm: {self.rpm:g} rpm at {self.base_hz:g} Hz does not fit {self.poles} poles "
            f"(synchronous speed {synchronous_rpm:g} rpm, full load a few per cent below it)"
        )
        if math.isclose(self.rpm, synchronous_rpm):
            raise MachineError(f"{said}; write the full-load speed from the nameplate, not the synchronous one")
        if fit is not None:
            raise MachineError(f"{said}; poles = {fit} would fit")
        for hz in (50.0, 60.0):
            if fitting_poles(hz=hz, rpm=self.rpm) == self.poles:
                raise MachineError(f"{said}; base_hz = {hz:g} would fit")
        raise MachineError(f"{said}; read poles, frequency and full-load speed from the nameplate again")


@dataclass(frozen=True, kw_only=True, slots=True)
class Inverter:
    """The frequency limits the inverter is set to, and the step its display shows."""

    minimum_hz: float
    maximum_hz: float
    resolution_hz: float | None = None

    def __post_init__(self) -> None:
        _between(self.minimum_hz, 0.0, FREQUENCIES_HZ[1], key="minimum_hz", unit="Hz")
        _between(self.maximum_hz, *FREQUENCIES_HZ, key="maximum_hz", unit="Hz")
        if self.minimum_hz >= self.maximum_hz:
            raise MachineError(
                f"minimum_hz: {self.minimum_hz:g} Hz is not below maximum_hz = {self.maximum_hz:g}; swap or change them"
            )
        if self.resolution_hz is not None:
            _between(self.resolution_hz, 1e-4, 10.0, key="resolution_hz", unit="Hz")

    def beyond(self, hz: float) -> str | None:
        """What to tell of a frequency outside the limits; None within them (a billionth of a hertz is rounding)."""
        if self.minimum_hz - 1e-9 <= hz <= self.maximum_hz + 1e-9:
            return None
        return f"{hz:.4g} Hz is outside the inverter's limits of {self.minimum_hz:g} to {self.maximum_hz:g} Hz"


@dataclass(frozen=True, kw_only=True, slots=True)
class Wheel:
    """The blade wheel, and the blade (or abrasive belt) on it."""

    diameter_m: float
    blade_thickness_m: float = 0.0
    blade_length_m: float | None = None

    def __post_init__(self) -> None:
        _between(self.diameter_m * 1e3, 5.0, 20_000.0, key="diameter", unit="mm")
        _between(self.blade_thickness_m * 1e3, 0.0, 20.0, key="blade_thickness", unit="mm")
        if self.blade_thickness_m > self.diameter_m / 10:
            raise MachineError(
                f"blade_thickness: {self.blade_thickness_m * 1e3:g} mm is too thick for a wheel of "
                f"{self.diameter_m * 1e3:g} mm; check both units"
            )
        if self.blade_length_m is not None and not self.blade_per_turn_m < self.blade_length_m <= 200.0:
            raise MachineError(
                f"blade_length: {self.blade_length_m * 1e3:g} mm cannot be; round this wheel alone it is "
                f"{self.blade_per_turn_m * 1e3:.0f} mm, and 200 m is the most"
            )

    @property
    def blade_per_turn_m(self) -> float:
        """How much blade passes in a turn, at mid-thickness: pi (D + t).

        A bare-wheel formula reads low by t / D.  Source: Khurmi, A Textbook of Engineering Mechanics, ch. 33
        (thick belt on a pulley: the effective diameter is d + t).
        """
        return math.pi * (self.diameter_m + self.blade_thickness_m)

    def surface_speed_m_per_s(self, shaft_hz: Quantity) -> Quantity:
        """Blade speed at mid-thickness, v = pi (D + t) n, for wheel turns per second."""
        return shaft_hz * self.blade_per_turn_m

    def shaft_hz(self, surface_speed_m_per_s: Quantity) -> Quantity:
        """Wheel turns per second that give a blade speed in m/s; the inverse of `surface_speed_m_per_s`."""
        return surface_speed_m_per_s / self.blade_per_turn_m


@dataclass(frozen=True, kw_only=True, slots=True)
class Sensor:
    """One sensor: the shaft it watches, how many targets pass it in a turn, the board's input it is wired to.

    stage : for `driven` only: name of the stage whose output shaft it watches; None is the first belt.
    """

    channel: str
    targets: int
    input: int
    stage: str | None = None

    def __post_init__(self) -> None:
        if self.channel not in CHANNELS:
            raise MachineError(f'"{self.channel}" is not a channel; choose one of {", ".join(CHANNELS)}')
        if not 1 <= self.targets <= MOST_TARGETS:
            raise MachineError(
                f"targets: {self.targets} cannot be; write how many pass the sensor in one turn, 1 to {MOST_TARGETS}"
            )
        if self.input not in INPUTS:
            raise MachineError(f"input: {self.input} is not on the board; write 1, 2 or 3 (1 is the capture pin)")
        if self.stage is not None and self.channel != "driven":
            raise MachineError("stage: only [sensor.driven] follows a stage; remove it here")


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """Speeds the user does not want passed."""

    blade_speed_m_per_s: float | None = None

    def __post_init__(self) -> None:
        if self.blade_speed_m_per_s is not None:
            _between(self.blade_speed_m_per_s * 60, 0.1, 20_000.0, key="blade_speed", unit="m/min")


@dataclass(frozen=True, kw_only=True, slots=True)
class Machine:
    """A whole machine: enough to read speed (wheel, sensors), and where known enough to predict it.

    text : the file it was read from, word for word, so that a log can carry it.
    lengths : the unit its owner wrote the wheel's diameter in; decides which unit is shown first.
    """

    name: str
    wheel: Wheel
    sensors: Mapping[str, Sensor]
    motor: Motor | None = None
    inverter: Inverter | None = None
    stages: tuple[Stage, ...] = ()
    limits: Limits = field(default_factory=Limits)
    lengths: Literal["metric", "inch"] = "metric"
    text: str = field(default="", repr=False)

    def __post_init__(self) -> None:
        require_name(self.name, what="name")
        if not self.sensors:
            raise MachineError("sensor: none described; add [sensor.wheel] with targets = 4, or as many as there are")
        wired: dict[int, str] = {}
        for channel, sensor in self.sensors.items():
            if sensor.input in wired:
                raise MachineError(
                    f"sensor.{channel}.input: input {sensor.input} is already taken by sensor.{wired[sensor.input]}; "
                    "give each sensor an input of its own (1, 2 or 3)"
                )
            wired[sensor.input] = channel
        named = [stage.name for stage in self.stages if stage.name is not None]
        if len(set(named)) < len(named):
            raise MachineError("stage: two stages have the same name; sensors could not tell them apart")
        self._require_followed_stage(named)
        settings = math.prod(map(_choices, self.stages))
        if settings > MOST_SETTINGS:
            raise MachineError(
                f"stage: the choices of all stages give {settings:.4g} settings, and {MOST_SETTINGS} are the most; "
                "leave out positions and gears that are not used"
            )

    def _require_followed_stage(self, named: list[str]) -> None:
        driven = self.sensors.get("driven")
        if driven is not None and driven.stage is not None and driven.stage not in named:
            known = ", ".join(f'"{name}"' for name in named) or "none is named"
            raise MachineError(f'sensor.driven.stage: there is no stage "{driven.stage}" (stages: {known})')

    def driven_stage_index(self) -> int | None:
        """Index of the stage whose output shaft the channel `driven` watches; None if there is no belt.

        Without a name given it is the first belt stage, the best place to see belt slip.
        """
        driven = self.sensors.get("driven")
        for index, stage in enumerate(self.stages):
            if driven is not None and driven.stage is not None:
                if stage.name == driven.stage:
                    return index
            elif isinstance(stage, BeltStage):
                return index
        return None
