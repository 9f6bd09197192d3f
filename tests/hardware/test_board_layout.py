"""Do the layouts of the perforated boards join what the schematic joins, without shorts and with room for all?"""

from __future__ import annotations

import csv
import dataclasses
import functools
import itertools
import re
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

import box_sheets
import sensor_sheets
from board_layout import Hole, Layout, body, joined
from head_layout import HEAD
from input_layout import INPUTS, ONE_INPUT, TWO_INPUTS
from panel_layout import PANEL
from schematic_sheet import Sheet, board_labels, chip_pins

Nets = set[frozenset[str]]

LAYOUTS = {
    "B1": INPUTS, "B1 with two sensors": TWO_INPUTS, "B1 with one sensor": ONE_INPUT, "B4": PANEL, "B5": HEAD,
}
LEFT_OUT = {"B1 with two sensors": {3}, "B1 with one sensor": {2, 3}}    # input stages
# Legs that stay alone, and are not in the schematic.
ALONE = {"B4": {"U3 not connected"}, "B5": {"U5 second output"}}
FREE_HOLES = 2    # columns between what belongs to 24 V and what belongs to the board (the guide: 5 mm)


def laid_out(layout: Layout) -> Nets:
    """Nets of a layout, ends in the schematic's words."""
    found = layout.joined()
    ends = [(re.sub(r" [ab]$", "", end), hole) for end, hole in layout.ends().items()]
    ends += [(end, leaving.hole) for leaving in layout.leaving for end in leaving.ends]
    nets: dict[int | Hole, set[str]] = {}
    for end, hole in ends:
        nets.setdefault(id(found[hole]) if hole in found else hole, set()).add(end)
    return {frozenset(net) for net in nets.values()}


@functools.cache
def nets_of(fill: Callable[[Sheet], None]) -> list[frozenset[str]]:
    sheet = Sheet()
    fill(sheet)
    return sheet.nets()


def drawn(*sheets: Callable[[Sheet], None]) -> list[set[str]]:
    """Nets of these sheets."""
    return [set(net) for fill in sheets for net in nets_of(fill)]


def as_one(nets: Iterable[set[str]]) -> list[set[str]]:
    """Nets that name the same place (a terminal, a pin of B0, 5 V, 0 V) are one; parts have two ends of one name."""
    found: list[set[str]] = []
    for net in nets:
        places = {end for end in net if re.match(r"X\d |B0 |[05] V$", end)}
        alike = [each for each in found if each & places]
        found = [each for each in found if not each & places] + [net.union(*alike)]
    return found


def of_input(end: str, n: int) -> str:
    end = re.sub(r"^X1", f"X{n}", end).replace("input 1", f"input {n}")
    end = re.sub(r"^B0 pin .*", f"B0 pin of input {n}", end)
    return re.sub(r"^([RCD])1([12])", rf"\g<1>{n}\2", end)


def wanted(board: str) -> list[set[str]]:
    """The schematic's nets for one board."""
    if board == "B5":
        return as_one(drawn(sensor_sheets.optical_sensor))
    if board == "B4":
        return as_one(drawn(box_sheets.panel, sensor_sheets.proximity_switch))
    supply = [net - {end for end in net if end.startswith("B0 pin")} for net in drawn(box_sheets.instrument)]
    supply += [{"B0 5 V", "5 V"}, {"B0 0 V", "0 V"}]
    stages = []
    for n in (1, 2, 3):
        left_out = n in LEFT_OUT.get(board, set())    # its first gate's input is joined to 0 V, its gates as drawn
        for net in drawn(box_sheets.input_stage):
            ends = {of_input(end, n) for end in net}
            stages.append({end for end in ends if end.startswith("U1 input")} if left_out else ends)
        if left_out:
            stages.append({f"U1 input {n} in", "0 V"})
    nets = as_one([*supply, *stages])
    gates = [net for net in nets if any(end.endswith(" in") for end in net)]
    return [net for net in nets if net not in gates] + _by_shared(gates)


def _by_shared(nets: list[set[str]]) -> list[set[str]]:
    """Those that name the same gate's input are one."""
    inputs = [{end for end in net if end.endswith(" in")} for net in nets]
    return [set().union(*(other for other in nets if each & other)) for each in inputs]


