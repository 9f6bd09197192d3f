"""How does a machine file become a machine, and what is said when it cannot?

A wrong file gets one line: file, key with its path, what is wrong, what would be right.  Places in lists count from 1.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kerfbeat.errors import MachineError
from kerfbeat.machine.parts import CHANNELS, DEFAULT_INPUT, Inverter, Limits, Machine, Motor, Sensor, Wheel
from kerfbeat.machine.section import REQUIRED, Section, printable, shown
from kerfbeat.machine.stages import BeltPosition, BeltStage, Gear, GearStage, Sheave, Stage

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

__all__ = [
    "LARGEST_FILE_BYTES",
    "demo_machine",
    "demo_names",
    "demo_text",
    "load_machine",
    "named_machine",
    "parse_machine",
]

LARGEST_FILE_BYTES = 64 * 1024  # a full description is about 1 KiB, and a log carries it whole
MOST_STAGES = 20
MOST_CHOICES = 100  # gears or belt positions in one stage


def _motor(section: Section) -> Motor:
    section.expect("poles", "base_hz", "rpm", "power", "breakdown_torque_ratio", "self_cooled", "maximum_rpm")
    poles = section.whole("poles", REQUIRED, example="4")
    base_hz = section.number("base_hz", REQUIRED, example="50.0")
    rpm = section.number("rpm", REQUIRED, example="1430")
    power_w = section.quantity("power", "power", example="1.5 kW")
    breakdown = section.number("breakdown_torque_ratio", example="2.4")
    self_cooled = section.truth("self_cooled")
    maximum_rpm = section.number("maximum_rpm", example="3000")
    return section.attempt(
        partial(
            Motor, poles=poles, base_hz=base_hz, rpm=rpm, power_w=power_w, breakdown_torque_ratio=breakdown,
            self_cooled=self_cooled, maximum_rpm=maximum_rpm,
        )
    )  # fmt: skip


def _inverter(section: Section) -> Inverter:
    section.expect("minimum_hz", "maximum_hz", "resolution_hz")
    minimum_hz = section.number("minimum_hz", REQUIRED, example="20.0")
    maximum_hz = section.number("maximum_hz", REQUIRED, example="80.0")
    resolution_hz = section.number("resolution_hz", example="0.1")
    return section.attempt(partial(Inverter, minimum_hz=minimum_hz, maximum_hz=maximum_hz, resolution_hz=resolution_hz))


def _sheave(section: Section, key: str, value: object) -> Sheave:
    """Read a diameter: a text (pitch), or a table with minimum and maximum, or outside or datum with its section."""
    if not isinstance(value, dict):
        pitch_m = section.measure(key, value, "length")
        return section.attempt(partial(Sheave.from_pitch, pitch_m), at=key)
    inner = section.inner(key, value, example="")
    inner.expect("minimum", "maximum", "outside", "datum", "section")
    ways = [way for way in ("minimum", "maximum", "outside", "datum") if way in value]
    if "outside" in ways or "datum" in ways:
        if len(ways) > 1:
            inner.fail("", f"{' and '.join(ways)} are given together; keep one way of measuring")
        diameter_m = inner.quantity(ways[0], "length")
        letter = inner.word("section", REQUIRED, example="A").strip().upper()
        make = Sheave.from_outside if ways[0] == "outside" else Sheave.from_datum
        return inner.attempt(partial(make, diameter_m, section=letter))
    minimum_m = inner.quantity("minimum", "length", REQUIRED, example="70 mm")
    maximum_m = inner.quantity("maximum", "length", REQUIRED, example="120 mm")
    if "section" in value:
        inner.fail("section", "belongs to outside or datum; minimum and maximum are pitch diameters already")
    return inner.attempt(partial(Sheave, minimum_m=minimum_m, maximum_m=maximum_m))


def _positions(section: Section) -> tuple[BeltPosition, ...]:
    steps = section.get("positions")
    if steps is None:
        driver = section.get("driver", REQUIRED, example='driver = "80 mm" (pitch diameter)')
        driven = section.get("driven", REQUIRED, example='driven = "160 mm" (pitch diameter)')
        pair = BeltPosition(driver=_sheave(section, "driver", driver), driven=_sheave(section, "driven", driven))
        return (pair,)
    for key in ("driver", "driven"):
        if section.get(key) is not None:
            section.fail(key, "positions already holds both diameters of each step; remove one of the two")
    example = 'positions = { low = ["63 mm", "160 mm"], high = ["100 mm", "125 mm"] }'
    if not isinstance(steps, dict) or not 0 < len(steps) <= MOST_CHOICES:
        section.fail("positions", f"not a table of 1 to {MOST_CHOICES} steps; write {example}")
    found = []
    for name, pair in steps.items():
        key = f"positions.{printable(name)}"
        if not isinstance(pair, list) or len(pair) != 2:
            section.fail(key, f"{shown(pair)} is not a pair of diameters; write [driver, driven] as in {example}")
        driver, driven = (_sheave(section, f"{key}[{place}]", value) for place, value in enumerate(pair, start=1))
        found.append(section.attempt(partial(BeltPosition, name=name, driver=driver, driven=driven), at=key))
    return tuple(found)


def _belt(section: Section) -> BeltStage:
    section.expect("name", "kind", "driver", "driven", "positions", "centre_distance", "belt_length")
    name = section.word("name", example="first belt")
    positions = _positions(section)
    centre_m = section.quantity("centre_distance", "length")
    length_m = section.quantity("belt_length", "length")
    return section.attempt(
        partial(BeltStage, name=name, positions=positions, centre_distance_m=centre_m, belt_length_m=length_m)
    )


def _gears(section: Section, kind: Any) -> GearStage:
    section.expect("name", "kind", "ratios")
    name = section.word("name", example="gearbox")
    ratios = section.get("ratios", REQUIRED, example="ratios = 30.0 or ratios = { low = 30.0, high = 13.0 }")
    table = ratios if isinstance(ratios, dict) else {None: ratios}
    if not 0 < len(table) <= MOST_CHOICES:
        section.fail("ratios", f"{len(table)} gears; write 1 to {MOST_CHOICES}")
    gears = []
    for gear, value in table.items():
        key = "ratios" if gear is None else f"ratios.{printable(gear)}"
        ratio = section.as_number(key, value, example="30.0")
        gears.append(section.attempt(partial(Gear, name=gear, ratio=ratio), at=key))
    return section.attempt(partial(GearStage, name=name, kind=kind, gears=tuple(gears)))


def _stage(section: Section) -> Stage:
    kind = section.word("kind", REQUIRED, example="belt")
    if kind == "belt":
        return _belt(section)
    if kind in ("gearbox", "chain"):
        return _gears(section, kind)
    return section.fail("kind", f'{shown(kind)} is not known; write "belt", "gearbox" or "chain"')


def _wheel(section: Section) -> Wheel:
    section.expect("diameter", "blade_thickness", "blade_length")
    diameter_m = section.quantity("diameter", "length", REQUIRED, example="330 mm")
    thickness_m = section.quantity("blade_thickness", "length", 0.0)
    length_m = section.quantity("blade_length", "length")
    return section.attempt(
        partial(Wheel, diameter_m=diameter_m, blade_thickness_m=thickness_m, blade_length_m=length_m)
    )


def _sensor(section: Section, channel: str) -> Sensor:
    section.expect("targets", "input", "stage")
    targets = section.whole("targets", REQUIRED, example="4")
    pin = section.whole("input", DEFAULT_INPUT[channel], example="1")
    stage = section.word("stage", example="first belt")
    return section.attempt(partial(Sensor, channel=channel, targets=targets, input=pin, stage=stage))


def _sensors(section: Section) -> dict[str, Sensor]:
    for channel in section.table:
        if channel not in CHANNELS:
            near = difflib.get_close_matches(channel.lower(), CHANNELS, n=1)
            guess = f'did you mean "{near[0]}"?' if near else f"channels: {', '.join(CHANNELS)}"
            section.fail(printable(channel), f"unknown channel; {guess}")
    return {
        channel: _sensor(section.inner(channel, value, example=f"[sensor.{channel}]"), channel)
        for channel, value in section.table.items()
    }


def _toml(text: str, source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as problem:  # TOMLDecodeError, or an integer of thousands of digits
        what, _, place = str(problem).rpartition(" (at ")
        where = place.rstrip(")") if what else "the file"
        said = printable(what or str(problem)).replace("Cannot overwrite a value", "this key stands here a second time")
        raise MachineError(
            f"{source}: {where}: not valid TOML ({said}); write lines such as targets = 4, with texts in quotes."
        ) from problem
    except RecursionError as problem:
        raise MachineError(f"{source}: tables are nested too deeply for a machine file.") from problem


def parse_machine(text: str, *, source: str = "machine file") -> Machine:
    """Read a machine from the text of its file.

    source : what to call the file in messages.
    Raises MachineError, one line, naming the key.
    """
    size = len(text.encode("utf-8", errors="replace"))
    if size > LARGEST_FILE_BYTES:
        raise MachineError(f"{source}: {size} bytes is too large for a machine file; at most {LARGEST_FILE_BYTES}.")
    root = Section(_toml(text, source), source=source, path="", example="")
    root.expect("name", "motor", "inverter", "stage", "wheel", "sensor", "limits")
    name = root.word("name", REQUIRED, example="My saw")
    wheel_section = root.need("wheel", example='[wheel] with diameter = "330 mm"')
    wheel = _wheel(wheel_section)
    sensors = _sensors(root.need("sensor", example="[sensor.wheel] with targets = 4"))
    motor = root.part("motor", _motor, example="[motor] with poles = 4")
    inverter = root.part("inverter", _inverter, example="[inverter] with minimum_hz = 20.0")
    limits = root.part("limits", _limits, example='[limits] with blade_speed = "90 m/min"') or Limits()
    tables = root.get("stage", [])
    if not isinstance(tables, list) or len(tables) > MOST_STAGES:
        root.fail("stage", f"write each stage under its own [[stage]] in double brackets, at most {MOST_STAGES}")
    stages = tuple(
        _stage(root.inner(f"stage[{place}]", table, example='[[stage]] with kind = "belt"'))
        for place, table in enumerate(tables, start=1)
    )
    inch = bool(re.search(r"in|inch|inches|ft|foot|feet|thou|[\"'″′]", str(wheel_section.get("diameter"))))
    return root.attempt(
        partial(
            Machine, name=name, wheel=wheel, sensors=sensors, motor=motor, inverter=inverter, stages=stages,
            limits=limits, lengths="inch" if inch else "metric", text=text,
        )
    )  # fmt: skip


def _limits(section: Section) -> Limits:
    section.expect("blade_speed")
    blade_speed = section.quantity("blade_speed", "speed")
    return section.attempt(partial(Limits, blade_speed_m_per_s=blade_speed))


def load_machine(path: str | Path) -> Machine:
    """Read a machine file.

    Raises MachineError if it is absent, unreadable, over `LARGEST_FILE_BYTES`, not UTF-8 text, or wrong inside.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise MachineError(f"{path}: is a folder; give the machine file itself, such as saw.toml.")
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as problem:
        raise MachineError(f"{path}: no such file; write one with: kerfbeat describe -o {path.name}") from problem
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        why = getattr(problem, "strerror", None) or problem
        raise MachineError(f"{path}: cannot be read ({why}); check path and permissions.") from problem
    if len(raw) > LARGEST_FILE_BYTES:
        raise MachineError(f"{path}: more than {LARGEST_FILE_BYTES} bytes; that is no machine file.")
    try:
        text = raw.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as problem:
        raise MachineError(f"{path}: not UTF-8 text at byte {problem.start}; save it as UTF-8.") from problem
    return parse_machine(text.replace("\r\n", "\n"), source=path.name)


def _demo_folder() -> Traversable:
    from importlib import resources  # takes longer than reading a machine, and is seldom needed

    return resources.files("kerfbeat") / "demo"


def demo_names() -> tuple[str, ...]:
    """Name the invented machines that come with the program."""
    folder = _demo_folder()
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def demo_text(name: str) -> str:
    """Text of an invented machine's file; MachineError if there is none of that name."""
    if name not in demo_names():
        raise MachineError(f'there is no demo machine "{printable(name)}"; choose one of {", ".join(demo_names())}')
    return (_demo_folder() / f"{name}.toml").read_text(encoding="utf-8")


def demo_machine(name: str) -> Machine:
    """Read one of the invented machines, "saw" or "grinder"."""
    return parse_machine(demo_text(name), source=f"{name}.toml")


def named_machine(text: str) -> Machine:
    """Read the invented machine of that name, or else the machine file of that path; MachineError as of either."""
    return demo_machine(text) if text in demo_names() else load_machine(Path(text))
