"""How much of a processor does `kerfbeat watch` use, and how long is the way from an edge to a printed line?"""

import itertools
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import pexpect
from paced_board import PacedBoard
from registry import benchmark

MACHINE = 'name = "bench"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = 4\n'
STEADY_GAP_S = 1 / 200
SETTLE_S = 6.0
CPU_FOR_S = 30.0
EDGES = 400  # for the latency; each far enough from the next to stand in a batch and a line of its own
LEAST_GAP_S, MOST_GAP_S = 0.11, 0.16


@lru_cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    """A folder with the machine file; it goes when the program ends."""
    folder = tempfile.TemporaryDirectory(prefix="kerfbeat-bench-")
    Path(folder.name, "bench.toml").write_text(MACHINE, encoding="utf-8")
    return folder


def _command(board: PacedBoard) -> list[str]:
    return ["-m", "kerfbeat", "watch", "--port", board.name, "--machine", str(Path(_folder().name, "bench.toml"))]


def _used_s(pid: int) -> float:
    """Processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _drain(screen: pexpect.spawn, seconds: float) -> None:
    """Read what is painted, as a terminal does, so that the painter never waits."""
    until = time.perf_counter() + seconds
    while time.perf_counter() < until:
        try:
            screen.read_nonblocking(65536, timeout=0.2)
        except pexpect.TIMEOUT:
            continue


@benchmark("watch: full screen, 200 pulses/s", unit="% of a core", at_most=5.0)
def screen_load() -> float:
    """Processor time of the whole command over half a minute, on a screen of 120 x 40."""
    with PacedBoard(itertools.repeat(STEADY_GAP_S)) as board:
        screen = pexpect.spawn(
            sys.executable,
            _command(board),
            dimensions=(40, 120),
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"},
        )
        _drain(screen, SETTLE_S)
        before_s, began = _used_s(screen.pid), time.perf_counter()
        _drain(screen, CPU_FOR_S)
        used = (_used_s(screen.pid) - before_s) / (time.perf_counter() - began)
        screen.send("q")
        screen.expect(pexpect.EOF, timeout=10)
        return 100.0 * used


@benchmark("watch: plain lines, 200 pulses/s", unit="% of a core", at_most=5.0)
def lines_load() -> float:
    """Processor time of the whole command over half a minute, a line each second."""
    with PacedBoard(itertools.repeat(STEADY_GAP_S)) as board:
        command = [sys.executable, *_command(board), "--every", "1 s"]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as run:
            time.sleep(SETTLE_S)
            before_s, began = _used_s(run.pid), time.perf_counter()
            time.sleep(CPU_FOR_S)
            used = (_used_s(run.pid) - before_s) / (time.perf_counter() - began)
            run.terminate()
        return 100.0 * used


def _gaps_s() -> Iterator[float]:
    chance = random.Random(3)
    while True:
        yield chance.uniform(LEAST_GAP_S, MOST_GAP_S)


@benchmark("watch: edge to printed line, 99 % within", unit="ms", at_most=80.0)
def edge_to_line() -> float:
    """The 99th percentile over edges that come one by one, each answered by a line of its own."""
    with PacedBoard(_gaps_s()) as board:
        command = [sys.executable, *_command(board)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as run:
            assert run.stdout is not None
            seen_s: list[float] = []
            while len(board.edge_times_s) < EDGES:
                run.stdout.readline()
                seen_s.append(time.perf_counter())
            run.terminate()
        # The first edges give no reading yet.  Each later one must be followed by a line before the next edge comes.
        waits_s = []
        for edge_s, next_s in itertools.pairwise(board.edge_times_s[20:-1]):
            lines = [line_s for line_s in seen_s if edge_s < line_s < next_s]
            waits_s.append(lines[0] - edge_s if lines else next_s - edge_s + LEAST_GAP_S)
        return 1000.0 * sorted(waits_s)[int(0.99 * len(waits_s))]
