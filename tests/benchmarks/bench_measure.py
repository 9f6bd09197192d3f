"""What do the estimators cost, and how far are they from a speed that others recorded?

The errors along the recorded ramp are no times; they stand here so that one table shows them.  One revolution of it
changes the speed by 1.05 rpm (tests/measure/test_rotor.py): a reading a whole revolution late is that far off.
"""

import time
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from registry import benchmark

from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.machine import parse_machine
from kerfbeat.measure.live import LiveSpeed
from kerfbeat.measure.pulses import clean_pulses
from kerfbeat.measure.smooth import speed_trace
from kerfbeat.measure.speed import speed_of

TICK_HZ = 16e6
ROTOR = Path(__file__).resolve().parents[1] / "data/rotor/rotor_run_up_down.csv"


def _log(ticks: NDArray[np.int64], targets: int) -> PulseLog:
    segment = Segment(
        board_id="imported",
        firmware="-",
        tick_hz=TICK_HZ,
        cause="made",
        start_ticks=0,
        end_ticks=int(ticks[-1]),
        edge_ticks={"wheel": ticks},
    )
    text = f'name = "bench"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = {targets}\n'
    return PulseLog(
        source="made",
        machine=parse_machine(text),
        calibration_text=None,
        start_utc=datetime.now(UTC),
        segments=(segment,),
    )


@lru_cache
def _many(targets: int) -> NDArray[np.int64]:
    """Ten million edges of uneven targets at 200 a second with a little wander and noise."""
    chance = np.random.default_rng(1)
    number = np.arange(10_000_000)
    angles = (np.arange(targets) + chance.uniform(-0.1, 0.1, targets)) / targets
    turns = number // targets + angles[number % targets]
    seconds = turns * targets / 200.0 + 2e-3 * np.sin(turns / 50.0)
    return np.round(seconds * TICK_HZ + chance.normal(0, 100, len(number))).astype(np.int64) + 1000


@benchmark("measure: clean ten million pulses, 4 targets", unit="s", at_most=0.5)
def clean_many() -> float:
    """Nothing wrong in them."""
    ticks = _many(4)
    began = time.perf_counter()
    clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
    return time.perf_counter() - began


@benchmark("measure: clean ten million, one in 1000 missing", unit="s", at_most=0.5)
def clean_damaged() -> float:
    """Ten thousand places to mend."""
    ticks = _many(4)
    ticks = ticks[np.random.default_rng(2).random(len(ticks)) > 1e-3]
    began = time.perf_counter()
    clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
    return time.perf_counter() - began


@benchmark("measure: speed of ten million pulses in memory", unit="s", at_most=1.0)
def speed_many() -> float:
    """Cleaning and estimate."""
    log = _log(_many(4), 4)
    began = time.perf_counter()
    speed_of(log)
    return time.perf_counter() - began


def _live_load(targets: int, speed_hz: float) -> float:
    """Per cent of a core for 200 pulses and 50 readings a second."""
    chance = np.random.default_rng(3)
    angles = (np.arange(targets) + chance.uniform(-0.1, 0.1, targets)) / targets
    turns = (np.arange(int(20 * speed_hz))[:, None] + angles).ravel()
    ticks = np.round(turns / speed_hz * TICK_HZ + chance.normal(0, 100, len(turns))).astype(np.int64) + 10_000
    live = LiveSpeed(targets=targets, tick_hz=TICK_HZ)
    began, done = time.process_time(), 0
    for now in range(0, int(20 * TICK_HZ), int(0.02 * TICK_HZ)):
        upto = int(np.searchsorted(ticks, now, side="right"))
        live.feed(ticks[done:upto], now)
        live.reading()
        done = upto
    return (time.process_time() - began) / 20.0 * 100.0


@benchmark("live: 200 pulses and 50 readings a second, 4 targets", unit="% of a core", at_most=2.5)
def live_load_few() -> float:
    """The wheel."""
    return _live_load(4, 50.0)


@benchmark("live: 200 pulses and 50 readings a second, 40 targets", unit="% of a core", at_most=2.5)
def live_load_many() -> float:
    """A toothed ring."""
    return _live_load(40, 5.0)


@lru_cache
def _rotor() -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Edges in ticks, and the speed at each inner edge in rpm."""
    rpm = np.loadtxt(ROTOR, delimiter=",", skiprows=1, usecols=1)
    edges_s = 1.0 + np.concatenate(([0.0], np.cumsum(60.0 / rpm)))
    return np.round(edges_s * TICK_HZ).astype(np.int64), 0.5 * (rpm[1:] + rpm[:-1])


def _root_mean_square(off: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(off**2)))


@benchmark("recorded ramp: live reading, root mean square", unit="rpm", at_most=1.05)
def rotor_live() -> float:
    """Read at each edge."""
    ticks, true_rpm = _rotor()
    live, off = LiveSpeed(targets=1, tick_hz=TICK_HZ), []
    for k, tick in enumerate(ticks.tolist()):
        live.feed([tick], tick)
        reading = live.reading()
        if 3 <= k < len(ticks) - 1 and reading.shaft_hz is not None:
            off.append(reading.shaft_hz.value * 60.0 - true_rpm[k - 1])
    return _root_mean_square(np.array(off))


@benchmark("recorded ramp: smoothed curve, root mean square", unit="rpm", at_most=0.27)
def rotor_smooth() -> float:
    """At each edge, knowing what comes after."""
    ticks, true_rpm = _rotor()
    trace = speed_trace(_log(ticks, 1), "wheel")
    return _root_mean_square(trace.speed_hz[1:-1] * 60.0 - true_rpm)


@benchmark("recorded ramp: mean of the log", unit="rpm", at_most=0.01)
def rotor_mean() -> float:
    """Off from revolutions over time."""
    ticks, _ = _rotor()
    wheel = speed_of(_log(ticks, 1)).channels["wheel"]
    assert wheel.rpm is not None
    return abs(wheel.rpm.value - 60.0 * (len(ticks) - 1) / ((ticks[-1] - ticks[0]) / TICK_HZ))
