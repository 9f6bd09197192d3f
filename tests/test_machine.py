"""Is a machine file read whole, and does every kind of mistake get one line that says what would be right?"""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbeat.errors import MachineError
from kerfbeat.machine import (
    BeltStage,
    GearStage,
    Setting,
    Wheel,
    belt_choices,
    demo_machine,
    demo_names,
    demo_text,
    gear_choices,
    load_machine,
    parse_machine,
    stage_diameters_m,
    stage_ratios,
)
from kerfbeat.machine.reader import LARGEST_FILE_BYTES

SAW = """
name = "Test saw"
[motor]
poles = 4
base_hz = 50.0
rpm = 1430
power = "1.5 kW"
breakdown_torque_ratio = 2.4
self_cooled = true
maximum_rpm = 3000
[inverter]
minimum_hz = 20.0
maximum_hz = 80.0
resolution_hz = 0.1
[[stage]]
name = "first belt"
kind = "belt"
driver = "80 mm"
driven = "160 mm"
centre_distance = "310 mm"
belt_length = "1010 mm"
[[stage]]
kind = "gearbox"
ratios = { low = 30.0, high = 13.0 }
[wheel]
diameter = "330 mm"
blade_thickness = "0.9 mm"
blade_length = "2750 mm"
[sensor.wheel]
targets = 4
[sensor.motor]
targets = 1
[sensor.blade]
targets = 1
[limits]
blade_speed = "90 m/min"
"""

LEAST = """
name = "Bare wheel"
[wheel]
diameter = "14 in"
[sensor.wheel]
targets = 1
"""


def changed(old: str, new: str) -> str:
    assert SAW.count(old) == 1, old
    return SAW.replace(old, new)


def message(text: str) -> str:
    with pytest.raises(MachineError) as caught:
        parse_machine(text, source="saw.toml")
    said = str(caught.value)
    assert said.startswith("saw.toml: ")
    assert said.isprintable()
    assert len(said) < 350
    return said


def test_full_file_is_read() -> None:
    machine = parse_machine(SAW)
    assert machine.name == "Test saw"
    assert machine.text == SAW
    motor, inverter = machine.motor, machine.inverter
    assert motor is not None
    assert inverter is not None
    assert (motor.poles, motor.base_hz, motor.rpm, motor.power_w) == (4, 50.0, 1430.0, 1500.0)
    assert (motor.breakdown_torque_ratio, motor.self_cooled, motor.maximum_rpm) == (2.4, True, 3000.0)
    assert (inverter.minimum_hz, inverter.maximum_hz, inverter.resolution_hz) == (20.0, 80.0, 0.1)
    belt, box = machine.stages
    assert isinstance(belt, BeltStage)
    assert isinstance(box, GearStage)
    assert belt.name == "first belt"
    assert belt.centre_distance_m == pytest.approx(0.310)
    assert belt.belt_length_m == pytest.approx(1.010)
    assert box.kind == "gearbox"
    assert machine.wheel == Wheel(diameter_m=0.33, blade_thickness_m=0.9e-3, blade_length_m=2.75)
    assert {name: (s.targets, s.input) for name, s in machine.sensors.items()} == {
        "wheel": (4, 1), "motor": (1, 2), "blade": (1, 3),
    }  # fmt: skip
    assert machine.limits.blade_speed_m_per_s == pytest.approx(1.5)
    assert gear_choices(machine) == ("low", "high")
    assert belt_choices(machine) == ()
    assert stage_ratios(machine, Setting(gear="high")) == pytest.approx((2.0, 13.0))
    assert stage_diameters_m(machine, Setting(gear="low")) == (pytest.approx((0.08, 0.16)), None)


def test_wheel_and_one_sensor_are_enough() -> None:
    machine = parse_machine(LEAST)
    assert machine.motor is None
    assert machine.inverter is None
    assert machine.stages == ()
    assert machine.limits.blade_speed_m_per_s is None
    assert machine.lengths == "inch"
    assert stage_ratios(machine, Setting()) == ()


