"""Is a pulley found that gives the wanted range, with its belt, and is what cannot be refused?"""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.drive.arrange import arrange
from kerfbeat.drive.belt import belt_length_m, span_tension_n
from kerfbeat.drive.belt_fit import BeltFacts, belt_tension, fit_belt, old_belt, small_pulley_caution
from kerfbeat.drive.chain import drive_curve
from kerfbeat.drive.compare import reach
from kerfbeat.drive.coverage import Coverage, gaps_between
from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.size import old_range, replaced_stage, size_drive
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine, demo_machine, parse_machine

IN = 0.0254

# Common practice, no published source: a 13 in driven pulley, a driver working from about 4.5 to 8 in, a motor of about
# 1,740 rpm; gearbox input about 604 to 1,067 rpm.  A gearbox of 1:1 and a bare wheel stand for the rest.
OLD = """
name = "Common practice"
[motor]
poles = 4
base_hz = 60.0
rpm = 1740
power = "3 hp"
[[stage]]
name = "wide belt"
kind = "belt"
driver = { minimum = "4.5 in", maximum = "8 in" }
driven = "13 in"
centre_distance = "24 in"
belt_length = "80 in"
[[stage]]
kind = "gearbox"
ratios = 1.0
[wheel]
diameter = "16 in"
[sensor.wheel]
targets = 1
"""


def wheel_range(machine: Machine, low_rpm: float, high_rpm: float) -> SpeedRange:
    return SpeedRange(
        low_m_per_s=machine.wheel.surface_speed_m_per_s(low_rpm / 60),
        high_m_per_s=machine.wheel.surface_speed_m_per_s(high_rpm / 60),
    )


@pytest.mark.parametrize("told", ["old range", "gearbox input", "nothing", "whole reach"])
def test_common_practice_arrangement_is_found_from_the_range_alone(told: str) -> None:
    # Common practice, no published source: a fixed driver geared so that half to double base frequency (30 to 120 Hz)
    # gives about 335 to 1,338 rpm reproduces the old range of 604 to 1,067 rpm between about 54 and 95 Hz.
    machine = parse_machine(OLD)
    wanted = {
        "old range": old_range(machine, (None,)),
        "gearbox input": wheel_range(machine, 604.0, 1067.0),
        "nothing": None,
        "whole reach": wheel_range(machine, 335.0, 1338.0),
    }[told]
    sized = size_drive(machine, wanted=wanted)
    assert sized.limits_hz == (30.0, 120.0)
    assert sized.driven_m / IN == pytest.approx(13.0)
    assert sized.exact_driver_m / IN == pytest.approx(5.0, abs=0.06)  # 13 in x 669 rpm / 1,740 rpm
    (cover,) = sized.coverage
    low_full, low_free = sorted(hz * 60 for hz in cover.driven_low_hz)
    high_full, high_free = sorted(hz * 60 for hz in cover.driven_high_hz)
    assert low_full < 335.0 < low_free
    assert high_full * 0.99 < 1338.0 < high_free
    if told != "whole reach":
        assert sized.needed_hz[0] == pytest.approx(54.0, abs=1.0)
        assert sized.needed_hz[1] == pytest.approx(95.0, abs=1.5)


def test_old_range_is_the_common_practice_one() -> None:
    machine = parse_machine(OLD)
    old = old_range(machine, (None,))
    assert machine.wheel.shaft_hz(old.low_m_per_s) * 60 == pytest.approx(604.0, rel=0.005)
    assert machine.wheel.shaft_hz(old.high_m_per_s) * 60 == pytest.approx(1067.0, rel=0.005)


