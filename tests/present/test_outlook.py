"""Is the band shown that the drive predicts, and the motor's slip by its definition?"""

import pytest

from kerfbeat.drive.chain import predict_setting
from kerfbeat.machine import Setting, demo_machine, parse_machine
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.outlook import motor_slip, prospect_of

WHEEL_ONLY = 'name = "grinder"\n[wheel]\ndiameter = "200 mm"\n[sensor.wheel]\ntargets = 1\n'


def test_band_is_the_predicted_one() -> None:
    saw, setting = demo_machine("saw"), Setting(hz=45.0, gear="low")
    band = predict_setting(saw, setting).blade_m_per_s
    shown = prospect_of(saw, setting)
    assert (shown.low_m_per_s, shown.high_m_per_s) == (band.lowest, band.highest)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        (Setting(), "Enter hertz and gear to see what it should run."),
        (Setting(hz=45.0), "Enter gear to see what it should run."),
        (Setting(gear="low"), "Enter hertz to see what it should run."),
    ],
)
def test_says_what_is_lacking(setting: Setting, words: str) -> None:
    shown = prospect_of(demo_machine("saw"), setting)
    assert shown.words == words
    assert shown.low_m_per_s is None


def test_impossible_setting_is_told_not_raised() -> None:
    assert "third" in prospect_of(demo_machine("saw"), Setting(hz=45.0, gear="third")).words
    assert prospect_of(demo_machine("saw"), Setting(hz=0.0, gear="low")).low_m_per_s is None


def test_wheel_alone_predicts_nothing() -> None:
    assert prospect_of(parse_machine(WHEEL_ONLY), Setting(hz=50.0)).words.startswith("No motor is described")


def test_motor_slip_by_definition() -> None:
    # 4 poles at 50 Hz: 120 f / p = 1500 rpm; nameplate 1430 rpm is 70 rpm behind, 4.67 % (NEMA MG 1; the slip of
    # 0.046667 is printed for this nameplate in the Modelica Standard Library's documentation).
    reading = Estimate(value=1430.0 / 60.0, u95=0.01)
    slip = motor_slip(demo_machine("saw"), Setting(hz=50.0), reading)
    assert slip is not None
    assert slip.slip_hz.value * 60.0 == pytest.approx(70.0)
    assert slip.slip_percent == pytest.approx(4.6667, abs=5e-5)
    # The display shows 0.1 Hz: half of it is 0.05 Hz, 1.5 rpm of the field.
    assert slip.slip_hz.u95 * 60.0 == pytest.approx(1.5 + 0.6)


def test_no_slip_without_frequency_or_reading() -> None:
    saw = demo_machine("saw")
    assert motor_slip(saw, Setting(), Estimate(value=23.0, u95=0.1)) is None
    assert motor_slip(saw, Setting(hz=50.0), None) is None
    assert motor_slip(parse_machine(WHEEL_ONLY), Setting(hz=50.0), Estimate(value=23.0, u95=0.1)) is None
