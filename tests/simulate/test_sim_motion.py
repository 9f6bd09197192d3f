"""Do the shafts move by the laws of mechanics?"""

import math
from collections.abc import Callable

import numpy as np
import pytest

from kerfbeat.errors import SimulateError
from kerfbeat.machine import Machine, Setting
from kerfbeat.simulate.motion import Course, Knots, Motion
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.plant import Plant, build_plant
from kerfbeat.simulate.timeline import Timeline

HZ = 50.0


def course(
    plant: Plant,
    *,
    running: Timeline | None = None,
    load: Timeline | None = None,
    belt_friction: Timeline | None = None,
) -> Course:
    others = len(plant.couplings) - 1
    return Course(
        supply_hz=Timeline(HZ),
        running=running or Timeline(1.0),
        load=load or Timeline(0.0),
        friction=(belt_friction or Timeline(1.0), *[Timeline(1.0)] * others),
        slip=(Timeline(0.0),) * (others + 1),
    )


def moved(
    machine: Machine, until_s: float, *, settled: bool = True, parameters: Parameters | None = None, **lines: Timeline
) -> tuple[Knots, Plant]:
    parameters = parameters or Parameters(chatter=0.0)
    plant = build_plant(machine, Setting(), parameters)
    motion = Motion(plant, course(plant, **lines), parameters, seed=1)
    if settled:
        motion.settle()
    return motion.advance(until_s), plant


def gains(plant: Plant) -> list[float]:
    """What a torque on the motor's shaft counts at each group: the rim ratios between."""
    found = [1.0]
    for up_m, down_m in zip(plant.up_m, plant.down_m, strict=True):
        found.append(found[-1] * up_m / down_m)
    return found


def test_a_settled_machine_stays_as_it_is(chain_machine: Callable[..., Machine]) -> None:
    knots, plant = moved(chain_machine(), 600.0, load=Timeline(0.7))
    for speed, nominal in zip(knots.speed, plant.nominal, strict=True):
        assert np.abs(speed - speed[0]).max() < 1e-9 * nominal
    assert len(knots.seconds) < 3000  # long steps, since nothing happens


def test_momentum_is_what_the_torques_gave(chain_machine: Callable[..., Machine]) -> None:
    # Belts hand on what they take: without drag the sum of J w, each seen from the motor's shaft, grows by the motor's
    # torque alone, whatever belts and blade do in between.
    parameters = Parameters(idle_drag=0.0, chatter=0.0)
    knots, plant = moved(
        chain_machine(), 4.0, settled=False, parameters=parameters, running=Timeline(0.0, [(0.5, 0.0, 1.0)])
    )
    momentum = sum(j * g * w for j, g, w in zip(plant.inertia, gains(plant), knots.speed, strict=True))
    given = np.concatenate(([0.0], np.cumsum(np.diff(knots.seconds) * knots.torque_n_m[1:])))
    assert momentum[-1] > 0.5  # about 6e-3 kg m² at 157 rad/s
    assert momentum == pytest.approx(given, abs=1e-5 * momentum[-1])


def test_energy_is_not_made(chain_machine: Callable[..., Machine]) -> None:
    # What the shaft's power gave is in the moving masses, less what creeping belts have turned into heat (some per
    # mille) and what steps of finite length lose.
    parameters = Parameters(idle_drag=0.0, chatter=0.0)
    knots, plant = moved(
        chain_machine(), 4.0, settled=False, parameters=parameters, running=Timeline(0.0, [(0.5, 0.0, 1.0)])
    )
    energy_j = sum(0.5 * j * w[-1] ** 2 for j, w in zip(plant.inertia, knots.speed, strict=True))
    power_w = knots.torque_n_m * knots.speed[0]
    given_j = float(np.sum(np.diff(knots.seconds) * (power_w[1:] + power_w[:-1]) / 2))
    assert 0.97 * given_j < energy_j <= given_j


