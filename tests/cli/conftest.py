"""What do the command tests need: a runner, a machine file, a log of known speed?"""

import math
import shlex
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.capture.events import Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import LogWriter
from kerfbeat.machine import Setting, demo_text, parse_machine

TICK_HZ = 16e6
WHEEL_HZ = 0.85
MOTOR_HZ = 22.1


@pytest.fixture
def runner() -> CliRunner:
    """Runs a command line in this process."""
    return CliRunner()


@pytest.fixture
def run(runner: CliRunner) -> Callable[..., Result]:
    """Runs `kerfbeat` with the given words; every word becomes text."""

    def run(*words: object) -> Result:
        return runner.invoke(cli.main, [str(word) for word in words], prog_name="kerfbeat")

    return run


@pytest.fixture
def assert_printed_as_shown(runner: CliRunner) -> Callable[[str], None]:
    """Runs the command at the top of a block of the README; each line below it must be printed, or be "..."."""

    def check(block: str) -> None:
        command, *shown = block.splitlines()
        result = runner.invoke(cli.main, shlex.split(command.removeprefix("$ kerfbeat ")))
        assert result.exit_code == 0, result.output
        printed = result.stdout.splitlines()
        assert len(shown) > 3
        for line in shown:
            assert line == "..." or line in printed, line

    return check


@pytest.fixture
def saw_file(tmp_path: Path) -> Path:
    """The demo saw as a machine file."""
    path = tmp_path / "saw.toml"
    path.write_text(demo_text("saw"), encoding="utf-8")
    return path


@pytest.fixture
def steady_log(tmp_path: Path) -> Path:
    """20 s of the demo saw with the wheel at 0.85 and the motor at 22.1 turns a second, the clock measured.

    The motor's pulses from 10.0 s to 10.5 s are lost, uncounted; the blade's sensor has no pulse.
    """
    path = tmp_path / "steady.csv"
    machine = parse_machine(demo_text("saw"))
    seconds = 20.0
    end = int(seconds * TICK_HZ)
    wheel = np.round(np.arange(0.01, seconds, 1 / (4 * WHEEL_HZ)) * TICK_HZ).astype(np.int64)
    motor = np.round(np.arange(0.02, seconds, 1 / MOTOR_HZ) * TICK_HZ).astype(np.int64)
    gap = (int(10.0 * TICK_HZ), int(10.5 * TICK_HZ))
    motor = motor[(motor <= gap[0]) | (motor > gap[1])]
    start_utc = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    with LogWriter(path, machine=machine, start_utc=start_utc, setting=Setting(hz=45.0, gear="high")) as log:
        log.accept(SegmentStarted(board_id="TEST", firmware="1.0.0", tick_hz=TICK_HZ, cause="test", start_ticks=0))
        for at_s in np.arange(0.5, seconds, 0.5).tolist():
            tick = int(at_s * TICK_HZ)
            log.accept(Sync(sent_host_s=at_s - 2e-4, received_host_s=at_s + 2e-4, ping_ticks=tick, answer_ticks=tick))
        log.accept(Lost(channel="motor", start_ticks=gap[0], end_ticks=gap[1], pulses=None, cause="test"))
        edges = {"wheel": wheel, "motor": motor, "blade": np.empty(0, np.int64)}
        log.accept(Pulses(edge_ticks=edges, complete_ticks=end))
    return path


@pytest.fixture
def steady_m_per_min() -> float:
    """Blade speed of the steady log: pi (D + t) n, D = 330 mm, t = 0.9 mm (Khurmi EM, ch. 33)."""
    return 60.0 * math.pi * 0.3309 * WHEEL_HZ