def test_found_pulley_gives_the_range_at_the_frequencies_told() -> None:
    sized = size_drive(parse_machine(OLD))
    curve = drive_curve(sized.machine, belt=None, gear=None, supply_hz=list(sized.needed_hz))
    assert curve.blade_m_per_s.full_load[0] == pytest.approx(sized.wanted.low_m_per_s, rel=1e-3)
    assert curve.blade_m_per_s.full_load[1] == pytest.approx(sized.wanted.high_m_per_s, rel=1e-3)
    # equal hertz to spare at both ends, as near as a pulley of 0.1 in steps allows
    below, above = sized.needed_hz[0] - 30.0, 120.0 - sized.needed_hz[1]
    assert below == pytest.approx(above, abs=2.0)


def test_several_gears_share_the_range() -> None:
    machine = parse_machine(OLD.replace("ratios = 1.0", "ratios = { low = 20.0, high = 7.0 }"))
    sized = size_drive(machine)
    assert sized.driver_m / IN == pytest.approx(5.0, abs=0.05)
    assert [cover.gear for cover in sized.coverage] == ["low", "high"]
    assert sized.gaps == ()
    one = size_drive(machine, gears=["high"])
    assert one.driver_m == pytest.approx(sized.driver_m)


def test_gap_between_gears_is_told() -> None:
    machine = parse_machine(OLD.replace("ratios = 1.0", "ratios = { low = 60.0, high = 7.0 }"))
    sized = size_drive(machine)
    assert len(sized.gaps) == 1
    assert "no gear gives" in sized.gaps[0]
    assert size_drive(machine, gears=["high"]).gaps == ()


@pytest.mark.parametrize(("second_from", "told"), [(2.015, False), (2.05, True), (1.5, False)])
def test_small_gap_is_told_but_not_the_rounding_of_a_pulley(second_from: float, told: bool) -> None:
    covers = [
        Coverage(belt=None, gear=gear, low_m_per_s=low, high_m_per_s=high, driven_low_hz=(1, 1), driven_high_hz=(2, 2))
        for gear, low, high in (("low", 1.0, 2.0), ("high", second_from, 4.0))
    ]
    gaps = gaps_between(demo_machine("saw"), covers, SpeedRange(low_m_per_s=1.0, high_m_per_s=4.0))
    assert gaps == (("no gear gives 120 to 123 m/min (394 to 404 ft/min)",) if told else ())


def test_steps_of_another_belt_count_as_gears() -> None:
    grinder = demo_machine("grinder")
    sized = size_drive(grinder)
    assert [cover.belt for cover in sized.coverage] == ["slow", "middle", "fast"]
    assert sized.gaps == ()
    assert min(cover.low_m_per_s for cover in sized.coverage) < sized.wanted.low_m_per_s
    assert max(cover.high_m_per_s for cover in sized.coverage) > sized.wanted.high_m_per_s


def test_given_driver_is_checked() -> None:
    sized = size_drive(parse_machine(OLD), driver_m=5.2 * IN)
    assert sized.driver_m == 5.2 * IN
    assert sized.needed_hz[0] < 54.0
    # 1740 rpm x 4.5 and 8 in, over 20 in: 391 to 696 rpm
    with pytest.raises(DriveError, match=r"a driver of 508\.0 mm needs the motor at 391 to 69[0-9] rpm.*one found"):
        size_drive(parse_machine(OLD), driver_m=20 * IN)


def test_driven_pulley_may_change_too() -> None:
    sized = size_drive(parse_machine(OLD), driven_m=10.4 * IN)
    assert sized.driver_m / IN == pytest.approx(4.0, abs=0.05)


def test_file_s_own_inverter_limits_are_kept() -> None:
    machine = parse_machine(OLD + "[inverter]\nminimum_hz = 40.0\nmaximum_hz = 90.0\n")
    assert size_drive(machine).limits_hz == (40.0, 90.0)
    assert size_drive(machine, limits=(30.0, 120.0)).limits_hz == (30.0, 120.0)


def test_fixed_machine_keeps_its_pulley() -> None:
    # nothing is asked for, nothing changes: the range of today centres on today's driver
    saw = demo_machine("saw")
    sized = size_drive(saw)
    assert sized.limits_hz == (20.0, 80.0)
    assert sized.driver_m == pytest.approx(0.080, abs=1.1e-3)


