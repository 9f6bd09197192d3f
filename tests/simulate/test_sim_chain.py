"""Does a whole simulated chain turn as hand calculation says?  Speeds come from the exact turns of a run."""

import math
from collections.abc import Callable

import pytest

from kerfbeat.machine import Machine
from kerfbeat.simulate import World
from kerfbeat.simulate.truth import TruthKeeper

PLAIN = {"idle_drag": 0.0, "chatter": 0.0, "hz_error": 0.0}
RIGID = PLAIN | {"creep": 1e-5}


def steady(machine: Machine, settings: dict[str, float], *, load: float) -> dict[str, float]:
    """Mean speeds of a run at one load, in turns per second, and the blade's and the wheel rim's in m/min."""
    world = World("cut", machine, settings={"cut_load": load or 1e-12, "duration_s": 90.0, **settings})
    keeper = TruthKeeper(world)
    for stretch in world.stretches():
        keeper.accept(stretch)
    row = keeper.document()["steady"][1]  # the first cut
    assert row["load"] == (load or 1e-12)
    means: dict[str, float] = row["mean_hz"]
    rim = 60 * machine.wheel.surface_speed_m_per_s(means["wheel"])
    return {**means, "rim_m_per_min": rim, "blade_m_per_min": 60 * row["blade_m_per_s"]}


def test_second_worked_chain(chain_machine: Callable[..., Machine]) -> None:
    # 4 poles, 50 Hz, 1430 rpm; belt 80 to 160 mm; gearbox 30; wheel 330 mm with a blade of 0.9 mm:
    # full load 23.8333 rpm and 24.7760 m/min, no load 25.0000 rpm and 25.9888 m/min (calculated by hand).
    full = steady(chain_machine(), RIGID, load=1.0)
    assert 60 * full["motor"] == pytest.approx(1430.0, rel=1e-9)
    assert 60 * full["wheel"] == pytest.approx(23.8333, rel=2e-5)
    assert full["rim_m_per_min"] == pytest.approx(24.7760, rel=2e-5)
    idle = steady(chain_machine(), RIGID, load=0.0)
    assert 60 * idle["wheel"] == pytest.approx(25.0000, rel=1e-9)
    assert idle["rim_m_per_min"] == pytest.approx(25.9888, abs=5e-5)
    assert idle["blade_m_per_min"] == pytest.approx(25.9888, abs=5e-5)


def test_first_worked_chain(chain_machine: Callable[..., Machine]) -> None:
    # 4 poles, 45 Hz, 50 rpm slip: 1300 rpm; belt 3.0 to 9.0 in: 433.333; gearbox 10: 43.3333; wheel 14 in, blade
    # 0.035 in: 159.222 ft/min; with 2 % belt slip 156.038 (calculated by hand).
    machine = chain_machine(
        base_hz=60.0, rpm=1750.0, driver="3 in", driven="9 in", belt_length="60 in", ratio=10.0, wheel="14 in",
        thickness="0.035 in",
    )  # fmt: skip
    tight = steady(machine, RIGID | {"hz": 45.0}, load=1.0)
    assert 60 * tight["motor"] == pytest.approx(1300.0, rel=1e-9)
    assert 60 * tight["shaft 1"] == pytest.approx(433.333, rel=2e-5)
    assert tight["rim_m_per_min"] / 0.3048 == pytest.approx(159.222, rel=2e-5)
    loose = steady(machine, RIGID | {"hz": 45.0, "belt_slip": 0.02}, load=1.0)
    assert loose["rim_m_per_min"] / 0.3048 == pytest.approx(156.038, rel=2e-5)


def test_creep_at_full_load_is_the_one_asked_for(chain_machine: Callable[..., Machine]) -> None:
    for creep in (0.005, 0.01):
        full = steady(chain_machine(), PLAIN | {"creep": creep}, load=1.0)
        assert 1 - full["shaft 1"] / (full["motor"] * 80 / 160) == pytest.approx(creep, rel=1e-6)


