"""Are long lines broken between words on a terminal, and left whole elsewhere?"""

import os
import sys

import pexpect
import pytest

from kerfbeat.cli._echo import echo, wrapped

CAUTION = (
    "  Run the machine idle, no work in it, all guards closed, and stand where its operator stands; an inverter's "
    "terminals stay live."
)


@pytest.mark.parametrize("columns", [40, 60, 80, 120])
def test_lines_are_broken_between_words_only(columns: int) -> None:
    lines = wrapped(CAUTION, columns=columns).split("\n")
    assert all(len(line) <= columns for line in lines)
    assert " ".join(" ".join(lines).split()) == CAUTION.strip()
    assert all(line.startswith("    ") for line in lines[1:])  # set in further than the line itself


def test_what_fits_and_what_has_no_blank_is_left() -> None:
    table = "channel  pulses\nwheel        12"
    assert wrapped(table, columns=80) == table
    path = "/tmp/" + 90 * "x"
    assert wrapped(path, columns=80) == path
    assert wrapped(CAUTION, columns=20) == CAUTION  # so narrow, the terminal breaks lines itself


def test_question_keeps_the_blank_behind_it() -> None:
    assert wrapped(f"{CAUTION} Enter: ", columns=80).endswith("Enter: ")


def test_a_pipe_gets_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    echo(CAUTION)
    assert capsys.readouterr().out == CAUTION + "\n"


def test_errors_on_a_terminal_are_broken_between_words() -> None:
    window = {name: value for name, value in os.environ.items() if name != "COLUMNS"}  # which would say another width
    command = pexpect.spawn(
        sys.executable, ["-m", "kerfbeat", "speed", "a-log-that-is-not-there.csv"], dimensions=(24, 50), timeout=60,
        env=window,
    )  # fmt: skip
    command.expect(pexpect.EOF)
    lines = [line.rstrip() for line in command.before.decode().splitlines() if line.strip()]
    assert len(lines) > 1
    assert all(len(line) <= 50 for line in lines)
