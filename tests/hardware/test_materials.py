"""Is every part of circuits and drawings in the bill of materials, with the value that was simulated?"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from circuit_runs import number
from head_layout import HEAD
from input_layout import INPUTS
from panel_layout import PANEL

REFERENCE = r"(?:LCD|RV|[ABCDFGHKMPQRSUWX])\d+"
# Boxes, supplies, fastenings and tools: not part of a circuit.
ONLY_LISTED = {"B2", "B3", "B6", "B7", "G1", "G2", *(f"K{n}" for n in range(1, 10)), *(f"T{n}" for n in range(1, 19))}
LABELS = {"D4", "D5", "D6", "D7", "A0", "A1", "M3"}    # of pins, and a thread: no part has such a name
MULTIPLES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}


@pytest.fixture
def listed(hardware: Path) -> dict[str, dict[str, str]]:
    with (hardware / "materials.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    names = [name for row in rows for name in row["reference"].split()]
    assert len(names) == len(set(names))
    return {name: row for row in rows for name in row["reference"].split()}


def drawn(hardware: Path) -> set[str]:
    found: set[str] = set()
    for path in (hardware / "drawings").glob("*.svg"):
        texts = re.findall(r"<text [^>]*>([^<]*)</text>", path.read_text(encoding="utf-8"))
        for text in texts:
            found |= set(re.findall(rf"\b{REFERENCE}\b", text))
    return found - LABELS


def simulated(hardware: Path) -> dict[str, float | None]:
    """Real parts of the netlists (others have names without a number); resistors, capacitors with nominal value."""
    found: dict[str, float | None] = {}
    for path in [*(hardware / "circuits").glob("*.cir"), *(hardware / "circuits").glob("*.inc")]:
        text = path.read_text(encoding="utf-8")
        common = (hardware / "circuits/input_stage.inc").read_text(encoding="utf-8")
        values = dict(re.findall(r"\b(\w+)=(-?[\d.]+[pnumk]?)(?=\s|$)", common + text))
        for line in text.splitlines():
            match = re.match(r"([A-Z]*?)((?:RV|[CDFPRU])\d+)[A-Za-z]?\s+(.*)", line)
            if match is None or ("U" in match[1] + match[2] and not match[2].startswith("U")):
                continue
            value = match[3].split()[-1]
            value = values.get(value.strip("{}"), value)
            plain = match[1] == "" and match[2][0] in "RC" and re.fullmatch(r"[\d.]+[pnumk]?", value)
            found.setdefault(match[2], number(value.replace("p", "e-12")) if plain else None)
    return found


def test_nothing_is_missing_and_nothing_is_too_much(listed: dict[str, dict[str, str]], hardware: Path) -> None:
    assert drawn(hardware) | ONLY_LISTED == set(listed)
    assert not LABELS & set(listed)
    assert len(simulated(hardware)) >= 25
    assert set(simulated(hardware)) <= set(listed)


def test_values_are_those_that_were_simulated(listed: dict[str, dict[str, str]], hardware: Path) -> None:
    compared = 0
    for name, value in simulated(hardware).items():
        match = re.match(r"([\d.]+) ([pnµkM]?)[ΩF]", listed[name]["value"])
        if value is not None and match is not None:
            assert float(match[1]) * MULTIPLES[match[2]] == pytest.approx(value), name
            compared += 1
    assert compared >= 14


def test_drawn_values_are_those_of_the_list(listed: dict[str, dict[str, str]], hardware: Path) -> None:
    compared = set()
    for path in (hardware / "drawings").glob("*.svg"):
        texts = re.findall(r"<text [^>]*>([^<]*)</text>", path.read_text(encoding="utf-8"))
        for name, value in re.findall(rf"\b({REFERENCE})(?:\n| +)([\d.]+ [pnµk]?[ΩF])", "\n".join(texts)):
            assert listed[name]["value"].startswith(value), f"{path.name}: {name}"
            compared.add(name)
    assert len(compared) >= 25


def test_quantities_count_the_references(listed: dict[str, dict[str, str]]) -> None:
    for row in listed.values():
        names = row["reference"].split()
        if len(names) > 1:
            assert row["quantity"] == str(len(names)), row["reference"]
        assert all(row[column] for column in ("part", "quantity", "needed_for", "why")), row["reference"]


def test_capacitors_marks_are_their_values(listed: dict[str, dict[str, str]], hardware: Path) -> None:
    """Two digits and the number of noughts, in pF (IEC 60062, from memory): what the list and the guide say."""
    guide = (hardware / "README.md").read_text(encoding="utf-8")
    marked = {name: re.match(r"(?:[^;]*; )?marked (\d{3});", row["why"]) for name, row in listed.items()}
    found = {name: mark[1] for name, mark in marked.items() if mark is not None}
    assert {*found} == {name for name, row in listed.items() if name[0] == "C" and "µF" not in row["value"]}
    for name, mark in found.items():
        value, unit = listed[name]["value"].replace(",", "").split()[:2]
        assert int(mark[:2]) * 10 ** int(mark[2]) * 1e-12 == pytest.approx(float(value) * MULTIPLES[unit[0]]), name
        assert f"{mark} is " in guide


def test_legs_are_as_far_apart_as_their_holes(listed: dict[str, dict[str, str]]) -> None:
    compared = 0
    for layout in (INPUTS, PANEL, HEAD):
        for name, ends in layout.parts.items():
            said = re.search(r"legs (?:[\d.]+ to )?([\d.]+) mm apart", listed[name]["value"])
            if name[0] == "C" or name in {"F1", "F3"}:
                (c0, r0), (c1, r1) = ends.values()
                assert said is not None, name
                assert float(said[1]) == pytest.approx(2.54 * (abs(c1 - c0) + abs(r1 - r0))), name
                compared += 1
    assert compared >= 14
