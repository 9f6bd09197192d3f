"""What is known of a machine, as its owner wrote it down?

`load_machine("saw.toml")` gives a frozen `Machine`; nothing here measures or predicts anything.
"""

from kerfbeat.machine.parts import CHANNELS, DEFAULT_INPUT, Inverter, Limits, Machine, Motor, Sensor, Wheel
from kerfbeat.machine.reader import demo_machine, demo_names, demo_text, load_machine, named_machine, parse_machine
from kerfbeat.machine.settings import Setting, belt_choices, gear_choices, stage_diameters_m, stage_ratios
from kerfbeat.machine.stages import BeltPosition, BeltStage, Gear, GearStage, Sheave, Stage

__all__ = [
    "CHANNELS",
    "DEFAULT_INPUT",
    "BeltPosition",
    "BeltStage",
    "Gear",
    "GearStage",
    "Inverter",
    "Limits",
    "Machine",
    "Motor",
    "Sensor",
    "Setting",
    "Sheave",
    "Stage",
    "Wheel",
    "belt_choices",
    "demo_machine",
    "demo_names",
    "demo_text",
    "gear_choices",
    "load_machine",
    "named_machine",
    "parse_machine",
    "stage_diameters_m",
    "stage_ratios",
]
