"""Does a multimeter on a faultless board read what the guide's tables say, and is no diode in its way?"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from board_layout import Hole, Layout
from head_layout import HEAD
from input_layout import INPUTS, ONE_INPUT, TWO_INPUTS
from panel_layout import PANEL
from schematic_sheet import chip_pins, value_of

TABLES = {"B1": (INPUTS, TWO_INPUTS, ONE_INPUT), "B4": (PANEL,), "isolator": (PANEL,), "B5": (HEAD,)}
UNITS = {"Ω": 1.0, "kΩ": 1e3, "MΩ": 1e6}
TEST_V = 1.0                          # what a multimeter puts on its tips, about (common practice, no published source)
FUSE_OHM, OPEN_OHM = 1.0, 100e6
# Volts from which a diode disturbs the reading (from memory): Schottky, silicon, infrared lamp.
CONDUCTS_V = {"D1": 0.15, "D3": 0.45, "D41": 0.45, "Q1": 0.45, "U4": 1.05} | {
    f"D{n}{k}": 0.15 for n in (1, 2, 3) for k in (1, 2)
}


Wire = tuple[Hole, Hole, float]
CHIPS = {"U1", "U3", "U5"}    # not yet in their sockets


def ohms(reference: str) -> float:
    number, unit = value_of(reference).split(" ")[:2]
    return float(number) * UNITS[unit]


class Board:
    """The resistors and diodes of a board without its chips, between nets."""

    def __init__(self, layout: Layout) -> None:
        joined = layout.joined()
        self._layout = layout
        self._net = lambda hole: min(joined.get(hole, {hole}))
        self._trimmers = {name: ends for name, ends in layout.parts.items() if name.startswith("RV")}

    def place(self, words: str) -> Hole:
        """The net of a place in the table's words."""
        chip = re.fullmatch(r"(U\d)'s hole (\d+)", words)
        if chip is not None:
            pins = {number: what for what, number in chip_pins(chip[1]).items()}
            return self._net(self._layout.parts[chip[1]][pins[chip[2]]])
        for leaving in self._layout.leaving:
            if words.removeprefix("wire ") in {leaving.words, f"to {leaving.words}"} or f"to {words}" == leaving.words:
                return self._net(leaving.hole)
        return self._net(self._layout.ends()[words])

    def resistors(self, turned: float) -> list[Wire]:
        found = []
        for name, ends in self._layout.parts.items():
            if name in self._trimmers:
                whole = ohms(name)
                halves = (("end", "middle", turned), ("middle", "other end", 1.0 - turned))
                found += [(self._net(ends[a]), self._net(ends[b]), max(share * whole, 1e-3)) for a, b, share in halves]
            elif name[0] in "RF":
                found.append((*(self._net(hole) for hole in ends.values()), FUSE_OHM if name[0] == "F" else ohms(name)))
        return found

    def diodes(self) -> list[tuple[str, Hole, Hole]]:
        """Name, anode, cathode; a transistor's base is the anode of two."""
        found = []
        for name, ends in self._layout.parts.items():
            if "anode" in ends and name not in CHIPS:
                found.append((name, self._net(ends["anode"]), self._net(ends["cathode"])))
            if name[0] == "Q":
                found += [(name, self._net(ends["B"]), self._net(ends[leg])) for leg in "CE"]
        return found

    def reading_ohm(self, red: str, black: str, *, turned: float = 0.5, least: bool = False) -> float:
        """What the multimeter shows; least: the lowest that a diode which conducts can make of it.

        Raises AssertionError where a diode that conducts changes it, but for least.
        """
        plus, minus = self.place(red), self.place(black)
        if plus == minus:
            return 0.0
        wires = self.resistors(turned)
        shown_ohm, volts = self._solved(plus, minus, wires)
        for name, anode, cathode in self.diodes():
            if volts[anode] - volts[cathode] > CONDUCTS_V[name]:
                with_it_ohm, _ = self._solved(plus, minus, [*wires, (anode, cathode, 100.0)])
                assert least or with_it_ohm == pytest.approx(shown_ohm, rel=0.01), (name, red, black)
                shown_ohm = min(shown_ohm, with_it_ohm)
        return shown_ohm

    def _solved(self, plus: Hole, minus: Hole, wires: list[Wire]) -> tuple[float, dict[Hole, float]]:
        """Ohms between two nets, and the volts of all; nets that hang in the air leak to the black tip."""
        ends = {net for _, *nets in self.diodes() for net in nets} | {net for a, b, _ in wires for net in (a, b)}
        at = {net: row for row, net in enumerate(sorted(ends | {plus, minus}))}
        matrix = np.eye(len(at)) / OPEN_OHM
        matrix[:, at[minus]] -= 1.0 / OPEN_OHM
        for a, b, ohm in wires:
            for i, j in ((a, b), (b, a)):
                matrix[at[i], at[i]] += 1.0 / ohm
                matrix[at[i], at[j]] -= 1.0 / ohm
        drive = np.zeros(len(at))
        for net, volts in ((plus, TEST_V), (minus, 0.0)):
            matrix[at[net]] = 0.0
            matrix[at[net], at[net]] = 1.0
            drive[at[net]] = volts
        solved = np.linalg.solve(matrix, drive)
        found = {net: float(solved[row]) for net, row in at.items()}
        current_a = sum((TEST_V - found[b if a == plus else a]) / ohm for a, b, ohm in wires if plus in (a, b))
        return TEST_V / max(current_a, TEST_V / OPEN_OHM), found


