"""Does a prediction use what was measured, and only that?"""

from datetime import UTC, datetime

import numpy as np
import pytest

from kerfbeat.calibration import QUANTITIES, Calibration, Result, belongs_to, known
from kerfbeat.drive.assumptions import describe_assumptions
from kerfbeat.drive.calibrated import (
    calibrated_curve,
    calibrated_curves,
    calibrated_prediction,
    calibrated_words,
)
from kerfbeat.drive.chain import drive_curve, predict_setting
from kerfbeat.drive.choose import choose
from kerfbeat.drive.material import SpeedRange
from kerfbeat.machine import Setting, demo_machine

SAW = demo_machine("saw")
HZ = np.array([20.0, 50.0, 75.0])
LOW = Setting(gear="low", hz=50.0)


def held(results):
    made = tuple(
        Result(
            quantity=quantity, of=of, value=(value,), u=(u,), unit=QUANTITIES[quantity],
            date=datetime(2027, 1, 1, tzinfo=UTC), sources=("a.csv",), conditions={},
            belongs_to=belongs_to(SAW, quantity, of),
        )
        for (quantity, of), (value, u) in results.items()
    )  # fmt: skip
    return known(Calibration(machine=SAW.name, results=made), SAW)


RATIO = {("total ratio", "gear low"): (60.3, 0.006)}
HIGH_RATIO = {("total ratio", "gear high"): (26.3, 0.003)}
SLIP = {("motor slip", ""): (6.0, 0.5)}
WHEEL = {("wheel diameter", ""): (0.3312, 0.0001)}


def test_nothing_stored_changes_nothing():
    curve = drive_curve(SAW, belt=None, gear="low", supply_hz=HZ)
    assert calibrated_curve(curve, SAW, held({})) is curve


def test_measured_ratio_takes_the_place_of_the_described_one():
    curve = drive_curve(SAW, belt=None, gear="low", supply_hz=HZ)
    now = calibrated_curve(curve, SAW, held(RATIO))
    assert now.ratio == 60.3
    # 120 f / p over the ratio: 1500 rpm / 60.3 = 24.876 rpm at 50 Hz
    assert 60 * now.wheel_hz.no_load[1] == pytest.approx(1500 / 60.3)
    assert np.all(now.wheel_hz.highest < curve.wheel_hz.highest)  # no doubt of diameters is left
    assert 60 * now.wheel_hz.highest[1] == pytest.approx(1500 / 60.3 * (1 + 1.96 * 0.006 / 60.3))
    assert np.all(now.wheel_hz.lowest < now.wheel_hz.full_load)
    other = drive_curve(SAW, belt=None, gear="high", supply_hz=HZ)
    np.testing.assert_array_equal(calibrated_curve(other, SAW, held(RATIO)).wheel_hz.no_load, other.wheel_hz.no_load)


def test_measured_slip_lowers_the_no_load_speed():
    """6 rpm to base frequency, (75 / 50)^2 times as much at 75 Hz."""
    now = calibrated_curve(drive_curve(SAW, belt=None, gear="low", supply_hz=HZ), SAW, held(SLIP))
    np.testing.assert_allclose(60 * now.motor_hz.no_load, [600 - 6, 1500 - 6, 2250 - 6 * 2.25])
    assert np.all(now.motor_hz.highest <= np.array([600, 1500, 2250]) / 60)
    assert np.all(now.motor_hz.full_load <= now.motor_hz.no_load)
    assert np.all(now.wheel_hz.lowest <= now.wheel_hz.full_load)


def test_measured_wheel_makes_the_blade_faster():
    curve = drive_curve(SAW, belt=None, gear="low", supply_hz=HZ)
    now = calibrated_curve(curve, SAW, held(WHEEL))
    # v = pi (D + t) n: 0.3321 m against 0.3309 m
    np.testing.assert_allclose(now.blade_m_per_s.no_load / curve.blade_m_per_s.no_load, 0.3321 / 0.3309)
    np.testing.assert_array_equal(now.wheel_hz.no_load, curve.wheel_hz.no_load)
    assert np.all(now.blade_m_per_s.highest / now.blade_m_per_s.no_load < 1.02)


