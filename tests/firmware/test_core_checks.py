"""Does the portable core pass its checks on this machine, with sanitizers, and on the board's processor?"""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from board_driver import EmulatedBoard
from board_kinds import on_every_board

CHECKS = Path(__file__).parent / "core"
NAMES = sorted(path.stem for path in CHECKS.glob("test_*.c"))
PATIENCE_S = 120.0  # only so that a hung test ends


def judge(name: str, said: str) -> None:
    """Lines "failed LINE" and then "done CHECKS"."""
    lines = (CHECKS / f"{name}.c").read_text().splitlines()
    failed = [int(number) for number in re.findall(r"^failed 0*(\d+)$", said, re.MULTILINE)]
    assert not failed, "\n".join(f"{name}.c:{number}: {lines[number - 1].strip()}" for number in failed)
    done = re.search(r"^done 0*(\d+)$", said, re.MULTILINE)
    assert done is not None, said
    assert int(done[1]) > 500


def test_all_of_the_core_is_checked(repository: Path) -> None:
    sources = {path.stem for path in (repository / "firmware" / "core").glob("*.[ch]")}
    not_logic = {"flash", "inline", "version", "wire"}  # attributes and numbers
    assert {name.removeprefix("test_") for name in NAMES} == sources - not_logic


@pytest.mark.parametrize("name", NAMES)
def test_on_this_machine(built: Callable[[str], Path], name: str) -> None:
    done = subprocess.run([built(f"avr/build/host/{name}")], capture_output=True, text=True, check=False)
    judge(name, done.stdout)
    assert done.returncode == 0, done.stderr


@pytest.mark.board
@on_every_board
@pytest.mark.parametrize("name", NAMES)
def test_on_the_processor_of_the_board(
    start_board: Callable[..., EmulatedBoard], board_name: str, name: str,
) -> None:
    board = start_board("--speed", "max", program=f"avr/build/target/{board_name}/{name}.elf")
    said = b""
    deadline = time.monotonic() + PATIENCE_S
    with serial.Serial(board.url, 500_000, timeout=0.1) as port:
        while not re.search(rb"done \d+\n", said):
            assert time.monotonic() < deadline, f"{name} never ended; so far: {said!r}"
            if not said:
                port.write(b"?")  # the program waits for a byte, so that nothing it says is lost
            said += port.read(200)
    assert board.stats()["faults"] == 0
    judge(name, said.decode("ascii"))