def test_run_down_takes_the_calculated_time(chain_machine: Callable[..., Machine]) -> None:
    # Drag A + B w against J, all seen from the motor: t = (J / B) ln(1 + B w0 / A).
    parameters = Parameters(coast=1, chatter=0.0)
    knots, plant = moved(chain_machine(), 20.0, parameters=parameters, running=Timeline(1.0, [(1.0, 0.0, 0.0)]))
    inertia = sum(j * g * g for j, g in zip(plant.inertia, gains(plant), strict=True))
    still = sum(a * g for a, g in zip(plant.still_drag, gains(plant), strict=True))
    turning = sum(b * g * g for b, g in zip(plant.turning_drag, gains(plant), strict=True))
    speed = knots.speed[0]
    expected_s = inertia / turning * math.log(1 + turning * speed[0] / still)
    stopped_s = knots.seconds[np.argmax(speed < 0.01 * speed[0])] - 1.0
    assert stopped_s == pytest.approx(expected_s, rel=0.03)
    assert np.all(speed[-3:] == 0.0)


def test_the_inverter_ramps(chain_machine: Callable[..., Machine]) -> None:
    knots, _ = moved(chain_machine(), 6.0, settled=False, parameters=Parameters(chatter=0.0, ramp_hz_per_s=20.0))
    seconds = np.linspace(0.1, 2.4, 24)
    assert np.interp(seconds, knots.seconds, knots.supply_hz) == pytest.approx(20 * seconds, abs=1e-9)
    # The motor follows within its slip: synchronous 25 turns a second at 50 Hz.
    assert knots.speed[0][-1] / math.tau == pytest.approx(25.0, rel=0.01)


def test_a_step_of_load_settles_at_the_steady_state_of_that_load(chain_machine: Callable[..., Machine]) -> None:
    stepped, _ = moved(chain_machine(), 10.0, load=Timeline(0.0, [(2.0, 0.3, 0.8)]))
    settled, _ = moved(chain_machine(), 1.0, load=Timeline(0.8))
    assert stepped.speed[:, -1] == pytest.approx(settled.speed[:, -1], rel=1e-6)


def test_an_overload_meets_the_torque_limit_and_without_it_the_motor_stalls(
    chain_machine: Callable[..., Machine],
) -> None:
    load = Timeline(0.0, [(1.0, 0.3, 3.0)])
    strong = {"grip": 10.0, "blade_grip": 10.0, "chatter": 0.0}
    held, plant = moved(chain_machine(), 6.0, parameters=Parameters(**strong), load=load)
    assert held.limited.any()
    assert held.supply_hz[-1] < 10.0
    assert held.torque_n_m[held.seconds > 5].mean() < 2.0 * plant.motor.full_load_torque_n_m
    stalled, _ = moved(chain_machine(), 6.0, parameters=Parameters(**strong, torque_limit=0.0), load=load)
    assert not stalled.limited.any()
    assert stalled.supply_hz[-1] == HZ
    assert stalled.speed[0][-1] < 0.1 * plant.nominal[0]


def test_oil_makes_the_belt_slip_only_under_load(chain_machine: Callable[..., Machine]) -> None:
    knots, _ = moved(
        chain_machine(), 9.0, load=Timeline(0.0, [(3.0, 0.3, 0.6), (6.0, 0.3, 0.0)]),
        belt_friction=Timeline(1.0, [(1.0, 0.0, 0.12)]),
    )  # fmt: skip
    in_cut = (knots.seconds > 3.5) & (knots.seconds < 6.0)
    idle = (knots.seconds < 3.0) | (knots.seconds > 6.5)
    assert knots.slipping[0][in_cut].all()
    assert not knots.slipping[0][idle].any()
    assert not knots.slipping[1].any()


def test_wander_is_as_large_and_as_slow_as_said(chain_machine: Callable[..., Machine]) -> None:
    parameters = Parameters(chatter=0.0, wander=0.01, wander_s=1.0)
    knots, _ = moved(chain_machine(), 3000.0, parameters=parameters)
    grid_s = np.arange(10.0, 3000.0, 1.0)
    speed = np.interp(grid_s, knots.seconds, knots.speed[0])
    relative = speed / speed.mean() - 1
    assert relative.std() == pytest.approx(0.01, rel=0.08)
    lag_one = np.mean(relative[1:] * relative[:-1]) / np.mean(relative**2)
    assert lag_one == pytest.approx(math.exp(-1), abs=0.06)


def test_a_turning_machine_keeps_its_gear(chain_machine: Callable[..., Machine]) -> None:
    parameters = Parameters()
    plant = build_plant(chain_machine(), Setting(), parameters)
    motion = Motion(plant, course(plant), parameters, seed=0)
    motion.settle()
    with pytest.raises(SimulateError, match="stop it first"):
        motion.replace_plant(plant)
