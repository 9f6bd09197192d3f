"""Does a whole drive give the speeds that handbooks, textbooks and a hand calculation give?"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.calibration import NOTHING_KNOWN
from kerfbeat.drive.assumptions import describe_assumptions
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.drive.chain import DriveCurve, all_settings, drive_curve, drive_curves, predict_setting
from kerfbeat.drive.frequency import fine_hz, frequencies_hz, listed_hz
from kerfbeat.errors import DriveError, MachineError
from kerfbeat.machine import Machine, Setting, demo_machine, parse_machine
from kerfbeat.units import ft_per_min, m_per_min

MOTOR_50 = "[motor]\npoles = 4\nbase_hz = 50.0\nrpm = 1430\n"
MOTOR_60 = "[motor]\npoles = 4\nbase_hz = 60.0\nrpm = 1750\n"


def machine(*parts: str, wheel: str = "330 mm", blade: str = "0.9 mm", first: str = MOTOR_50) -> Machine:
    return parse_machine(
        f'name = "Test"\n{first}\n[wheel]\ndiameter = "{wheel}"\nblade_thickness = "{blade}"\n'
        "[sensor.wheel]\ntargets = 1\n" + "\n".join(parts)
    )


def belt(driver: str, driven: str) -> str:
    quoted = [text if text.startswith("{") else f'"{text}"' for text in (driver, driven)]
    return f'[[stage]]\nkind = "belt"\ndriver = {quoted[0]}\ndriven = {quoted[1]}\n'


def gears(ratios: str) -> str:
    return f'[[stage]]\nkind = "gearbox"\nratios = {ratios}\n'


SAW = machine(belt("80 mm", "160 mm"), gears("{ low = 30.0, high = 13.0 }"))


def test_chain_in_si() -> None:
    # 4 poles, 50 Hz, 1430 rpm; belt 80 -> 160 mm; gearbox 30; wheel 330 mm, blade 0.9 mm (computed by hand):
    # full load 23.8333 rpm, 24.7760 m/min; no load 25.0000 rpm, 25.9888 m/min
    row = predict_setting(SAW, Setting(gear="low", hz=50.0))
    assert row.wheel_hz.full_load * 60 == pytest.approx(23.8333, abs=1e-4)
    assert row.wheel_hz.no_load * 60 == pytest.approx(25.0)
    assert m_per_min(row.blade_m_per_s.full_load) == pytest.approx(24.7760, abs=1e-4)
    assert m_per_min(row.blade_m_per_s.no_load) == pytest.approx(25.9888, abs=1e-4)
    assert (row.motor_hz.no_load * 60, row.motor_hz.full_load * 60) == pytest.approx((1500.0, 1430.0))
    assert (row.torque_ratio, row.power_ratio) == pytest.approx((1.0, 1.0))


def test_chain_in_inches() -> None:
    # 4 poles, 45 Hz, 50 rpm slip -> 1300 rpm; belt 3.0 -> 9.0 pitch -> 433.333; gearbox 10 -> 43.3333; wheel 14 in,
    # blade 0.035 in -> 159.222 ft/min; with 2 % belt slip 156.038 (computed by hand)
    inch = machine(belt("3.0 in", "9.0 in"), gears("10"), wheel="14 in", blade="0.035 in", first=MOTOR_60)
    row = predict_setting(inch, Setting(hz=45.0))
    assert row.motor_hz.full_load * 60 == pytest.approx(1300.0)
    assert row.wheel_hz.full_load * 60 == pytest.approx(43.3333, abs=1e-4)
    assert ft_per_min(row.blade_m_per_s.full_load) == pytest.approx(159.222, abs=1e-3)
    slipping = ft_per_min(row.blade_m_per_s.full_load) * (1 - CREEP_HIGH)
    assert slipping == pytest.approx(156.038, abs=1e-3)
    assert row.blade_m_per_s.lowest < slipping / 196.850394 < row.blade_m_per_s.highest


def test_datum_diameters_change_the_speed() -> None:
    # the same with 3.0 and 9.0 in as datum diameters of A grooves (pitch 3.25 and 9.25): 167.829 ft/min
    datum = machine(
        belt('{ datum = "3.0 in", section = "A" }', '{ datum = "9.0 in", section = "A" }'), gears("10"),
        wheel="14 in", blade="0.035 in", first=MOTOR_60,
    )  # fmt: skip
    row = predict_setting(datum, Setting(hz=45.0))
    assert ft_per_min(row.blade_m_per_s.full_load) == pytest.approx(167.829, abs=1e-3)
    said = describe_assumptions(datum, drive_curves(datum, supply_hz=45.0), NOTHING_KNOWN)
    assert any("datum diameters were converted" in each for each in said)


def test_belt_ratio_of_mott() -> None:
    # Mott, Machine Elements in Mechanical Design, 4th ed., example 7-1: 1160 rpm, 12.4 -> 21.1 in: 682 rpm (681.71)
    mott = machine(belt("12.4 in", "21.1 in"), first="[motor]\npoles = 6\nbase_hz = 60.0\nrpm = 1160\n")
    assert predict_setting(mott, Setting(hz=60.0)).wheel_hz.full_load * 60 == pytest.approx(681.71, abs=0.01)


def test_two_belts_of_khurmi() -> None:
    # Khurmi & Gupta, Theory of Machines, example 11.1: driven from 150 rpm; 750 -> 450 mm, 900 -> 150 mm: 1500 rpm,
    # and 1440 (1440.6) with 2 % slip in each of the two belts
    khurmi = machine(
        belt("750 mm", "450 mm"), belt("900 mm", "150 mm"),
        first="[motor]\npoles = 4\nbase_hz = 5.0\nrpm = 145\n", wheel="1 m", blade="0 mm",
    )  # fmt: skip
    row = predict_setting(khurmi, Setting(hz=5.0))
    assert row.wheel_hz.no_load * 60 == pytest.approx(1500.0)
    # the low edge takes 2 % off in each belt beside the motor's slip and the diameters
    with_creep = row.motor_hz.lowest / khurmi_ratio(row.wheel_hz.no_load, row.motor_hz.no_load) * (1440.6 / 1500.0)
    diameters = 2 * 0.005  # four pitch diameters, half a per cent each, added in squares
    assert row.wheel_hz.lowest == pytest.approx(with_creep * (1 - diameters), rel=1e-5)


def khurmi_ratio(wheel_hz: float, motor_hz: float) -> float:
    return motor_hz / wheel_hz


def test_thick_blade_runs_at_its_middle() -> None:
    # pi (D + t) n: 14 in wheel, 0.035 in blade, 100 rpm: 367.435 ft/min; bare wheel 366.519
    for blade, speed in (("0.035 in", 367.435), ("0 mm", 366.519)):
        direct = machine(gears("17.5"), wheel="14 in", blade=blade, first=MOTOR_60)
        row = predict_setting(direct, Setting(hz=60.0))
        assert row.wheel_hz.full_load * 60 == pytest.approx(100.0)
        assert ft_per_min(row.blade_m_per_s.full_load) == pytest.approx(speed, abs=1e-3)


def test_common_practice_old_range() -> None:
    # Common practice, no published source: 13 in driven pulley, driver working from about 4.5 to 8 in, ratios about
    # 2.88 to 1.63; motor about 1,740 rpm, gearbox input about 604 to 1,067 rpm.
    motor = "[motor]\npoles = 4\nbase_hz = 60.0\nrpm = 1740\n"
    old = machine(belt('{ minimum = "4.5 in", maximum = "8 in" }', "13 in"), first=motor)
    slow, fast = (predict_setting(old, Setting(belt=where, hz=60.0)) for where in ("minimum", "maximum"))
    assert slow.wheel_hz.full_load * 60 == pytest.approx(604, rel=0.005)
    assert fast.wheel_hz.full_load * 60 == pytest.approx(1067, rel=0.005)
    assert drive_curve(old, belt="4.5 in", gear=None, supply_hz=60.0).ratio == pytest.approx(2.88, rel=0.005)
    assert drive_curve(old, belt="8 in", gear=None, supply_hz=60.0).ratio == pytest.approx(1.63, rel=0.005)


def test_band_is_in_order_and_holds_its_causes() -> None:
    for row in all_settings(demo_machine("grinder"), supply_hz=np.linspace(5.0, 90.0, 18)):
        for band in (row.motor_hz, row.wheel_hz, row.blade_m_per_s):
            assert 0.0 <= band.lowest <= band.full_load <= band.no_load <= band.highest
        assert 0.0 < row.torque_ratio <= 1.0
        assert 0.0 <= row.power_ratio <= 1.01
        low, high = row.continuous_torque_ratio
        assert 0.0 < low <= high <= row.torque_ratio


def test_edges_of_a_band_by_hand() -> None:
    # the saw in low gear at 35 Hz: 1050 rpm at no load.  Slowest: 70 rpm slip, 20 % more by the nameplate, and droop of
    # 0.317 x 0.3 below base frequency: 958.01 rpm; over 60; 2 % creep; diameters sqrt(2) x 0.5 %: 15.5369 rpm; wheel
    # 0.5 %: 16.0707 m/min.  Fastest: 17.5 rpm, diameters and wheel: 18.4124 m/min
    row = predict_setting(SAW, Setting(gear="low", hz=35.0))
    assert row.motor_hz.lowest * 60 == pytest.approx(958.01, abs=0.01)
    assert row.wheel_hz.lowest * 60 == pytest.approx(15.5369, abs=1e-4)
    assert m_per_min(row.blade_m_per_s.lowest) == pytest.approx(16.0707, abs=1e-4)
    assert row.wheel_hz.highest * 60 == pytest.approx(17.5 * 1.0070711, abs=1e-4)
    assert m_per_min(row.blade_m_per_s.highest) == pytest.approx(18.4124, abs=1e-4)
    # a variable-width sheave's place is known to 2 % (common practice, no published source)
    variable = machine(belt('{ minimum = "70 mm", maximum = "120 mm" }', "160 mm"))
    row = predict_setting(variable, Setting(belt="80 mm", hz=50.0))
    assert row.wheel_hz.highest / row.wheel_hz.no_load == pytest.approx(1 + math.hypot(0.02, 0.005))


def test_worse_known_diameters_widen_the_band() -> None:
    def width(first: str, second: str) -> float:
        row = predict_setting(machine(belt(first, second)), Setting(hz=50.0))
        return row.blade_m_per_s.highest / row.blade_m_per_s.lowest

    pitch = width("80 mm", "160 mm")
    rim = width('{ outside = "80 mm", section = "A" }', '{ outside = "160 mm", section = "A" }')
    assert 1.05 < pitch < rim < 1.13


def test_power_is_torque_times_speed() -> None:
    rated = machine(belt("80 mm", "160 mm"), first=MOTOR_50 + 'power = "1.5 kW"\n')
    for row in all_settings(rated, supply_hz=np.array([10.0, 25.0, 50.0, 75.0, 100.0])):
        assert row.power_ratio == pytest.approx(row.torque_ratio * row.motor_hz.full_load * 60 / 1430)
        # the pull along the blade times its speed is the motor's power: nothing is lost in this account
        assert row.blade_pull_n is not None
        assert row.blade_pull_n * row.blade_m_per_s.full_load == pytest.approx(1500.0 * row.power_ratio)
    assert predict_setting(SAW, Setting(gear="low", hz=50.0)).blade_pull_n is None


def test_all_settings_lists_every_choice() -> None:
    rows = all_settings(demo_machine("saw"), supply_hz=np.array([20.0, 50.0]))
    assert [(row.setting.gear, row.setting.hz) for row in rows] == [
        ("low", 20.0), ("low", 50.0), ("high", 20.0), ("high", 50.0),
    ]  # fmt: skip
    grinder = drive_curves(demo_machine("grinder"), supply_hz=[60.0])
    assert len(grinder) == 3 * 5
    assert all(a.ratio >= b.ratio for a, b in itertools.pairwise(grinder))


def warnings_at(hz: float, *parts: str, first: str = MOTOR_50, gear: str | None = None) -> str:
    return " | ".join(predict_setting(machine(*parts, first=first), Setting(hz=hz, gear=gear)).warnings)


def test_cautions_say_what_and_why() -> None:
    wide = belt("320 mm", "160 mm")
    assert "over 33 m/s (6500 ft/min): cast iron may burst" in warnings_at(80.0, wide)
    assert "driving pulley (stage 1)" in warnings_at(80.0, wide)
    assert "cast iron" not in warnings_at(50.0, belt("80 mm", "160 mm"))
    maximum = MOTOR_50 + "maximum_rpm = 2000\n"
    assert "motor at 2400 rpm, over 2000 rpm (the motor's stated maximum)" in warnings_at(80.0, first=maximum)
    assert "motor at" not in warnings_at(65.0, first=maximum)
    limit = '[limits]\nblade_speed = "90 m/min"\n'
    assert "over this machine's limit of 90 m/min (295 ft/min)" in warnings_at(80.0, limit)
    inverter = "[inverter]\nminimum_hz = 20.0\nmaximum_hz = 60.0\n"
    assert "65 Hz is outside the inverter's limits of 20 to 60 Hz" in warnings_at(65.0, inverter)
    cooled = MOTOR_50 + "self_cooled = true\n"
    assert "cools little at 15 Hz" in warnings_at(15.0, first=cooled)
    assert "if it is self-cooled" in warnings_at(15.0)
    assert "cools" not in warnings_at(15.0, first=MOTOR_50 + "self_cooled = false\n")
    weak = MOTOR_50 + "breakdown_torque_ratio = 2.0\n"
    assert "stalls at 0.78 of rated torque at 80 Hz" in warnings_at(80.0, first=weak)
    assert "least of its kind taken" in warnings_at(80.0)
    assert "may not turn under full load" in warnings_at(2.0)
    assert warnings_at(50.0) == ""


def test_twelve_inch_sheave_at_its_limit() -> None:
    # 6500 ft/min on a 12 in sheave is 2069.0 rpm (MPTA-B13i-2013): 68.9 Hz with four poles is below, 69.0 above
    sheave = belt("12 in", "24 in")
    assert "cast iron" not in warnings_at(2068.9 / 30.0, sheave)
    assert "cast iron" in warnings_at(2069.1 / 30.0, sheave)


def test_rim_of_a_pulley_is_its_largest_step_wherever_the_belt_runs() -> None:
    # pi d n: 400 mm at 1650 rpm (55 Hz, four poles, no load) is 34.6 m/s, over 33.02; 100 mm is 8.6 m/s
    steps = '[[stage]]\nkind = "belt"\npositions = { slow = ["100 mm", "400 mm"], fast = ["400 mm", "100 mm"] }\n'
    for where in ("slow", "fast"):
        said = " ".join(predict_setting(machine(steps), Setting(belt=where, hz=55.0)).warnings)
        assert "rim of the driving pulley (stage 1) at 34.6 m/s" in said
    variable = belt('{ minimum = "100 mm", maximum = "400 mm" }', "400 mm")
    said = " ".join(predict_setting(machine(variable), Setting(belt="minimum", hz=55.0)).warnings)
    assert "rim of the driving pulley (stage 1) at 34.6 m/s" in said


def test_rims_turn_with_their_own_shafts() -> None:
    # pi d n behind a first belt, 1500 rpm in: 100 to 50 mm makes 3000 rpm and 47.1 m/s at 300 mm; 100 to 400 mm makes
    # 375 rpm and 5.9 m/s; both rims of one belt run alike
    fast = warnings_at(50.0, belt("100 mm", "50 mm"), belt("300 mm", "150 mm"))
    assert "rim of the driving pulley (stage 2) at 47.1 m/s" in fast
    assert "rim of the driven pulley (stage 2) at 47.1 m/s" in fast
    assert "stage 1" not in fast
    assert "cast iron" not in warnings_at(50.0, belt("100 mm", "400 mm"), belt("300 mm", "150 mm"))


def test_cautions_name_the_owner_s_unit_first() -> None:
    limit = '[limits]\nblade_speed = "300 ft/min"\n'
    inch = machine(limit, wheel="13 in", blade="0.9 mm")
    assert "limit of 300 ft/min (91.4 m/min)" in " ".join(predict_setting(inch, Setting(hz=50.0)).warnings)


@pytest.mark.parametrize("hz", [0.0, -5.0, math.nan, math.inf])
def test_impossible_frequency(hz: float) -> None:
    with pytest.raises(DriveError, match="finite and above 0 Hz"):
        predict_setting(SAW, Setting(gear="low", hz=hz))


def test_what_cannot_be_predicted_says_what_is_missing() -> None:
    with pytest.raises(DriveError, match=r"no motor is described.*add \[motor\]"):
        predict_setting(machine(first=""), Setting(hz=50.0))
    with pytest.raises(MachineError, match="gear: not said; choose one of low, high"):
        predict_setting(SAW, Setting(hz=50.0))
    with pytest.raises(MachineError, match='did you mean "high"'):
        predict_setting(SAW, Setting(gear="hgih", hz=50.0))
    assert predict_setting(SAW, Setting(gear="low")).setting.hz == 50.0


def test_listed_frequencies() -> None:
    saw = demo_machine("saw")
    listed = listed_hz(saw)
    assert (listed[0], listed[-1]) == (20.0, 80.0)
    assert 50.0 in listed
    assert len(listed) <= 18
    assert listed_hz(SAW).tolist() == [50.0]
    assert fine_hz(saw, count=7).tolist() == [20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0]
    from_zero = machine("[inverter]\nminimum_hz = 0\nmaximum_hz = 60.0\n")
    assert listed_hz(from_zero)[0] == pytest.approx(0.6)  # a hundredth of the top: a motor does not turn at 0 Hz


@pytest.mark.parametrize(
    ("text", "expected"),
    [("45", [45.0]), ("45 Hz", [45.0]), ("50, 20,35", [20.0, 35.0, 50.0]), ("20:22:0.5", [20, 20.5, 21, 21.5, 22]),
     ("0.1:0.3:0.1", [0.1, 0.2, 0.3]), ("10,20:30:10", [10.0, 20.0, 30.0])],
)  # fmt: skip
def test_typed_frequencies(text: str, expected: list[float]) -> None:
    assert frequencies_hz(text).tolist() == expected


@pytest.mark.parametrize(
    "text", ["", "x", "0", "-5", "nan", "20:80", "80:20:1", "1:1000:0.01", "20:80:0", "1e9", "20;30", "1001"]
)
def test_wrong_frequencies(text: str) -> None:
    with pytest.raises(DriveError, match=r"write|step"):
        frequencies_hz(text)


@given(
    hz=st.floats(1.0, 120.0), driver=st.floats(40.0, 200.0), driven=st.floats(40.0, 400.0), ratio=st.floats(0.5, 60.0)
)
def test_speed_follows_frequency_and_ratio(hz: float, driver: float, driven: float, ratio: float) -> None:
    made = machine(belt(f"{driver!r} mm", f"{driven!r} mm"), gears(f"{ratio!r}"))
    curve: DriveCurve = drive_curve(made, belt=None, gear=None, supply_hz=[hz, 2 * hz])
    assert curve.ratio == pytest.approx(driven / driver * ratio)
    assert curve.wheel_hz.no_load[0] == pytest.approx(hz / 2 / curve.ratio)
    assert curve.wheel_hz.no_load[1] == pytest.approx(2 * curve.wheel_hz.no_load[0])
