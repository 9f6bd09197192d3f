"""What is left of a recording when the computer or its user does the worst?"""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from kerfbeat.capture.log import read_log

LONG = bool(os.environ.get("KERFBEAT_LONG"))
KILLS = 200 if LONG else 8
TOGETHER = 4
LATEST_S = 1.0
ON_THE_WAY_S = 0.6  # the program's, the simulated board's and the test's own scheduling on a busy computer


@contextmanager
def recording(log: Path, *more: object) -> Iterator[subprocess.Popen[str]]:
    """A running `record` of a simulated saw; the log has begun."""
    words = [sys.executable, "-m", "kerfbeat", "record", "--port", "sim://steady", "-o", log, *more]
    with subprocess.Popen(
        list(map(str, words)), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        until_s = time.monotonic() + 60.0
        while not (log.exists() and log.stat().st_size):
            assert run.poll() is None, run.stderr.read() if run.stderr else ""
            assert time.monotonic() < until_s
            time.sleep(0.01)
        yield run


@pytest.fixture
def started() -> Iterator[list[subprocess.Popen[bytes]]]:
    """Processes that are not to outlive the test."""
    runs: list[subprocess.Popen[bytes]] = []
    yield runs
    for run in runs:
        run.kill()
        run.wait()


def test_killed_at_any_moment_it_loses_the_last_second_at_most(
    tmp_path: Path, say: Callable[[str], None], started: list[subprocess.Popen[bytes]]
) -> None:
    rng = random.Random(9)
    missed_s, opened = [], 0
    for first in range(0, KILLS, TOGETHER):
        running = []
        for number in range(first, first + TOGETHER):
            log = tmp_path / f"run-{number}.csv"
            words = [sys.executable, "-m", "kerfbeat", "record", "--port", "sim://steady", "-o", str(log)]
            nowhere = subprocess.DEVNULL
            started.append(subprocess.Popen(words, stdin=nowhere, stdout=nowhere, stderr=nowhere))
            running.append((started[-1], log))
        while not all(log.exists() and b"\nsync," in log.read_bytes() for _, log in running):
            time.sleep(0.02)
        for run, log in sorted(running, key=lambda _: rng.random()):
            time.sleep(rng.uniform(0.0, 1.5))
            run.send_signal(signal.SIGKILL)
            killed_host_s = time.perf_counter()  # the same clock in all processes, on Linux
            run.wait()
            read = read_log(log)
            opened += 1
            assert any("was not closed" in warning for warning in read.warnings)
            segment = read.segments[0]
            synced_s, synced_ticks = segment.syncs.received_host_s[-1], segment.syncs.answer_ticks[-1]
            missing_s = killed_host_s - synced_s - (segment.end_ticks - synced_ticks) / segment.tick_hz
            missed_s.append(missing_s)
            ticks = segment.edge_ticks["motor"]
            gaps_s = (ticks[1:] - ticks[:-1]) / segment.tick_hz
            assert gaps_s.max() < 0.06  # 25 turns a second: nothing is missing in the middle
    say(
        f"{opened} of {KILLS} killed recordings open; {max(missed_s):.2f} s were missing at the end at most, "
        f"{sorted(missed_s)[len(missed_s) // 2]:.2f} s usually"
    )
    assert max(missed_s) < LATEST_S + ON_THE_WAY_S


@pytest.mark.parametrize("how", ["removed", "renamed", "replaced"])
def test_a_log_that_is_taken_away_is_written_anew(tmp_path: Path, how: str) -> None:
    log = tmp_path / "run.csv"
    with recording(log, "--for", "4s") as run:
        while b"\npulse,motor" not in log.read_bytes():
            time.sleep(0.02)
        match how:
            case "removed":
                log.unlink()
            case "renamed":
                log.rename(tmp_path / "away.csv")
            case _:
                log.unlink()
                log.write_text("something else")
        said, warned = run.communicate(timeout=60)
    assert run.returncode == 0
    written = tmp_path / ("run-2.csv" if how == "replaced" else "run.csv")
    assert said.startswith(f"{written}: ")
    assert "written anew" in warned
    read = read_log(written)
    assert read.warnings == ()
    assert read.segments[0].duration_s > 3.5  # all of it, from the start
    if how == "replaced":
        assert log.read_text() == "something else"


def test_a_folder_that_may_not_be_written_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    target = tmp_path / "no folder" / "run.csv"
    words = [sys.executable, "-m", "kerfbeat", "record", "--port", "sim://steady", "-o", str(target), "--for", "1s"]
    run = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL)
    assert run.returncode in (1, 2)
    assert run.stderr.strip().endswith("cannot be made (No such file or directory); check the folder")
