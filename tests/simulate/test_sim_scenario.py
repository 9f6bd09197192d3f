"""Does every scenario play on every machine, the same for one seed?"""

from collections.abc import Mapping

import numpy as np
import pytest

from kerfbeat.errors import MachineError, SimulateError
from kerfbeat.machine import Machine
from kerfbeat.simulate import SCENARIOS, World, edge_blocks
from kerfbeat.simulate.parameters import Parameters, describe, with_settings
from kerfbeat.simulate.scenario import parameters_of, scenario_named
from kerfbeat.simulate.truth import TruthKeeper

NAMES = [scenario.name for scenario in SCENARIOS]
GRINDER = {"belt": "middle / 3 in"}


def settings_for(name: str, machine: Machine) -> dict[str, str | float]:
    short: dict[str, str | float] = {} if name == "sweep" else {"duration_s": 30.0}
    if name == "lost-target":
        short["fall_at_s"] = 10.0
    if name == "sweep":
        short |= {"points": 3, "dwell_s": 5.0}
    return short | (GRINDER if "grinder" in machine.name else {})


def played(name: str, machine: Machine, settings: Mapping[str, str | float], *, seed: int = 0) -> dict[str, object]:
    world = World(name, machine, seed=seed, settings=settings)
    keeper = TruthKeeper(world)
    for stretch in world.stretches():
        keeper.accept(stretch)
    return keeper.document()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("machine_name", ["saw", "grinder", "wheel_only"])
def test_every_scenario_plays_on_every_machine(name: str, machine_name: str, request: pytest.FixtureRequest) -> None:
    machine = request.getfixturevalue(machine_name)
    if machine_name == "wheel_only" and name in {"gear-change", "belt-slip"}:
        with pytest.raises(SimulateError, match="choose another scenario"):
            World(name, machine)
        return
    truth = played(name, machine, settings_for(name, machine))
    pulses = [channel["pulses"] for channel in truth["channels"].values()]
    assert min(pulses) > 0
    assert truth["mean_surface_m_per_s"] > 0.05


@pytest.mark.parametrize("name", ["cut", "noise", "everyday"])
def test_one_seed_is_one_run(name: str, saw: Machine) -> None:
    def edges(seed: int) -> tuple[np.ndarray, np.ndarray]:
        blocks = list(edge_blocks(World(name, saw, seed=seed, settings={"duration_s": 60.0})))
        return np.concatenate([b.seconds for b in blocks]), np.concatenate([b.inputs for b in blocks])

    first, again, other = edges(5), edges(5), edges(6)
    assert np.array_equal(first[0], again[0])
    assert np.array_equal(first[1], again[1])
    assert not np.array_equal(first[0][:10], other[0][:10])


def test_turning_one_fault_on_leaves_the_rest_alone(saw: Machine) -> None:
    def wheel_s(**settings: float) -> np.ndarray:
        world = World("cut", saw, seed=2, settings=settings)
        return np.concatenate([stretch.edges["wheel"].seconds for stretch in world.stretches()])

    assert np.array_equal(wheel_s(), wheel_s(clock_ppm=100.0, host_ppm=3.0))
    kept = wheel_s(missing=0.1)
    assert set(kept.tolist()) < set(wheel_s().tolist())


def test_edges_come_in_order_and_none_before_what_was_complete(grinder: Machine) -> None:
    complete_s = last_s = 0.0
    for block in edge_blocks(World("noise", grinder, settings=GRINDER | {"jitter_s": 1e-3})):
        assert np.all(np.diff(block.seconds) >= 0)
        if len(block.seconds):
            assert block.seconds[0] >= max(complete_s, last_s)
            last_s = float(block.seconds[-1])
        complete_s = block.complete_s
        assert last_s <= complete_s


def test_gear_change_takes_the_next_gear_and_its_ratio(saw: Machine) -> None:
    truth = played("gear-change", saw, {"creep": 1e-5, "idle_drag": 0.002})
    first, _, _, last = truth["steady"]
    assert (first["gear"], last["gear"]) == ("low", "high")
    assert (first["ratio"], last["ratio"]) == (pytest.approx(60.0, rel=1e-6), pytest.approx(26.0, rel=1e-6))


