"""Do the circuits that ngspice runs join the same parts as the schematic, and does the layout of the board?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

import draw_schematic
from schematic_sheet import Sheet

Nets = set[frozenset[str]]

# Ends of a netlist's elements that stand for a pin of the schematic; other elements are models of what is inside.
PINS = {
    "hall": {"SU2": ("U2 output", "U2 0 V"), "IU2s": ("U2 supply", "U2 0 V")},
    "proximity": {
        "SU3": ("U3 output", None), "DU3": ("U3 anode", None), "VU3": (None, "U3 cathode"),
        "SP1": ("P1 output", None), "IP1s": ("P1 +", "P1 0 V"),
    },
    "optical": {"SU5": ("U5 output", None), "QU4": ("U4 collector", None, "U4 emitter")},
}
# What a netlist names for itself, in the words of the schematic; a cable's two ends are one place.
NODES = {
    "hall": {"supply_b": "X1 5 V", "supply_s": "X1 5 V", "out_b": "X1 signal", "out_s": "X1 signal",
             "line": "X1 signal", "0": "X1 0 V", "ground_b": "X1 0 V", "ground_s": "X1 0 V", "bond": "X1 shield"},
    "proximity": {"plus": "X4 +12 to 24 V", "supply_b": "X5 +", "supply_s": "X5 +", "out_b": "X5 output",
                  "out_s": "X5 output", "0": "X4 0 V", "ground_b": "X4 0 V", "ground_s": "X4 0 V", "line": "X1 signal"},
}  # fmt: skip
NODES["optical"] = NODES["hall"]
SAME = {"X5 0 V": "X4 0 V"}


def drawn(name: str) -> Nets:
    """Nets of one sheet; a diode's ends have their names."""
    sheet = Sheet()
    draw_schematic.DRAWINGS[name](sheet)
    return {frozenset(SAME.get(each, re.sub(r"^(C\d+) [+−]$", r"\1", each)) for each in net) for net in sheet.nets()}


def simulated(text: str, names: Mapping[str, str], pins: Mapping[str, tuple[str | None, ...]]) -> Nets:
    """Nets of a netlist's resistors, capacitors, diodes and fuses that bear a number, and of the stated pins."""
    found: dict[str, set[str]] = {}
    for line in text.splitlines():
        match = re.match(r"((?:RF|RV|[RCDF])\d+|" + "|".join([*pins, "none"]) + r")\s+(\S+)\s+(\S+)(?:\s+(\S+))?", line)
        if match is None:
            continue
        name, nodes = match[1].replace("RF", "F"), [match[2], match[3], match[4]]
        ends: Iterable[str | None] = (
            pins[name] if name in pins else (f"{name} anode", f"{name} cathode") if name[0] == "D" else (name, name)
        )
        for end, node in zip(ends, nodes, strict=False):
            if end is not None:
                found.setdefault(names.get(node, node), set()).add(end)
    return {frozenset(net | ({node} if node in names.values() else set())) for node, net in found.items()}


def compared(drawn_nets: Nets, simulated_nets: Nets) -> tuple[Nets, Nets]:
    """Both, with what both know of."""
    both = {end for net in drawn_nets for end in net} & {end for net in simulated_nets for end in net}
    return tuple({net & both for net in nets} - {frozenset[str]()} for nets in (drawn_nets, simulated_nets))  # type: ignore[return-value]


def test_the_input_stage_is_simulated_as_drawn(hardware: Path) -> None:
    text = (hardware / "circuits/input_stage.inc").read_text(encoding="utf-8")
    names = {"line": "X1 signal", "vcc": "5 V", "0": "0 V"}
    sheet, netlist = compared(drawn("input_stage"), simulated(text, names, {}))
    assert sheet == netlist
    # By hand: R11 from 5 V to the terminal, R12 on to the gate's input, with C11 and both diodes.
    assert frozenset({"R12", "C11", "D11 anode", "D12 cathode"}) in sheet
    assert frozenset({"X1 signal", "R11", "R12"}) in sheet


@pytest.mark.parametrize(("sheet_name", "circuit", "least"), [
    ("hall_switch", "hall", 7), ("proximity_switch", "proximity", 13), ("optical_sensor", "optical", 12),
])
def test_a_front_end_is_simulated_as_drawn(hardware: Path, sheet_name: str, circuit: str, least: int) -> None:
    text = (hardware / f"circuits/{circuit}.cir").read_text(encoding="utf-8")
    drawn_nets = drawn(sheet_name)
    sheet, netlist = compared(drawn_nets, simulated(text, NODES[circuit], PINS[circuit]))
    assert sheet == netlist
    assert len({end for net in sheet for end in net}) >= least


def test_the_isolator_keeps_both_supplies_apart() -> None:
    nets = drawn("proximity_switch")    # the netlist has one 0 V for both: what lies between them is put across U3
    assert all(not {"X1 0 V", "X4 0 V"} <= net for net in nets)
    assert any({"X5 shield", "X4 0 V"} <= net for net in nets)    # as simulated: "bond" and "0" are one


def test_a_part_that_sits_elsewhere_is_noticed(hardware: Path) -> None:
    text = (hardware / "circuits/input_stage.inc").read_text(encoding="utf-8")
    moved = text.replace("C11 filt 0", "C11 line 0")
    assert moved != text
    sheet, netlist = compared(drawn("input_stage"), simulated(moved, {}, {}))
    assert sheet != netlist


def test_an_end_on_a_wire_without_a_dot_is_refused() -> None:
    sheet = Sheet()
    sheet.wire((0, 0), (2, 0))
    sheet.wire((1, 0), (1, 1))
    with pytest.raises(ValueError, match="no dot"):
        sheet.nets()
    sheet.dots((1, 0))
    sheet.pin("a", (0, 0))
    sheet.pin("b", (1, 1))
    assert sheet.nets() == [frozenset({"a", "b"})]
