"""Does the part of the README's tour on what changes show what the command really prints?"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[2]


def test_shown_lines_are_printed(
    monkeypatch: pytest.MonkeyPatch, assert_printed_as_shown: Callable[[str], None]
) -> None:
    section = (REPOSITORY / "README.md").read_text(encoding="utf-8").partition("### See what changes")[2]
    (block,) = re.findall(r"```\n(\$ kerfbeat .*?)```", re.split(r"\n##+ ", section)[0], re.DOTALL)
    monkeypatch.chdir(REPOSITORY)
    assert_printed_as_shown(block)
