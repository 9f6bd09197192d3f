"""Does a sensor give the edges it should, no more and no fewer?"""

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest

from kerfbeat.errors import SimulateError
from kerfbeat.machine import Sensor
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.targets import BOUNCE, BURST, DEAD_S, STRAY, TARGET, Edges, SensorModel, target_angles_turns
from kerfbeat.simulate.trajectory import Trajectory

PLAIN = {"jitter_s": 0.0, "sensor_delay_s": 0.0, "target_error_deg": 0.0}
WHEEL = Sensor(channel="wheel", targets=4, input=1)
HZ = 2.5


def steady(start_s: float, end_s: float, hz: float = HZ) -> Trajectory:
    seconds = np.array([start_s, end_s])
    return Trajectory(seconds=seconds, hz={"wheel": np.full(2, hz)}, turns={"wheel": hz * seconds})


def sensed(
    *cuts_s: float, bursts_s: Sequence[tuple[float, float]] = (), sensor: Sensor = WHEEL, **settings: float | str
) -> tuple[Edges, SensorModel]:
    """Edges of steady running, the run cut into stretches at these times."""
    parameters = Parameters(**{**PLAIN, **settings})
    model = SensorModel(sensor, track="wheel", parameters=parameters, bursts_s=bursts_s, seed=11)
    times = [0.0, *cuts_s]
    parts = [
        model.edges(steady(start_s, end_s), final=end_s == times[-1]) for start_s, end_s in itertools.pairwise(times)
    ]
    joined = Edges(
        seconds=np.concatenate([each.seconds for each in parts]),
        kinds=np.concatenate([each.kinds for each in parts]),
        targets=np.concatenate([each.targets for each in parts]),
        missing_s=np.concatenate([each.missing_s for each in parts]),
        passes=sum(each.passes for each in parts),
    )
    return joined, model


def test_every_target_passes_once_a_turn_at_its_angle() -> None:
    edges, model = sensed(100.0, wheel_angles_deg="10;95.5;181;270")
    assert len(edges.seconds) == edges.passes == 1000
    for target, angle_deg in enumerate((10.0, 95.5, 181.0, 270.0)):
        own_s = edges.seconds[edges.targets == target]
        turns = own_s * HZ + model.phase_turns
        assert turns % 1 == pytest.approx(np.full(250, angle_deg / 360), abs=1e-9)
    assert np.all(edges.kinds == TARGET)


def test_where_the_run_is_cut_does_not_matter() -> None:
    whole, _ = sensed(50.0, jitter_s=20e-6)
    parts, _ = sensed(7.0, 13.123, 13.2, 40.0, 50.0, jitter_s=20e-6)
    assert np.array_equal(whole.targets, parts.targets)
    assert parts.seconds == pytest.approx(whole.seconds, abs=1e-12)


def test_timing_noise_and_delay_are_as_said() -> None:
    clean, _ = sensed(2000.0)
    noisy, _ = sensed(2000.0, jitter_s=15e-6, sensor_delay_s=40e-6)
    error_s = noisy.seconds - clean.seconds
    assert error_s.mean() == pytest.approx(40e-6, abs=4 * 15e-6 / math.sqrt(len(error_s)))
    assert error_s.std() == pytest.approx(15e-6, rel=0.03)


def test_missing_targets_are_counted() -> None:
    edges, _ = sensed(1000.0, missing=0.02)
    assert edges.passes == 10_000
    assert len(edges.seconds) + len(edges.missing_s) == edges.passes
    assert len(edges.missing_s) == pytest.approx(200, abs=4 * math.sqrt(200))
    clean, _ = sensed(1000.0)
    assert set(edges.missing_s.tolist()) <= set(clean.seconds.tolist())


def test_a_target_that_fell_off_is_never_seen_again() -> None:
    edges, _ = sensed(100.0, fall_at_s=40.0, fallen=3)
    assert np.count_nonzero((edges.targets == 2) & (edges.seconds < 40.0)) == 100
    assert not np.any((edges.targets == 2) & (edges.seconds >= 40.0))
    assert len(edges.missing_s) == 150
    assert edges.missing_s.min() >= 40.0


