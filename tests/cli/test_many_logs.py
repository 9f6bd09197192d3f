"""Is a folder of many logs worked through on all cores, damaged ones named, and gone on with after Ctrl-C?"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from kerfbeat.cli._many import FEW


def command(*words: object, cache: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "XDG_CACHE_HOME": str(cache), "LOCALAPPDATA": str(cache), "HOME": str(cache)},
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three quarters of a minute of a steady saw."""
    folder = tmp_path_factory.mktemp("one")
    path = folder / "steady.csv"
    run = command("simulate", "steady", "-o", path, "--seed", 5, "--set", "duration=45 s", cache=folder)
    run.communicate()
    assert run.returncode == 0
    return path


@pytest.fixture
def folder(tmp_path: Path, log: Path) -> Path:
    """Copies of one log: whatever is told of one is told of each."""
    found = tmp_path / "logs"
    found.mkdir()
    for number in range(30):
        (found / f"run-{number:03}.csv").hardlink_to(log)
    return found


def test_many_are_told_like_one_and_a_damaged_one_is_named(folder: Path, log: Path, tmp_path: Path) -> None:
    assert len(list(folder.iterdir())) > FEW
    (folder / "run-007.csv").unlink()
    (folder / "run-007.csv").write_text("channel,seconds\n")
    alone, _ = command("drift", log, "--json", cache=tmp_path).communicate()
    many = command("drift", folder, "--json", cache=tmp_path)
    said, warned = many.communicate()
    assert many.returncode == 0
    document, one = json.loads(said), json.loads(alone)
    assert [Path(run["log"]).name for run in document["runs"]] == [f"run-{k:03}.csv" for k in range(30) if k != 7]
    for run in document["runs"]:
        assert {**run, "log": ""} == {**{key: one[key] for key in run}, "log": ""}
    assert len(document["not_used"]) == 1
    assert "run-007.csv: is not a pulse log" in warned
    assert not list(tmp_path.glob("**/*.jsonl"))  # all is done: nothing is kept


def test_a_damaged_log_does_not_stop_a_comparison(folder: Path, log: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "damaged.csv").write_bytes(log.read_bytes()[:200])
    (other / "sound.csv").hardlink_to(log)
    run = command("compare", folder, other, "--json", cache=tmp_path)
    said, warned = run.communicate()
    assert run.returncode == 0
    rows = json.loads(said)["rows"]
    assert rows
    assert all(row["difference_percent"]["value"] == pytest.approx(0.0, abs=1e-9) for row in rows)
    assert "damaged.csv" in warned


def test_after_ctrl_c_it_goes_on_where_it_was(folder: Path, log: Path, tmp_path: Path) -> None:
    for number in range(30, 240):  # so many that it is still at it when the signal comes
        (folder / f"run-{number:03}.csv").hardlink_to(log)
    first = command("drift", folder, cache=tmp_path)
    until_s = time.monotonic() + 60.0
    while not (kept := list(tmp_path.glob("**/*.jsonl"))) or kept[0].read_text().count("\n") < 5:
        assert first.poll() is None
        assert time.monotonic() < until_s
        time.sleep(0.02)
    first.send_signal(signal.SIGINT)
    _, said = first.communicate()
    assert first.returncode == 1
    assert "of 240 logs; give the same command again and it goes on from there" in said
    assert "Traceback" not in said
    # What is kept is what is used: a mark put into it shows in the second run's table.
    lines = kept[0].read_text().splitlines()
    assert 5 <= len(lines) < 240
    state, packed = json.loads(lines[0])
    packed["of"]["drift"]["of"]["total_percent"]["of"]["value"] = 77.25
    kept[0].write_text("\n".join([json.dumps([state, packed]), *lines[1:-1], lines[-1][:40]]))  # and a torn last line
    told, _ = command("drift", folder, cache=tmp_path).communicate()
    rows = [line for line in told.splitlines() if "run-" in line.split(" ")[0]]
    assert len(rows) == 240
    assert sum("77.25" in row or "77.2" in row for row in rows) == 1
    assert not list(tmp_path.glob("**/*.jsonl"))


def test_a_changed_log_is_read_anew(tmp_path: Path) -> None:
    from kerfbeat.cli._shelf import Shelf
    from kerfbeat.measure.uncertainty import Estimate

    file = tmp_path / "run.csv"
    file.write_text("one")
    os.environ["XDG_CACHE_HOME"], before = str(tmp_path / "cache"), os.environ.get("XDG_CACHE_HOME")
    try:
        shelf = Shelf("work", [file], [Estimate])
        shelf.keep(file, Estimate(value=1.0, u95=0.5))
        assert shelf.held([file]) == {file: Estimate(value=1.0, u95=0.5)}
        assert Shelf("other work", [file], [Estimate]).held([file]) == {}
        file.write_text("other")
        assert shelf.held([file]) == {}
        shelf.clear()
    finally:
        os.environ.pop("XDG_CACHE_HOME")
        if before is not None:
            os.environ["XDG_CACHE_HOME"] = before
