"""Is a calibration kept whole, read again, and refused when the description has changed since?"""

import errno
import os
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.calibration import (
    QUANTITIES,
    Calibration,
    Result,
    belongs_to,
    calibration_path,
    known,
    load_calibration,
    parse_calibration,
    save_calibration,
    setting_name,
)
from kerfbeat.calibration.parts import read_setting_name
from kerfbeat.calibration.store import calibration_text
from kerfbeat.errors import CalibrationError
from kerfbeat.machine import Setting, demo_machine, demo_text, parse_machine

WHEN = datetime(2027, 3, 12, 9, 30, tzinfo=UTC)
SAW = demo_machine("saw")


def result(quantity="wheel diameter", of="", value=(0.3297,), u=(5e-5,), machine=SAW, date=WHEN, **changes):
    given = {
        "quantity": quantity, "of": of, "value": value, "u": u, "unit": QUANTITIES[quantity], "date": date,
        "sources": ("first.csv",), "conditions": {"method": "blade passes"},
        "belongs_to": belongs_to(machine, quantity, of),
    }  # fmt: skip
    return Result(**(given | changes))


def every():
    low = setting_name(Setting(gear="low"))
    return (
        result(),
        result("target spacing", "wheel", (90.9, 88.4, 91.3, 89.4), (0.01, 0.01, 0.01, 0.01)),
        result("clock offset", "A1B2C3D4", (-1834.2,), (12.0,)),
        result("total ratio", low, (60.21,), (0.01,)),
        result("motor slip", "", (6.1,), (0.7,)),
    )


def test_round_trip(tmp_path):
    path = tmp_path / "saw.calibration.toml"
    before = Calibration(machine=SAW.name).with_results(*every())
    save_calibration(path, before)
    after = load_calibration(path)
    assert after == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["saw.calibration.toml"]


@given(
    value=st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=6),
    words=st.dictionaries(st.text(min_size=1, max_size=12), st.text(max_size=30), max_size=3),
    sources=st.lists(st.text(max_size=20), max_size=3),
)
def test_any_content_survives(value, words, sources):
    """Texts with quotes, control characters, surrogate-free Unicode, and every float come back as they were."""
    one = result(
        "target spacing", "wheel", tuple(value), tuple(abs(v) for v in value), conditions=words, sources=tuple(sources)
    )
    text = calibration_text(Calibration(machine="x", results=(one,)))
    assert parse_calibration(text).results == (one,)


SAME_BOARDS = [("a1b2c3d4", "A1B2C3D4"), ("1f03", "00001F03"), ("0001F03", "00001F03")]


@pytest.mark.parametrize(("written", "board"), SAME_BOARDS)
def test_a_board_has_one_name_however_it_was_written(written, board):
    clock = result("clock offset", "A1B2C3D4", (-1834.2,), (12.0,))
    text = calibration_text(Calibration(machine=SAW.name, results=(clock,)))
    read = parse_calibration(text.replace('"A1B2C3D4"', f'"{written}"'))
    assert known(read, SAW).clock_ppm(board, at=WHEN)[0] == -1834.2


def test_a_clock_of_what_is_no_board_is_refused_in_one_line():
    clock = result("clock offset", "A1B2C3D4", (-1834.2,), (12.0,))
    text = calibration_text(Calibration(machine=SAW.name, results=(clock,)))
    with pytest.raises(CalibrationError, match=r'^saw: result\[1\].of: "A1B2C3DO" is no board id; .*1F03'):
        parse_calibration(text.replace('"A1B2C3D4"', '"A1B2C3DO"'), source="saw")
    twice = text + "[[result]]" + text.partition("[[result]]")[2].replace("D4", "d4")
    with pytest.raises(CalibrationError, match="clock offset of A1B2C3D4 is in force twice"):
        parse_calibration(twice)


def test_beside_the_machine_file():
    assert calibration_path("shop/saw.toml").as_posix() == "shop/saw.calibration.toml"
    assert calibration_path("saw").name == "saw.calibration.toml"
    assert calibration_path("saw.old.toml").name == "saw.old.calibration.toml"


