"""Do import, speed, smoother and live reading follow a rotor that others recorded?

791 revolutions of a university test rotor, one pulse each, from about 956 up to 1327 and back to 958 rpm in 41 s
(tests/data/rotor/README.md).  The file gives the mean speed of each revolution, so 60 / rpm is its exact duration; the
speed at an edge is taken as the mean of the revolutions before and after it.
Limits: the ramp gains (1327 - 956) rpm in about 20 s, 18.5 rpm/s, so one revolution of 57 ms changes it by 1.05 rpm.
A reading that knows only the revolution just made is half of that behind; none may be worse than a whole revolution.
"""

import numpy as np
import pytest

from kerfbeat.capture.importers import import_pulses
from kerfbeat.capture.log import read_log
from kerfbeat.machine import parse_machine
from kerfbeat.measure.live import LiveSpeed
from kerfbeat.measure.smooth import speed_trace
from kerfbeat.measure.speed import speed_of

REVOLUTION_RPM = 1.05  # change of speed in one revolution of the ramp
MACHINE = 'name = "rotor"\n[wheel]\ndiameter = "100 mm"\n[sensor.wheel]\ntargets = 1\n'


@pytest.fixture(scope="module")
def rpm(repository):
    path = repository / "tests/data/rotor/rotor_run_up_down.csv"
    return np.loadtxt(path, delimiter=",", skiprows=1, usecols=1)


@pytest.fixture(scope="module")
def edges_s(rpm):
    return 1.0 + np.concatenate(([0.0], np.cumsum(60.0 / rpm)))


@pytest.fixture(scope="module")
def log(edges_s, tmp_path_factory):
    folder = tmp_path_factory.mktemp("rotor")
    pulses = folder / "pulses.csv"
    pulses.write_text("channel,seconds\n" + "".join(f"wheel,{t:.9f}\n" for t in edges_s))
    import_pulses(pulses, folder / "log.csv", machine=parse_machine(MACHINE))
    return read_log(folder / "log.csv")


@pytest.fixture(scope="module")
def at_edge_rpm(rpm):
    return 0.5 * (rpm[1:] + rpm[:-1])


def test_the_mean_is_revolutions_over_time(log, edges_s):
    wheel = speed_of(log).channels["wheel"]
    assert (wheel.pulses, wheel.missing, wheel.extra, wheel.runs, wheel.turns) == (792, 0, 0, 1, 791)
    mean_rpm = 791 / (edges_s[-1] - edges_s[0]) * 60
    assert wheel.rpm.value == pytest.approx(mean_rpm, rel=1e-7)
    assert wheel.rpm.u95 < 0.01 * REVOLUTION_RPM


def test_published_speeds_are_found(log):
    # Published: 950 -> 1325 rpm and back; the file: 956.3 -> 1327.2 -> 958.1 rpm.
    trace = speed_trace(log, "wheel")
    assert trace.speed_hz[0] * 60 == pytest.approx(956.3, abs=2 * REVOLUTION_RPM)
    assert np.max(trace.speed_hz) * 60 == pytest.approx(1327.2, abs=2 * REVOLUTION_RPM)
    assert trace.speed_hz[-1] * 60 == pytest.approx(958.1, abs=2 * REVOLUTION_RPM)


def test_the_smoother_follows_the_ramp(log, at_edge_rpm):
    trace = speed_trace(log, "wheel")
    assert len(trace.at_s) == 792
    off = trace.speed_hz[1:-1] * 60 - at_edge_rpm
    # Knowing what comes after, it must do better than half a revolution of lag.
    assert np.sqrt(np.mean(off**2)) < 0.25 * REVOLUTION_RPM
    assert np.abs(off).max() < REVOLUTION_RPM
    assert np.mean(np.abs(off) <= trace.u95_hz[1:-1] * 60) >= 0.95


def test_the_live_reading_follows_the_ramp(edges_s, at_edge_rpm):
    tick_hz = 16e6
    live = LiveSpeed(targets=1, tick_hz=tick_hz)
    live.set_clock(0.0, 0.0)
    off, held = [], []
    for k, tick in enumerate(np.round(edges_s * tick_hz).astype(int).tolist()):
        live.feed([tick], tick)
        reading = live.reading()
        if 3 <= k < len(edges_s) - 1:
            off.append(reading.shaft_hz.value * 60 - at_edge_rpm[k - 1])
            held.append(abs(off[-1]) <= reading.shaft_hz.u95 * 60)
            assert reading.state in ("turning", "speeding up", "slowing down")
    assert np.sqrt(np.mean(np.square(off))) < REVOLUTION_RPM
    assert np.abs(off).max() < 3 * REVOLUTION_RPM
    assert np.mean(held) >= 0.95
    assert (live.reading().missing, live.reading().extra) == (0, 0)
