"""How do the tests get an emulated board?"""

from __future__ import annotations

import fcntl
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from board_driver import EmulatedBoard
from board_kinds import FIRST

__all__ = [
    "bench_program", "board", "board_name", "build_step", "firmware_elf", "measured", "run_or_fail", "start_board",
]


def run_or_fail(command: Sequence[str], *, packages: str) -> None:
    """Runs a build step; a tool that is missing fails the test with the packages' names."""
    if shutil.which(command[0]) is None:
        pytest.fail(f"{command[0]} is missing: install the Debian packages {packages}", pytrace=False)
    with (Path(tempfile.gettempdir()) / "kerfbeat-build.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)        # tests may run in several processes, which share what is built
        done = subprocess.run(list(command), capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.fail(
            f"{' '.join(command)} failed (it needs the Debian packages {packages}):\n{done.stdout}{done.stderr}",
            pytrace=False,
        )


@pytest.fixture(scope="session")
def build_step() -> Callable[..., None]:
    """`run_or_fail`, for tests that build programs of their own."""
    return run_or_fail


@pytest.fixture(scope="session")
def bench_program(repository: Path) -> Path:
    """The harness, built."""
    folder = repository / "firmware" / "bench"
    run_or_fail(["make", "-C", str(folder)], packages="make gcc libsimavr-dev libelf-dev")
    return folder / "build" / "board"


@pytest.fixture(scope="session")
def board_name(request: pytest.FixtureRequest) -> str:
    """The board of firmware/avr to run on; tests marked `on_every_board` run once for each."""
    return str(getattr(request, "param", FIRST))


@pytest.fixture(scope="session")
def firmware_elf(repository: Path, board_name: str) -> Path:
    """The very program that is flashed, built."""
    folder = repository / "firmware"
    run_or_fail(["make", "-C", str(folder)], packages="make gcc-avr avr-libc binutils-avr")
    return folder / "avr" / "build" / f"{board_name}.elf"


@pytest.fixture
def start_board(
    bench_program: Path, board_name: str, tmp_path: Path, request: pytest.FixtureRequest,
) -> Iterator[Callable[..., EmulatedBoard]]:
    """Starts boards with options of the harness, by default with `board_name`'s firmware; stops them after the test."""
    boards: list[EmulatedBoard] = []

    def start(*options: str, elf: Path | None = None) -> EmulatedBoard:
        folder = tmp_path / f"board{len(boards)}"
        folder.mkdir()
        program = elf or request.getfixturevalue("firmware_elf")
        boards.append(EmulatedBoard(bench_program, program, folder, options))
        return boards[-1]

    yield start
    for board in boards:
        board.stop()


@pytest.fixture
def board(start_board: Callable[..., EmulatedBoard]) -> EmulatedBoard:
    """A board in real time with nothing in its EEPROM."""
    return start_board()


@pytest.fixture
def measured(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Notes a measured number for the table at the end of `pytest tests/board`."""
    return lambda row: request.node.user_properties.append(("measured", row))
