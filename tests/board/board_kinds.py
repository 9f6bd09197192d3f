"""Which boards do the tests run on, and what is promised of each?  PROTOCOL.md section 7."""

from __future__ import annotations

from dataclasses import dataclass

import pytest


@dataclass(frozen=True, kw_only=True)
class Promise:
    """By input 1 to 3: how far a timestamp may be off, how close two edges may be when the other inputs fire, too."""

    kind: int  # in HELLO
    tolerance_ticks: dict[int, int]
    disturbed_cycles: dict[int, int]
    eeprom_bytes: int


PROMISES = {
    "atmega328p": Promise(
        kind=1, tolerance_ticks={1: 1, 2: 160, 3: 240}, disturbed_cycles={1: 512, 2: 512, 3: 512}, eeprom_bytes=1024,
    ),
    "atmega2560": Promise(  # inputs 1 and 2 also wait for the line's bytes, which a recording has: 40 us
        kind=2, tolerance_ticks={1: 1, 2: 1, 3: 240}, disturbed_cycles={1: 640, 2: 640, 3: 512}, eeprom_bytes=4096,
    ),
}

FIRST = "atmega328p"  # where a test does not say otherwise

on_every_board = pytest.mark.parametrize("board_name", PROMISES, indirect=True)
