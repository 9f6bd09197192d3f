"""Does `kerfbeat simulate` write what it says, and say what is wrong?"""

import io
import itertools
import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kerfbeat.capture.log import read_log
from kerfbeat.cli import _progress
from kerfbeat.cli.simulate import play, simulate
from kerfbeat.machine import demo_machine, demo_text


def run(*words: str) -> Result:
    return CliRunner().invoke(simulate, list(words))


def test_log_and_truth_are_written(tmp_path: Path) -> None:
    log, truth = tmp_path / "cut.csv", tmp_path / "cut.json"
    result = run("cut", "-o", str(log), "--truth", str(truth), "--seed", "3", "--duration", "30s", "--gear", "high")
    assert result.exit_code == 0, result.output
    assert "simulated" in result.output
    document = json.loads(truth.read_text(encoding="utf-8"))
    assert (document["seed"], document["duration_s"]) == (3, 30.0)
    assert document["steady"][0]["gear"] == "high"
    pulses = read_log(log).segments[0].edge_ticks
    assert {name: len(ticks) for name, ticks in pulses.items()} == {
        name: each["pulses"] for name, each in document["channels"].items()
    }


def test_json_is_one_document_and_nothing_else(tmp_path: Path) -> None:
    result = run("steady", "-o", str(tmp_path / "a.csv"), "--duration", "3s", "--json")
    document = json.loads(result.stdout)
    assert document["duration_s"] == 3.0
    assert document["written"] == [str(tmp_path / "a.csv")]


def test_edges_for_the_emulated_board(tmp_path: Path) -> None:
    path = tmp_path / "edges.txt"
    result = run("steady", "--edges", str(path), "--duration", "4s", "--set", "jitter=0")
    assert result.exit_code == 0, result.output
    rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    times_s = [float(time.removesuffix("s")) for time, _, _ in rows]
    assert times_s == sorted(times_s)
    for number in "123":
        levels = [level for _, own, level in rows if own == number]
        assert levels == ["0", "1"] * (len(levels) // 2)  # rests high, falls for every pulse
    motor_s = [t for t, (_, own, level) in zip(times_s, rows, strict=True) if (own, level) == ("2", "0")]
    assert len(motor_s) in {99, 100}  # 24.94 turns a second
    gaps_s = [after - before for before, after in itertools.pairwise(motor_s)]
    assert max(gaps_s) - min(gaps_s) < 1e-6


def test_machines_by_name_and_by_file_and_a_wrong_description(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_text(demo_text("saw").replace('driver = "80 mm"', 'driver = "84 mm"'), encoding="utf-8")
    log, truth = tmp_path / "a.csv", tmp_path / "a.json"
    words = ("steady", "-o", str(log), "--truth", str(truth), "--duration", "3s", "--real-machine", str(real))
    assert run(*words).exit_code == 0
    assert json.loads(truth.read_text(encoding="utf-8"))["steady"][0]["ratio"] == pytest.approx(57.2, rel=0.01)
    assert read_log(log).machine.text == demo_text("saw")
    grinder = run("steady", "--machine", "grinder", "--belt", "slow / 3 in", "--duration", "2s", "-o",
                  str(tmp_path / "b.csv"))  # fmt: skip
    assert grinder.exit_code == 0, grinder.output


def test_the_list_names_every_scenario_and_parameter() -> None:
    text = run("--list").output
    for word in ("belt-slip", "warm-up", "everyday", "belt_lump", "clock_ppm", "mark_delay_s"):
        assert word in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "no scenario given"),
        (("cut",), "nothing to write"),
        (("cut", "-o", "{}/a.csv", "--set", "jitter"), "NAME=VALUE"),
        (("cut", "--edges", "{}/e.txt", "--truth", "{}/t.json"), "add -o LOG"),
        (("cut", "-o", "{}/a.csv", "--duration", "5"), "has no unit"),
        (("cut", "-o", "{}/a.csv", "--seed", "-2"), "seed"),
    ],
)
def test_wrong_usage_is_told(words: tuple[str, ...], message: str, tmp_path: Path) -> None:
    result = run(*(word.format(tmp_path) for word in words))
    assert result.exit_code == 2
    assert message in result.output
    assert list(tmp_path.iterdir()) == []


def test_a_truth_that_exists_is_kept(tmp_path: Path) -> None:
    truth = tmp_path / "t.json"
    truth.write_text("mine", encoding="utf-8")
    result = run("steady", "-o", str(tmp_path / "a.csv"), "--truth", str(truth))
    assert result.exit_code == 2
    assert truth.read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "a.csv").exists()


class Terminal(io.StringIO):
    """A standard error that is a terminal."""

    def isatty(self) -> bool:
        return True


def test_progress_is_one_line_that_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal it is written over: each time from the line's beginning, and gone at the end."""
    terminal = Terminal()
    monkeypatch.setattr(_progress, "PATIENCE_S", 0.0)
    monkeypatch.setattr(_progress, "ON_TERMINAL_S", 0.0)
    monkeypatch.setattr(sys, "stderr", terminal)
    play(
        "steady", output=tmp_path / "log.csv", truth=None, edges=None, seed=1, machine=demo_machine("saw"),
        real_machine=None, settings={"duration_s": 10.0},
    )  # fmt: skip
    assert terminal.getvalue() == "\r\x1b[Ksimulated: 5 of 10 s\r\x1b[Ksimulated: 10 of 10 s\r\x1b[K"