def test_no_file_is_no_calibration(tmp_path):
    assert load_calibration(tmp_path / "none.calibration.toml") is None
    assert known(None, SAW).results == {}


def test_new_results_replace_and_old_ones_become_history():
    first = Calibration(machine=SAW.name).with_results(*every())
    newer = result(value=(0.3301,), date=WHEN + timedelta(days=30))
    second = first.with_results(newer)
    assert second.result("wheel diameter") == newer
    assert second.history == (first.result("wheel diameter"),)
    assert len(second.results) == len(first.results)
    third = second.with_results(result(value=(0.3302,)))
    assert [each.value[0] for each in third.history] == [0.3297, 0.3301]
    assert parse_calibration(calibration_text(third)) == third


def test_comments_of_the_user_stay(tmp_path):
    path = tmp_path / "saw.calibration.toml"
    save_calibration(path, Calibration(machine=SAW.name).with_results(result()))
    path.write_text("# measured with the new tyre\n" + path.read_text(), encoding="utf-8")
    kept = load_calibration(path)
    save_calibration(path, kept.with_results(result("motor slip", "", (6.0,), (0.5,))))
    assert path.read_text(encoding="utf-8").startswith("# measured with the new tyre\n")
    assert len(load_calibration(path).results) == 2


def test_all_holds_while_nothing_changes():
    calibration = Calibration(machine=SAW.name).with_results(*every())
    held = known(calibration, SAW)
    assert held.refused == ()
    assert held.wheel_diameter_m == (0.3297, 5e-5)
    assert held.motor_slip_hz == pytest.approx((6.1 / 60, 0.7 / 60))
    assert held.total_ratio(Setting(gear="low", hz=40.0)) == (60.21, 0.01)
    assert held.total_ratio(Setting(gear="high")) is None
    spacing, u = held.spacing_turns["wheel"]
    assert sum(spacing) == pytest.approx(1.0)
    assert u[0] == pytest.approx(0.01 / 360)
    assert any("first.csv" in line for line in held.described())


@pytest.mark.parametrize(
    ("old", "new", "refused", "reason"),
    [
        ('diameter = "330 mm"', 'diameter = "340 mm"', {"wheel diameter"}, "wheel.diameter was 330 mm and is 340 mm"),
        ('blade_length = "2750 mm"', 'blade_length = "2760 mm"', {"wheel diameter"}, "wheel.blade_length was 2750 mm"),
        ("targets = 4", "targets = 5", {"target spacing", "total ratio"}, "sensor.wheel.targets was 4 and is 5"),
        ('driver = "80 mm"', 'driver = "82 mm"', {"total ratio"}, "stage[1].driver was 80 mm and is 82 mm"),
        ("low = 30.0", "low = 31.0", {"total ratio"}, "stage[2].ratio was 30 and is 31"),
        ("low = 30.0", "first = 30.0", {"total ratio"}, 'there is no "low"'),
        ("rpm = 1430", "rpm = 1440", {"motor slip"}, "motor.rpm was 1430 and is 1440"),
        ("high = 13.0", "high = 14.0", set(), ""),
        ("maximum_hz = 80.0", "maximum_hz = 90.0", set(), ""),
        ('blade_speed = "90 m/min"', 'blade_speed = "70 m/min"', set(), ""),
        ('name = "Shared-workshop cut-off saw (invented example)"', 'name = "Saw"', set(), ""),
    ],
)
def test_only_what_depends_on_the_change_is_refused(old, new, refused, reason):
    text = demo_text("saw")
    assert old in text
    changed = parse_machine(text.replace(old, new, 1))
    held = known(Calibration(machine=SAW.name).with_results(*every()), changed)
    assert {key[0] for key in held.results} == set(QUANTITIES) - {"first ratio"} - refused
    assert len(held.refused) == len(refused)
    assert any(reason in line for line in held.refused) or not reason
    assert all("calibrate again" in line for line in held.refused)


