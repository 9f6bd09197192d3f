"""Do the kept inputs, and small changes of them, still break nothing in the firmware's portable part?

Built with gcc and sanitizers: the fuzzer itself, which needs clang, is for campaigns (see core_fuzz.c).
"""

import os
import random
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
KEPT = HERE.parent / "data" / "fuzz" / "core"
CHANGES = 60 if os.environ.get("KERFBEAT_LONG") else 6  # of each kept input


@pytest.fixture(scope="module")
def replay(tmp_path_factory: pytest.TempPathFactory, repository: Path) -> Path:
    assert shutil.which("gcc"), "gcc is missing: install the Debian package gcc"
    program = tmp_path_factory.mktemp("core") / "core_fuzz"
    core = repository / "firmware" / "core"
    subprocess.run(
        ["gcc", "-std=c11", "-g", "-O1", "-Wall", "-Wextra", "-Werror", "-DREPLAY", "-fsanitize=address,undefined",
         "-fno-sanitize-recover=all", "-I", core, HERE / "core_fuzz.c",
         *(core / name for name in ("frame.c", "message.c", "config.c")), "-o", program],
        check=True,
    )  # fmt: skip
    return program


def run(program: Path, inputs: list[Path]) -> None:
    done = subprocess.run([program, *inputs], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout == f"{len(inputs)} inputs\n"


def test_kept_inputs(replay: Path) -> None:
    inputs = sorted(KEPT.iterdir())
    assert len(inputs) >= 20
    run(replay, inputs)


def test_small_changes_of_kept_inputs(replay: Path, tmp_path: Path) -> None:
    rng = random.Random("core")
    inputs = []
    for kept in sorted(KEPT.iterdir()):
        for number in range(CHANGES):
            data = bytearray(kept.read_bytes())
            for _ in range(rng.choice((1, 1, 2, 8))):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            inputs.append(tmp_path / f"{kept.name}-{number}")
            inputs[-1].write_bytes(data)
    run(replay, inputs)
