"""Can a file from a stranger do harm: run something, fill memory or time, write elsewhere, drive a terminal?

Every command that reads a log or a machine file is a process with limited memory and time.  It gives a result or one
line; nothing else is written than what was asked for.
"""

import csv
import itertools
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from kerfbeat.capture.exporters import table_lines

from .hostile import FORMULA, LOGS, MACHINES
from .limited import MEMORY_MORE_BYTES, Commands, Outcome

LONG = bool(os.environ.get("KERFBEAT_LONG"))
MOST_S = 20  # of processor; the libraries are loaded already
EACH = 2  # commands for each file in the short run, in turn; in the long one all

OF_A_LOG = (
    "speed IN --json", "speed IN --plot OUT.png", "slip IN --json", "drift IN --json", "orders IN --json",
    "compare IN IN --json", "report IN -o OUT.pdf", "report IN -o OUT.html", "export IN -o OUT.csv",
    "export IN --every 1s -o OUT.csv", "calibrate targets IN --json", "calibrate clock IN --json",
    "calibrate wheel IN --json", "calibrate drive IN --json", "slip IN --plot OUT.png", "orders IN --plot OUT.png",
    "speed IN", "slip IN", "drift IN", "orders IN",
)  # fmt: skip
OF_A_MACHINE = (
    "predict IN --json", "predict IN", "choose IN --speed 80m/min --json",
    "size IN --low 20m/min --high 80m/min --json",
    "chart IN -o OUT.pdf", "dial IN -o OUT.pdf", "strip IN -o OUT.pdf", "mount IN --json", "mount IN",
    "import pulses.csv --machine IN -o OUT.csv --hz 50", "simulate steady --machine IN -o OUT.csv --duration 2s",
    "predict IN --hz 20:80:0.2 --json", "choose IN --speed 80m/min", "predict IN --plot OUT.png",
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("strangers")
    (folder / "pulses.csv").write_text("channel,seconds\n" + "".join(f"wheel,{k / 4}\n" for k in range(40)))
    return folder


@pytest.fixture(scope="module")
def commands(folder: Path) -> Iterator[Commands]:
    with Commands(folder, most_s=MOST_S) as commands:
        yield commands


def _sound(outcome: Outcome, typed: str) -> None:
    """A result or one line; nothing that drives a terminal; numbers that other programs can read."""
    said = outcome.err
    assert outcome.status in (0, 1, 2), f"{typed}: ended by {outcome.status} after {outcome.processor_s:.1f} s: {said}"
    assert "Traceback" not in said, f"{typed}: {said}"
    assert "a fault in kerfbeat" not in said, f"{typed}: {said}"
    told = [line for line in said.splitlines() if not line.startswith("warning: ")]
    assert "Warning" not in said, f"{typed}: {said}"  # of a library, about numbers
    if outcome.status != 0:
        assert len(told) == 1, f"{typed}: {said}"
        assert told[0].startswith("kerfbeat: ")
    shown = outcome.out.decode("utf-8") + said
    odd = {c for c in shown if not c.isprintable() and c != "\n"}
    assert not odd, f"{typed}: shows {odd}"
    if outcome.status == 0 and "--json" in typed:
        json.loads(outcome.out, parse_constant=lambda name: pytest.fail(f"{typed}: {name} is no JSON"))


def _run_on(commands: Commands, folder: Path, name: str, text: str, asked: tuple[str, ...]) -> list[Outcome]:
    """Every command on one file; what it wrote is taken away, and is all that it may have written."""
    given = folder / name
    given.write_text(text, encoding="utf-8")
    before = sorted(folder.parent.rglob("*"))
    outcomes = []
    for typed in asked:
        words = typed.replace("IN", name).split()
        outcome = commands.run(*words)
        _sound(outcome, typed.replace("IN", name))
        written = {path for path in folder.parent.rglob("*") if path not in before}
        wanted = [folder / word for word in words if word.startswith("OUT.")]
        assert written <= set(wanted), f"{typed} wrote {written}"
        for path in written:
            path.unlink()
        outcomes.append(outcome)
    assert given.read_text(encoding="utf-8") == text
    given.unlink()
    return outcomes


def _turns(asked: tuple[str, ...], files: int) -> list[tuple[str, ...]]:
    """Which commands each file gets: all in the long run, else in turn."""
    if LONG:
        return [asked] * files
    turn = itertools.cycle(asked)
    return [tuple(next(turn) for _ in range(EACH)) for _ in range(files)]


def _tell(say: Callable[[str], None], what: str, outcomes: list[Outcome]) -> None:
    refused = sum(outcome.status != 0 for outcome in outcomes)
    longest_s = max(outcome.processor_s for outcome in outcomes)
    say(
        f"{len(outcomes)} commands on hostile {what}: {len(outcomes) - refused} gave a result, {refused} one line; "
        f"{longest_s:.1f} s of processor at most, {MEMORY_MORE_BYTES >> 30} GB of memory allowed"
    )


def test_logs(commands: Commands, folder: Path, say: Callable[[str], None]) -> None:
    outcomes = []
    for (title, text), asked in zip(LOGS.items(), _turns(OF_A_LOG, len(LOGS)), strict=True):
        outcomes += _run_on(commands, folder, f"{title.replace(' ', '-')}.csv", text, asked)
    _tell(say, "logs", outcomes)


def test_machine_files(commands: Commands, folder: Path, say: Callable[[str], None]) -> None:
    outcomes = []
    for (title, text), asked in zip(MACHINES.items(), _turns(OF_A_MACHINE, len(MACHINES)), strict=True):
        outcomes += _run_on(commands, folder, f"{title.replace(' ', '-')}.toml", text, asked)
    _tell(say, "machine files", outcomes)


def test_a_machine_with_too_many_settings_is_refused_at_once(commands: Commands, folder: Path) -> None:
    (folder / "bomb.toml").write_text(MACHINES["a million million settings"], encoding="utf-8")
    outcome = commands.run("predict", "bomb.toml")
    (folder / "bomb.toml").unlink()
    assert outcome.status == 2
    assert outcome.err == (  # 100 gears six times over
        "kerfbeat: bomb.toml: stage: the choices of all stages give 1e+12 settings, and 1000 are the most; leave out "
        "positions and gears that are not used.\n"
    )


@pytest.mark.parametrize("given", ["=1+1", "+1+1", "-1+cmd()", "@SUM(A1)", "\t=1+1", "\r=1+1", " =1+1", FORMULA])
def test_no_cell_of_a_table_is_run(given: str) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return
    line = next(table_lines([given], []))
    (read,) = next(csv.reader([line]))
    assert not read.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert next(table_lines(["x"], [[-1.5]])) == "x"
    assert list(table_lines(["x"], [[-1.5]]))[1] == "-1.5"  # a number is a number


def test_a_file_without_end_is_no_log_and_no_machine(commands: Commands, folder: Path) -> None:
    endless = folder / "endless"
    with endless.open("wb") as file:
        file.truncate(1 << 40)  # takes no room on the disk
    for typed in ("speed endless", "predict endless", "import endless --machine endless -o x"):
        outcome = commands.run(*typed.split())
        _sound(outcome, typed)
        assert outcome.status == 2
    endless.unlink()