def test_sweep_stands_on_frequencies_that_the_display_can_show(saw: Machine) -> None:
    truth = played("sweep", saw, {"points": 7, "dwell_s": 6.0, "sweep_from_hz": 21.3, "sweep_to_hz": 48.9})
    shown = [row["hz"] for row in truth["steady"]]
    assert shown == pytest.approx([21.3, 25.9, 30.5, 35.1, 39.7, 44.3, 48.9])
    for row in truth["steady"]:
        assert abs(row["supply_hz"] - row["hz"]) <= 0.05
        assert row["supply_hz"] - row["hz"] == pytest.approx(truth["hz_error"], abs=1e-9)


def test_warm_up_is_exponential(saw: Machine) -> None:
    world = World("warm-up", saw, settings={"warm_s": 300.0, "duration_s": 1800.0})
    keeper = TruthKeeper(world)
    for stretch in world.stretches():
        keeper.accept(stretch)
    trace = keeper.document()["trace"]
    seconds, hz = np.array(trace["seconds"]), np.array(trace["wheel_hz"])
    still = played("steady", saw, {"duration_s": 10.0})
    above = hz / still["mean_hz"]["wheel"] - 1
    part = (seconds > 5) & (seconds < 900)
    slope = np.polyfit(seconds[part], np.log(above[part]), 1)[0]
    assert -1 / slope == pytest.approx(300.0, rel=0.01)
    # 0.4 % of pitch, 15 % less of the idle slip (a few rpm of 1500), less 3 % of drag.
    assert above[0] == pytest.approx(0.004, rel=0.5)


@pytest.mark.parametrize("slip", [0.01, 0.002])
def test_an_imposed_slip_is_exactly_that(saw: Machine, slip: float) -> None:
    truth = played("belt-slip", saw, {"slip": slip, "chatter": 0.0})
    rows = [row for row in truth["steady"] if row["load"] > 0]
    healthy, slipping = (row["mean_hz"]["shaft 1"] / row["mean_hz"]["motor"] for row in rows)
    assert slipping / healthy == pytest.approx(1 - slip, rel=1e-5)


def test_oil_gives_an_event_with_its_cause(saw: Machine) -> None:
    truth = played("belt-slip", saw, {})
    events = {event["cause"]: event for event in truth["events"]}
    slip = events["belt 1 slips beyond creep"]
    assert 55.0 <= slip["start_s"] < 56.0
    assert 80.0 <= slip["end_s"] < 80.5
    assert slip["peak_percent"] > 2.0
    assert "blade slips beyond creep" not in events
    healthy = played("cut", saw, {})
    assert [event["cause"] for event in healthy["events"]] == ["cut", "cut"]


@pytest.mark.parametrize(
    ("settings", "along", "track", "order"),
    [
        ({"belt_lump": 0.002}, "belt 1", "wheel", 1),
        ({"driver_runout": 0.001312}, "motor", "wheel", 1),
        ({"driven_runout": 0.001}, "shaft 1", "wheel", 1),
        ({"wheel_wobble": 0.001}, "wheel", "wheel", 1),
    ],
)
def test_ripples_stand_in_the_speed_at_their_order(
    saw: Machine, settings: dict[str, float], along: str, track: str, order: int
) -> None:
    world = World("steady", saw, settings={"duration_s": 100.0, **settings})
    stretches = list(world.stretches())
    # Speed sampled evenly over turns of what repeats: the Fourier line of that order has the amplitude that was set.
    low, high = stretches[0].trajectory, stretches[-1].trajectory
    start, end = low.at(along, np.array([low.start_s]))[0][0], high.at(along, np.array([high.end_s]))[0][0]
    grid = np.arange(np.ceil(start), np.floor(end), 1 / 16)
    speeds = []
    for stretch in stretches:
        own = stretch.trajectory
        ends = own.at(along, np.array([own.start_s, own.end_s]))[0]
        inside = grid[(grid >= ends[0]) & (grid < ends[1])]
        speeds.append(own.at(track, own.when(along, inside))[1])
    speed = np.concatenate(speeds)
    line = np.exp(-2j * np.pi * order * np.arange(len(speed)) / 16)
    amplitude = 2 * abs(np.mean((speed / speed.mean() - 1) * line))
    assert amplitude == pytest.approx(next(iter(settings.values())), rel=0.02)


def test_a_joint_dips_once_a_pass(saw: Machine) -> None:
    world = World("steady", saw, settings={"blade_joint": 0.02, "duration_s": 30.0})
    stretch = next(iter(world.stretches()))
    _, hz = stretch.trajectory.at("wheel", np.linspace(0.0, 4.99, 4000))
    smooth = stretch.trajectory.hz["wheel"][0]
    assert hz.min() / smooth == pytest.approx(0.98, abs=0.003)
    assert hz.max() / smooth < 1.004


