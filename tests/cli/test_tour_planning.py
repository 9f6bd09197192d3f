"""Does the planning part of the README's tour show what the commands really print?"""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from kerfbeat import cli
from kerfbeat.machine import demo_names, demo_text

README = Path(__file__).parents[2] / "README.md"


def blocks() -> list[str]:
    section = README.read_text(encoding="utf-8").partition("### Before you buy parts")[2]
    return re.findall(r"```\n(\$ kerfbeat .*?)```", re.split(r"\n##+ ", section)[0], re.DOTALL)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in demo_names():
        (tmp_path / f"{name}.toml").write_text(demo_text(name), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_shown_lines_are_printed(bench: Path) -> None:
    assert len(blocks()) == 2
    for block in blocks():
        command, *shown = block.splitlines()
        result = CliRunner().invoke(cli.main, shlex.split(command.removeprefix("$ kerfbeat ")))
        assert result.exit_code == 0, result.output
        printed = result.stdout.splitlines()
        assert len(shown) > 3
        for line in shown:
            assert line == "..." or line in printed, line


def test_commands_in_the_text_run(bench: Path) -> None:
    section = README.read_text(encoding="utf-8").partition("### Before you buy parts")[2]
    section = re.split(r"\n##+ ", section)[0]
    commands = [" ".join(found.split()) for found in re.findall(r"`kerfbeat ([^`]*)`", section)]
    assert len(commands) >= 6
    for command in commands:
        if not command.startswith("describe"):  # asks questions
            assert CliRunner().invoke(cli.main, shlex.split(command)).exit_code == 0, command
    assert {path.name for path in bench.glob("*.pdf")} == {"door.pdf", "dial.pdf", "strip.pdf"}
