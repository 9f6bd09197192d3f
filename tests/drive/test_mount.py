"""Are pulses, readings, orders and the pull on a target told right?"""

import math

import pytest

from kerfbeat.drive.material import SpeedRange
from kerfbeat.drive.mount import BOARD_PULSES_PER_S, plan_mount, pull_off_n
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine, demo_machine, parse_machine


def bare(targets: int = 1) -> Machine:
    return parse_machine(
        f'name = "x"\n[wheel]\ndiameter = "300 mm"\nblade_length = "2 m"\n[sensor.wheel]\ntargets = {targets}\n'
        "[sensor.blade]\ntargets = 1\n"
    )


def rpm_range(low: float, high: float) -> SpeedRange:
    around_m = math.pi * 0.3
    return SpeedRange(low_m_per_s=low / 60 * around_m, high_m_per_s=high / 60 * around_m)


def test_pull_off_force() -> None:
    # m omega^2 r: 5 g at 150 mm and 120 rpm: 0.1184 N (computed apart)
    assert pull_off_n(mass_kg=0.005, radius_m=0.150, shaft_hz=2.0) == pytest.approx(0.1184, abs=1e-4)
    plan = plan_mount(bare(), blade=rpm_range(30, 120))
    assert plan.channels[0].pull_n == pytest.approx(0.1184, abs=1e-4)
    # twice the speed, four times the force
    assert plan_mount(bare(), blade=rpm_range(30, 240)).channels[0].pull_n == pytest.approx(0.4737, abs=2e-4)


@pytest.mark.parametrize(
    ("mass_kg", "radius_m"),
    [(0.0, 0.1), (-1.0, 0.1), (0.1, 0.0), (math.nan, 0.1), (0.1, math.inf), (1e9, 0.1), (0.1, 1e9)],
)
def test_target_that_cannot_be(mass_kg: float, radius_m: float) -> None:
    with pytest.raises(DriveError, match="5 g and 150 mm"):
        pull_off_n(mass_kg=mass_kg, radius_m=radius_m, shaft_hz=1.0)


def test_radius_told_as_nothing_is_refused() -> None:
    with pytest.raises(DriveError, match="5 g and 150 mm"):
        plan_mount(bare(), blade=rpm_range(30, 120), radius_m=0.0)


def test_pulses_and_readings() -> None:
    (wheel, blade) = plan_mount(bare(4), blade=rpm_range(30, 120)).channels
    assert wheel.pulses_hz == pytest.approx((2.0, 8.0))
    assert wheel.seconds_per_pulse == pytest.approx((0.5, 0.125))
    assert wheel.targets_wanted == 4  # two a second at half a turn a second
    assert wheel.step_ppm == pytest.approx((0.03125, 0.125))  # 62.5 ns of a turn
    # pi D n / L passes a second
    assert blade.shaft_hz == pytest.approx((math.pi * 0.3 * 0.5 / 2, math.pi * 0.3 * 2 / 2))
    assert blade.pull_n is None


def test_step_of_a_timestamp_as_part_of_a_turn() -> None:
    # one tick of 16 MHz on the capture pin, 10 and 15 us on the two others, as the board promises; at 40 turns a second
    # of the motor, and pi x 0.3309 / 2.75 blade turns for each of the wheel's
    plan = {item.channel: item for item in plan_mount(demo_machine("saw")).channels}
    assert plan["motor"].step_ppm[1] == pytest.approx(10.0 * 40.0)
    assert plan["blade"].step_ppm[1] == pytest.approx(15.0 * plan["wheel"].shaft_hz[1] * 0.378019, rel=1e-5)
    assert plan["wheel"].step_ppm[1] == pytest.approx(0.0625 * plan["wheel"].shaft_hz[1])


def test_orders_below_half_the_targets() -> None:
    # textbooks on order tracking: M events a turn show orders below M / 2; blade order pi (D + t) / L: for the saw
    # 330, 0.9 and 2750 mm: 0.378019 (computed apart)
    saw = plan_mount(demo_machine("saw"))
    assert saw.channels[0].highest_order == 2.0
    found = {source.name.split(":")[0]: source for source in saw.orders}
    assert found["blade"].low == pytest.approx(0.378019, abs=1e-6)
    assert found["blade"].seen
    assert (found["motor shaft"].low, found["motor shaft"].high) == pytest.approx((26.0, 60.0))
    assert not found["motor shaft"].seen
    # the belt goes round pi d / L times per motor turn, less often than either shaft turns
    belt = found["belt of first belt, once round"]
    assert belt.high == pytest.approx(60.0 * math.pi * 0.080 / 1.002)
    assert belt.high < found["motor shaft"].high


def test_belt_behind_gears_goes_round_with_its_own_shaft() -> None:
    # a gearbox of 5, then 100 to 200 mm: the driver turns twice for each turn of the wheel, its belt of 1 m goes round
    # pi x 0.1 x 2 = 0.628 times
    late = parse_machine(
        'name = "x"\n[motor]\npoles = 4\nbase_hz = 50\nrpm = 1430\n[[stage]]\nkind = "gearbox"\nratios = 5\n'
        '[[stage]]\nkind = "belt"\ndriver = "100 mm"\ndriven = "200 mm"\nbelt_length = "1 m"\n'
        '[wheel]\ndiameter = "300 mm"\n[sensor.wheel]\ntargets = 4\n'
    )
    found = {source.name: source for source in plan_mount(late).orders}
    belt = found["belt of stage 2, once round"]
    assert (belt.low, belt.high) == pytest.approx((0.6283, 0.6283), abs=1e-4)
    assert belt.seen


def test_line_that_carries_them() -> None:
    assert plan_mount(bare(4), blade=rpm_range(30, 120)).baud == 115_200
    many = plan_mount(bare(1000), blade=rpm_range(30, 300))
    assert many.total_pulses_hz == pytest.approx(5000.0, rel=0.01)
    assert many.baud == 500_000
    too_many = plan_mount(bare(1000), blade=rpm_range(30, 900))
    assert too_many.baud is None
    assert "fewer targets" in too_many.warnings[0]
    assert BOARD_PULSES_PER_S[500_000] < too_many.total_pulses_hz


def test_slow_sensor_is_told_how_many_targets_would_do() -> None:
    # 530 rpm (20 Hz, 70 rpm slip) over 60: 0.147 turns a second; two readings want 13.6 targets
    plan = plan_mount(demo_machine("saw"))
    assert any("wheel: a pulse every" in said and "14 targets" in said for said in plan.warnings)


def test_driven_shaft_over_all_its_steps() -> None:
    plan = {item.channel: item for item in plan_mount(demo_machine("grinder")).channels}
    # steps 2.6 -> 5.2 and 4.4 -> 3.5 in; 15 Hz under full load to 72 Hz at no load, two poles, 140 rpm slip
    slow, fast = plan["driven"].shaft_hz
    assert slow * 60 == pytest.approx((900 - 140) / 2.0)
    assert fast * 60 == pytest.approx(4320 * 4.4 / 3.5)


def test_range_or_motor_is_needed() -> None:
    with pytest.raises(DriveError, match="give --low and --high"):
        plan_mount(bare())
    with pytest.raises(DriveError, match="slow end first"):
        plan_mount(bare(), blade=SpeedRange(low_m_per_s=2.0, high_m_per_s=1.0))