def test_what_cannot_be_reached_says_what_would() -> None:
    machine = parse_machine(OLD)
    with pytest.raises(DriveError, match=r"a span of 1 to 1[0-9]\.[0-9]; between 30 and 120 Hz it gives 1 to 4\.[0-9]"):
        size_drive(machine, wanted=wheel_range(machine, 100.0, 1500.0))
    for low, high in ((2.0, 1.0), (0.0, 1.0), (math.nan, 1.0), (1.0, math.inf)):
        with pytest.raises(DriveError, match="slow end first"):
            size_drive(machine, wanted=SpeedRange(low_m_per_s=low, high_m_per_s=high))
    for limits in ((90.0, 30.0), (0.0, 50.0), (30.0, 2000.0), (math.nan, 50.0)):
        with pytest.raises(DriveError, match="lower one first"):
            size_drive(machine, limits=limits)
    with pytest.raises(DriveError, match=r'no belt stage "chain"; belts here: wide belt'):
        replaced_stage(machine, "chain")
    no_belt = dataclasses.replace(machine, stages=machine.stages[1:])
    with pytest.raises(DriveError, match="no belt is described"):
        replaced_stage(no_belt)
    with pytest.raises(DriveError, match="overlap when their shafts"):
        size_drive(machine, driven_m=45 * IN)
    for wrong_m in (0.0, -0.005, 1000.0, math.nan):
        for wrong in ({"driver_m": wrong_m}, {"driven_m": wrong_m}):
            with pytest.raises(DriveError, match="cannot be; write a pitch diameter from 5 mm to 5 m"):
                size_drive(machine, **wrong)
    for low, high in ((0.01, 0.02), (1.0, 2.0)):  # rounds to no pulley at all, or to one as thin as a wire
        with pytest.raises(DriveError, match=r"a pulley of .* cannot be; .* ft/min .* would need it"):
            size_drive(machine, wanted=wheel_range(machine, low, high))
    with pytest.raises(DriveError, match="are 0 mm apart"):
        arrange(machine, centre_m=0.0)


def test_told_distance_of_the_shafts_replaces_the_file_s() -> None:
    machine = parse_machine(OLD)
    made = arrange(machine, driven_m=45 * IN, centre_m=40 * IN)
    assert made.fit is not None
    assert made.fit.centre_m == 40 * IN


def test_stage_by_name_number_and_default() -> None:
    grinder = demo_machine("grinder")
    assert replaced_stage(grinder) == 1  # the one that varies
    assert replaced_stage(grinder, "step pulleys") == 0
    assert replaced_stage(grinder, "1") == 0
    assert replaced_stage(demo_machine("saw")) == 0


@given(low=st.floats(200.0, 900.0), span=st.floats(1.0, 3.5), driven_in=st.floats(8.0, 20.0))
def test_any_range_the_motor_can_span_is_met(low: float, span: float, driven_in: float) -> None:
    machine = parse_machine(OLD.replace('centre_distance = "24 in"\nbelt_length = "80 in"\n', ""))
    wanted = wheel_range(machine, low, low * span)
    sized = size_drive(machine, wanted=wanted, driven_m=driven_in * IN)
    (cover,) = sized.coverage
    assert cover.low_m_per_s <= wanted.low_m_per_s * 1.01
    assert cover.high_m_per_s >= wanted.high_m_per_s * 0.99
    assert 30.0 <= sized.needed_hz[0] <= sized.needed_hz[1] <= 120.0


def test_belt_of_the_pair() -> None:
    # Shigley, problem 17-1: D 18, d 6, C 96 in: wrap 3.016511 rad, length 230.074 in
    fit = fit_belt(6 * IN, 18 * IN, centre_m=96 * IN)
    assert fit.wrap_rad == pytest.approx(3.016511, abs=1e-6)
    assert fit.length_m / IN == pytest.approx(230.074, abs=5e-4)
    # Machinery's Handbook, 31st ed., table 12: (D - d) / C = 0.125: between 0.99 and 0.97
    assert 0.97 < fit.arc_factor < 0.99
    assert fit.stock == ()


