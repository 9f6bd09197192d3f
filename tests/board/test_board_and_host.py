"""Does the board's display say what the host says, once a machine file and a calibration have gone into the board?"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_panel import FOOT_M, DisplayLog, display, number, passages, press, run_until
from click.testing import CliRunner

from kerfbeat import cli
from kerfbeat.calibration import QUANTITIES, Calibration, Result, belongs_to, calibration_path, save_calibration
from kerfbeat.machine import demo_text, load_machine

pytestmark = pytest.mark.board

BOARD_ID = "A1B2C3D4"
CLOCK_PPM = -1834.0  # this board's ticks come so much too seldom
GAPS_DEG = (92.9, 86.4, 93.3, 87.4)
SLIP = 0.03


def calibrated_machine(folder: Path, gaps_deg: tuple[float, ...] = GAPS_DEG) -> Path:
    """The demonstration saw and what a calibration might have found of it; invented values."""
    file = folder / "saw.toml"
    file.write_text(demo_text("saw"), encoding="utf-8")
    machine = load_machine(file)

    def found(quantity: str, of: str, value: tuple[float, ...], u: float) -> Result:
        return Result(
            quantity=quantity, of=of, value=value, u=(u,) * len(value), unit=QUANTITIES[quantity],
            date=datetime.now(UTC), sources=("invented.csv",), conditions={},
            belongs_to=belongs_to(machine, quantity, of),
        )

    save_calibration(calibration_path(file), Calibration(machine=machine.name).with_results(
        found("wheel diameter", "", (0.3297,), 5e-5),
        found("target spacing", "wheel", gaps_deg, 0.01),
        found("clock offset", BOARD_ID, (CLOCK_PPM,), 12.0),
    ))
    return file


def kerfbeat(*words: object) -> str:
    result = CliRunner().invoke(cli.main, [str(word) for word in words], prog_name="kerfbeat")
    assert result.exit_code == 0, result.stderr
    return str(result.stdout)


def cycles(hz: float, begin_s: float, end_s: float, places: np.ndarray) -> np.ndarray:
    """The board's cycles at which targets pass on a shaft that turns `hz` times a true second."""
    times = passages(np.array([begin_s, end_s]) * hz, np.array([begin_s, end_s]), places)
    return np.round(times * BOARD_HZ * (1.0 + CLOCK_PPM * 1e-6)).astype(np.int64)


def test_display_predict_and_watch_say_the_same(start_board: Callable[..., EmulatedBoard], tmp_path: Path) -> None:
    # high gear, 60 Hz, no load: pi (329.7 + 0.9) mm x 1800 rpm / 26 = 71.90 m/min
    board = start_board("--ppm", f"{CLOCK_PPM:g}")
    file = calibrated_machine(tmp_path)
    configure = ["configure", "--port", board.url, "--machine", file, "--json"]
    written = json.loads(kerfbeat(*configure, "--id", BOARD_ID, "--yes"))
    assert written["written"]
    assert written["new"]["target_angles_deg"] == pytest.approx(np.cumsum([0.0, *GAPS_DEG[:3]]), abs=360 / 65536)
    assert json.loads(kerfbeat(*configure, "--show"))["changes"] == []  # all comes back, the angles, too
    calibrated_machine(tmp_path, GAPS_DEG[::-1])
    (change,) = json.loads(kerfbeat(*configure, "--show"))["changes"]  # the gaps the other way round
    assert (change["setting"], change["new"]) == ("target angles", "0.00, 87.40, 180.70, 267.10 degrees")
    calibrated_machine(tmp_path)
    row = json.loads(kerfbeat("predict", file, "--hz", 60, "--gear", "high", "--json"))["rows"][0]
    wheel_hz, motor_hz = row["wheel_rpm"]["no_load"] / 60.0, row["motor_rpm"]["no_load"] / 60.0
    m_per_min, ft_per_min = row["blade_m_per_min"]["no_load"], row["blade_ft_per_min"]["no_load"]
    assert m_per_min == pytest.approx(71.90, abs=0.01)
    wheel = cycles(wheel_hz, 0.0, 60.0, np.cumsum([0.0, *GAPS_DEG[:3]]) / 360.0 + 0.1)
    motor = np.concatenate([
        cycles(motor_hz, 0.0, 4.5, np.array([0.5])), cycles(motor_hz / (1.0 - SLIP), 4.51, 60.0, np.array([0.5])),
    ])
    log = DisplayLog(board)
    watch = subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", "watch", "--port", board.url, "--machine", str(file)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    zero = board.inject_pulses(
        np.concatenate([wheel, motor]), np.repeat([1, 2], [wheel.size, motor.size]), after_cycles=BOARD_HZ // 10,
    )
    run_until(board, zero + 7 * BOARD_HZ)
    rows = log.read()
    shown, slipping = (
        next(row.lines for row in reversed(rows) if row.cycle <= zero + round(at_s * BOARD_HZ)) for at_s in (4.0, 7.0)
    )
    press(board, "unit")
    other = display(board)["lines"]
    assert watch.stdout is not None
    watched = None
    while watched is None or float(watched[2]) > 0.1:  # on a busy computer it may hardly have begun
        line = watch.stdout.readline()
        assert line, "watch has ended"
        watched = re.search(r"  ([\d.]+) ± ([\d.]+) m/min  ([\d.]+) ± [\d.]+ ft/min", line) or watched
    watch.send_signal(signal.SIGINT)
    watch.communicate(timeout=60)
    assert watch.returncode == 0

    assert shown[0].endswith("m/min ")
    assert number(shown[0]) == pytest.approx(m_per_min, abs=0.1)
    assert shown[1] == "belt slip   0.0%"
    assert other[0].endswith("ft/min")
    assert number(other[0]) == pytest.approx(ft_per_min, abs=0.1)
    assert ft_per_min == pytest.approx(m_per_min / FOOT_M)
    assert float(re.fullmatch(r"belt slip +([\d.]+)%", slipping[1])[1]) == pytest.approx(100 * SLIP, abs=0.1)
    assert float(watched[1]) == pytest.approx(number(shown[0]), abs=0.1)
    assert float(watched[3]) == pytest.approx(number(other[0]), abs=0.2)
