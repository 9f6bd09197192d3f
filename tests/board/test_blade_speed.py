"""Do the commands show the blade speed that was injected, although the board's clock is wrong?"""

from __future__ import annotations

import json
import math
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from board_driver import EmulatedBoard

from kerfbeat.calibration import Calibration, Result, belongs_to, calibration_path, save_calibration
from kerfbeat.machine import load_machine

pytestmark = pytest.mark.board

CLOCK_PPM = -2500.0  # a ceramic resonator is off by up to 5000
BLADE_M_PER_MIN = 75.0
DIAMETER_M, THICKNESS_M, LENGTH_M = 0.330, 0.0009, 2.750  # of the demonstration saw
TARGETS = 4
SECONDS = 40.0
MARGIN = 5e-6
READINGS = 30

KERFBEAT = [sys.executable, "-m", "kerfbeat"]


@pytest.fixture
def turning_board(start_board: Callable[..., EmulatedBoard]) -> EmulatedBoard:
    """The demonstration saw at a constant speed, its pulses at exact true times, seen by a clock that is off."""
    board = start_board("--ppm", f"{CLOCK_PPM:g}")
    wheel_hz = BLADE_M_PER_MIN / 60.0 / (math.pi * (DIAMETER_M + THICKNESS_M))
    blade_hz = BLADE_M_PER_MIN / 60.0 / LENGTH_M
    motor_hz = 1432.0 / 60.0
    times, inputs = [], []
    for number, per_s in ((1, wheel_hz * TARGETS), (2, motor_hz), (3, blade_hz)):
        pulses = np.arange(0.3, SECONDS, 1.0 / per_s)
        times.append(pulses)
        inputs.append(np.full(pulses.size, number))
    cycles = np.rint(np.concatenate(times) * 16e6 * (1.0 + CLOCK_PPM * 1e-6)).astype(np.int64)
    board.inject_pulses(cycles, np.concatenate(inputs), absolute=True)
    return board


@pytest.fixture
def machine_file(tmp_path: Path) -> Path:
    path = tmp_path / "saw.toml"
    path.write_text((resources.files("kerfbeat") / "demo" / "saw.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def measured_wheel(machine_file: Path) -> None:
    """The wheel is known to a micrometre, so that the ± of the blade is that of the turning."""
    diameter = Result(
        quantity="wheel diameter", of="", value=(DIAMETER_M,), u=(1e-6,), unit="m", date=datetime.now(UTC), sources=(),
        conditions={}, belongs_to=belongs_to(load_machine(machine_file), "wheel diameter"),
    )  # fmt: skip
    save_calibration(calibration_path(machine_file), Calibration(machine="saw", results=(diameter,)))


def test_record_and_speed(
    turning_board: EmulatedBoard, machine_file: Path, tmp_path: Path, measured: Callable[[str], None],
) -> None:
    log = tmp_path / "log.csv"
    subprocess.run(
        [*KERFBEAT, "record", "--port", turning_board.url, "--machine", str(machine_file), "-o", str(log), "--quiet",
         "--for", "12s"],
        check=True, stdin=subprocess.DEVNULL, capture_output=True,
    )
    told = subprocess.run([*KERFBEAT, "speed", str(log), "--json"], check=True, capture_output=True, text=True)
    result = json.loads(told.stdout)
    blade = result["blade_m_per_min"]
    off = blade["value"] / BLADE_M_PER_MIN - 1.0
    measured(
        f"speed: blade off by {1e6 * off:+.1f} ppm, stated +-{1e6 * blade['u95'] / blade['value']:.1f} ppm, "
        f"board clock off by {CLOCK_PPM:g} ppm",
    )
    # The board turns a wheel of exactly the described size: what its ± adds must not excuse an error of the turning.
    wheel = result["channels"]["wheel"]["rpm"]
    assert abs(off) <= MARGIN + wheel["u95"] / wheel["value"]
    assert blade["u95"] / blade["value"] == pytest.approx(1.96 * 0.005 / math.sqrt(3.0), rel=0.01)
    feet = result["blade_ft_per_min"]
    assert feet["value"] == pytest.approx(blade["value"] / 0.3048, rel=1e-12)     # the foot is 0.3048 m exactly
    motor = result["channels"]["motor"]
    assert abs(motor["rpm"]["value"] / 1432.0 - 1.0) <= MARGIN + motor["rpm"]["u95"] / 1432.0
    for channel in result["channels"].values():
        assert (channel["missing"], channel["extra"], channel["lost"]) == (0, 0, 0)


def test_watch(
    turning_board: EmulatedBoard, machine_file: Path, measured_wheel: None, measured: Callable[[str], None]
) -> None:
    watch = subprocess.Popen(
        [*KERFBEAT, "watch", "--port", turning_board.url, "--machine", str(machine_file), "--unit", "m/min"],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    assert watch.stdout is not None
    readings: list[tuple[str, ...]] = []
    while len(readings) < READINGS:
        line = watch.stdout.readline()
        assert line, "watch has ended"
        readings += re.findall(r"  ([\d.]+) ± ([\d.]+) m/min  ([\d.]+) ± ([\d.]+) ft/min  (.*)", line)
    watch.send_signal(signal.SIGINT)
    watch.communicate(timeout=30)
    assert watch.returncode == 0
    assert {words for *_, words in readings[5:]} == {"turning"}
    for value, uncertainty, *_ in readings:
        half_digit = 0.5 * 10.0 ** -len(value.partition(".")[2])
        assert abs(float(value) - BLADE_M_PER_MIN) <= MARGIN * BLADE_M_PER_MIN + float(uncertainty) + half_digit
    last, half, *_ = readings[-1]
    measured(f"watch: the {READINGS}th reading {last} ± {half} m/min where {BLADE_M_PER_MIN:g} was injected")
