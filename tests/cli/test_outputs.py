"""What does every option that writes a file do with a name that is a trap: taken, a folder, a link, a device?

Nothing but what was asked for is written, what stood there stays or is replaced whole, and what could not be written
whole is not there.  Only a drawing of --plot, and what --replace is said of, goes over a file.
"""

import os
import resource
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.machine import demo_text

KEPT = b"somebody's own\n"


@dataclass(frozen=True, kw_only=True)
class Output:
    """A command with an option that writes; `replaces`: a file that is there already is written over."""

    typed: str
    suffix: str
    replaces: bool = False


OUTPUTS = {
    "chart": Output(typed="chart saw.toml -o OUT", suffix=".pdf"),
    "chart --replace": Output(typed="chart saw.toml --replace -o OUT", suffix=".pdf", replaces=True),
    "dial": Output(typed="dial saw.toml -o OUT", suffix=".pdf"),
    "strip": Output(typed="strip saw.toml -o OUT", suffix=".pdf"),
    "report": Output(typed="report run.csv -o OUT", suffix=".html"),
    "report --replace": Output(typed="report run.csv --replace -o OUT", suffix=".pdf", replaces=True),
    "report --html": Output(typed="report run.csv --html OUT", suffix=".html"),
    "export": Output(typed="export run.csv -o OUT", suffix=".csv"),
    "export --every": Output(typed="export run.csv --every 1s -o OUT", suffix=".csv"),
    "import": Output(typed="import pulses.csv --machine saw.toml --hz 50 -o OUT", suffix=".csv"),
    "simulate": Output(typed="simulate steady --duration 2s -o OUT", suffix=".csv"),
    "simulate --edges": Output(typed="simulate steady --duration 2s --edges OUT", suffix=".txt"),
    "record": Output(typed="record --port sim:// --for 1s --quiet -o OUT", suffix=".csv"),
    "predict --plot": Output(typed="predict saw.toml --plot OUT", suffix=".png", replaces=True),
    "speed --plot": Output(typed="speed run.csv --plot OUT", suffix=".svg", replaces=True),
}
REFUSES = [name for name, output in OUTPUTS.items() if not output.replaces]
REPLACES = [name for name, output in OUTPUTS.items() if output.replaces]


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("inputs")
    (folder / "saw.toml").write_text(demo_text("saw"), encoding="utf-8")
    (folder / "pulses.csv").write_text("channel,seconds\n" + "".join(f"wheel,{k / 4}\n" for k in range(40)))
    made = CliRunner().invoke(cli.main, ["simulate", "steady", "--duration", "20s", "-o", str(folder / "run.csv")])
    assert made.exit_code == 0
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def folder(inputs: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    work = tmp_path / "work"
    work.mkdir()
    for name, content in inputs.items():
        (work / name).write_bytes(content)
    monkeypatch.chdir(work)
    yield work
    for name, content in inputs.items():
        assert (work / name).read_bytes() == content, f"{name} was touched"


def run(name: str, out: str) -> Result:
    return CliRunner().invoke(cli.main, OUTPUTS[name].typed.replace("OUT", out).split())


def everything(folder: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.parent.rglob("*")
        if path.is_relative_to(folder)
    }


def told_in_one_line(result: Result, status: int) -> None:
    assert result.exit_code == status, result.output
    said = [line for line in result.stderr.splitlines() if not line.startswith("warning: ")]
    assert len(said) == 1, result.stderr
    assert said[0].startswith("kerfbeat: ")


@pytest.mark.parametrize("name", REFUSES)
def test_a_file_that_is_there_stays(folder: Path, name: str) -> None:
    out = "there" + OUTPUTS[name].suffix
    (folder / out).write_bytes(KEPT)
    before = everything(folder)
    told_in_one_line(run(name, out), 2)
    assert everything(folder) == before


@pytest.mark.parametrize("name", REPLACES)
def test_a_file_that_is_replaced_is_replaced_whole(folder: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    out = folder / ("there" + OUTPUTS[name].suffix)
    out.write_bytes(KEPT)
    out.chmod(0o640)
    before = everything(folder)
    with monkeypatch.context() as failing:

        def full(_handle: int) -> None:
            raise OSError(28, "No space left on device")

        failing.setattr(os, "fsync", full)
        told_in_one_line(run(name, out.name), 1)
        assert everything(folder) == before
    done = run(name, out.name)
    assert done.exit_code == 0, done.output
    assert out.read_bytes() != KEPT
    assert out.stat().st_mode & 0o777 == 0o640
    assert everything(folder).keys() == before.keys()


@pytest.mark.parametrize("name", OUTPUTS)
def test_a_folder_is_no_file(folder: Path, name: str) -> None:
    out = "folder" + OUTPUTS[name].suffix
    (folder / out).mkdir()
    before = everything(folder)
    told_in_one_line(run(name, out), 2)
    assert everything(folder) == before


@pytest.mark.parametrize("name", [name for name in REFUSES if name not in ("dial", "strip", "export --every")])
@pytest.mark.parametrize("leads_to", ["something", "nothing"])
def test_a_link_is_not_written_through(folder: Path, name: str, leads_to: str) -> None:
    elsewhere = folder.parent / "elsewhere"
    if leads_to == "something":
        elsewhere.write_bytes(KEPT)
    out = "link" + OUTPUTS[name].suffix
    (folder / out).symlink_to(elsewhere)
    told_in_one_line(run(name, out), 2)
    assert (folder / out).is_symlink()
    assert (elsewhere.read_bytes() == KEPT) if leads_to == "something" else not elsewhere.exists()


@pytest.mark.parametrize("name", ["predict --plot", "chart --replace"])
def test_a_link_that_is_replaced_stays_a_link(folder: Path, name: str) -> None:
    elsewhere = folder.parent / ("elsewhere" + OUTPUTS[name].suffix)
    elsewhere.write_bytes(KEPT)
    out = folder / ("link" + OUTPUTS[name].suffix)
    out.symlink_to(elsewhere)
    assert run(name, out.name).exit_code == 0
    assert out.is_symlink()
    assert elsewhere.read_bytes() != KEPT


@pytest.mark.parametrize("name", ["predict --plot", "chart --replace"])
def test_a_device_is_written_to_and_stays(folder: Path, name: str) -> None:
    out = folder / ("full" + OUTPUTS[name].suffix)
    out.symlink_to("/dev/full")
    told_in_one_line(run(name, out.name), 1)
    assert out.is_symlink()
    assert Path("/dev/full").is_char_device()


@pytest.mark.parametrize("name", ["chart", "report", "export", "import", "simulate", "record", "predict --plot"])
def test_a_folder_that_is_not_there_is_not_made(folder: Path, name: str) -> None:
    before = everything(folder)
    told_in_one_line(run(name, "../nowhere/out" + OUTPUTS[name].suffix), 2)
    assert everything(folder) == before
    assert not (folder.parent / "nowhere").exists()


@pytest.mark.parametrize("name", ["chart", "export", "import", "simulate", "record", "predict --plot"])
def test_a_folder_that_takes_no_file_is_told(folder: Path, name: str) -> None:
    # The system's own folder of processes refuses the administrator, too.
    result = run(name, "/proc/out" + OUTPUTS[name].suffix)
    assert result.exit_code in (1, 2)
    told_in_one_line(result, result.exit_code)


@pytest.mark.parametrize(
    "name", ["chart", "report", "export", "export --every", "import", "simulate", "simulate --edges", "predict --plot"]
)
def test_a_full_disk_leaves_no_part_of_a_file(folder: Path, name: str) -> None:
    out = folder / ("out" + OUTPUTS[name].suffix)
    before = everything(folder)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, hard))
    try:
        result = run(name, out.name)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    told_in_one_line(result, 1)
    assert everything(folder) == before
