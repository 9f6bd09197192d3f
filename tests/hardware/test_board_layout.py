"""Does the layout of the perforated board join what the schematic joins, without shorts and with room for all?"""

from __future__ import annotations

import itertools
import re

import pytest

import board_layout
import draw_schematic
from board_layout import Hole
from schematic_sheet import Sheet, chip_pins


def groups(joints: tuple[tuple[Hole, ...], ...], links: tuple[tuple[Hole, Hole], ...]) -> dict[Hole, set[Hole]]:
    """Holes that are one: a joint joins every hole it passes, a link its two ends."""
    found: dict[Hole, set[Hole]] = {}
    for holes in [*(tuple(board_layout.joined(joint)) for joint in joints), *links]:
        one = set().union(*(found.get(hole, {hole}) for hole in holes))
        found |= dict.fromkeys(one, one)
    return found


def laid_out() -> set[frozenset[str]]:
    """Nets of the layout, ends in the schematic's words."""
    found = groups(board_layout.JOINTS, board_layout.LINKS)
    nets: dict[int | Hole, set[str]] = {}
    for end, hole in board_layout.holes_of().items():
        nets.setdefault(id(found[hole]) if hole in found else hole, set()).add(re.sub(r" [ab]$", "", end))
    return {frozenset(net) for net in nets.values()}


def wanted() -> set[frozenset[str]]:
    """The input stage as drawn, three times, with the chip's supply, C1, C2 and F1 (instrument's drawing)."""
    sheet = Sheet()
    draw_schematic.input_stage(sheet)
    nets: dict[str, set[str]] = {
        "5 V": {"C1", "U1 5 V", "F1", "to A1 5 V"}, "0 V": {"C1", "C2", "U1 0 V", "to A1 0 V"}, "sensors": {"F1", "C2"},
    }
    for n in (1, 2, 3):
        nets["0 V"] |= {f"X{n} 0 V", f"X{n} shield"}
        nets["sensors"] |= {f"X{n} 5 V"}
        for net in sheet.nets():
            ends = {_of_stage(end, n) for end in net} - {"C1", "5 V", "0 V"}
            key = next((symbol for symbol in ("5 V", "0 V") if symbol in net), f"{n} {sorted(ends)}")
            nets.setdefault(key, set()).update(ends)
    return {frozenset(net) for net in nets.values()}


def _of_stage(end: str, n: int) -> str:
    if end.startswith("board pin"):
        return f"to input {n}"
    end = re.sub(r"^X1", f"X{n}", end).replace("input 1", f"input {n}")
    return re.sub(r"^([RCD])1([12])", rf"\g<1>{n}\2", end)


def test_the_layout_joins_what_the_schematic_joins() -> None:
    assert laid_out() == wanted()


def test_no_two_wires_on_the_solder_side_meet_by_chance() -> None:
    """Two joints that pass the same hole are one net by intent: the hole is named by both, or ends one of them."""
    for one, other in itertools.combinations(board_layout.JOINTS, 2):
        for hole in set(board_layout.joined(one)) & set(board_layout.joined(other)):
            assert hole in one, (one, other, hole)
            assert hole in other, (one, other, hole)


def test_wires_run_straight() -> None:
    for joint in board_layout.JOINTS:
        assert all(a[0] == b[0] or a[1] == b[1] for a, b in itertools.pairwise(joint)), joint


def test_every_hole_holds_one_end_and_lies_on_the_board() -> None:
    holes = [hole for end, hole in board_layout.holes_of().items() if not end.startswith("to ")]
    assert len(holes) == len(set(holes))
    ends = [*holes, *board_layout.FLYING, *(hole for joint in board_layout.JOINTS for hole in joint)]
    assert all(0 <= column < board_layout.COLUMNS and 0 <= row < board_layout.ROWS for column, row in ends)
    size_mm = (board_layout.COLUMNS * 2.54, board_layout.ROWS * 2.54)
    assert size_mm[0] <= 100
    assert size_mm[1] <= 40                                    # B1 of materials.csv


def test_parts_have_room() -> None:
    """Leads of a 0.25 W resistor or small diode bend 10 mm apart or more; a terminal's ways are 5.08 mm apart."""
    for name, holes in board_layout.PARTS.items():
        spans = [2.54 * (abs(a[0] - b[0]) + abs(a[1] - b[1])) for a, b in itertools.pairwise(holes)]
        if name[0] in "RD":
            assert min(spans) >= 10.0, name
        if name[0] == "X":
            assert spans == pytest.approx([5.08] * 3), name
    terminals = [hole[0] for name, holes in board_layout.PARTS.items() if name[0] == "X" for hole in holes]
    assert min(b - a for a, b in itertools.pairwise(sorted(terminals))) >= 2


def test_a_wire_too_many_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_layout, "LINKS", (*board_layout.LINKS, ((9, 9), (17, 9))))
    assert laid_out() != wanted()


def test_chips_legs_are_those_of_their_classes() -> None:
    """Published pin-outs of a 74HC14, a six-pin isolator with Schmitt output, a dual comparator (from memory)."""
    gates = {("1", "2"), ("3", "4"), ("5", "6"), ("9", "8"), ("11", "10"), ("13", "12")}    # in, out
    u1 = chip_pins("U1")
    used = {
        pair for n in (1, 2, 3) for pair in (
            (u1[f"input {n} in"], u1[f"input {n} first gate's output"]),
            (u1[f"input {n} second gate's input"], u1[f"input {n} out"]),
        )
    }  # fmt: skip
    assert used == gates
    assert (u1["0 V"], u1["5 V"]) == ("7", "14")
    assert chip_pins("U3") == {"anode": "1", "cathode": "2", "output": "4", "0 V": "5", "5 V": "6"}
    assert chip_pins("U5") == {"output": "1", "−": "2", "+": "3", "0 V": "4", "5 V": "8"}
