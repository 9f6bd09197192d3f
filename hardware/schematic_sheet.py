"""How is a part put on a sheet of the schematic, and what does the sheet join?

Values stand in materials.csv, pins of the board in pins.csv, pins of chips in chips.csv, and nowhere else.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Callable, Sequence
from pathlib import Path

import schemdraw
import schemdraw.elements as elm

__all__ = ["NORMAL", "Point", "Sheet", "board_labels", "chip_pins", "value_of"]

HERE = Path(__file__).resolve().parent
SMALL, NORMAL = 10, 11
Point = tuple[float, float]
DIODES = (elm.Diode, elm.Schottky, elm.LED)


def _rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def board_labels() -> dict[str, str]:
    """Label on common boards of each signal."""
    return {row["signal"]: row["atmega328p_label"] for row in _rows("pins.csv")}


def chip_pins(chip: str) -> dict[str, str]:
    """Number of each pin of one chip, by what it is."""
    return {row["is"]: row["pin"] for row in _rows("chips.csv") if row["chip"] == chip}


def value_of(reference: str) -> str:
    """Value of a part without its tolerance: "2.2 kΩ"."""
    row = next(row for row in _rows("materials.csv") if reference in row["reference"].split())
    return re.split(r" ±|,", row["value"])[0]


class Sheet:
    """A drawing whose parts are put at stated places, in units of one third of a resistor."""

    def __init__(self) -> None:
        self.drawing = schemdraw.Drawing(show=False)
        self.drawing.config(fontsize=NORMAL, lw=1.4, font="DejaVu Sans", margin=0.4)
        self._ends: list[tuple[str, Point]] = []
        self._wires: list[tuple[Point, Point]] = []
        self._dots: set[Point] = set()

    def wire(self, *points: Point) -> None:
        """A line through the points, which joins them."""
        for a, b in itertools.pairwise(points):
            self.drawing += elm.Line().at(a).to(b)
            self._wires.append((_at(a), _at(b)))

    def outline(self, *points: Point, dashed: bool = False) -> None:
        """A line through the points that joins nothing."""
        for a, b in itertools.pairwise(points):
            self.drawing += elm.Line().at(a).to(b).linestyle("--" if dashed else "-")

    def part(
        self, reference: str, kind: Callable[..., elm.Element], a: Point, b: Point, *, at: str = "top", more: str = "",
        flat: bool = False, named: bool = True, plus: bool = False,
    ) -> None:  # fmt: skip
        """A part of two ends from a to b, with its value; flat: name and value in one line.

        A diode's anode is a, and so is an electrolytic capacitor's + (plus).
        """
        value = "" if kind in {*DIODES, elm.Lamp2, elm.Button} else value_of(reference)
        words = ("  " if flat else "\n").join(each for each in (reference, value, more) if each)
        element = (kind(polar=True) if plus else kind()).at(a).to(b)
        self.drawing += element.label(words, at) if named else element
        first, second = (" anode", " cathode") if kind in DIODES else (" +", " −") if plus else ("", "")
        self.pin(reference + first, a)
        self.pin(reference + second, b)

    def pin(self, name: str, point: Point) -> None:
        """Something that is not drawn here ends in this place: a chip's pin, a part's lead."""
        self._ends.append((name, _at(point)))

    def dots(self, *points: Point) -> None:
        """Where wires join."""
        for point in points:
            self.drawing += elm.Dot().at(point)
            self._dots.add(_at(point))

    def passing(self, point: Point, label: str) -> None:
        """A screw terminal that a wire passes through."""
        self.drawing += elm.Dot(open=True).at(point)
        self.above((point[0], point[1] + 0.12), label)
        self._dots.add(_at(point))
        self.pin(label, point)

    def terminal(self, point: Point, label: str, *, at: str = "left") -> None:
        """A screw terminal or a pin; its words stand at its left, right or top."""
        self.drawing += elm.Dot(open=True).at(point)
        away = {"left": -0.25, "right": 0.25, "top": 0.0}[at]
        aligned = {"left": "right", "right": "left", "top": "center"}[at]
        self.words((point[0] + away, point[1] + (0.4 if at == "top" else 0.0)), label, size=NORMAL, halign=aligned)
        self.pin(label, point)

    def zero(self, point: Point) -> None:
        """0 V."""
        self.drawing += elm.Ground(lead=True).at(point)
        self.pin("0 V", point)

    def five(self, point: Point) -> None:
        """5 V."""
        self.drawing += elm.Vdd(lead=True).at(point).label("5 V")
        self.pin("5 V", point)

    def words(self, point: Point, text: str, *, size: float = SMALL, halign: str = "center") -> None:
        """Text beside its place, or about it; it stands on its place where halign is "above"."""
        above = halign == "above"
        self.drawing += elm.Label().theta(0).at((point[0], point[1] + (0.08 if above else -0.1))).label(
            text, loc="center", ofst=0, fontsize=size, halign="center" if above else halign,
            valign="bottom" if above else "center",
        )  # fmt: skip

    def room(self, point: Point) -> None:
        """The sheet reaches to here: words that begin at their place do not widen it."""
        self.drawing += elm.Gap().at(point).to(point)

    def above(self, point: Point, text: str) -> None:
        """Words on a wire."""
        self.words(point, text, halign="above")

    def box(self, low: Point, high: Point, text: str = "") -> None:
        """A part that is drawn as a box."""
        self.outline(low, (high[0], low[1]), high, (low[0], high[1]), low)
        if text:
            self.words(((low[0] + high[0]) / 2, (low[1] + high[1]) / 2), text, size=NORMAL)

    def cable(self, left: float, right: float, cores: Sequence[float], *, name: str, shield: str) -> None:
        """The shield round a cable's cores, bonded at its left end only, to the terminal that is named."""
        low, high = min(cores) - 0.5, max(cores) + 0.5
        self.outline((left, low), (right, low), (right, high), (left, high), (left, low), dashed=True)
        self.wire((left, low), (left, low - 0.8), (left - 1.5, low - 0.8))
        self.terminal((left - 1.5, low - 0.8), shield)
        self.above(((left + right) / 2, high), f"{name}, shielded")
        note = "shield: joined at this end only;\nfar end cut back, insulated"
        self.words((left + 0.3, low - 0.8), note, halign="left")

    def nets(self) -> list[frozenset[str]]:
        """What is joined to what: ends of parts, pins, terminals; lines that cross without a dot are not joined.

        Raises ValueError where a wire or part ends on a wire and no dot says that it is joined.
        """
        points = {point for wire in self._wires for point in wire} | {point for _, point in self._ends} | self._dots
        group = {point: {point} for point in points}
        for a, b in self._wires:
            for point in [b, *(each for each in points if _within(each, a, b))]:
                if point != b and point not in self._dots:
                    raise ValueError(f"something ends at {point} on a wire, and no dot is there")
                if group[a] is not group[point]:
                    group[a] |= group[point]
                    for each in group[point] - {a}:
                        group[each] = group[a]
        found: dict[int | str, set[str]] = {}
        for name, point in self._ends:
            found.setdefault(id(group[point]), set()).add(name)
        for symbol in ("0 V", "5 V"):                          # every place with the symbol is one
            alike = [key for key, net in found.items() if symbol in net]
            if alike:
                found[symbol] = set().union(*(found.pop(key) for key in alike))
        return [frozenset(net) for net in found.values()]


def _at(point: Point) -> Point:
    return round(float(point[0]), 3), round(float(point[1]), 3)


def _within(point: Point, a: Point, b: Point) -> bool:
    """Whether the point lies on the line between a and b, and is neither."""
    across = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0])
    along = (point[0] - a[0]) * (b[0] - a[0]) + (point[1] - a[1]) * (b[1] - a[1])
    return abs(across) < 1e-3 and 1e-3 < along < (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 - 1e-3
