"""Which parts of a machine's description does a calibrated quantity depend on?

Only these decide whether a stored result still holds: a new name, another limit or a new sensor elsewhere does not
touch a wheel's diameter.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from kerfbeat.errors import CalibrationError, MachineError
from kerfbeat.machine import Machine, Setting, stage_diameters_m, stage_ratios

__all__ = ["belongs_to", "read_setting_name", "setting_name"]

Parts = dict[str, str]


def setting_name(setting: Setting) -> str:
    """Name of a belt position and gear, as the `of` of a ratio; "" where the machine has no choice."""
    said = [f"{word} {name}" for word, name in (("belt", setting.belt), ("gear", setting.gear)) if name is not None]
    return ", ".join(said)


def read_setting_name(name: str) -> Setting:
    """Turn `setting_name` back; gears and belt positions hold no commas."""
    belt = gear = None
    for part in filter(None, name.split(", ")):
        word, _, value = part.partition(" ")
        if word == "belt":
            belt = value
        elif word == "gear":
            gear = value
        else:
            raise CalibrationError(f'"{name}" is no setting; write it as "belt low, gear high"')
    return Setting(belt=belt, gear=gear)


def _number(value: float | None, *, per: float = 1.0, unit: str = "") -> str:
    return "not described" if value is None else f"{value * per:.9g} {unit}".strip()


def _targets(machine: Machine, channel: str) -> Parts:
    if channel not in machine.sensors:
        raise CalibrationError(f"[sensor.{channel}] is not described any more")
    return {f"sensor.{channel}.targets": str(machine.sensors[channel].targets)}


def _clock(_machine: Machine, _board: str) -> Parts:
    return {}


def _wheel(machine: Machine, _of: str) -> Parts:
    wheel = machine.wheel
    return {
        "wheel.diameter": _number(wheel.diameter_m, per=1e3, unit="mm"),
        "wheel.blade_thickness": _number(wheel.blade_thickness_m, per=1e3, unit="mm"),
        "wheel.blade_length": _number(wheel.blade_length_m, per=1e3, unit="mm"),
    }


def _chain(machine: Machine, setting: Setting, stages: int) -> Parts:
    """The first so many stages as they stand at this setting."""
    try:
        diameters_m, ratios = stage_diameters_m(machine, setting), stage_ratios(machine, setting)
    except MachineError as problem:
        raise CalibrationError(str(problem)) from problem
    parts = {}
    for place in range(stages):
        pair = diameters_m[place]
        if pair is None:
            parts[f"stage[{place + 1}].ratio"] = _number(ratios[place])
        else:
            parts[f"stage[{place + 1}].driver"] = _number(pair[0], per=1e3, unit="mm")
            parts[f"stage[{place + 1}].driven"] = _number(pair[1], per=1e3, unit="mm")
    parts["stages"] = str(len(machine.stages))
    return parts


def _total_ratio(machine: Machine, of: str) -> Parts:
    parts = _chain(machine, read_setting_name(of), len(machine.stages))
    parts["motor.poles"] = "not described" if machine.motor is None else str(machine.motor.poles)
    return parts | _targets(machine, "wheel")


def _first_ratio(machine: Machine, of: str) -> Parts:
    index = machine.driven_stage_index()
    if index is None:
        raise CalibrationError("there is no belt stage any more")
    return _chain(machine, read_setting_name(of), index + 1) | _targets(machine, "driven") | _targets(machine, "motor")


def _slip(machine: Machine, _of: str) -> Parts:
    motor = machine.motor
    if motor is None:
        raise CalibrationError("[motor] is not described any more")
    return {
        "motor.poles": str(motor.poles),
        "motor.base_hz": _number(motor.base_hz),
        "motor.rpm": _number(motor.rpm),
    }


PARTS: Mapping[str, Callable[[Machine, str], Parts]] = {
    "target spacing": _targets,
    "clock offset": _clock,
    "wheel diameter": _wheel,
    "total ratio": _total_ratio,
    "first ratio": _first_ratio,
    "motor slip": _slip,
}


def belongs_to(machine: Machine, quantity: str, of: str = "") -> Mapping[str, str]:
    """Parts of the description that a quantity depends on, as key -> value.

    A wheel's diameter found without the blade's length does not depend on that; the finder leaves it out.
    Raises CalibrationError if the description has no such part (any more), and says which.
    """
    return PARTS[quantity](machine, of)