def test_surface_speed_counts_the_blade_thickness() -> None:
    # 14 in wheel, 0.035 in blade, 100 rpm: 367.435 ft/min; 366.519 without the blade (pi (D + t) n, computed apart)
    with_blade = Wheel(diameter_m=14 * 0.0254, blade_thickness_m=0.035 * 0.0254)
    bare = Wheel(diameter_m=14 * 0.0254)
    assert with_blade.surface_speed_m_per_s(100 / 60) / 0.00508 == pytest.approx(367.435, abs=1e-3)
    assert bare.surface_speed_m_per_s(100 / 60) / 0.00508 == pytest.approx(366.519, abs=1e-3)
    assert with_blade.shaft_hz(with_blade.surface_speed_m_per_s(1.7)) == pytest.approx(1.7)


def test_demo_machines_are_whole_and_say_they_are_invented() -> None:
    assert demo_names() == ("grinder", "saw")
    for name in demo_names():
        assert "invented" in demo_machine(name).name
        assert demo_machine(name).text == demo_text(name)
    assert demo_machine("grinder").lengths == "inch"
    assert demo_machine("saw").lengths == "metric"
    with pytest.raises(MachineError, match="grinder, saw"):
        demo_machine("lathe")


def belt_file(stage: str) -> str:
    return LEAST + "[[stage]]\nkind = 'belt'\n" + stage


def test_step_pulleys_have_a_ratio_for_each_step() -> None:
    machine = parse_machine(
        belt_file('positions = { low = ["63 mm", "160 mm"], high = ["100 mm", "125 mm"] }\nname = "steps"')
    )
    assert belt_choices(machine) == ("low", "high")
    assert stage_ratios(machine, Setting(belt="low")) == pytest.approx((160 / 63,))
    assert stage_ratios(machine, Setting(belt="HIGH")) == pytest.approx((1.25,))
    with pytest.raises(MachineError, match=r'there is no "hihg".*low, high.*did you mean "high"'):
        stage_ratios(machine, Setting(belt="hihg"))
    with pytest.raises(MachineError, match="belt: not said; choose one of low, high"):
        stage_ratios(machine, Setting())
    with pytest.raises(MachineError, match="nothing to choose"):
        stage_ratios(machine, Setting(belt="low", gear="second"))


def test_variable_sheave_goes_by_its_pitch_diameter() -> None:
    machine = parse_machine(belt_file('driver = { minimum = "4.5 in", maximum = "8 in" }\ndriven = "13 in"'))
    assert belt_choices(machine)[0] == "4.5 in"
    assert belt_choices(machine)[-1] == "8 in"
    assert stage_ratios(machine, Setting(belt="4.5 in")) == pytest.approx((13 / 4.5,))
    assert stage_ratios(machine, Setting(belt="maximum")) == pytest.approx((13 / 8,))
    for choice in belt_choices(machine):
        assert len(stage_ratios(machine, Setting(belt=choice))) == 1
    with pytest.raises(MachineError, match=r"cannot stand at 254 mm; choose from 114\.3 mm to 203\.2 mm"):
        stage_ratios(machine, Setting(belt="10 in"))
    with pytest.raises(MachineError, match="no unit"):
        stage_ratios(machine, Setting(belt="5"))
    with pytest.raises(MachineError, match="where the variable sheave stands"):
        stage_ratios(machine, Setting())


@pytest.mark.parametrize("length_in", [76, 80, 88])
def test_belt_of_a_variable_sheave_may_suit_either_end(length_in: int) -> None:
    # 48 + pi / 2 x (13 + d) + (13 - d)^2 / 96: 76.2 in at d = 4.5 in, 81.2 in at 8 in (Mott eq. 7-3)
    machine = parse_machine(
        belt_file(
            'driver = { minimum = "4.5 in", maximum = "8 in" }\ndriven = "13 in"\n'
            f'centre_distance = "24 in"\nbelt_length = "{length_in} in"'
        )
    )
    assert machine.stages


def test_two_variable_sheaves_move_against_each_other() -> None:
    machine = parse_machine(
        belt_file(
            'driver = { minimum = "70 mm", maximum = "120 mm" }\ndriven = { minimum = "90 mm", maximum = "140 mm" }'
        )
    )
    assert stage_diameters_m(machine, Setting(belt="70 mm"))[0] == pytest.approx((0.070, 0.140))
    assert stage_diameters_m(machine, Setting(belt="120 mm"))[0] == pytest.approx((0.120, 0.090))
    assert stage_diameters_m(machine, Setting(belt="95 mm"))[0] == pytest.approx((0.095, 0.115))


