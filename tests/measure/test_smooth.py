"""Does the smoothed curve follow the speed, hold the truth, and break where the count breaks?"""

from datetime import UTC, datetime

import numpy as np
import pytest

from kerfbeat.capture.events import Lost
from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.errors import MeasureError
from kerfbeat.machine import parse_machine
from kerfbeat.measure.smooth import _both_ways, smooth_phase, speed_trace

TICK_HZ = 16e6
JITTER_S = 20e-6


def log_of(ticks, targets, losses=()):
    described = parse_machine(f'name = "t"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = {targets}\n')
    segment = Segment(
        board_id="imported",
        firmware="-",
        tick_hz=TICK_HZ,
        cause="imported",
        start_ticks=0,
        end_ticks=int(ticks[-1]) if len(ticks) else 0,
        edge_ticks={"wheel": ticks},
        losses=tuple(losses),
    )
    return PulseLog(
        source="test.csv",
        machine=described,
        calibration_text=None,
        start_utc=datetime(2026, 1, 1, tzinfo=UTC),
        segments=(segment,),
    )


def test_the_passes_give_the_spline_of_the_same_strength():
    # The same curve as a dense system: y = b0 + b1 t + sum w_i s |t - t_i|^3 / 12, with w free of constants and
    # slopes (natural spline; Wahba 1990, ch. 1).  Its slope at the points is what the passes must give.
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.5, 1.5, 15))
    y, noise, strength = rng.standard_normal(15), rng.uniform(0.5, 2.0, 15), 0.7
    gap = t[:, None] - t
    frame = np.column_stack((np.ones(15), t))
    system = np.block([[strength * np.abs(gap) ** 3 / 12 + np.diag(noise), frame], [frame.T, np.zeros((2, 2))]])
    solution = np.linalg.solve(system, np.append(y, [0.0, 0.0]))
    expected = strength * (gap * np.abs(gap) / 4) @ solution[:15] + solution[16]
    slope, variance = _both_ways(t, y, noise, strength)
    assert slope[1:] == pytest.approx(expected[1:], abs=1e-9)
    assert slope[0] == pytest.approx(expected[0], abs=0.5 * np.sqrt(variance[0]))
    assert np.all(variance > 0)


@pytest.mark.parametrize(
    ("targets", "speed_hz", "sd", "correlation_s"), [(1, 24.0, 0.01, 2.0), (4, 1.3, 0.03, 5.0), (1, 24.0, 0.0, 1.0)]
)
def test_the_curve_follows_and_its_band_holds(bench, targets, speed_hz, sd, correlation_s):
    held, off, plain = [], [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        wheel = bench.wandering(rng, speed_hz, 40.0, bench.uneven(rng, targets), sd=sd, correlation_s=correlation_s)
        times, _ = wheel.edges()
        ticks = bench.ticks_of(times + rng.normal(0, JITTER_S, len(times)))
        trace = speed_trace(log_of(ticks, targets), "wheel")
        true_hz = wheel.speed_at(trace.at_s)
        held.append(np.mean(np.abs(trace.speed_hz - true_hz) <= trace.u95_hz))
        off.append(trace.speed_hz - true_hz)
        at_s = ticks / TICK_HZ
        turn_hz = 1.0 / (at_s[targets:] - at_s[:-targets])
        plain.append(turn_hz - wheel.speed_at(at_s[targets:]))  # the speed of the turn just made, read at its end
    assert np.mean(held) >= 0.9
    assert np.sqrt(np.mean(np.concatenate(off) ** 2)) < np.sqrt(np.mean(np.concatenate(plain) ** 2))


def test_a_ramp_is_followed(bench):
    rng = np.random.default_rng(3)
    wheel = bench.profile([(0, 5), (5, 5), (15, 25), (20, 25), (24, 5), (30, 5)], bench.uneven(rng, 1))
    times, _ = wheel.edges()
    trace = speed_trace(log_of(bench.ticks_of(times + rng.normal(0, JITTER_S, len(times))), 1), "wheel")
    inside = (trace.at_s > 0.5) & (trace.at_s < 29.5)
    corner = np.min(np.abs(trace.at_s[:, None] - np.array([5, 15, 20, 24])), axis=1) < 0.3
    off = np.abs(trace.speed_hz / wheel.speed_at(trace.at_s) - 1.0)
    assert off[inside & ~corner].max() < 0.01
    assert off[inside].max() < 0.05


def test_between_runs_there_is_no_line(bench):
    rng = np.random.default_rng(4)
    times, _ = bench.steady(1.3, 100.0, bench.uneven(rng, 4)).edges()
    ticks = bench.ticks_of(times)
    start, end = int(ticks[150]), int(ticks[260])
    kept = ticks[(ticks <= start) | (ticks > end)]
    loss = Lost(channel="wheel", start_ticks=start, end_ticks=end, pulses=None, cause="flood")
    trace = speed_trace(log_of(kept, 4, [loss]), "wheel")
    empty = np.flatnonzero(np.isnan(trace.at_s))
    assert len(empty) == 1
    assert trace.at_s[empty[0] - 1] <= start / TICK_HZ
    assert trace.at_s[empty[0] + 1] > end / TICK_HZ
    assert np.nanmax(np.abs(trace.speed_hz - 1.3)) < 0.01


def test_a_long_record_is_thinned_to_whole_turns(bench):
    rng = np.random.default_rng(5)
    times, _ = bench.steady(10.0, 600.0, bench.uneven(rng, 4)).edges()
    trace = speed_trace(log_of(bench.ticks_of(times + rng.normal(0, JITTER_S, len(times))), 4), "wheel", points=500)
    assert 300 <= len(trace.at_s) <= 501
    # Uneven targets would show as 10 % ripple; whole turns hide them.
    assert np.abs(trace.speed_hz / 10.0 - 1.0).max() < 1e-4


def test_a_window_keeps_the_time_of_the_log(bench):
    times, _ = bench.steady(10.0, 60.0, np.array([0.3])).edges()
    trace = speed_trace(log_of(bench.ticks_of(times), 1), "wheel", start_s=20.0, end_s=30.0)
    assert 20.0 <= trace.at_s[0] < 20.2
    assert 29.8 < trace.at_s[-1] <= 30.0


def test_nothing_to_draw_is_said(bench):
    with pytest.raises(MeasureError, match="no sensor on motor"):
        speed_trace(log_of(np.arange(1, 50) * 1000, 1), "motor")
    with pytest.raises(MeasureError, match="no curve"):
        speed_trace(log_of(np.arange(1, 3) * 1000, 1), "wheel")


def test_a_line_has_one_speed():
    t = np.arange(50.0)
    speed, u = smooth_phase(t, 2.0 * t, weight=np.ones(50))
    assert speed == pytest.approx(np.full(50, 2.0))
    assert np.all(np.isfinite(u))