def test_bounce_follows_its_pulse() -> None:
    edges, _ = sensed(1000.0, bounce=0.05, bounce_s=100e-6)
    second = np.flatnonzero(edges.kinds == BOUNCE)
    assert len(second) == pytest.approx(500, abs=4 * math.sqrt(500))
    after_s = edges.seconds[second] - edges.seconds[second - 1]
    assert after_s.min() >= DEAD_S
    assert after_s.max() <= 100e-6
    assert edges.passes == np.count_nonzero(edges.kinds == TARGET)


def test_stray_pulses_come_at_their_rate() -> None:
    edges, _ = sensed(1000.0, extra_hz=0.5)
    assert np.count_nonzero(edges.kinds == STRAY) == pytest.approx(500, abs=4 * math.sqrt(500))


def test_bursts_stay_within_their_time_across_stretches() -> None:
    bursts_s = [(9.99, 0.02), (25.0, 0.02)]
    edges, _ = sensed(10.0, 30.0, bursts_s=bursts_s, burst_hz=2000.0)
    noise_s = edges.seconds[edges.kinds == BURST]
    inside = [(noise_s >= start_s) & (noise_s < start_s + length_s) for start_s, length_s in bursts_s]
    assert np.all(inside[0] | inside[1])
    for each in inside:
        assert np.count_nonzero(each) == pytest.approx(40, abs=25)


def test_edges_closer_than_the_dead_time_are_one() -> None:
    edges, _ = sensed(60.0, bursts_s=[(30.0, 0.02)], burst_hz=90_000.0)
    assert np.diff(edges.seconds).min() >= DEAD_S
    assert np.count_nonzero(edges.kinds == BURST) < 0.02 * 90_000.0  # some were swallowed


def test_an_eccentric_ring_shows_as_published() -> None:
    # e 0.1 on R 50 mm: angle error (e/R) sin(a), at most 2.00 mrad; apparent speed +-0.200 % once a turn.
    sensor = Sensor(channel="wheel", targets=360, input=1)
    angles = target_angles_turns(sensor, Parameters(target_error_deg=0.0, ring_runout=0.1 / 50), seed=0)
    errors_rad = math.tau * (angles - np.arange(360) / 360)
    assert np.abs(errors_rad).max() == pytest.approx(2.00e-3, rel=1e-4)
    spacing = np.diff(angles, append=angles[0] + 1) * 360
    assert np.abs(spacing - 1).max() == pytest.approx(2.00e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"wheel_angles_deg": "0;90;180"}, "3 angles for 4 targets"),
        ({"wheel_angles_deg": "0;90;180;x"}, "not a list of degrees"),
        ({"wheel_angles_deg": "0;90;90;180"}, "same angle"),
        ({"fall_at_s": 1.0, "fallen": 5}, "no target 5"),
    ],
)
def test_impossible_targets_are_refused(settings: dict[str, float | str], message: str) -> None:
    with pytest.raises(SimulateError, match=message):
        sensed(1.0, **settings)


def test_angles_of_a_seed_stay_and_are_spread_as_said() -> None:
    many = Sensor(channel="motor", targets=200, input=2)
    parameters = Parameters(target_error_deg=0.2)
    angles = target_angles_turns(many, parameters, seed=4)
    assert np.array_equal(angles, target_angles_turns(many, parameters, seed=4))
    errors_deg = (360 * angles - np.arange(200) * 1.8 + 180) % 360 - 180
    shifted = errors_deg - np.median(errors_deg)
    assert shifted.std() == pytest.approx(0.2, rel=0.25)


def test_a_wheel_at_rest_gives_nothing() -> None:
    run_down = Trajectory(
        seconds=np.array([0.0, 2.0, 5.0]), hz={"wheel": np.array([3.0, 0.0, 0.0])},
        turns={"wheel": np.array([0.0, 3.0, 3.0])},
    )  # fmt: skip
    model = SensorModel(WHEEL, track="wheel", parameters=Parameters(**PLAIN), bursts_s=(), seed=1)
    edges = model.edges(run_down, final=True)
    assert edges.passes == 12
    assert edges.seconds.max() <= 2.0