def compared(board: str, layout: Layout) -> tuple[Nets, Nets]:
    """What is laid out, and what is wanted of the ends that are on the board."""
    assert len({leaving.words for leaving in layout.leaving}) == len(layout.leaving)
    labels_of = board_labels() if layout.board == "B1" else {}
    names = {f"B0 pin {labels_of[f'input {n}']}": f"B0 pin of input {n}" for n in (1, 2, 3) if labels_of}
    names |= {f"RV1 {leg}": "RV1" for leg in ("end", "middle", "other end")}
    found = {frozenset(names.get(end, end) for end in net) for net in laid_out(layout)}
    alone = {frozenset({end}) for end in ALONE.get(board, set())}
    assert alone <= found
    found -= alone
    on_board = {end for net in found for end in net}
    asked = {frozenset(net & on_board) for net in wanted(board)} - {frozenset[str]()}
    return found, asked


@pytest.mark.parametrize("board", LAYOUTS)
def test_a_layout_joins_what_the_schematic_joins(board: str) -> None:
    found, asked = compared(board, LAYOUTS[board])
    assert found == asked
    assert len(found) >= 8


def test_hand_picked_nets_are_there() -> None:
    """By hand from the drawings, so that a fault in the comparison itself would show."""
    assert frozenset({"R12", "C11", "D11 anode", "D12 cathode", "U1 input 1 in"}) in laid_out(INPUTS)
    assert frozenset({"R44", "R45", "Q1 B"}) in laid_out(PANEL)
    assert frozenset({"U3 cathode", "R2", "D3 anode", "X5 output"}) in laid_out(PANEL)
    assert frozenset({"U4 collector", "R51", "R54", "TP1"}) in laid_out(HEAD)


@pytest.mark.parametrize(("board", "link"), [
    ("B1", ((9, 9), (17, 9))), ("B1 with one sensor", ((9, 9), (26, 7))), ("B4", ((5, 1), (19, 8))),
    ("B5", ((4, 9), (8, 9))),
])
def test_a_wire_too_many_is_noticed(board: str, link: tuple[Hole, Hole]) -> None:
    layout = LAYOUTS[board]
    found, asked = compared(board, dataclasses.replace(layout, links=(*layout.links, link)))
    assert found != asked


@pytest.mark.parametrize("board", LAYOUTS)
def test_a_wire_too_few_is_noticed(board: str) -> None:
    layout = LAYOUTS[board]
    for at in range(len(layout.joints)):
        fewer = dataclasses.replace(layout, joints=layout.joints[:at] + layout.joints[at + 1 :])
        found, asked = compared(board, fewer)
        assert found != asked, layout.joints[at]


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_no_two_wires_on_the_solder_side_meet_by_chance(layout: Layout) -> None:
    """Two joints that pass the same hole are one net by intent: the hole is named by both, or ends one of them."""
    for one, other in itertools.combinations(layout.joints, 2):
        for hole in set(joined(one)) & set(joined(other)):
            assert hole in one, (one, other, hole)
            assert hole in other, (one, other, hole)


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_wires_run_straight(layout: Layout) -> None:
    for wire in (*layout.joints, *layout.links):
        assert all(a[0] == b[0] or a[1] == b[1] for a, b in itertools.pairwise(wire)), wire


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_every_hole_holds_one_end_and_lies_on_the_board(layout: Layout, hardware: Path) -> None:
    links_ends = [end for link in layout.links for end in (link[0], link[-1])]
    holes = [*layout.ends().values(), *(leaving.hole for leaving in layout.leaving), *links_ends]
    assert len(holes) == len(set(holes))
    used = {*holes, *(hole for joint in layout.joints for hole in joined(joint))}
    assert all(0 <= column < layout.columns and 0 <= row < layout.rows for column, row in used)
    beside = {(c + dc, r + dr) for c, r in layout.bolts for dc, dr in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))}
    assert len(layout.bolts) >= 2
    assert used & beside == set()
    with (hardware / "materials.csv").open(encoding="utf-8-sig", newline="") as file:
        value = next(row["value"] for row in csv.DictReader(file) if row["reference"] == layout.board)
    size = re.match(r"(\d+) mm × (\d+) mm, (\d+) by (\d+) holes", value)
    assert size is not None
    assert (layout.columns, layout.rows) == (int(size[3]), int(size[4]))
    assert layout.columns * 2.54 <= int(size[1])
    assert layout.rows * 2.54 <= int(size[2])


