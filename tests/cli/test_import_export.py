"""Do pulses keep their times through import and export, and is every mistake in a CSV told?"""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from kerfbeat.capture.log import read_log

Run = Callable[..., Result]
GOOD = "channel,seconds\n" + "".join(f"wheel,{k * 0.25:.9f}\n" for k in range(40))


@pytest.fixture
def pulses(tmp_path: Path) -> Path:
    return tmp_path / "pulses.csv"


def test_import_states_the_setting_and_speed_follows(run: Run, saw_file: Path, pulses: Path, tmp_path: Path) -> None:
    pulses.write_text(GOOD)
    log = tmp_path / "run.csv"
    done = run("import", pulses, "--machine", saw_file, "-o", log, "--hz", "45", "--gear", "high")
    assert done.exit_code == 0
    assert "wheel 40" in done.stdout
    marks = {mark.key: mark.value for mark in read_log(log).segments[0].marks}
    assert marks["hz"] == "45"
    assert marks["gear"] == "high"
    document = json.loads(run("speed", log, "--json").stdout)
    # 4 targets, one pulse each 0.25 s: one turn a second, 60 rpm.
    assert document["channels"]["wheel"]["rpm"]["value"] == pytest.approx(60.0, rel=1e-6)


def test_export_gives_back_what_was_imported(run: Run, saw_file: Path, pulses: Path, tmp_path: Path) -> None:
    pulses.write_text(GOOD)
    log, out = tmp_path / "run.csv", tmp_path / "out.csv"
    run("import", pulses, "--machine", saw_file, "-o", log)
    done = run("export", log, "-o", out)
    assert done.exit_code == 0
    assert [float(line.split(",")[1]) for line in out.read_text().splitlines()[1:]] == [k * 0.25 for k in range(40)]
    printed = run("export", log)
    assert printed.stdout == out.read_text()


def test_a_log_keeps_its_speed_through_export_and_import(
    run: Run, repository: Path, saw_file: Path, pulses: Path, tmp_path: Path
) -> None:
    """The board's clock was 1240 ppm off, measured by the log itself: exported seconds are true ones."""
    log, again = repository / "sample_logs" / "saw-two-cuts.csv", tmp_path / "again.csv"
    assert run("export", log, "-o", pulses).exit_code == 0
    assert run("import", pulses, "--machine", saw_file, "-o", again).exit_code == 0
    before, after = (json.loads(run("speed", each, "--json").stdout)["channels"] for each in (log, again))
    for channel in ("wheel", "motor", "blade"):
        assert after[channel]["rpm"]["value"] == pytest.approx(before[channel]["rpm"]["value"], rel=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("pulses.csv",)),
        ("channel,seconds\n", ("pulses.csv",)),
        ("time,pin\n0.1,3\n", ("channel,seconds",)),
        ("channel,seconds\nwheel,soon\n", ("line 2", "soon")),
        ("channel,seconds\nwheel,nan\n", ("line 2", "nan")),
        ("channel,seconds\nwheel,inf\n", ("line 2", "inf")),
        ("channel,seconds\nelbow,0.1\n", ("line 2", "elbow")),
        ("channel,seconds\nwheel\n", ("line 2",)),
        ("channel,seconds\nwheel,0.1,0.2\n", ("line 2",)),
        ("channel,seconds\nwheel,1e300\n", ("line 2",)),
        ("\x00\x01", ("pulses.csv",)),
    ],
)
def test_csv_mistakes_are_one_line(
    run: Run, saw_file: Path, pulses: Path, tmp_path: Path, text: str, words: tuple[str, ...]
) -> None:
    pulses.write_text(text)
    log = tmp_path / "run.csv"
    result = run("import", pulses, "--machine", saw_file, "-o", log)
    assert result.exit_code == 2
    assert result.stderr.strip().count("\n") == 0
    assert "a fault in kerfbeat" not in result.stderr
    for word in words:
        assert word in result.stderr
    assert not log.exists()


@pytest.mark.parametrize(
    ("text", "warning"),
    [
        ("channel,seconds\nwheel,0.2\nwheel,0.1\n", "times go backwards in 1 place; they were sorted"),
        ("channel,seconds\nwheel,0.1\nwheel,0.1\n", "1 time is repeated; each was taken once"),
        ("channel,seconds\nwheel,-0.5\nwheel,0.1\n", "times were shifted"),
    ],
)
def test_mended_times_are_told(
    run: Run, saw_file: Path, pulses: Path, tmp_path: Path, text: str, warning: str
) -> None:
    pulses.write_text(text)
    result = run("import", pulses, "--machine", saw_file, "-o", tmp_path / "run.csv")
    assert result.exit_code == 0
    assert "warning: " in result.stderr
    assert warning in result.stderr


def test_one_pulse_gives_no_speed_and_says_so(run: Run, saw_file: Path, pulses: Path, tmp_path: Path) -> None:
    pulses.write_text("channel,seconds\nwheel,0.1\n")
    log = tmp_path / "run.csv"
    assert run("import", pulses, "--machine", saw_file, "-o", log).exit_code == 0
    result = run("speed", log, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["channels"]["wheel"]["rpm"] is None
    assert document["blade_m_per_min"] is None
    assert re.search("wheel: .* in 1 pulse; no speed", result.stderr)


def test_speed_against_time(run: Run, steady_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "speed.csv"
    done = run("export", steady_log, "--every", "1s", "-o", out)
    assert done.exit_code == 0
    assert run("export", steady_log, "--speed", "--every", "1s").stdout == out.read_text()
    header, *rows = out.read_text().splitlines()
    assert header.startswith("seconds,channel,rpm,rpm_u95,")
    # The wheel turns 0.85 times a second: 51 rpm.
    assert all(float(row.split(",")[2]) == pytest.approx(51.0, rel=1e-3) for row in rows if ",wheel," in row)
    assert done.stdout == f"{out}: {len(rows) + 1} lines\n"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--every", "1s", "--segment", "1"], "--segment chooses pulses"),
        (["--speed", "--segment", "1"], "--segment chooses pulses"),
        (["--speed", "--every", "0s"], "cannot be; write a time above zero"),
        (["--segment", "7"], "there is no segment 7; it has 1"),
    ],
)
def test_export_options_that_do_not_fit(run: Run, steady_log: Path, words: list[str], message: str) -> None:
    result = run("export", steady_log, *words)
    assert result.exit_code == 2
    assert message in result.stderr


@pytest.mark.parametrize("command", ["import", "export"])
def test_nothing_is_written_over(run: Run, saw_file: Path, steady_log: Path, pulses: Path, command: str) -> None:
    pulses.write_text(GOOD)
    taken = pulses.with_name("taken.csv")
    taken.write_text("precious")
    words = ["import", pulses, "--machine", saw_file] if command == "import" else ["export", steady_log]
    result = run(*words, "-o", taken)
    assert result.exit_code == 2
    assert "exists" in result.stderr
    assert taken.read_text() == "precious"
