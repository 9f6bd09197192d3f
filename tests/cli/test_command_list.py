"""Does every command load, explain itself with an example, and fail in one line?"""

import builtins
import json
import os
import re
import subprocess
import sys

import click
import numpy as np
import pytest
from click.testing import CliRunner

from kerfbeat import cli, errors
from kerfbeat.__main__ import start
from kerfbeat.cli import _show


@pytest.fixture
def runner() -> CliRunner:
    return CliRunner()


@pytest.mark.parametrize("entry", cli.COMMANDS, ids=lambda entry: entry.name)
def test_help_of_every_command_has_an_example(runner: CliRunner, entry: cli.Entry) -> None:
    result = runner.invoke(cli.main, [entry.name, "--help"])
    assert result.exit_code == 0
    assert f"  kerfbeat {entry.name} " in result.stdout
    assert all(len(line) <= 100 for line in result.stdout.splitlines())


@pytest.mark.parametrize("words", [*([entry.name] for entry in cli.COMMANDS), *(
    ["calibrate", name] for name in ("targets", "clock", "wheel", "drive")
)])  # fmt: skip
def test_help_is_in_the_reader_s_words(runner: CliRunner, words: list[str]) -> None:
    """Each value has a name; no bound or type as a program writes it, and no sentence is cut."""
    text = runner.invoke(cli.main, [*words, "--help"]).output
    assert not re.search(r"x[<>]=|<=x|INTEGER|FLOAT|TEXT\b|RANGE|\.\.\.$", text.split("\n", 1)[1], re.MULTILINE)


def test_list_of_commands_imports_no_command_module() -> None:
    script = (
        "import sys, kerfbeat.cli\n"
        "try: kerfbeat.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = [name for name in sys.modules if name.split('.')[0] in "
        "('numpy', 'scipy', 'matplotlib', 'textual', 'serial', 'rich', 'tomlkit')]\n"
        "print(heavy + [name for name in sys.modules if name.startswith('kerfbeat.cli.')], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert all(entry.name in done.stdout and entry.summary in done.stdout for entry in cli.COMMANDS)


def test_module_run_is_the_same_program(runner: CliRunner) -> None:
    done = subprocess.run([sys.executable, "-m", "kerfbeat", "--help"], capture_output=True, text=True, check=True)
    assert done.stdout == runner.invoke(cli.main, ["--help"], prog_name="kerfbeat").stdout


def test_no_argument_shows_the_commands(runner: CliRunner) -> None:
    result = runner.invoke(cli.main, [])
    assert result.exit_code == 0
    assert "kerfbeat watch --port sim://" in result.stdout


def test_unknown_command_names_the_nearest(runner: CliRunner) -> None:
    result = runner.invoke(cli.main, ["wacth"])
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert 'did you mean "watch"?' in result.stderr


def _failing(error: BaseException) -> click.Command:
    @click.command()
    def fail() -> None:
        raise error

    return fail


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (errors.LinkError("/dev/ttyUSB0: no such port."), 1, "kerfbeat: /dev/ttyUSB0: no such port.\n"),
        (errors.LogError("run.log: empty."), 2, "kerfbeat: run.log: empty.\n"),
        (errors.MachineError("two\nlines \x1b[2J"), 2, "kerfbeat: two lines \\x1b[2J\n"),
        (FileNotFoundError(2, "No such file", "saw.toml"), 2, "saw.toml: no such file"),
        (IsADirectoryError(21, "Is a directory", "logs"), 2, "logs: is a folder"),
        (PermissionError(13, "Permission denied", "run.log"), 1, "run.log: permission denied"),
        (OSError(28, "No space left on device", "run.log"), 1, "run.log: the disk is full"),
        (OSError(5, "Input/output error", "run.log"), 1, "run.log: Input/output error."),
        (click.BadParameter("no"), 2, "no"),
        (click.ClickException("no"), 1, "no"),
        (KeyboardInterrupt(), 1, "stopped by Ctrl-C"),
        (ZeroDivisionError("division by zero"), 1, "a fault in kerfbeat itself"),
        (MemoryError(), 1, "there is not memory enough"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else "",
)
def test_every_error_is_one_line_and_a_status(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int, words: str
) -> None:
    monkeypatch.setattr(cli.CommandList, "get_command", lambda *_: _failing(error))
    result = runner.invoke(cli.main, ["check"])
    assert result.exit_code == status
    assert words in result.stderr
    assert result.stderr.strip().count("\n") == 0
    assert "Traceback" not in result.output


def test_reader_that_goes_away_is_met_in_silence() -> None:
    script = (
        "import sys, kerfbeat.cli as cli, click\n"
        "@click.command()\n"
        "def pour():\n"
        "    while True: click.echo('x' * 1000)\n"
        "cli.CommandList.get_command = lambda *_: pour\n"
        "cli.main(['check'])"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stdout.readline()
        run.stdout.close()
        assert run.stderr.read() == b""
        assert run.wait() == 1


def test_json_is_plain(capsys: pytest.CaptureFixture[str]) -> None:
    many = np.array([1.0, np.inf])
    _show.print_json({"speed": np.float64(1.5), "none": float("nan"), "many": many, "count": np.int64(3), "on": True})
    document = json.loads(capsys.readouterr().out)
    assert document == {"speed": 1.5, "none": None, "many": [1.0, None], "count": 3, "on": True}


def test_table_lines_up() -> None:
    shown = _show.table(["gear", "m/min"], [["low", "20.1"], ["high\x07", "103.4"]])
    assert shown.splitlines() == ["gear      m/min", "low        20.1", r"high\x07  103.4"]


@pytest.mark.parametrize("name", ["plot.gif", "plot", ".png.txt"])
def test_plot_suffix_is_refused_before_any_work(name: str) -> None:
    with pytest.raises(click.BadParameter, match=r"end its name with \.png, \.svg, \.pdf"):
        _show.PlotFile().convert(name, None, None)


def test_ctrl_c_while_the_program_is_loaded_leaves_no_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(name: str, *_rest: object) -> object:
        if name == "kerfbeat.cli":
            raise KeyboardInterrupt
        return imported(name, *_rest)

    imported = builtins.__import__
    monkeypatch.setattr(builtins, "__import__", interrupted)
    with pytest.raises(SystemExit) as ended:
        start()
    assert ended.value.code == 1
    assert capsys.readouterr().err == "\nkerfbeat: stopped by Ctrl-C before it began.\n"


def test_small_matrices_start_no_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour's orders took seven times the processor time on a busy machine; who sets the number himself keeps it."""
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    for wanted in ("1", "3"):
        assert CliRunner().invoke(cli.main, ["--help"]).exit_code == 0
        assert os.environ["OPENBLAS_NUM_THREADS"] == wanted
        monkeypatch.setenv("OPENBLAS_NUM_THREADS", "3")