def test_settings_are_read_with_their_units() -> None:
    settings = {"jitter": "15 us", "belt-lump": "0.2 %", "clock_ppm": "-30 ppm", "hz": "45Hz", "duration": "2 min"}
    read = with_settings(Parameters(), settings)
    assert read.jitter_s == pytest.approx(15e-6)
    assert read.belt_lump == pytest.approx(0.002)
    assert (read.clock_ppm, read.hz, read.duration_s) == (-30.0, 45.0, 120.0)
    assert with_settings(read, {"hz": "default"}).hz is None


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"jiter": "1"}, 'did you mean "jitter"'),
        ({"burst": "1"}, "nothing called"),  # burst_hz, burst_s or burst_every_s
        ({"jitter": "fast"}, "jitter_s: .*does not begin with a number"),
        ({"jitter": "1 kg"}, "jitter_s: .*not a time"),
        ({"jitter": "-1 us"}, "jitter_s: .*cannot be"),
        ({"jitter": "nan"}, "jitter_s: nan cannot be"),
        ({"points": "2.5"}, "whole number"),
        ({"missing": "1.5"}, "missing: 1.5 cannot be"),
        ({"missing": "many"}, "not a fraction"),
    ],
)
def test_wrong_settings_are_told(settings: dict[str, str], message: str) -> None:
    with pytest.raises(SimulateError, match=message):
        with_settings(Parameters(), settings)


def test_every_parameter_is_described() -> None:
    assert all(meaning for _, _, meaning in describe())
    assert len(describe()) > 50


def test_a_scenario_has_its_defaults_unless_told_otherwise() -> None:
    warm = scenario_named("Warm_Up")
    assert parameters_of(warm, {}).warm_pitch == 0.004
    assert parameters_of(warm, {"warm_pitch": "0"}).warm_pitch == 0.0


def test_wrong_runs_are_refused(saw: Machine) -> None:
    with pytest.raises(SimulateError, match='did you mean "sweep"'):
        World("sweeep", saw)
    with pytest.raises(MachineError, match="gear"):
        World("steady", saw, settings={"gear": "third"})
    with pytest.raises(SimulateError, match="seed"):
        World("steady", saw, seed=-1)
    with pytest.raises(SimulateError, match="is no sweep"):
        World("sweep", saw, settings={"sweep_from_hz": 60.0, "sweep_to_hz": 30.0})
    with pytest.raises(SimulateError, match="no belt 3"):
        next(World("steady", saw, settings={"belt_lump": 0.01, "lumpy_belt": 3}).stretches())


@pytest.mark.parametrize(
    ("name", "machine_name", "settings"),
    [
        # The blade breaks loose and grips again in every fluctuation of a load far past everything.
        ("blade-slip", "saw", {"cut_load": 3.0, "grip": 3.0, "blade_grip": 1.0, "creep": 0.03, "inertia": 0.1,
                               "torque_limit": 1.2, "chatter": 0.5, "grip_rise": 20.0, "slip_compensation": 1.0}),
        # Steady running is far from synchronous speed, with belts that hardly hold.
        ("warm-up", "grinder", {"belt": "fast / 3.8 in", "hz": 70.0, "inertia": 10.0, "grip_rise": 0.2,
                                "belt_slip": 0.02, "wander": 0.05}),
        ("overload", "saw", {"torque_limit": 0.0, "grip": 0.3}),
    ],
)  # fmt: skip
def test_extreme_machines_play_to_the_end(
    name: str, machine_name: str, settings: dict[str, str | float], request: pytest.FixtureRequest
) -> None:
    machine = request.getfixturevalue(machine_name)
    for seed in (422, 544):
        truth = played(name, machine, {"duration_s": 15.0, "oil": 0.2, **settings}, seed=seed)
        assert 0 < truth["mean_hz"]["motor"] < 80.0


def test_a_sweep_goes_through_all_gears(saw: Machine) -> None:
    truth = played("sweep", saw, {"points": 3, "dwell_s": 15.0, "all_gears": 1})
    rows = [(row["gear"], row["hz"]) for row in truth["steady"] if row["running"] and row["end_s"] - row["start_s"] > 6]
    assert rows == [(gear, hz) for gear in ("low", "high") for hz in (20.0, 50.0, 80.0)]
    for row in truth["steady"]:
        if row["running"]:
            assert row["ratio"] == pytest.approx({"low": 60.0, "high": 26.0}[row["gear"]], rel=2e-3)
