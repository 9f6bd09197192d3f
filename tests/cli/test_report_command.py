"""Does `report` write what was asked for, refuse what cannot be, and say so in one line?"""

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from pypdf import PdfReader

Run = Callable[..., Result]


def one_line(result: Result, *words: str, status: int = 2) -> None:
    assert result.exit_code == status, result.output
    assert result.stderr.count("\n") == 1
    for word in words:
        assert word in result.stderr


@pytest.fixture
def slipping(repository: Path) -> Path:
    return repository / "sample_logs" / "saw-belt-slip.csv"


def test_pdf_and_page_and_json_at_once(run: Run, slipping: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "report.pdf"
    result = run("report", slipping, "-o", pdf, "--html", "--json", "--unit", "ft/min", "--paper", "letter")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["written"] == [str(pdf), str(tmp_path / "report.html")]
    (log,) = document["logs"]
    assert log["log"] == "saw-belt-slip.csv"
    assert log["slip"]["cause"] == "belt slip"
    assert log["drift"] is None
    assert "too short to show a drift" in log["not_done"]["drift"]
    assert document["comparison"] is None
    assert float(PdfReader(pdf).pages[0].mediabox.width) == pytest.approx(8.5 * 72)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "A belt slips more than it creeps" in page
    assert re.search(r"<dt>blade speed</dt><dd>82\.2 ± 0\.5 ft/min \(25\.07 ± 0\.14 m/min\)", page)


def test_json_alone_writes_nothing(run: Run, steady_log: Path, tmp_path: Path) -> None:
    before = set(tmp_path.iterdir())
    result = run("report", steady_log, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["written"] == []
    assert document["logs"][0]["speed"]["channels"]["motor"]["lost"] is None
    assert set(tmp_path.iterdir()) == before


def test_names_decide_what_is_written(run: Run, steady_log: Path, tmp_path: Path) -> None:
    for words, expected in (
        (["-o", tmp_path / "a.html"], {"a.html"}),
        (["-o", tmp_path / "b.html", "--html"], {"b.html"}),
        (["--html", tmp_path / "c.html"], {"c.html"}),
    ):
        before = {path.name for path in tmp_path.iterdir()}
        result = run("report", steady_log, *words)
        assert result.exit_code == 0, result.output
        assert {path.name for path in tmp_path.iterdir()} - before == expected
        assert result.stdout == ""
        assert f"{words[-1] if words[-1] != '--html' else words[1]}: written, from steady.csv" in result.stderr


def test_two_logs_are_before_and_after(run: Run, repository: Path, tmp_path: Path) -> None:
    samples = [repository / "sample_logs" / name for name in ("saw-two-cuts.csv", "saw-belt-slip.csv")]
    document = json.loads(run("report", *samples, "--json").stdout)
    alone = json.loads(run("compare", *samples, "--json").stdout)
    assert [log["log"] for log in document["logs"]] == ["saw-two-cuts.csv", "saw-belt-slip.csv"]
    rows = document["comparison"]["rows"]
    assert [row["difference_percent"] for row in rows] == [row["difference_percent"] for row in alone["rows"]]
    assert document["between_runs"] == []


def test_nothing_in_common_is_told_and_no_failure(run: Run, repository: Path) -> None:
    samples = [repository / "sample_logs" / name for name in ("saw-two-cuts.csv", "board-saw-gear-change.csv")]
    high = json.loads(run("report", samples[1], samples[0], "--json").stdout)
    assert any("gear high" in line for line in high["comparison"]["left_out"])


def test_wrong_usage(run: Run, steady_log: Path, tmp_path: Path) -> None:
    taken = tmp_path / "taken.pdf"
    taken.write_text("precious")
    one_line(run("report", steady_log), "nothing to write", "-o report.pdf")
    one_line(run("report", steady_log, "-o", tmp_path / "a.doc"), "a.doc", ".pdf or .html")
    one_line(run("report", steady_log, "-o", steady_log), "steady.csv", ".pdf or .html")
    one_line(run("report", "--html", steady_log, "-o", tmp_path / "a.pdf", steady_log), "put --html last")
    one_line(run("report", steady_log, "--html"), "--html without a name needs -o")
    one_line(run("report", steady_log, "-o", taken), "taken.pdf exists already", "--replace")
    one_line(run("report", steady_log, "-o", tmp_path / "nowhere" / "a.pdf"), "nowhere", "no such file or folder")
    one_line(run("report", tmp_path / "none.csv", "-o", tmp_path / "a.pdf"), "none.csv")
    assert taken.read_text() == "precious"
    assert not (tmp_path / "a.pdf").exists()


def test_damaged_log_and_two_machines_are_refused(
    run: Run, repository: Path, steady_log: Path, tmp_path: Path
) -> None:
    damaged = tmp_path / "damaged.csv"
    damaged.write_text(steady_log.read_text(encoding="utf-8") + "pulse,wheel,later,\n", encoding="utf-8")
    one_line(run("report", damaged, "-o", tmp_path / "a.pdf"), str(damaged), "'later'")
    grinder = repository / "sample_logs" / "grinder-start-stop.csv"
    one_line(run("report", steady_log, grinder, "-o", tmp_path / "a.pdf"), "grinder-start-stop.csv", "of one machine")
    assert not (tmp_path / "a.pdf").exists()


def test_a_disk_that_does_not_take_it(run: Run, steady_log: Path, tmp_path: Path) -> None:
    if Path("/dev/full").exists():  # only Linux has a device that is always full
        full = tmp_path / "full.html"
        full.symlink_to("/dev/full")
        one_line(run("report", steady_log, "-o", full, "--replace"), "full.html", "disk is full", status=1)
    folder = tmp_path / "folder.html"
    folder.mkdir()
    one_line(run("report", steady_log, "-o", folder, "--replace"), "folder.html", "is a folder")


def test_command_of_the_readme_runs(
    run: Run, repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    section = (repository / "README.md").read_text(encoding="utf-8").partition("### See what changes")[2]
    commands = re.findall(r"`kerfbeat ((?:report|compare)\s+sample_logs[^`]*)`", re.split(r"\n##+ ", section)[0])
    assert len(commands) == 3
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_logs").symlink_to(repository / "sample_logs")
    for command in commands:
        result = run(*shlex.split(command))
        assert result.exit_code == 0, result.output
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "report.html").read_bytes().startswith(b"<!DOCTYPE html>")
