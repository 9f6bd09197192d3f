"""Do the kept inputs, and small changes of them, still break nothing in the firmware's portable part?

Two programs: core_fuzz.c (a host's bytes, the stored settings) and instrument_fuzz.c (edges, time, buttons, display).
Built here with gcc and sanitizers; the fuzzer itself needs clang.  A campaign, and what it reaches:

    clang -g -O2 -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=undefined -Wl,--wrap=scale \\
        -I firmware/core tests/fuzz/instrument_fuzz.c firmware/core/*.c -o /tmp/fuzz
    mkdir -p /tmp/found && /tmp/fuzz -max_len=600 -max_total_time=900 /tmp/found tests/data/fuzz/instrument

    clang -g -O1 -DREPLAY -fprofile-instr-generate -fcoverage-mapping ... -o /tmp/reached && /tmp/reached /tmp/found/*
    llvm-profdata merge default.profraw -o reached.prof && llvm-cov report /tmp/reached -instr-profile=reached.prof

core_fuzz.c goes without `-Wl,--wrap=scale`.
"""

import os
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
KEPT = HERE.parent / "data" / "fuzz"
CHANGES = 60 if os.environ.get("KERFBEAT_LONG") else 4  # of each kept input
WRAPPED = {"core": [], "instrument": ["-Wl,--wrap=scale"]}
PROGRAMS = tuple(WRAPPED)

Replay = Callable[[list[Path]], None]


@pytest.fixture(scope="module", params=PROGRAMS)
def subject(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def replay(subject: str, tmp_path_factory: pytest.TempPathFactory, repository: Path) -> Replay:
    assert shutil.which("gcc"), "gcc is missing: install the Debian package gcc"
    program = tmp_path_factory.mktemp(subject) / "fuzz"
    core = repository / "firmware" / "core"
    subprocess.run(
        ["gcc", "-std=c11", "-g", "-O1", "-Wall", "-Wextra", "-Werror", "-DREPLAY", "-fsanitize=address,undefined",
         "-fno-sanitize-recover=all", *WRAPPED[subject], "-I", core, HERE / f"{subject}_fuzz.c",
         *sorted(core.glob("*.c")), "-o", program],
        check=True,
    )  # fmt: skip

    def run(inputs: list[Path]) -> None:
        done = subprocess.run([program, *inputs], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr[-2000:]
        assert done.stdout == f"{len(inputs)} inputs\n"

    return run


def test_kept_inputs(subject: str, replay: Replay) -> None:
    inputs = sorted((KEPT / subject).iterdir())
    assert len(inputs) >= 20
    replay(inputs)


def test_small_changes_of_kept_inputs(subject: str, replay: Replay, tmp_path: Path) -> None:
    rng = random.Random(subject)
    inputs = []
    for kept in sorted((KEPT / subject).iterdir()):
        for number in range(CHANGES):
            data = bytearray(kept.read_bytes())
            for _ in range(rng.choice((1, 1, 2, 8))):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            inputs.append(tmp_path / f"{kept.name}-{number}")
            inputs[-1].write_bytes(data)
    replay(inputs)
