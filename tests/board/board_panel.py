"""How do the tests set a board up without a host, turn its wheel, and read its display at any moment?"""

from __future__ import annotations

import json
import struct
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from board_driver import BOARD_HZ, EmulatedBoard
from numpy.typing import NDArray

from kerfbeat.capture.wire import crc16

UNFINISHED_CYCLES = 100_000  # a text that stands for less is half written: 32 characters take 4 ms
PATIENCE_S = 120.0  # only so that a hung test ends
FOOT_M = 0.3048  # international foot, exact


def settings(
    *, targets: int, circumference_um: int, unit: int = 0, fast_input: int = 0, fast_targets: int = 1,
    ratios: tuple[float, ...] = (), clock_ppb: int = 0, slowest_mm_min: int = 0, fastest_mm_min: int = 0,
    slip_limit_percent: float = 0.0,
) -> bytes:
    """The configuration of firmware/PROTOCOL.md section 8: a wheel on input 1."""
    millionths = [round(ratio * 1e6) for ratio in ratios] + [0] * (4 - len(ratios))
    return struct.pack(
        "<BIBBBBBBBBBBBIiIHH4IIIHB120x",
        2, 1, 0, 5, 5, 5, 12, 20, unit, 1, fast_input, targets, fast_targets if fast_input else 0, circumference_um,
        clock_ppb, 0xFFFFFFFF, 0, 0, *millionths, slowest_mm_min, fastest_mm_min, round(slip_limit_percent * 100), 0,
    )


def set_up(board: EmulatedBoard, config: bytes) -> None:
    """Puts settings into the EEPROM, as they lie there, and gives the board its power."""
    slot = struct.pack("<BI", len(config), 1) + config
    board.tell("power off")
    board.tell("eeprom 256 " + "ff" * 186)
    board.tell(f"eeprom 0 {(slot + crc16(slot).to_bytes(2, 'little')).hex()}")
    board.tell("power on")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What stood on the display from a cycle on; `alarm`: the lamp."""

    cycle: int
    alarm: bool
    lines: tuple[str, str]


def display(board: EmulatedBoard) -> dict[str, Any]:
    """What the display says of itself: lines, memories, bytes written, faults."""
    found: dict[str, Any] = json.loads(board.tell("display"))
    assert found["faults"] == 0, found["fault"]
    return found


class DisplayLog:
    """Everything the display has shown since the log was begun."""

    def __init__(self, board: EmulatedBoard) -> None:
        self._board = board
        self._path = Path(board.folder) / "display.log"
        board.tell(f"display log {self._path}")

    def read(self) -> list[Shown]:
        """Texts in order, without those that were only half written."""
        self._board.tell("flush")
        display(self._board)
        rows = []
        for line in self._path.read_text().splitlines():
            head, first, second = line.split("|")
            cycle, alarm = head.split()
            rows.append(Shown(cycle=int(cycle), alarm=alarm == "1", lines=(first, second)))
        following = [*(row.cycle for row in rows[1:]), 1 << 62]
        return [row for row, after in zip(rows, following, strict=True) if after - row.cycle >= UNFINISHED_CYCLES]


def run_until(board: EmulatedBoard, cycle: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while board.cycle() < cycle:
        assert time.monotonic() < deadline, "the board does not get on"
        time.sleep(0.002)


def press(board: EmulatedBoard, button: str, seconds: float = 0.1) -> None:
    """Down for so long, and then up for 0.15 s.

    Bounces as a contact does, lets go by itself: the board counts the cycles, however slow the computer is.
    """
    cycles = round(seconds * BOARD_HZ)
    for length in (1000, cycles, 1000):
        since = int(board.tell(f"button {button} down {length}"))
        run_until(board, since + length)
    run_until(board, board.cycle() + round(0.15 * BOARD_HZ))


def number(line: str) -> float:
    """The number on a line of the display."""
    return float(line[4:9].strip(" <"))


def uneven(targets: int, generator: np.random.Generator, *, percent: float = 15.0) -> NDArray[np.float64]:
    """Places of the targets in turns, each off its even place by at most so much of a pitch."""
    return (np.arange(targets) + generator.uniform(-1, 1, targets) * percent / 100.0) / targets


def passages(
    turns: NDArray[np.float64], times_s: NDArray[np.float64], places: NDArray[np.float64],
) -> NDArray[np.float64]:
    """When the targets pass, in seconds, of a wheel that has made `turns` (rising) at `times_s`."""
    whole = np.arange(np.floor(turns[0]), np.ceil(turns[-1]) + 1)
    due = np.sort((whole[:, None] + places[None, :]).ravel())
    due = due[(due > turns[0]) & (due < turns[-1])]
    return np.interp(due, turns, times_s)