def test_variable_driven_sheave_alone() -> None:
    machine = parse_machine(belt_file('driver = "80 mm"\ndriven = { minimum = "90 mm", maximum = "140 mm" }'))
    assert stage_ratios(machine, Setting(belt="140 mm")) == pytest.approx((1.75,))


@pytest.mark.parametrize(
    ("section", "two_hd_in"),
    # Machinery's Handbook, 31st ed., table 9 (ANSI/RMA IP-20-1988): outside less datum diameter, inches
    [("A", 0.250), ("B", 0.350), ("C", 0.400), ("D", 0.600), ("b", 0.350)],
)
def test_datum_and_outside_diameters_are_converted(section: str, two_hd_in: float) -> None:
    machine = parse_machine(
        belt_file(
            f'driver = {{ outside = "6 in", section = "{section}" }}\n'
            f'driven = {{ datum = "12 in", section = "{section}" }}'
        )
    )
    ((driver_m, driven_m),) = stage_diameters_m(machine, Setting())  # type: ignore[misc]
    assert driver_m == pytest.approx(6 * 0.0254)
    assert driven_m == pytest.approx((12 + two_hd_in) * 0.0254)
    stage = machine.stages[0]
    assert isinstance(stage, BeltStage)
    assert (stage.positions[0].driver.taken, stage.positions[0].driven.taken) == ("outside", "datum")


def test_ratio_of_datum_diameters_is_not_the_ratio_of_pitch_diameters() -> None:
    # same handbook: B section 5.4 -> 10.8 datum is 5.75 -> 11.15 pitch: 0.51570 against 0.50000
    machine = parse_machine(
        belt_file('driver = { datum = "5.4 in", section = "B" }\ndriven = { datum = "10.8 in", section = "B" }')
    )
    assert 1 / stage_ratios(machine, Setting())[0] == pytest.approx(0.51570, abs=5e-6)


def test_several_choices_are_joined_in_stage_order() -> None:
    machine = parse_machine(
        LEAST
        + """
[[stage]]
kind = "gearbox"
ratios = { low = 4.0, high = 2.0 }
[[stage]]
kind = "chain"
ratios = { inner = 3.0, outer = 1.5 }
"""
    )
    assert gear_choices(machine) == ("low / inner", "low / outer", "high / inner", "high / outer")
    assert stage_ratios(machine, Setting(gear="high / inner")) == pytest.approx((2.0, 3.0))
    assert stage_ratios(machine, Setting(gear="High/Inner")) == pytest.approx((2.0, 3.0))
    with pytest.raises(MachineError, match="each of 2 stages; write low / inner"):
        stage_ratios(machine, Setting(gear="high"))


def test_single_ratio_needs_no_choice() -> None:
    machine = parse_machine(LEAST + "[[stage]]\nkind = 'chain'\nratios = 2\n")
    assert gear_choices(machine) == ()
    assert stage_ratios(machine, Setting(hz=50.0)) == (2.0,)


def test_driven_sensor_follows_the_first_belt_or_a_named_stage() -> None:
    with_driven = changed("[sensor.blade]\ntargets = 1", "[sensor.driven]\ntargets = 2")
    assert parse_machine(with_driven).driven_stage_index() == 0
    other = with_driven.replace('kind = "gearbox"', 'kind = "gearbox"\nname = "box"')
    other = other.replace("[sensor.driven]", '[sensor.driven]\nstage = "box"')
    assert parse_machine(other).driven_stage_index() == 1
    assert parse_machine(LEAST).driven_stage_index() is None