def spread(name: str, holes: Iterable[Hole]) -> list[float]:
    """Millimetres from end to end, in the order given."""
    return [2.54 * (abs(a[0] - b[0]) + abs(a[1] - b[1])) for a, b in itertools.pairwise(holes)]


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_parts_have_room(layout: Layout) -> None:
    """Leads of a 0.25 W resistor or small diode bend 10 mm apart or more, of 2 W 15 mm; ways are 5.08 mm apart."""
    least_mm = {"R": 10.0, "D": 10.0, "R1": 15.0, "F2": 22.5}
    for name, ends in layout.parts.items():
        spans = spread(name, ends.values())
        if name[0] == "X":
            assert spans == pytest.approx([5.08] * len(spans)), name
        kind = name if name in least_mm else name.rstrip("0123456789")
        if kind in least_mm:
            assert spans[0] >= least_mm[kind], name
    assert layout.board == "B5" or any(name[0] == "X" for name in layout.parts)
    bodies = {name: body(name, ends) for name, ends in layout.parts.items()}
    for (one, a), (other, b) in itertools.combinations(bodies.items(), 2):
        apart = a.right <= b.left or b.right <= a.left or a.high <= b.low or b.high <= a.low
        assert apart, (one, other)
    for name, its in bodies.items():
        assert min(its.left, its.low) > -1.0, name
        assert its.right < layout.columns, name
        assert its.high < layout.rows, name
        other_holes = {hole for other, ends in layout.parts.items() if other != name for hole in ends.values()}
        under = {(c, r) for c, r in other_holes if its.left < c < its.right and its.low < r < its.high}
        assert under == set(), name


def test_24_v_and_5_v_stay_apart_on_b4() -> None:
    high = {"X4", "X5", "F2", "D1", "D3", "R1", "R2", "C6"}
    found = PANEL.joined()
    ours, theirs = set(), set()
    for name, ends in PANEL.parts.items():
        for end, hole in ends.items():
            of_24_v = name in high or (name == "U3" and end in {"anode", "cathode", "not connected"})
            (ours if of_24_v else theirs).update(found.get(hole, {hole}))
    theirs |= {hole for leaving in PANEL.leaving for hole in found.get(leaving.hole, {leaving.hole})}
    assert len(ours) > 40
    assert len(theirs) > 80
    assert min(c for c, _ in theirs) - max(c for c, _ in ours) - 1 >= FREE_HOLES
    assert max(body(name, PANEL.parts[name]).right for name in high) < min(c for c, _ in theirs) - FREE_HOLES


def test_the_resistor_that_grows_warm_has_air() -> None:
    hot = body("R1", PANEL.parts["R1"])    # the guide: 5 mm, two holes
    for name, ends in PANEL.parts.items():
        its = body(name, ends)
        if name != "R1":
            beside = max(its.left - hot.right, hot.left - its.right)
            along = max(its.low - hot.high, hot.low - its.high)
            assert max(beside, along) * 2.54 >= 4.9, name


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
    assert chip_pins("U3") == {
        "anode": "1", "cathode": "2", "not connected": "3", "output": "4", "0 V": "5", "5 V": "6",
    }
    assert chip_pins("U5") == {
        "output": "1", "−": "2", "+": "3", "0 V": "4",
        "second +": "5", "second −": "6", "second output": "7", "5 V": "8",
    }


def test_chips_pins_count_round_against_the_clock() -> None:
    """Seen from above, pin 1 to the last (every data sheet): the area that the loop encloses is positive."""
    for layout, name in ((INPUTS, "U1"), (PANEL, "U3"), (HEAD, "U5")):
        numbers = {int(number): words for words, number in chip_pins(name).items()}
        loop = [layout.parts[name][numbers[number]] for number in sorted(numbers)]
        assert spread(name, loop).count(pytest.approx(7.62)) == 1
        area = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(loop, [*loop[1:], loop[0]], strict=True))
        assert area > 0, name
