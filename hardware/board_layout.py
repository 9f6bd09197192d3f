"""Where on the perforated board B1 does each part of the input stages sit, and which holes are joined?

A hole is (column, row), seen from the side of the parts: columns from the left, rows from the terminals' edge, both in
steps of 2.54 mm.  Joints are bare wire on the solder side, so they never cross; links are insulated wire and may.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from schematic_sheet import chip_pins

__all__ = ["COLUMNS", "FLYING", "JOINTS", "LINKS", "PARTS", "ROWS", "U1_AT", "Hole", "holes_of", "joined"]

Hole = tuple[int, int]

COLUMNS, ROWS = 36, 15
STAGES = {1: 2, 2: 10, 3: 18}                 # column of the terminal's first way ("5 V")
U1_AT: Hole = (28, 6)                         # pin 1; pins 1 to 7 to the right, 8 to 14 back, three rows up


def _u1(pin: str) -> Hole:
    number = int(chip_pins("U1")[pin])
    column, row = U1_AT
    return (column + number - 1, row) if number <= 7 else (column + 14 - number, row + 3)


def _stage_parts(n: int, c: int) -> dict[str, tuple[Hole, ...]]:
    return {
        f"X{n}": ((c, 1), (c + 2, 1), (c + 4, 1), (c + 6, 1)),     # 5 V, signal, 0 V, shield
        f"R{n}1": ((c + 3, 4), (c + 3, 10)),
        f"R{n}2": ((c + 2, 5), (c + 2, 9)),
        f"C{n}1": ((c + 4, 9), (c + 4, 7)),
        f"D{n}1": ((c + 6, 9), (c + 6, 13)),                       # anode, cathode (the ring)
        f"D{n}2": ((c + 5, 5), (c + 5, 9)),
    }


def _stage_joints(c: int) -> tuple[tuple[Hole, ...], ...]:
    return (
        ((c, 1), (c, 5)),
        ((c + 2, 1), (c + 2, 4), (c + 2, 5)), ((c + 2, 4), (c + 3, 4)),
        ((c + 4, 0), (c + 4, 1), (c + 4, 5), (c + 4, 7)), ((c + 4, 5), (c + 5, 5)), ((c + 6, 1), (c + 6, 0)),
        ((c + 2, 9), (c + 4, 9), (c + 5, 9), (c + 6, 9), (c + 7, 9)),
        ((c + 3, 10), (c + 3, 13)),
    )  # fmt: skip


PARTS: dict[str, tuple[Hole, ...]] = {
    name: holes for n, c in STAGES.items() for name, holes in _stage_parts(n, c).items()
} | {
    "F1": ((1, 11), (1, 9)),
    "C2": ((2, 7), (3, 7)),                                        # +, -
    "C1": ((27, 9), (27, 7)),
}  # fmt: skip

# Each runs straight from hole to hole, and joins those that it names.
JOINTS: tuple[tuple[Hole, ...], ...] = (
    *(joint for c in STAGES.values() for joint in _stage_joints(c)),
    ((2, 13), (5, 13), (8, 13), (13, 13), (16, 13), (21, 13), (24, 13), (28, 13)), ((28, 13), _u1("5 V")),    # 5 V
    ((1, 13), (2, 13)), ((1, 13), (1, 11)), ((27, 9), _u1("5 V")),
    ((1, 9), (1, 7)), ((1, 7), (2, 7)), ((2, 5), (2, 7)), ((1, 5), (2, 5)), ((9, 5), (10, 5)),                # sensors'
    ((6, 0), (8, 0), (14, 0), (16, 0), (22, 0), (24, 0), (26, 0)),                                            # 0 V
    ((3, 7), (6, 7)), ((22, 7), (27, 7)), ((27, 7), (34, 7)), ((34, 7), _u1("0 V")),
    (_u1("input 1 in"), (28, 4)), (_u1("input 1 first gate's output"), _u1("input 1 second gate's input")),
    (_u1("input 1 out"), (31, 4)),
    (_u1("input 2 in"), (31, 11)), (_u1("input 2 first gate's output"), _u1("input 2 second gate's input")),
    (_u1("input 2 out"), (34, 11)),
    (_u1("input 3 in"), (32, 4)), (_u1("input 3 first gate's output"), (33, 4)),
    (_u1("input 3 second gate's input"), (29, 11)), (_u1("input 3 out"), (30, 11)),
)  # fmt: skip

LINKS: tuple[tuple[Hole, Hole], ...] = (
    ((1, 5), (10, 5)), ((9, 5), (18, 5)),                          # 5 V of the sensors
    ((9, 9), (28, 4)), ((17, 9), (31, 11)), ((25, 9), (32, 4)),    # filters to gates
    ((33, 4), (29, 11)),                                           # U1 pin 6 to pin 13
)

# Wires that leave the board, and where they go.
FLYING: dict[Hole, str] = {
    (2, 13): "A1 5 V", (26, 0): "A1 0 V", (31, 4): "input 1", (34, 11): "input 2", (30, 11): "input 3",
}


def holes_of() -> dict[str, Hole]:
    """Every end of a part, pin and terminal, in the schematic's words, and its hole."""
    found: dict[str, Hole] = {}
    for name, holes in PARTS.items():
        if name[0] == "X":
            words = ("5 V", "signal", "0 V", "shield")
            found |= {f"{name} {word}": hole for word, hole in zip(words, holes, strict=True)}
        elif name[0] == "D":
            found |= {f"{name} anode": holes[0], f"{name} cathode": holes[1]}
        else:
            found |= {f"{name} {end}": hole for end, hole in zip("ab", holes, strict=True)}
    found |= {f"U1 {pin}": _u1(pin) for pin in chip_pins("U1")}
    return found | {f"to {words}": hole for hole, words in FLYING.items()}


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