def test_belt_pass_of_the_published_example(chain_machine: Callable[..., Machine]) -> None:
    # f = pi D n / L: 3.0 in at 1725 rpm on a belt of 60 in passes at 4.51604 Hz.
    machine = chain_machine(base_hz=60.0, rpm=1725.0, driver="3 in", driven="6 in", belt_length="60 in")
    assert steady(machine, PLAIN, load=1.0)["belt 1"] == pytest.approx(4.51604, rel=1e-5)


def test_blade_order_seen_from_the_wheel(chain_machine: Callable[..., Machine]) -> None:
    # pi (D + t) / L with D 330, t 0.9, L 2750 mm: 0.378019.
    idle = steady(chain_machine(), PLAIN, load=0.0)
    assert idle["blade"] / idle["wheel"] == pytest.approx(0.378019, abs=1e-6)


@pytest.mark.parametrize(
    ("settings", "track", "factor"),
    [
        ({"pitch_error": 0.01}, "wheel", 1.01),
        ({"wheel_error": -0.02}, "blade", (330 * 0.98 + 0.9) / 330.9),
        ({"blade_error": 0.005}, "blade", 1 / 1.005),
        ({"blade_slip": 0.003}, "blade", 0.997),
        ({"hz_error": 0.05}, "motor", 50.05 / 50),
    ],
)
def test_errors_of_the_description_act_as_they_should(
    chain_machine: Callable[..., Machine], settings: dict[str, float], track: str, factor: float
) -> None:
    plain, other = (steady(chain_machine(), RIGID | each, load=0.0) for each in ({}, settings))
    assert other[track] / plain[track] == pytest.approx(factor, rel=1e-7)


def test_slip_compensation_holds_the_speed(chain_machine: Callable[..., Machine]) -> None:
    full = steady(chain_machine(), RIGID | {"slip_compensation": 1.0, "hz": 40.0}, load=1.0)
    assert 60 * full["motor"] == pytest.approx(1200.0, abs=0.05)


def test_a_belt_past_its_grip_slips_by_what_its_friction_law_says(chain_machine: Callable[..., Machine]) -> None:
    # At load 1 with a grip of 0.8 the pull is 1.25 times the limit; with a rise of 4 per unit of slip that takes 6.25 %
    # beyond the creep at the limit, 0.8 times the creep at full load (to first order).
    full = steady(chain_machine(), PLAIN | {"grip": 0.8}, load=1.0)
    assert 1 - full["shaft 1"] / (full["motor"] / 2) == pytest.approx(0.0625 + 0.8 * 0.008, rel=2e-3)


def test_flux_droop_raises_slip(chain_machine: Callable[..., Machine]) -> None:
    # Slip is in proportion to 1 / flux squared: at half frequency and a droop of 0.1 the flux is 0.95.
    settings = RIGID | {"hz": 25.0}
    plain, poor = (steady(chain_machine(), settings | each, load=0.3) for each in ({}, {"flux_droop": 0.1}))
    assert (12.5 - poor["motor"]) / (12.5 - plain["motor"]) == pytest.approx(1 / 0.95**2, rel=0.01)


def test_a_machine_without_motor_is_turned_at_the_speed_asked_for(wheel_only: Machine) -> None:
    assert steady(wheel_only, RIGID | {"hz": 0.75}, load=0.0)["wheel"] == pytest.approx(0.75, rel=1e-9)
    # By default 40 m/min: 14 in is 1.11715 m round, hence 0.596756 turns a second; full load takes 2 % off.
    assert steady(wheel_only, RIGID, load=0.0)["wheel"] == pytest.approx(40 / 60 / (math.pi * 14 * 0.0254), rel=1e-9)
    assert steady(wheel_only, RIGID, load=1.0)["rim_m_per_min"] == pytest.approx(40 * 0.98, rel=1e-6)
