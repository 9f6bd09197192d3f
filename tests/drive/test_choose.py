"""Are the settings found that give a speed, ranked by what they leave in hand?"""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.drive.chain import predict_setting
from kerfbeat.drive.choose import Choice, choose
from kerfbeat.drive.material import SpeedRange, one_material
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine, demo_machine, parse_machine

SAW = demo_machine("saw")


def exactly(m_per_min: float) -> SpeedRange:
    return SpeedRange(low_m_per_s=m_per_min / 60, high_m_per_s=m_per_min / 60)


def middle(choice: Choice) -> float:
    blade = choice.prediction.blade_m_per_s
    return (blade.no_load + blade.full_load) / 2 * 60


def names(choices: list[Choice]) -> list[str | None]:
    return [choice.prediction.setting.gear for choice in choices]


def test_both_gears_that_give_the_speed_the_stronger_first() -> None:
    found = choose(SAW, exactly(35.0))
    # low gear turns the motor fast and pulls 30 / 13 harder at one torque; high gear runs the fan slowly
    assert names(found) == ["low", "high"]
    assert found[0].hours_pull > 2 * found[1].hours_pull
    for choice in found:
        assert middle(choice) == pytest.approx(35.0, rel=0.005)
        assert choice.from_hz <= choice.prediction.setting.hz <= choice.to_hz  # type: ignore[operator]
    # the rows are what `predict` says of the same setting
    assert predict_setting(SAW, found[0].prediction.setting) == found[0].prediction


def test_frequency_is_one_the_display_can_show() -> None:
    for choice in choose(SAW, exactly(33.33)):
        hz = choice.prediction.setting.hz
        assert hz is not None
        assert hz * 10 == pytest.approx(round(hz * 10), abs=1e-6)


def test_range_of_a_material() -> None:
    wanted = one_material("4140").speed_range(thickness_m=0.1)
    for choice in choose(SAW, wanted):
        assert wanted.low_m_per_s * 0.99 <= middle(choice) / 60 <= wanted.high_m_per_s * 1.01


def test_only_what_may_be_used_is_told_to_give_the_speed() -> None:
    """By hand, high gear: 30 / 26 x pi x 0.3309 m a minute per Hz at no load, 1.21 % more at the band's upper edge
    (pulleys 0.5 % each, in squares, and wheel 0.5 %): 90 m/min, the limit, from 74.13 Hz on.
    """
    wanted = one_material("4140").speed_range()  # 67 to 88 m/min
    (found,) = choose(SAW, wanted)
    assert found.to_hz == pytest.approx(74.13 - 0.08, abs=0.08)  # 0.15 Hz is the step between two points of the curve
    assert found.from_hz < 58.0
    above = SpeedRange(low_m_per_s=80 / 60, high_m_per_s=93 / 60)  # its middle, 86.5 m/min at 73.3 Hz, still may
    higher = SpeedRange(low_m_per_s=84 / 60, high_m_per_s=93 / 60)  # its middle, 88.5 m/min at 75.0 Hz, may not
    for asked in (above, higher):
        (found,) = choose(SAW, asked)
        assert not found.forbidden
        assert 73.0 < (found.prediction.setting.hz or 0.0) <= found.to_hz < 74.2
    (barred,) = choose(SAW, exactly(92.0))
    assert barred.forbidden


def test_limit_passed_ranks_last() -> None:
    limited = dataclasses.replace(SAW, motor=dataclasses.replace(SAW.motor, maximum_rpm=1500.0))  # type: ignore[type-var]
    found = choose(limited, exactly(35.0))
    assert names(found) == ["high", "low"]
    assert found[1].forbidden
    assert not found[0].forbidden


def test_none_gives_it_says_the_nearest() -> None:
    # by hand: high gear, 80 Hz: 2400 and 2288 rpm over 26, times pi x 0.3309 m: 95.96 and 91.48, halfway 93.7 m/min
    with pytest.raises(DriveError, match=r"gives 180 m/min \(591 ft/min\); the nearest is gear high, 80 Hz with 93\.7"):
        choose(SAW, exactly(180.0))
    with pytest.raises(
        DriveError, match=r"gives 2 to 3 m/min \(6\.56 to 9\.84 ft/min\); the nearest is gear low, 20 Hz"
    ):
        choose(SAW, SpeedRange(low_m_per_s=2 / 60, high_m_per_s=3 / 60))


@pytest.mark.parametrize(
    ("low", "high"), [(2.0, 1.0), (0.0, 1.0), (-1.0, 1.0), (float("nan"), 1.0), (1.0, float("inf"))]
)
def test_range_that_cannot_be(low: float, high: float) -> None:
    with pytest.raises(DriveError, match="write the slow end first"):
        choose(SAW, SpeedRange(low_m_per_s=low, high_m_per_s=high))


def test_single_speed_that_cannot_be() -> None:
    with pytest.raises(DriveError, match="a blade speed of 0 m/min cannot be; write one above 0"):
        choose(SAW, exactly(0.0))


def without_inverter(name: str) -> Machine:
    return dataclasses.replace(demo_machine(name), inverter=None)


def test_variable_sheave_without_inverter_is_set_to_the_speed() -> None:
    found = choose(without_inverter("grinder"), exactly(600.0))
    steps = [choice.prediction.setting.belt.split(" / ")[0] for choice in found if choice.prediction.setting.belt]
    assert steps
    assert len(steps) == len(set(steps))  # one place of the wide belt for each step
    for choice in found:
        assert choice.prediction.setting.hz == 60.0
        assert middle(choice) == pytest.approx(600.0, rel=0.01)


def test_fixed_speed_machine_has_one_speed() -> None:
    fixed = without_inverter("saw")  # 24.776 and 25.989 m/min in low gear (computed by hand), halfway 25.38
    assert names(choose(fixed, exactly(25.38))) == ["low"]
    with pytest.raises(DriveError, match=r"the nearest is gear low, 50 Hz with 25\.4 m/min"):
        choose(fixed, exactly(30.0))


def test_no_motor() -> None:
    bare = parse_machine('name = "x"\n[wheel]\ndiameter = "1 m"\n[sensor.wheel]\ntargets = 1\n')
    with pytest.raises(DriveError, match="no motor is described"):
        choose(bare, exactly(10.0))


@given(st.floats(10.0, 90.0))
def test_every_reachable_speed_is_met(speed_m_per_min: float) -> None:
    found = choose(SAW, exactly(speed_m_per_min))
    assert found
    for choice in found:
        assert middle(choice) == pytest.approx(speed_m_per_min, rel=0.015)
    assert [c.forbidden for c in found] == sorted(c.forbidden for c in found)