MISTAKES = {
    "no unit": ('driven = "160 mm"', 'driven = "160"',
                ['stage[1].driven: "160" has no unit; write a length such as "160 mm" or "6.3 in".']),
    "bare number": ('driven = "160 mm"', "driven = 160", ["stage[1].driven: 160 has no unit", '"160 mm"']),
    "wrong kind of unit": ('driven = "160 mm"', 'driven = "160 kg"', ["stage[1].driven", "is a mass, not a length"]),
    "list for a length": ('driven = "160 mm"', "driven = [1, 2]", ["stage[1].driven", "not a length"]),
    "unknown key": ("poles = 4", "pole = 4", ['motor.pole: unknown key; did you mean "poles"?']),
    "unknown top key": ("[limits]", "[limit]", ['limit: unknown key; did you mean "limits"?']),
    "unknown key, none near": ("[limits]", "[limits]\nqqq = 1", ["limits.qqq: unknown key; known here: blade_speed"]),
    "missing key": ("poles = 4\n", "", ["motor.poles: missing; write poles = 4"]),
    "missing name": ('name = "Test saw"\n', "", ['name: missing; write name = "My saw"']),
    "empty name": ('name = "Test saw"', 'name = " "', ["name:", "empty"]),
    "name is a number": ('name = "Test saw"', "name = 3", ["name:", "in quotes"]),
    "control character": ('name = "Test saw"', 'name = "Test\\u0007saw"', ["name:", "control characters"]),
    "long name": ('name = "Test saw"', f'name = "{"x" * 200}"', ["name:", "200 characters"]),
    "poles odd": ("poles = 4", "poles = 3", ["motor.poles: 3 cannot be", "even"]),
    "poles not whole": ("poles = 4", "poles = 4.5", ["motor.poles: 4.5 is not a whole number"]),
    "poles as text": ("poles = 4", 'poles = "4"', ["motor.poles", "plain number", "without quotes"]),
    "poles and rpm disagree": ("poles = 4", "poles = 2", ["motor.rpm: 1430 rpm", "2 poles", "poles = 4 would fit"]),
    "poles too many": ("poles = 4", "poles = 6", ["1430 rpm", "6 poles", "poles = 4 would fit"]),
    "synchronous speed": ("rpm = 1430", "rpm = 1500", ["motor.rpm", "full-load speed from the nameplate"]),
    "wrong base frequency": ("rpm = 1430", "rpm = 1740", ["base_hz = 60 would fit"]),
    "fits nothing": ("rpm = 1430", "rpm = 2000", ["motor.rpm", "nameplate again"]),
    "not finite": ("rpm = 1430", "rpm = nan", ["motor.rpm: nan is not a usable number"]),
    "infinite": ("base_hz = 50.0", "base_hz = inf", ["motor.base_hz: inf is not a usable number"]),
    "huge integer": ("rpm = 1430", "rpm = " + "9" * 400, ["motor.rpm", "not a usable number"]),
    "endless integer": ("rpm = 1430", "rpm = " + "9" * 5000, ["not valid TOML"]),
    "truth for a number": ("rpm = 1430", "rpm = true", ["motor.rpm", "plain number"]),
    "number for a truth": ("self_cooled = true", "self_cooled = 1", ["motor.self_cooled", "true nor false"]),
    "slow top speed": ("maximum_rpm = 3000", "maximum_rpm = 900", ["motor.maximum_rpm", "below the nameplate"]),
    "breakdown below one": ("breakdown_torque_ratio = 2.4", "breakdown_torque_ratio = 0.5", ["breakdown_torque_ratio"]),
    "negative power": ('power = "1.5 kW"', 'power = "-1.5 kW"', ["motor.power: -1500 W cannot be"]),
    "reversed inverter": ("minimum_hz = 20.0", "minimum_hz = 90.0", ["inverter.minimum_hz: 90 Hz", "swap"]),
    "inverter too high": ("maximum_hz = 80.0", "maximum_hz = 8e4", ["inverter.maximum_hz", "1 to 1000 Hz"]),
    "no display step": ("resolution_hz = 0.1", "resolution_hz = 0", ["inverter.resolution_hz"]),
    "unknown stage kind": ('kind = "gearbox"', 'kind = "gears"', ["stage[2].kind", '"belt", "gearbox" or "chain"']),
    "stage without kind": ('kind = "gearbox"\n', "", ["stage[2].kind: missing"]),
    "ratio zero": ("low = 30.0", "low = 0", ["stage[2].ratios.low: 0 cannot be a ratio", "turns in per turn out"]),
    "ratio text": ("low = 30.0", 'low = "30:1"', ["stage[2].ratios.low", "plain number"]),
    "no ratios": ("ratios = { low = 30.0, high = 13.0 }", "ratios = {}", ["stage[2].ratios: 0 gears"]),
    "ratio key": ("ratios = {", "ratio = {", ['stage[2].ratio: unknown key; did you mean "ratios"?']),
    "slash in gear": ("low = 30.0", '"a/b" = 30.0', ["stage[2].ratios.a/b", "name it without"]),
    "pulleys overlap": ('centre_distance = "310 mm"', 'centre_distance = "100 mm"',
                        ["stage[1].centre_distance: at 100 mm the pulleys overlap", "more than 120 mm"]),
    "belt too short": ('belt_length = "1010 mm"', 'belt_length = "600 mm"',
                       ["stage[1].belt_length: 600 mm is too short", "more than 902 mm"]),
    # 620 + pi / 2 x 240 + 80^2 / 1240 = 1002.2 mm goes round (Mott eq. 7-3), and 10 % may be taken up
    "belt too short for its shafts": ('belt_length = "1010 mm"', 'belt_length = "900 mm"', ["too short", "902 mm"]),
    "belt too long for its shafts": ('belt_length = "1010 mm"', 'belt_length = "1110 mm"',
                                     ["stage[1].belt_length: 1110 mm is too long", "at most 1102 mm"]),
    "shafts of metres for millimetres": ('centre_distance = "310 mm"', 'centre_distance = "310 m"',
                                         ["stage[1].centre_distance: 310 m is too far"]),
    "belt of metres for millimetres": ('centre_distance = "310 mm"\nbelt_length = "1010 mm"', 'belt_length = "1010 m"',
                                       ["too long", "at most 50000 mm"]),
    "negative diameter": ('driver = "80 mm"', 'driver = "-80 mm"', ["stage[1].driver", "-80 mm cannot be"]),
    "no driven": ('driven = "160 mm"\n', "", ["stage[1].driven: missing"]),
    "variable reversed": ('driver = "80 mm"', 'driver = { minimum = "90 mm", maximum = "70 mm" }',
                          ["stage[1].driver: minimum 90 mm is above maximum 70 mm; swap them"]),
    "variable half said": ('driver = "80 mm"', 'driver = { minimum = "70 mm" }', ["stage[1].driver.maximum: missing"]),
    "variable with section": ('driver = "80 mm"', 'driver = { minimum = "7 cm", maximum = "9 cm", section = "A" }',
                              ["stage[1].driver.section"]),
    "outside without section": ('driver = "80 mm"', 'driver = { outside = "80 mm" }',
                                ['stage[1].driver.section: missing; write section = "A"']),
    "unknown section": ('driver = "80 mm"', 'driver = { outside = "80 mm", section = "Z" }',
                        ["stage[1].driver.section", "A, B, C, D"]),
    "outside and datum": ('driver = "80 mm"', 'driver = { outside = "8 cm", datum = "7 cm", section = "A" }',
                          ["stage[1].driver", "outside and datum are given together"]),
    "positions and driver": ('driver = "80 mm"', 'positions = { a = ["7 cm", "9 cm"] }',
                             ["stage[1].driven", "positions already holds"]),
    "two stages of one name": ('kind = "gearbox"', 'kind = "gearbox"\nname = "first belt"', ["stage: two stages"]),
    "targets zero": ("targets = 4", "targets = 0", ["sensor.wheel.targets: 0 cannot be", "one turn"]),
    "targets a fraction": ("targets = 4", "targets = 2.5", ["sensor.wheel.targets", "whole number"]),
    "no such input": ("targets = 4", "targets = 4\ninput = 4", ["sensor.wheel.input: 4 is not on the board"]),
    "same input": ("targets = 4", "targets = 4\ninput = 2", ["sensor.motor.input: input 2", "sensor.wheel"]),
    "default inputs collide": ("[sensor.motor]", "[sensor.driven]", ["sensor.blade.input: input 3", "sensor.driven"]),
    "unknown channel": ("[sensor.motor]", "[sensor.moter]", ['sensor.moter: unknown channel; did you mean "motor"?']),
    "stage of a wheel": ("targets = 4", 'targets = 4\nstage = "first belt"', ["sensor.wheel.stage"]),
    "blade shorter than wheel": ('blade_length = "2750 mm"', 'blade_length = "275 mm"',
                                 ["wheel.blade_length: 275 mm cannot be"]),
    "blade thick as the wheel": ('diameter = "330 mm"', 'diameter = "8 mm"', ["wheel.blade_thickness", "check both"]),
    "wheel zero": ('diameter = "330 mm"', 'diameter = "0 mm"', ["wheel.diameter: 0 mm cannot be"]),
    "limit of the wrong kind": ('blade_speed = "90 m/min"', 'blade_speed = "90 mm"', ["limits.blade_speed"]),
    "unclosed quote": ('driver = "80 mm"', 'driver = "80 mm', ["line 18, column 16: not valid TOML"]),
    "key twice": ("poles = 4", "poles = 4\npoles = 4", ["line 5", "not valid TOML"]),
}  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES)
def test_mistake_is_named_with_what_would_be_right(mistake: str) -> None:
    old, new, words = MISTAKES[mistake]
    said = message(changed(old, new))
    for word in words:
        assert word in said


