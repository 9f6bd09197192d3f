"""How do the tests of hardware/ find its scripts, and a board for the guide's commands?"""

from __future__ import annotations

import fcntl
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(Path(__file__).parent))       # helpers beside the tests
sys.path.insert(0, str(ROOT / "hardware"))           # the scripts are run by their path, not installed
sys.path.insert(0, str(ROOT / "tests" / "board"))    # the emulated board's driver


@pytest.fixture(scope="session")
def hardware(repository: Path) -> Path:
    """The folder of the build guide."""
    return repository / "hardware"


@pytest.fixture(scope="session")
def openscad(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Renders a solid to an STL file with these values at its top; fails with the package's name if it is missing."""
    if shutil.which("openscad") is None:
        pytest.fail("openscad is missing: install the Debian package openscad", pytrace=False)

    def render(source: Path, stl: Path, **values: float) -> subprocess.CompletedProcess[str]:
        given = [word for name, value in values.items() for word in ("-D", f"{name}={value}")]
        return subprocess.run(
            ["openscad", "-q", "-o", str(stl), *given, str(source)], capture_output=True, text=True, check=False,
        )

    return render


@pytest.fixture(scope="session")
def emulated_board_files(repository: Path) -> tuple[Path, Path]:
    """The emulator and the program that is flashed, built."""
    with (Path(tempfile.gettempdir()) / "kerfbeat-build.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)        # tests may run in several processes, which share what is built
        for folder in ("firmware", "firmware/bench"):
            done = subprocess.run(
                ["make", "-s", "-C", str(repository / folder)], capture_output=True, text=True, check=False,
            )
            if done.returncode != 0:
                pytest.fail(f"make -C {folder} failed:\n{done.stdout}{done.stderr}", pytrace=False)
    return repository / "firmware/bench/build/board", repository / "firmware/avr/build/atmega328p.elf"
