"""Which machine are the numbers of: motor, stages, wheel and sensors, as a reader can check them?"""

from collections.abc import Iterator, Sequence

from kerfbeat.errors import MachineError
from kerfbeat.machine import BeltStage, Machine, Setting, stage_diameters_m, stage_ratios
from kerfbeat.present.numbers import length_words

__all__ = ["machine_facts"]


def machine_facts(machine: Machine, settings: Sequence[Setting]) -> tuple[tuple[str, str], ...]:
    """What is described of the machine, of its stages what the settings use."""
    inch = machine.lengths == "inch"
    rows = [("motor", _motor(machine))]
    if machine.inverter is not None:
        rows.append(("inverter", f"{machine.inverter.minimum_hz:g} to {machine.inverter.maximum_hz:g} Hz"))
    for index, stage in enumerate(machine.stages):
        said = dict.fromkeys(_stage(machine, index, settings, inch=inch))
        rows.append((stage.name or f"stage {index + 1}", "; ".join(said) or "not known: the setting is not marked"))
    rows.append(("wheel", _wheel(machine, inch=inch)))
    sensors = ", ".join(f"{name} ({sensor.targets} a turn)" for name, sensor in machine.sensors.items())
    rows.append(("sensors", sensors))
    return tuple(rows)


def _motor(machine: Machine) -> str:
    motor = machine.motor
    if motor is None:
        return "not described"
    power = "" if motor.power_w is None else f", {motor.power_w / 1e3:.3g} kW"
    return f"{motor.poles} poles, {motor.rpm:g} rpm at {motor.base_hz:g} Hz and full load{power}"


def _stage(machine: Machine, index: int, settings: Sequence[Setting], *, inch: bool) -> Iterator[str]:
    """A stage as it stands at each setting; one without a choice stands as it does at any."""
    stage = machine.stages[index]
    for setting in settings:
        try:
            if isinstance(stage, BeltStage):
                choice = len(stage.positions) > 1 or stage.varies
                pair = stage_diameters_m(machine, setting)[index] if choice else stage.diameters_m(None)
                assert pair is not None
                driver, driven = (length_words(each, inch=inch) for each in pair)
                where = f" in position {setting.belt}" if choice else ""
                yield f"belt, {driver} drives {driven} (pitch diameters){where}"
            else:
                choice = len(stage.gears) > 1
                ratio = stage_ratios(machine, setting)[index] if choice else stage.ratio(None)
                yield f"{ratio:g} to 1" + (f" in gear {setting.gear}" if choice else "")
        except MachineError:
            continue  # the marks do not say which


def _wheel(machine: Machine, *, inch: bool) -> str:
    wheel = machine.wheel
    said = [f"diameter {length_words(wheel.diameter_m, inch=inch)}"]
    if wheel.blade_thickness_m:
        said.append(f"blade {1e3 * wheel.blade_thickness_m:.3g} mm thick")
    if wheel.blade_length_m is not None:
        said.append(f"blade {length_words(wheel.blade_length_m, inch=inch)} long")
    return ", ".join(said)
