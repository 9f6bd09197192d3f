"""How do the tests of the firmware get their programs, and a board to run them on?"""

from __future__ import annotations

import fcntl
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # helpers beside the tests
sys.path.insert(0, str(Path(__file__).parents[1] / "board"))  # the emulated board's driver

from board_driver import EmulatedBoard
from board_kinds import FIRST

TOOLS = {"avr-gcc": "gcc-avr avr-libc", "avr-objcopy": "binutils-avr", "make": "make", "gcc": "gcc"}


@pytest.fixture(scope="session")
def make(repository: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs make in firmware/ (or `folder`); a tool that is missing fails the test with its Debian package."""

    def run(*arguments: str, folder: Path = repository / "firmware") -> subprocess.CompletedProcess[str]:
        for tool, packages in TOOLS.items():
            if shutil.which(tool) is None:
                pytest.fail(f"{tool} is missing: install the Debian packages {packages}", pytrace=False)
        with (Path(tempfile.gettempdir()) / "kerfbeat-build.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)        # tests may run in several processes, which share what is built
            return subprocess.run(
                ["make", "-s", "-C", str(folder), *arguments], capture_output=True, text=True, check=False,
            )

    return run


@pytest.fixture(scope="session")
def built(make: Callable[..., subprocess.CompletedProcess[str]], repository: Path) -> Callable[[str], Path]:
    """A program of firmware/, built: `built("avr/build/atmega328p.elf")`."""

    def build(program: str) -> Path:
        done = make(program)
        if done.returncode != 0:
            pytest.fail(f"make {program} failed:\n{done.stdout}{done.stderr}", pytrace=False)
        return repository / "firmware" / program

    return build


@pytest.fixture(scope="session")
def bench_program(make: Callable[..., subprocess.CompletedProcess[str]], repository: Path) -> Path:
    """The emulated board."""
    folder = repository / "firmware" / "bench"
    done = make(folder=folder)
    if done.returncode != 0:
        pytest.fail(
            f"the emulated board needs the Debian packages libsimavr-dev libelf-dev:\n{done.stderr}", pytrace=False,
        )
    return folder / "build" / "board"


@pytest.fixture(scope="session")
def board_name(request: pytest.FixtureRequest) -> str:
    """The board of firmware/avr to run on; tests marked `on_every_board` run once for each."""
    return str(getattr(request, "param", FIRST))


@pytest.fixture
def start_board(
    bench_program: Path, built: Callable[[str], Path], tmp_path: Path, board_name: str,
) -> Iterator[Callable[..., EmulatedBoard]]:
    """Starts boards with options of the harness, by default with the firmware; stops them all after the test."""
    boards: list[EmulatedBoard] = []

    def start(*options: str, program: str | None = None) -> EmulatedBoard:
        folder = tmp_path / f"board{len(boards)}"
        folder.mkdir()
        boards.append(EmulatedBoard(bench_program, built(program or f"avr/build/{board_name}.elf"), folder, options))
        return boards[-1]

    yield start
    for board in boards:
        board.stop()
