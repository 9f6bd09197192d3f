"""How long does `kerfbeat speed` take on ten million pulses, and how much memory?"""

import json
import math
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
from registry import benchmark

from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.capture.log import LogWriter
from kerfbeat.machine import parse_machine

PULSES = 10_000_000
RATE_HZ = 2000.0  # pulses: 83 minutes of a busy sensor
TICK_HZ = 16e6
TARGETS = 40
BLOCK = 100_000
MACHINE = f'name = "bench"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = {TARGETS}\n'


def _write_log(path: Path) -> None:
    """A wheel whose speed wanders by a per cent, with uneven targets and timing noise."""
    chance = np.random.default_rng(5)
    spacing = np.cumsum(1.0 + chance.normal(0.0, 0.01, TARGETS)) / TARGETS
    turn_gap = PULSES // TARGETS
    number = np.arange(PULSES)
    turns = number // TARGETS + spacing[number % TARGETS] / spacing[-1]
    rate_hz = RATE_HZ / TARGETS
    seconds = turns / rate_hz + 0.01 * np.sin(2 * math.pi * turns / turn_gap * 40) / rate_hz
    ticks = np.round(seconds * TICK_HZ + chance.normal(0.0, 8.0, PULSES)).astype(np.int64) + 1000
    with LogWriter(path, machine=parse_machine(MACHINE), start_utc=datetime.now(UTC)) as log:
        log.accept(SegmentStarted(board_id="bench", firmware="-", tick_hz=TICK_HZ, cause="made", start_ticks=0))
        for at in range(0, PULSES, BLOCK):
            edges = ticks[at : at + BLOCK]
            log.accept(Pulses(edge_ticks={"wheel": edges}, complete_ticks=int(edges[-1])))


@lru_cache
def _measured() -> tuple[float, float]:
    """Seconds and peak resident bytes of the whole command, best time of three."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        _write_log(path)
        best_s, peak = math.inf, 0.0
        for _ in range(3):
            command = [sys.executable, "-m", "kerfbeat", "speed", str(path), "--json"]
            began = time.perf_counter()
            with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as run:
                assert run.stdout is not None
                document = json.loads(run.stdout.read())
                _, status, usage = os.wait4(run.pid, 0)
                run.returncode = os.waitstatus_to_exitcode(status)
            best_s = min(best_s, time.perf_counter() - began)
            assert run.returncode == 0
            assert document["channels"]["wheel"]["pulses"] == PULSES
            peak = max(peak, usage.ru_maxrss * 1024.0)
        return best_s, peak


@benchmark("speed: ten million pulses", unit="s", at_most=3.0)
def speed_time() -> float:
    """Wall time of the whole command."""
    return _measured()[0]


@benchmark("speed: ten million pulses, peak memory", unit="GB", at_most=1.5)
def speed_memory() -> float:
    """Peak resident size."""
    return _measured()[1] / 1e9
