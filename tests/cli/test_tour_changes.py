"""Does the part of the README's tour on what changes show what the command really prints?"""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from kerfbeat import cli

REPOSITORY = Path(__file__).parents[2]


def test_shown_lines_are_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    section = (REPOSITORY / "README.md").read_text(encoding="utf-8").partition("### See what changes")[2]
    (block,) = re.findall(r"```\n(\$ kerfbeat .*?)```", re.split(r"\n##+ ", section)[0], re.DOTALL)
    command, *shown = block.splitlines()
    monkeypatch.chdir(REPOSITORY)
    result = CliRunner().invoke(cli.main, shlex.split(command.removeprefix("$ kerfbeat ")))
    assert result.exit_code == 0, result.output
    printed = result.stdout.splitlines()
    assert len(shown) > 3
    for line in shown:
        assert line == "..." or line in printed, line
