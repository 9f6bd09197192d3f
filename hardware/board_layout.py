"""What is a layout on perforated board, and which of its holes are one?

A hole is (column, row), seen from the side of the parts: columns from the left, rows from the terminals' edge, both in
steps of 2.54 mm.  Joints are bare wire on the solder side, so they never cross; links are insulated wire on the side
of the parts, and run where they are seen from end to end.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from schematic_sheet import chip_pins

__all__ = ["Body", "Hole", "Layout", "Leaving", "body", "chip", "diode", "electrolytic", "joined", "leads", "ways"]

Hole = tuple[int, int]

# Half the length and half the width of bodies, in steps of 2.54 mm (common sizes of their classes, from memory).
SIZES = {
    "R": (1.25, 0.45), "D": (1.05, 0.4), "C": (0.75, 0.42), "F": (0.75, 0.45), "RV": (1.9, 1.0),
    "Q": (1.75, 0.9),
    "R1": (2.2, 0.95),              # 2 W: 11 mm long
    "D1": (1.05, 0.55), "D41": (1.05, 0.55),
    "F2": (5.0, 1.8),               # holder of a fuse of 5 mm x 20 mm
}  # fmt: skip
ROUND = 1.0                         # radius of a small electrolytic capacitor
TERMINAL = (1.0, 1.7, 1.7)          # a terminal's edge: beyond its outer ways, before them, behind them
SENSOR = 1.0                        # U4's case beyond its legs


@dataclass(frozen=True, kw_only=True, slots=True)
class Body:
    """The upright rectangle that a part covers."""

    left: float
    low: float
    right: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Leaving:
    """A wire that leaves the board from a hole.

    ends : what it goes to, in the words of the schematic.
    words : the same for the drawing.
    stands : it is a bare end that stands on the board.
    """

    hole: Hole
    ends: tuple[str, ...]
    words: str
    stands: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """One board: its parts' ends with their holes, the wires on it, and those that leave it.

    joints : each runs straight from hole to hole, and joins all that it passes.
    links : each joins the holes at its two ends, and passes over those between.
    bolts : holes that are drilled for M3; their neighbours stay free.
    """

    board: str
    columns: int
    rows: int
    parts: Mapping[str, Mapping[str, Hole]]
    joints: tuple[tuple[Hole, ...], ...]
    links: tuple[tuple[Hole, ...], ...]
    leaving: tuple[Leaving, ...]
    bolts: tuple[Hole, ...]

    def ends(self) -> dict[str, Hole]:
        """Every end of a part, in the schematic's words ("R11 a", "D1 anode", "U1 5 V"), and its hole."""
        return {f"{name} {end}": hole for name, holes in self.parts.items() for end, hole in holes.items()}

    def joined(self) -> dict[Hole, set[Hole]]:
        """Holes that are one, for each hole that a wire reaches."""
        found: dict[Hole, set[Hole]] = {}
        for holes in [*(tuple(joined(joint)) for joint in self.joints), *((link[0], link[-1]) for link in self.links)]:
            one = set().union(*(found.get(hole, {hole}) for hole in holes))
            found |= dict.fromkeys(one, one)
        return found


def leads(a: Hole, b: Hole) -> dict[str, Hole]:
    """A part that fits either way round."""
    return {"a": a, "b": b}


def diode(anode: Hole, cathode: Hole) -> dict[str, Hole]:
    """A diode; the ring is its cathode."""
    return {"anode": anode, "cathode": cathode}


def electrolytic(plus: Hole, minus: Hole) -> dict[str, Hole]:
    """A capacitor that has + and −."""
    return {"+": plus, "−": minus}


def ways(first: Hole, *words: str) -> dict[str, Hole]:
    """A screw terminal, its ways from left to right."""
    return {word: (first[0] + 2 * way, first[1]) for way, word in enumerate(words)}


def chip(name: str, at: Hole, along: tuple[int, int]) -> dict[str, Hole]:
    """A chip in two rows three steps apart: its pin 1, and the direction in which the next ones follow."""
    pins = {int(number): words for words, number in chip_pins(name).items()}
    half = max(pins) // 2
    across = (-3 * along[1], 3 * along[0])      # pins count round against the clock
    holes = {}
    for number, words in pins.items():
        steps = number - 1 if number <= half else 2 * half - number
        beyond = (0, 0) if number <= half else across
        holes[words] = (at[0] + steps * along[0] + beyond[0], at[1] + steps * along[1] + beyond[1])
    return holes


def body(name: str, ends: Mapping[str, Hole]) -> Body:
    """What a part covers of the board."""
    columns, rows = [hole[0] for hole in ends.values()], [hole[1] for hole in ends.values()]
    left, right, low, high = min(columns), max(columns), min(rows), max(rows)
    middle = ((left + right) / 2, (low + high) / 2)
    kind = name.rstrip("0123456789")
    if kind == "X":
        beside, before, behind = TERMINAL
        return Body(left=left - beside, low=low - before, right=right + beside, high=high + behind)
    if name == "U4":
        return Body(left=left - SENSOR, low=low - SENSOR, right=right + SENSOR, high=high + SENSOR)
    if kind == "U":
        wide, tall = (0.45, -0.5) if right - left > 3 or len(ends) == 8 else (-0.5, 0.45)
        return Body(left=left - wide, low=low - tall, right=right + wide, high=high + tall)
    if kind == "C" and "+" in ends:
        half = across = ROUND
    else:
        half, across = SIZES.get(name, SIZES[kind])
    x, y = (half, across) if low == high else (across, half)
    return Body(left=middle[0] - x, low=middle[1] - y, right=middle[0] + x, high=middle[1] + y)


def joined(joint: tuple[Hole, ...]) -> Iterator[Hole]:
    """Every hole that a joint's wire passes, each once."""
    seen = set()
    for (c0, r0), (c1, r1) in itertools.pairwise(joint):
        steps = max(abs(c1 - c0), abs(r1 - r0))
        for step in range(steps + 1):
            hole = (c0 + (c1 - c0) * step // steps, r0 + (r1 - r0) * step // steps)
            if hole not in seen:
                seen.add(hole)
                yield hole