def test_stock_belts_lie_on_both_sides() -> None:
    # Shigley, example 17-4: sheaves of 7.4 and 11 in datum diameter, B112 at 42.4 in; B section pitch = datum + 0.35 in
    # (Machinery's Handbook, 31st ed., table 9)
    fit = fit_belt(7.75 * IN, 11.35 * IN, centre_m=42.5 * IN, section="B")
    assert [stock.designation for stock in fit.stock] == ["B112", "B113"]
    assert fit.stock[0].centre_m / IN == pytest.approx(42.41, abs=0.01)
    assert fit.stock[0].centre_m <= 42.5 * IN <= fit.stock[1].centre_m
    with pytest.raises(DriveError, match="no belt lengths are known"):
        fit_belt(7.75 * IN, 11.35 * IN, centre_m=42.5 * IN, section="Z")


def test_old_belt_still_fits_or_not() -> None:
    length_m = float(belt_length_m(5 * IN, 13 * IN, centre_m=24 * IN))
    still = old_belt(5 * IN, 13 * IN, length_m=length_m, centre_m=23 * IN)
    assert still.centre_m == pytest.approx(24 * IN)
    assert still.moved_m == pytest.approx(1 * IN)
    assert old_belt(5 * IN, 13 * IN, length_m=length_m, centre_m=None).moved_m is None
    with pytest.raises(DriveError, match="too short"):
        old_belt(5 * IN, 13 * IN, length_m=20 * IN, centre_m=24 * IN)


def test_small_pulley_is_warned_of() -> None:
    # Machinery's Handbook, 31st ed., table 9: least datum diameters A 3.0, B 5.4, C 9.0, D 13.0 in; pitch = datum
    # diameter + 2 h_d
    for section, least_in in (("A", 3.25), ("B", 5.75), ("C", 9.4), ("D", 13.6)):
        assert small_pulley_caution(least_in * IN, 20 * IN, section) is None
        assert f"section {section}" in (small_pulley_caution((least_in - 0.01) * IN, 20 * IN, section) or "")
    assert small_pulley_caution(0.01, 1.0, None) is None


def test_tension_carries_the_torque_at_a_ratio_of_five() -> None:
    # Shigley, V-belt section: an effective coefficient of 0.5123 gives a tension ratio of 5 at half a turn
    fit = fit_belt(0.1, 0.1, centre_m=0.3)
    tension = belt_tension(10.0, fit, driver_m=0.1, facts=BeltFacts(density_kg_per_m=0.19))
    assert tension.slip_ratio == pytest.approx(5.0, abs=1e-3)
    assert tension.effective_n == pytest.approx(200.0)
    assert tension.tight_n - tension.slack_n == pytest.approx(tension.effective_n)
    assert tension.tight_n / tension.slack_n == pytest.approx(tension.slip_ratio)
    # at that ratio 200 N are 250 less 50 N; standing still both spans have their mean (Shigley, F_i = (F1 + F2) / 2)
    assert (tension.tight_n, tension.slack_n, tension.static_n) == pytest.approx((250.0, 50.0, 150.0), abs=0.05)
    assert tension.hum_hz is not None
    back_n = span_tension_n(tension.hum_hz, span_m=fit.span_m, density_kg_per_m=0.19)
    assert back_n == pytest.approx(tension.static_n)
    bare = belt_tension(10.0, fit, driver_m=0.1, facts=BeltFacts())
    assert (bare.hum_hz, bare.measured_n, bare.holds, bare.creep) == (None, None, None, None)


