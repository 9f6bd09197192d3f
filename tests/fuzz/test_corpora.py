"""Do the kept inputs, and small changes of them, still break no reader?"""

import random
from pathlib import Path

import pytest

from .targets import TARGETS
from .test_core import PROGRAMS

KEPT = Path(__file__).resolve().parent.parent / "data" / "fuzz"
CHANGES = 3  # of each kept input


def kept(target: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted((KEPT / target).iterdir())]


def test_every_target_has_a_corpus() -> None:
    assert {path.name for path in KEPT.iterdir()} == {*TARGETS, *PROGRAMS}
    assert all(len(kept(target)) >= 20 for target in TARGETS)


@pytest.mark.parametrize("target", TARGETS)
def test_kept_inputs(target: str) -> None:
    for data in kept(target):
        TARGETS[target](data)


@pytest.mark.parametrize("target", TARGETS)
def test_small_changes_of_kept_inputs(target: str) -> None:
    rng = random.Random(target)
    everything = kept(target)
    for data in everything:
        for _ in range(CHANGES):
            changed = bytearray(data)
            at = rng.randrange(len(changed) + 1)
            match rng.randrange(3):
                case 0:
                    changed[at : at + rng.randrange(4)] = rng.randbytes(rng.randrange(4))
                case 1:
                    other = rng.choice(everything)
                    begin = rng.randrange(len(other) + 1)
                    changed[at:at] = other[begin : begin + 40]
                case _:
                    del changed[at : at + rng.randrange(20)]
            TARGETS[target](bytes(changed))
