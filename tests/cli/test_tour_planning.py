"""Does the planning part of the README's tour show what the commands really print?"""

import re
import shlex
from collections.abc import Callable
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


@pytest.mark.usefixtures("bench")
def test_shown_lines_are_printed(assert_printed_as_shown: Callable[[str], None]) -> None:
    assert len(blocks()) == 2
    for block in blocks():
        assert_printed_as_shown(block)


def test_commands_in_the_text_run(bench: Path) -> None:
    section = README.read_text(encoding="utf-8").partition("### Before you buy parts")[2]
    section = re.split(r"\n##+ ", section)[0]
    commands = [" ".join(found.split()) for found in re.findall(r"`kerfbeat ([^`]*)`", section)]
    assert len(commands) >= 6
    for command in commands:
        if not command.startswith("describe"):  # asks questions
            assert CliRunner().invoke(cli.main, shlex.split(command)).exit_code == 0, command
    assert {path.name for path in bench.glob("*.pdf")} == {"door.pdf", "dial.pdf", "strip.pdf"}