def rows(guide: str, table: str) -> list[list[str]]:
    text = re.search(rf"<!-- measure {table} -->\n(.*?)\n<!-- end of measure {table} -->", guide, re.DOTALL)
    assert text is not None
    found = [[cell.strip() for cell in line.strip("| ").split("|")] for line in text[1].splitlines()[2:]]
    assert len(found) >= 10
    return found


def said_ohm(words: str) -> list[float]:
    return [float(number) * UNITS[unit] for number, unit in re.findall(r"([\d.]+) ([kM]?Ω)", words)]


@pytest.fixture(scope="module")
def guide(hardware: Path) -> str:
    return (hardware / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("table", TABLES)
def test_a_faultless_board_passes(table: str, guide: str) -> None:
    for layout in TABLES[table]:
        board = Board(layout)
        for red, black, must in rows(guide, table):
            said, shown = said_ohm(must), board.reading_ohm(red, black, least=must.startswith("more than"))
            if must.startswith("less than"):
                assert shown < said[0], (red, black)
            elif must.startswith("more than"):
                assert shown > said[0], (red, black)
            elif must.startswith("changes"):
                ends = sorted(board.reading_ohm(red, black, turned=turned) for turned in (0.0, 1.0))
                assert ends == pytest.approx(sorted(said), rel=0.02, abs=0.01), (red, black)
            else:
                assert shown == pytest.approx(said[0], rel=0.02), (red, black)


def test_a_diode_in_the_way_is_noticed() -> None:
    with pytest.raises(AssertionError, match="D11"):
        Board(INPUTS).reading_ohm("X1 signal", "wire to B0 5 V")
    assert Board(INPUTS).reading_ohm("wire to B0 5 V", "X1 signal") == pytest.approx(2200, rel=1e-3)


def test_it_reads_what_the_hand_calculates() -> None:
    # RV2 turned to a quarter: 2.5 kohm from its middle to 0 V, 7.5 kohm to 5 V.
    assert Board(PANEL).reading_ohm("wire to LCD1 3", "wire to B1 0 V", turned=0.25) == pytest.approx(2500, rel=1e-3)
    assert Board(PANEL).reading_ohm("wire to B1 5 V", "wire to LCD1 3", turned=0.25) == pytest.approx(7500, rel=1e-3)
