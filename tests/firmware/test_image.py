"""Is the image small, free of what does not belong in it, the same from every build, and the one in release/?"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from board_kinds import FIRST, PROMISES, on_every_board

Make = Callable[..., "subprocess.CompletedProcess[str]"]
IMAGE = f"avr/build/{FIRST}.hex"
LIMITS = {"atmega328p": (14335, 1228), "atmega2560": (20480, 4096)}  # flash, static memory: bytes


def hex_bytes(path: Path) -> dict[int, int]:
    """Address and byte of an Intel hex file, its checksums checked (Intel, Hexadecimal Object File Format, 1988)."""
    found = {}
    for line in path.read_text().split():
        record = bytes.fromhex(line.removeprefix(":"))
        assert sum(record) % 256 == 0, line
        if record[3] == 0:
            found.update({record[1] * 256 + record[2] + at: byte for at, byte in enumerate(record[4:-1])})
    return found


def test_every_board_is_tested(repository: Path) -> None:
    assert {path.parent.name for path in (repository / "firmware" / "avr").glob("*/board.mk")} == set(PROMISES)


@on_every_board
def test_limits_are_kept(make: Make, built: Callable[[str], Path], board_name: str) -> None:
    done = make("size", f"BOARD={board_name}")
    assert done.returncode == 0
    flash, memory = LIMITS[board_name]
    numbers = re.fullmatch(
        rf"{board_name}: flash (\d+) of {flash} bytes, static memory (\d+) of {memory} bytes\n", done.stdout,
    )
    assert numbers is not None
    assert int(numbers[1]) == len(hex_bytes(built(f"avr/build/{board_name}.hex")))
    assert 400 < int(numbers[2]) <= memory  # the three rings alone are 400


@pytest.mark.parametrize(("limit", "sentence"), [
    ("FLASH_LIMIT=5000", "the image is larger than its flash limit"),
    ("RAM_LIMIT=500", "static memory is larger than its limit"),
])
def test_a_limit_exceeded_fails_the_build(make: Make, limit: str, sentence: str) -> None:
    done = make("all", limit)
    assert done.returncode != 0
    assert sentence in done.stdout


@pytest.mark.parametrize(("code", "symbol"), [
    ("volatile unsigned a = 7, b = 3, c; void sneak(void) { c = a / b; }", "__udivmodhi4"),
    ("volatile long a = 7, b = 3, c; void sneak(void) { c = a % b; }", "__divmodsi4"),
    ("volatile float a = 7, b = 3, c; void sneak(void) { c = a * b; }", "__mulsf3"),
    ("#include <stdlib.h>\nvoid *volatile c; void sneak(void) { c = malloc(3); }", "malloc"),
])
def test_a_division_float_or_heap_fails_the_build(make: Make, tmp_path: Path, code: str, symbol: str) -> None:
    sneaked = tmp_path / "sneaked.c"
    sneaked.write_text(f"void sneak(void) __attribute__((used, constructor));\n{code}\n")
    done = make("all", f"EXTRA={sneaked}", f"BUILD={tmp_path}/build", "FLASH_LIMIT=30000")
    assert done.returncode != 0
    assert symbol in done.stdout + done.stderr
    assert "the image holds a software division, floating point or a heap" in done.stderr


def test_two_builds_in_different_places_are_the_same(make: Make, repository: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "another place"  # a blank in the path, too
    for folder in ("core", "avr"):
        shutil.copytree(repository / "firmware" / folder, elsewhere / folder, ignore=shutil.ignore_patterns("build"))
    shutil.copy(repository / "firmware" / "Makefile", elsewhere)
    done = make(folder=elsewhere)
    assert done.returncode == 0, done.stderr
    for board in PROMISES:
        image = f"avr/build/{board}.hex"
        assert (elsewhere / image).read_bytes() == (repository / "firmware" / image).read_bytes()


def test_the_release_is_what_these_sources_give(make: Make) -> None:
    done = make("release-check")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "".join(f"release/{board}.hex: the same, byte for byte\n" for board in sorted(PROMISES))


@pytest.fixture
def release_copy(repository: Path, built: Callable[[str], Path], tmp_path: Path) -> Path:
    built(IMAGE)
    shutil.copytree(repository / "firmware" / "release", tmp_path / "release")
    return tmp_path / "release"


def compare(release: Path, image: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["sh", release / "compare.sh", image], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(("file", "old", "new", "sentence"), [
    ("atmega328p.hex", ":1000", ":1001", "is not what these sources give"),
    ("atmega328p.txt", "sha256: ", "sha256: 0", "tells another checksum"),
    ("atmega328p.txt", "(GCC) ", "(GCC) 1", "the two cannot be compared"),
    ("atmega328p.hex", "", None, "has no image of atmega328p"),
])
def test_a_release_that_differs_is_told(
    release_copy: Path, repository: Path, file: str, old: str, new: str | None, sentence: str,
) -> None:
    image = repository / "firmware" / IMAGE
    assert compare(release_copy, image).returncode == 0
    text = (release_copy / file).read_text()
    assert old in text
    if new is None:
        (release_copy / file).unlink()
    else:
        (release_copy / file).write_text(text.replace(old, new, 1))
    done = compare(release_copy, image)
    assert done.returncode != 0
    assert sentence in done.stderr


@on_every_board
def test_release_tells_the_version_of_the_sources(repository: Path, board_name: str) -> None:
    header = (repository / "firmware/core/version.h").read_text()
    version = ".".join(re.findall(r"VERSION_(?:MAJOR|MINOR|PATCH) (\d+)u", header))
    assert f"\nversion: {version}\n" in (repository / "firmware/release" / f"{board_name}.txt").read_text()


def test_each_header_of_the_core_stands_alone(repository: Path, tmp_path: Path) -> None:
    for path in (repository / "firmware" / "core").glob("*.h"):
        alone = tmp_path / "alone.c"
        alone.write_text(f'#include "{path.name}"\n#include "{path.name}"\nint alone;\n')
        done = subprocess.run(
            ["gcc", "-std=c11", "-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Werror", "-fsyntax-only",
             f"-I{path.parent}", str(alone)], capture_output=True, text=True, check=False,
        )
        assert done.returncode == 0, done.stderr