def test_units_in_the_description_may_change():
    """330 mm written in inches is the same wheel; nothing is refused."""
    same = parse_machine(demo_text("saw").replace('"330 mm"', '"33 cm"'))
    assert known(Calibration(machine=SAW.name).with_results(*every()), same).refused == ()


def test_a_diameter_found_without_the_blade_does_not_depend_on_it():
    parts = {key: value for key, value in belongs_to(SAW, "wheel diameter").items() if key != "wheel.blade_length"}
    longer = parse_machine(demo_text("saw").replace('blade_length = "2750 mm"', 'blade_length = "2760 mm"'))
    assert known(Calibration(machine="x", results=(result(belongs_to=parts),)), longer).refused == ()


def test_a_clock_correction_ages():
    calibration = Calibration(machine=SAW.name).with_results(*every())
    held = known(calibration, SAW)
    at_once = held.clock_ppm("A1B2C3D4", at=WHEN)
    later = held.clock_ppm("A1B2C3D4", at=WHEN + timedelta(days=3653))
    assert at_once[0] == later[0] == -1834.2
    assert 12.0 < at_once[1] < later[1]
    assert later[1] > 1000  # ten years: 0.3 %, rectangular
    assert held.clock_ppm("another board", at=WHEN) is None


@pytest.mark.parametrize(
    "setting", [Setting(), Setting(gear="low"), Setting(belt="95 mm", gear="low / fast"), Setting(belt="a b")]
)
def test_setting_names(setting):
    assert read_setting_name(setting_name(setting)) == setting


GOOD = calibration_text(Calibration(machine=SAW.name).with_results(result()))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("version = 1", "version = 2", "update kerfbeat"),
        ("version = 1", "versio = 1", "version: is missing, as in an empty"),
        ('quantity = "wheel diameter"', 'quantity = "colour"', "no calibrated quantity"),
        ("value = 0.3297", 'value = "0.3297"', r"result\[1\].value: not a number"),
        ("value = 0.3297", "value = nan", "finite"),
        ("value = 0.3297", "value = [0.3297, 0.3298]", "2 values with 1 uncertainties"),
        ("value = 0.3297", "value = []", "not a number"),
        ("value = 0.3297\n", "", "value is missing"),
        ("u = 5e-05", "u = -5e-05", "0 or more"),
        ('unit = "m"', 'unit = "mm"', "keeps it in m"),
        ('unit = "m"', 'unit = "m"\ncolour = "red"', "colour is not known"),
        ("date = 2027-03-12T09:30:00Z", "date = 2027-03-12", "date"),
        ("date = 2027-03-12T09:30:00Z", "date = 2027-03-12T09:30:00", "time zone"),
        ('sources = ["first.csv"]', "sources = 3", "not a list of names"),
        ('"wheel.diameter" = "330 mm"', '"wheel.diameter" = "340 mm"', "changed by hand"),
        ("[[result]]", "[result]", "not a list"),
        ("[[result]]", "[[result", "not valid TOML"),
        (GOOD[GOOD.index("[[result]]"):], "\n".join([GOOD[GOOD.index("[[result]]"):]] * 2), "in force twice"),
    ],
)  # fmt: skip
def test_damaged_files_are_refused_in_one_line(old, new, said):
    assert old in GOOD
    with pytest.raises(CalibrationError, match=said) as caught:
        parse_calibration(GOOD.replace(old, new, 1), source="saw.calibration.toml")
    assert "\n" not in str(caught.value)
    assert "saw.calibration.toml" in str(caught.value)


def test_binary_and_huge_files(tmp_path):
    path = tmp_path / "saw.calibration.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CalibrationError, match="UTF-8"):
        load_calibration(path)
    path.write_bytes(b"#" * (5 * 1024 * 1024))
    with pytest.raises(CalibrationError, match="no calibration file"):
        load_calibration(path)
    with pytest.raises(CalibrationError, match="cannot be read"):
        load_calibration(tmp_path)


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "saw.calibration.toml"
    save_calibration(path, Calibration(machine=SAW.name).with_results(result()))
    before = path.read_bytes()

    def full(_handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CalibrationError, match="cannot be written"):
        save_calibration(path, Calibration(machine=SAW.name))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