def test_all_together_narrow_the_band_to_load_and_creep():
    before, now = predict_setting(SAW, LOW), calibrated_prediction(SAW, LOW, held(RATIO | SLIP | WHEEL))
    # no load: 1494 rpm / 60.3 on 0.3321 m
    assert now.blade_m_per_s.no_load == pytest.approx(np.pi * 0.3321 * 1494 / 60 / 60.3)
    wide = before.blade_m_per_s.highest - before.blade_m_per_s.no_load
    assert now.blade_m_per_s.highest - now.blade_m_per_s.no_load < 0.2 * wide


def test_blade_limit_is_judged_by_the_measured_wheel():
    """At 90 m/min allowed, a wheel 3 % larger than described passes the limit at a lower frequency."""
    fast = np.array([62.0, 66.0, 70.0])
    curve = drive_curve(SAW, belt=None, gear="high", supply_hz=fast)
    larger = calibrated_curve(curve, SAW, held({("wheel diameter", ""): (0.345, 0.0001)}))

    def over(each):
        return [any(caution.kind == "blade speed" for caution in row) for row in each.cautions]

    assert sum(over(larger)) >= sum(over(curve))
    assert larger.blade_m_per_s.highest[0] > curve.blade_m_per_s.no_load[0]


def test_words_name_what_was_used():
    store = held(RATIO | SLIP)
    curves = calibrated_curves(SAW, store, supply_hz=HZ)
    assert [curve.gear for curve in curves] == ["low", "high"]
    words = calibrated_words(curves, store)
    assert any("total ratio of gear low" in line and "a.csv" in line for line in words)
    assert not any("total ratio" in line for line in calibrated_words(curves[1:], store))  # gear high has none
    assert any("motor slip" in line for line in words)
    assert calibrated_words(curves, held({})) == ()


@pytest.mark.parametrize(
    ("results", "told", "untold"),
    [
        ({}, ["creeping up to 2 %;", "diameters of pulleys and wheel", "off by up to 5 %"], ["not calibrated"]),
        (RATIO, ["first belt, gear high not calibrated: ", "off by up to 5 %", "pulleys and wheel"], []),
        (RATIO | HIGH_RATIO, ["up to 2 % more under load;", "diameters of wheel as well"], ["5 %", "pulleys"]),
        (RATIO | HIGH_RATIO | WHEEL, ["up to 2 % more under load. An"], ["5 %", "diameters"]),
    ],
)  # fmt: skip
def test_nothing_is_assumed_that_was_measured(results, told, untold):
    store = held(results)
    said = " ".join(describe_assumptions(SAW, calibrated_curves(SAW, store, supply_hz=HZ), store))
    # NEMA MG 1 grants the nameplate's slip 20 %, which the band's lower edge holds at any rate
    for words in ("up to 20 % more than its nameplate says", "low frequency", *told):
        assert words in said
    for words in untold:
        assert words not in said


def test_a_choice_is_what_a_calibrated_prediction_says_of_it():
    """High gear at no load: 30 f less the slip of 6 rpm over 26.3 in the place of 26, on 0.3321 m: 60 m/min."""
    store = held(HIGH_RATIO | SLIP | WHEEL)
    wanted = SpeedRange(low_m_per_s=1.0, high_m_per_s=1.0)
    (before,), (now,) = choose(SAW, wanted), choose(SAW, wanted, known=store)
    assert now.prediction == calibrated_prediction(SAW, now.prediction.setting, store)
    # halfway between the no-load speed and the nameplate's 70 rpm of slip, by hand: 60 x 26.3 / (pi x 0.3321) rpm
    aim_hz = (60 * 26.3 / (np.pi * 0.3321) + (6.0 + 70.0) / 2) / 30
    assert now.prediction.setting.hz == pytest.approx(aim_hz, abs=0.06)
    assert now.prediction.setting.hz > before.prediction.setting.hz
    assert now.curve.ratio == 26.3