def test_hum_tells_whether_the_belt_is_tight_enough() -> None:
    # theory of the string: a span of 0.5 m and 0.19 kg/m at 400 N hums at 45.883 Hz; equal pulleys: the span is the
    # distance of the shafts
    fit = fit_belt(0.1, 0.1, centre_m=0.5)
    facts = BeltFacts(density_kg_per_m=0.19, hum_hz=45.883)
    tension = belt_tension(10.0, fit, driver_m=0.1, facts=facts)
    assert tension.measured_n == pytest.approx(400.0, abs=0.02)
    assert tension.holds == pytest.approx(400.0 / tension.static_n, rel=1e-4)
    slack = belt_tension(100.0, fit, driver_m=0.1, facts=facts)
    assert slack.holds is not None
    assert slack.holds < 1.0


def test_wedge_and_creep_of_the_belt() -> None:
    # Shigley, eq. 17-7 and V form: friction 0.3, groove 38 degrees: 13.108 at 160 degrees of wrap, flat 2.3112
    wrapped = dataclasses.replace(fit_belt(0.1, 0.2, centre_m=0.3), wrap_rad=math.radians(160))
    flat = belt_tension(10.0, wrapped, driver_m=0.1, facts=BeltFacts(friction=0.3))
    wedge = belt_tension(10.0, wrapped, driver_m=0.1, facts=BeltFacts(friction=0.3, groove_rad=math.radians(38)))
    assert flat.slip_ratio == pytest.approx(2.3112, abs=1e-4)
    assert wedge.slip_ratio == pytest.approx(13.108, abs=1e-3)
    assert wedge.static_n < flat.static_n
    # Khurmi & Gupta, art. 11.10: a difference of 1200 N on EA = 120 kN loses 1.00 % to first order
    pulled = belt_tension(60.0, wrapped, driver_m=0.1, facts=BeltFacts(stiffness_n=120e3))
    assert pulled.effective_n == pytest.approx(1200.0)
    assert pulled.creep == pytest.approx(0.0100, abs=1e-6)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"density_kg_per_m": 0.0}, "0.19 kg/m"),
        ({"density_kg_per_m": math.nan}, "0.19 kg/m"),
        ({"stiffness_n": -1.0}, "120 kN"),
        ({"density_kg_per_m": 0.2, "hum_hz": 0.0}, "24 Hz"),
        ({"hum_hz": 24.0}, "--belt-mass"),
        ({"groove_rad": 0.6}, "--friction"),
        ({"density_kg_per_m": 1e6}, "0.19 kg/m"),
        ({"stiffness_n": 1e12}, "120 kN"),
        ({"density_kg_per_m": 0.2, "hum_hz": 1e6}, "24 Hz"),
    ],
)
def test_belt_facts_that_cannot_be(facts: dict[str, float], words: str) -> None:
    with pytest.raises(DriveError, match=words):
        BeltFacts(**facts)


def test_friction_told_as_nothing_is_refused() -> None:
    fit = fit_belt(0.1, 0.2, centre_m=0.3)
    for friction in (0.0, -1.0, math.nan, 1e6):
        with pytest.raises(DriveError, match="friction"):
            belt_tension(10.0, fit, driver_m=0.1, facts=BeltFacts(friction=friction))
    for degrees in (1.0, 90.0):
        with pytest.raises(DriveError, match="groove angle"):
            belt_tension(10.0, fit, driver_m=0.1, facts=BeltFacts(friction=0.3, groove_rad=math.radians(degrees)))


def test_second_belt_carries_the_torque_the_first_has_geared_up() -> None:
    # the steps of the grinder's first belt gear down by 2 at most (2.6 to 5.2 in), so the second carries twice the
    # motor's 2 hp at 3460 rpm (T = P / omega)
    made = arrange(demo_machine("grinder"), centre_m=0.3)
    assert made.sized.stage_index == 1
    assert made.tension is not None
    torque_n_m = 2 * 745.69987 / (2 * math.pi * 3460 / 60)
    assert made.tension.effective_n == pytest.approx(2 * torque_n_m / (made.sized.driver_m / 2), rel=1e-6)


