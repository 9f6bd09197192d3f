"""Do check, watch and record work from the first byte of a port to the last line?"""

import errno
import json
import math
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.capture.log import read_log

Run = Callable[..., Result]
STEADY = "sim://steady?seed=4"


def test_check_tells_board_link_clock_and_pulses(run: Run) -> None:
    result = run("check", "--port", STEADY, "--for", "4s")
    assert result.exit_code == 0
    board, link, clock, headings, wheel, motor, blade, *_ = result.stdout.splitlines()
    assert re.match(r"board \w+, firmware [1-9][\d.]+ \(simulated\), 16 MHz", board)
    assert re.match(r"link  sim://steady\?seed=4: \d+ frames, 0 damaged, 0 missing", link)
    assert re.match(r"clock -?\d+ ± \d+ ppm off this computer's", clock)
    assert headings.split()[:3] == ["channel", "input", "pulses"]
    assert [line.split()[0] for line in (wheel, motor, blade)] == ["wheel", "motor", "blade"]
    # Two seconds and more of a motor near 24 turns a second, one target.
    assert int(motor.split()[2]) > 40


def test_check_as_json(run: Run) -> None:
    document = json.loads(run("check", "--port", STEADY, "--for", "2s", "--json").stdout)
    assert document["tick_hz"] == 16e6
    assert set(document["channels"]) == {"wheel", "motor", "blade"}
    assert document["clock_off_ppm"]["u95"] > 0


def test_check_needs_no_machine_file_on_a_simulated_port_nor_elsewhere(run: Run) -> None:
    result = run("check", "--port", "/dev/does-not-exist")
    assert result.exit_code == 1
    assert "no such port" in result.stderr


def _watch(*words: str, until: Callable[[list[str]], bool], number: int = signal.SIGINT) -> tuple[int, list[str], str]:
    """Run watch until its lines are as wanted, then send the signal; exit status, lines, standard error."""
    command = [sys.executable, "-m", "kerfbeat", "watch", "--port", STEADY, *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines: list[str] = []
        while not until(lines):
            line = process.stdout.readline()
            assert line, "watch ended by itself"
            lines.append(line.rstrip("\n"))
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    return process.returncode, [*lines, *out.splitlines()], err


def _readings(lines: list[str]) -> list[str]:
    return [line for line in lines if line.endswith("turning")]


def test_watch_writes_a_line_for_each_estimate_and_ctrl_c_ends_it_well(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    status, lines, err = _watch("--log", str(log), until=lambda lines: len(_readings(lines)) >= 8)
    assert status == 0
    assert "not a safety device" in err
    readings = _readings(lines)
    form = re.compile(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}[+-]\d\d:\d\d  [\d.]+ ± [\d.]+ m/min  [\d.]+ ± [\d.]+ ft/min  turning"
    )
    assert all(form.fullmatch(line) for line in readings)
    # The demo saw at 50 Hz in low gear: 80/160 mm belt, 30:1, wheel of 330.9 mm effective diameter.  Idle, within the
    # synchronous speed of 1500 rpm and 3 % below it.
    top_m_per_min = 1500 * 0.5 / 30 * math.pi * 0.3309
    speed, u95 = (float(part) for part in re.findall(r"([\d.]+) ± ([\d.]+) m/min", readings[-1])[0])
    assert top_m_per_min * 0.97 - u95 < speed < top_m_per_min + u95
    assert read_log(log).warnings == ()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_watch_ends_well_on_other_signals(number: int) -> None:
    status, lines, _ = _watch("--every", "1s", until=lambda lines: len(lines) >= 3, number=number)
    assert status == 0
    times = [datetime.fromisoformat(line.split()[0]) for line in lines]
    assert times == sorted(times)


def test_check_tells_of_a_target_that_flew_off(run: Run) -> None:
    """At top speed, after two seconds: the wheel turns 1.4 times a second, and three turns without it tell."""
    result = run("check", "--port", "sim://lost-target?fall_at=2&hz=80&gear=high&seed=2", "--for", "6s")
    to_mend = result.stdout[result.stdout.index("to mend:") :]
    assert "wheel: only 3 of 4 targets are seen in every turn: one may have fallen off" in to_mend


def test_record_writes_what_came_and_sums_up(run: Run, tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    result = run("record", "--port", STEADY, "-o", log, "--for", "3s", "--hz", "50", "--gear", "1")
    assert result.exit_code == 0
    first, headings, wheel, *_ = result.stdout.splitlines()
    assert re.fullmatch(rf"{re.escape(str(log))}: \d+ pulses, 0 marks beside the setting at the start", first)
    assert headings.split() == ["channel", "pulses", "missing", "extra", "lost"]
    held = read_log(log)
    assert held.warnings == ()
    assert len(held.segments[0].edge_ticks["wheel"]) == int(wheel.split()[1])
    assert {mark.key: mark.value for mark in held.segments[0].marks} == {"hz": "50", "gear": "low"}
    assert held.segments[0].duration_s == pytest.approx(3.0, abs=0.5)
    assert len(held.segments[0].syncs) > 5


def test_hertz_beyond_the_inverter_is_warned_of(run: Run, tmp_path: Path) -> None:
    result = run("record", "--port", STEADY, "-o", tmp_path / "run.csv", "--for", "0.5s", "--hz", "900", "--gear", "1")
    assert result.exit_code == 0
    assert "warning: 900 Hz is outside the inverter's limits of 20 to 80 Hz" in result.stderr


def test_record_takes_marks_from_standard_input(runner: CliRunner, tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    typed = "cut=start\nhz=fast\ngear = high\ngera=low\ncut=maybe\nsmells of hot rubber\ncut=start\n\n"
    words = ["record", "--port", STEADY, "-o", str(log), "--for", "2s"]
    result = runner.invoke(cli.main, words, input=typed)
    assert result.exit_code == 0
    marks = [(mark.key, mark.value) for mark in read_log(log).segments[0].marks]
    assert marks == [("cut", "start"), ("gear", "high"), ("note", "smells of hot rubber")]
    assert '"fast" is no frequency' in result.stderr
    assert "cut=maybe is not understood" in result.stderr
    assert "gera=low: no mark; write gear=low, or note=... for a note" in result.stderr
    assert "cut=start: a cut is running already" in result.stderr
    assert "kept as a note" in result.stderr


def test_record_counts_what_was_lost(run: Run, tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    result = run("record", "--port", "sim://steady?drop=0.3&seed=2", "-o", log, "--for", "4s")
    assert result.exit_code == 0
    losses = read_log(log).segments[0].losses
    lost = sum(loss.pulses or 0 for loss in losses if loss.channel == "motor")
    assert lost > 0
    assert f"warning: motor: {lost} pulses were lost" in result.stderr


def _full_disk(_file: int) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_record_on_a_full_disk_says_what_is_safe_and_fails(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kerfbeat.capture.growing_file.os.fsync", _full_disk)
    result = run("record", "--port", STEADY, "-o", tmp_path / "run.csv", "--for", "20s", "--quiet")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "No space left on device" in result.stderr
    assert "rows are in the file" in result.stderr


def test_trace_shows_every_frame(run: Run) -> None:
    result = run("check", "--port", STEADY, "--for", "1s", "--trace")
    assert result.exit_code == 0
    assert re.search(r"to board +#\d+ +AskHello", result.stderr)
    assert re.search(r"from board +#\d+ +Batch", result.stderr)