def test_no_sensor_and_no_wheel() -> None:
    assert "sensor: missing; write [sensor.wheel]" in message('name = "x"\n[wheel]\ndiameter = "3 cm"\n')
    assert "sensor: none described" in message('name = "x"\n[sensor]\n[wheel]\ndiameter = "3 cm"\n')
    assert 'wheel: missing; write [wheel] with diameter = "330 mm"' in message('name = "x"\n[sensor.wheel]\ntargets=1')
    assert "not a table" in message('name = "x"\nwheel = 3\n[sensor.wheel]\ntargets=1')
    assert "double brackets" in message(LEAST + '[stage]\nkind = "chain"\nratios = 2\n')
    assert "name: missing" in message("")


def test_stage_names_the_driven_sensor_can_follow() -> None:
    text = changed("[sensor.blade]\ntargets = 1", '[sensor.driven]\ntargets = 1\nstage = "second belt"')
    assert 'sensor.driven.stage: there is no stage "second belt" (stages: "first belt")' in message(text)


def test_step_that_is_no_pair() -> None:
    assert "stage[1].positions.low" in message(belt_file('positions = { low = ["63 mm"] }'))
    assert "stage[1].positions.low[2]" in message(belt_file('positions = { low = ["63 mm", "70"] }'))
    assert "stage[1].positions" in message(belt_file("positions = 3"))


