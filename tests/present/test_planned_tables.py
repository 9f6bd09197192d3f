"""Do the tables and documents of a planned drive show the figures that a hand calculation gives?"""

import json
import math
import re
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from kerfbeat.drive.arrange import arrange
from kerfbeat.drive.chain import all_settings, drive_curves
from kerfbeat.drive.choose import choose
from kerfbeat.drive.frequency import fine_hz
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.mount import plan_mount
from kerfbeat.machine import demo_machine
from kerfbeat.present import ink
from kerfbeat.present.arrangement import arrangement_document, comparison_rows
from kerfbeat.present.chosen import choice_rows
from kerfbeat.present.drive_plot import plot_speed_curves
from kerfbeat.present.mounting import mount_rows
from kerfbeat.present.predicted import prediction_json, prediction_rows

# The saw: four poles, 1430 rpm at 50 Hz, 1.5 kW, belt 80 to 160 mm, gears 30 and 13, wheel 330 mm, blade 0.9 mm.
SAW = demo_machine("saw")


def test_predicted_document() -> None:
    rows = json.loads("".join(prediction_json(SAW, all_settings(SAW, supply_hz=[35.0, 65.0]), assumptions=())))["rows"]
    low = next(row for row in rows if row["setting"] == {"belt": None, "gear": "low", "hz": 35.0})
    # 1050 less 70 rpm; full torque, so power is 980 / 1430; T = P / omega = 10.017 N m, times 60 / 0.16545 m
    assert low["motor_rpm"]["full_load"] == pytest.approx(980.0)
    assert low["torque_ratio"] == 1.0
    assert low["power_ratio"] == pytest.approx(0.68531, abs=1e-5)
    assert low["blade_pull_n"] == pytest.approx(3632.5, abs=0.1)
    high = next(row for row in rows if row["setting"] == {"belt": None, "gear": "high", "hz": 65.0})
    # constant power above base frequency: 50 / 65 of the torque
    assert high["torque_ratio"] == pytest.approx(0.76923, abs=1e-5)
    assert high["power_ratio"] == pytest.approx(1.0)
    assert set(high) >= {
        "setting", "motor_rpm", "wheel_rpm", "blade_m_per_min", "blade_ft_per_min", "torque_ratio", "power_ratio",
        "warnings",
    }  # fmt: skip


def test_predicted_table() -> None:
    headings, cells = prediction_rows(all_settings(SAW, supply_hz=[35.0]), unit="m/min", belts=False, gears=True)
    shown = dict(zip(headings, cells[0], strict=True))
    # 16.333 and 17.5 rpm of the wheel, times pi x 0.3309 m; the band's edges as worked in the tests of the chain
    assert shown["blade m/min"] == "17.0–18.2"
    assert shown["ft/min"] == "55.7–59.7"
    assert shown["band m/min"] == "16.1–18.4"
    assert (shown["motor rpm"], shown["torque"], shown["power"]) == ("980–1050", "1.00", "0.69")


def test_chosen_table_tells_the_speed_halfway() -> None:
    wanted = SpeedRange(low_m_per_s=0.5, high_m_per_s=0.5)
    headings, cells = choice_rows(choose(SAW, wanted), unit="m/min", belts=False, gears=True)
    place = headings.index("blade m/min")
    assert [cell[1] for cell in cells] == ["low", "high"]
    for cell in cells:
        # wanted are 30.0; the display's 0.1 Hz is worth up to 0.12 m/min, no load up to 1.4 more
        assert float(cell[place]) == pytest.approx(30.0, abs=0.1)


def test_arrangement_document_and_table() -> None:
    made = arrange(SAW)
    document = arrangement_document(made)
    # 2 arccos((160 - 80) / 620) = 165.2 degrees; 10.017 N m in low gear, as above
    assert document["belt"]["wrap_deg"] == pytest.approx(165.17, abs=0.01)
    assert document["gears"][0]["new"][0]["blade_pull_n"] == pytest.approx(3632.5, abs=0.1)
    headings, cells = comparison_rows(made, unit="m/min")
    assert cells[0][headings.index("new pull N")] == "3633"


def test_pull_off_in_both_units() -> None:
    headings, cells = mount_rows(plan_mount(demo_machine("grinder"), mass_kg=0.05))
    newtons, pounds = map(float, re.findall(r"[\d.]+", cells[0][headings.index("pull-off")]))
    assert newtons / pounds == pytest.approx(4.4482, rel=1e-3)  # NIST SP 811, B.8


@pytest.mark.parametrize(("name", "scale"), [("saw", "linear"), ("grinder", "log")])
def test_scale_is_logarithmic_only_where_slow_gears_would_be_crushed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, scale: str
) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    machine = demo_machine(name)
    belts = {"saw": None, "grinder": ["slow / 2.2 in", "fast / 3.8 in"]}[name]  # 1 to 11, and 1 to 28, by speed
    curves = drive_curves(machine, supply_hz=fine_hz(machine), belts=belts)
    plot_speed_curves(machine, curves, tmp_path / "x", unit="m/min")
    axes = figures[0].axes[0]
    assert axes.get_yscale() == scale
    assert axes.get_ylim()[1] > 60 * float(curves[-1].blade_m_per_s.highest[-1])
    assert math.isfinite(axes.get_ylim()[0])