def test_old_and_new_beside_each_other() -> None:
    machine = parse_machine(OLD)
    sized = size_drive(machine)
    speeds = np.linspace(sized.coverage[0].low_m_per_s, sized.coverage[0].high_m_per_s, 9)
    old, new = reach(machine, speeds, gear=None), reach(sized.machine, speeds, gear=None)
    there = ~np.isnan(old.torque)
    assert not there[0]
    assert not there[-1]
    assert there.any()
    # at base frequency the old drive has its motor's full power everywhere; the new one above base, less below
    assert old.power_ratio[there] == pytest.approx(1.0)
    above = new.supply_hz >= 60.0
    assert new.power_ratio[above] == pytest.approx(1.0)
    assert np.all(new.power_ratio[~above] < 1.0)
    # at equal power and speed both pull alike
    both = there & above
    assert both.any()
    assert new.torque[both] == pytest.approx(old.torque[both], rel=1e-6)
    # below base the new drive pulls with its full torque, which is less than the old, geared down, gives
    below = there & ~above
    assert np.all(new.torque[below] <= old.torque[below])
    assert np.all(new.hours_torque <= new.torque + 1e-12)
    # for hours the cautious edge counts: three quarters at half base frequency (the curve's own figure, from memory)
    assert new.supply_hz[0] == pytest.approx(30.0)
    assert new.hours_torque[0] / new.torque[0] == pytest.approx(0.75, rel=1e-6)


def test_stepped_machine_takes_its_strongest_step() -> None:
    grinder = demo_machine("grinder")
    fixed = dataclasses.replace(grinder, stages=(grinder.stages[0], grinder.stages[2]))
    speed = np.array([10.0])
    found = reach(fixed, speed, gear=None)
    singles = []
    for name in ("slow", "middle", "fast"):
        positions = tuple(p for p in fixed.stages[0].positions if p.name == name)  # type: ignore[union-attr]
        only = dataclasses.replace(
            fixed, stages=(dataclasses.replace(fixed.stages[0], positions=positions), fixed.stages[1])
        )
        singles.append(float(reach(only, speed, gear=None).torque[0]))
    assert found.torque[0] == pytest.approx(np.nanmax(singles))
    assert found.belts == (("slow", "middle", "fast")[int(np.nanargmax(singles))],)
    assert reach(fixed, np.array([1e6]), gear=None).belts == (None,)


def test_whole_arrangement() -> None:
    # by hand: 48 + pi / 2 x 18 + 64 / 96 = 76.94 in round 5 and 13 in at 24 in (Mott, eq. 7-3); the old 80 in need
    # 3.06 / (2 x sqrt(1 - (8 / 48)^2)) = 1.55 in = 39.4 mm more; datum diameters are 0.35 in less: 75.84 - 1.8 = 74.04
    made = arrange(parse_machine(OLD), section="B", facts=BeltFacts(density_kg_per_m=0.19))
    assert made.fit is not None
    assert [stock.designation for stock in made.fit.stock] == ["B74", "B75"]
    assert made.old_belt is not None
    assert made.old_belt.moved_m == pytest.approx(0.0393, abs=1e-3)
    assert made.tension is not None
    # pi d n: 5 in, four poles at no load
    assert made.belt_speed_m_per_s == pytest.approx(math.pi * 5 * IN * made.sized.needed_hz[1] / 2, rel=1e-6)
    assert "section B" in made.belt_cautions[0]
    assert {caution.kind for curve in made.curves for row in curve.cautions for caution in row} >= {"cooling"}
    bare = arrange(parse_machine(OLD.replace('centre_distance = "24 in"\nbelt_length = "80 in"\n', "")))
    assert (bare.fit, bare.old_belt, bare.tension) == (None, None, None)
    short = arrange(parse_machine(OLD.replace('"80 in"', '"50 in"').replace('centre_distance = "24 in"\n', "")))
    assert short.old_belt is None or short.old_belt.moved_m is None
