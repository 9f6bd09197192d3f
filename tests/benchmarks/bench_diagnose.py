"""How long do `kerfbeat slip`, `drift`, `orders` and `report` take on an hour's log at 200 pulses a second?"""

import math
import os
import subprocess
import sys
import tempfile
from functools import lru_cache
from pathlib import Path

from registry import benchmark

from kerfbeat.machine import demo_text, parse_machine
from kerfbeat.simulate import simulate_log

# 23 pulses/s from the wheel, 175 from the motor, one in 3 s from the blade
MACHINE = (
    demo_text("saw")
    .replace("[sensor.wheel]\ntargets = 4", "[sensor.wheel]\ntargets = 24")
    .replace("[sensor.motor]\ntargets = 1", "[sensor.motor]\ntargets = 7")
)
SETTINGS = {"gear": "high", "duration_s": 3600, "belt_lump": 0.001, "wander": 0.0002}


@lru_cache
def _hour() -> "tempfile.TemporaryDirectory[str]":
    folder = tempfile.TemporaryDirectory()
    simulate_log("steady", parse_machine(MACHINE), Path(folder.name) / "hour.csv", seed=1, settings=SETTINGS)
    return folder


def _measured_s(command: str, *more: str) -> float:
    """Processor time of the whole command, best of three: what it takes on a core that has nothing else to do."""
    path = Path(_hour().name) / "hour.csv"
    best_s = math.inf
    for _ in range(3):
        words = [sys.executable, "-m", "kerfbeat", command, str(path), *more]
        with subprocess.Popen(words, stdout=subprocess.DEVNULL) as run:
            _, status, usage = os.wait4(run.pid, 0)
            run.returncode = os.waitstatus_to_exitcode(status)
        assert run.returncode == 0
        best_s = min(best_s, usage.ru_utime + usage.ru_stime)
    return best_s


@benchmark("slip: an hour at 200 pulses/s", unit="s", at_most=2.0)
def slip_time() -> float:
    """Processor time of `slip`."""
    return _measured_s("slip")


@benchmark("drift: an hour at 200 pulses/s", unit="s", at_most=2.0)
def drift_time() -> float:
    """Processor time of `drift`."""
    return _measured_s("drift")


@benchmark("orders: an hour at 200 pulses/s", unit="s", at_most=2.0)
def orders_time() -> float:
    """Processor time of `orders`."""
    return _measured_s("orders")


@benchmark("report: an hour at 200 pulses/s, as PDF", unit="s", at_most=10.0)
def report_time() -> float:
    """Processor time of `report`, every analysis and every plot in it."""
    return _measured_s("report", "-o", str(Path(_hour().name) / "hour.pdf"), "--replace")