def test_deep_nesting_is_refused() -> None:
    assert message("a = " + "[" * 5000 + "]" * 5000)


def test_files_that_are_no_machine_files(tmp_path: Path) -> None:
    absent = tmp_path / "no.toml"
    with pytest.raises(MachineError, match=r"no such file; write one with: kerfbeat describe -o no\.toml"):
        load_machine(absent)
    with pytest.raises(MachineError, match="is a folder"):
        load_machine(tmp_path)
    with pytest.raises(MachineError, match="cannot be read"):
        load_machine("a\0b")
    big = tmp_path / "big.toml"
    big.write_bytes(b"# " + b"x" * LARGEST_FILE_BYTES)
    with pytest.raises(MachineError, match=f"more than {LARGEST_FILE_BYTES} bytes"):
        load_machine(big)
    with pytest.raises(MachineError, match="too large"):
        parse_machine("# " + "x" * LARGEST_FILE_BYTES)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('name = "Säge"'.encode("latin-1"))
    with pytest.raises(MachineError, match=r"latin\.toml: not UTF-8 text at byte 9"):
        load_machine(latin)


def test_windows_line_ends_and_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "saw.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SAW.replace("\n", "\r\n").encode())
    assert load_machine(path) == parse_machine(SAW)
    assert load_machine(str(path)).text == SAW


@settings(max_examples=300, deadline=None)
@given(at=st.integers(0, len(SAW) - 1), text=st.text(max_size=6))
def test_any_damage_gives_a_machine_or_one_line(at: int, text: str) -> None:
    damaged = SAW[:at] + text + SAW[at + len(text) :]
    said = ""
    try:
        machine = parse_machine(damaged, source="saw.toml")
    except MachineError as problem:
        said = str(problem)
    assert said.startswith("saw.toml: ") or (said == "" and math.isfinite(machine.wheel.diameter_m))
    assert "\n" not in said
