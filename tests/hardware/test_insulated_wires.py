"""Is each insulated wire of a board's drawing seen from end to end, so that no end of it is mistaken?"""

from __future__ import annotations

import dataclasses
import math

import pytest

from board_layout import Body, Hole, Layout, Leaving, body, joined
from head_layout import HEAD
from input_layout import INPUTS, ONE_INPUT, TWO_INPUTS
from panel_layout import PANEL

LAYOUTS = {"three": INPUTS, "two": TWO_INPUTS, "one": ONE_INPUT, "B4": PANEL, "B5": HEAD}
APART = 0.9           # steps from such a wire to what it does not join: its drawing shows a bare hole between
BODY_APART = 0.2      # steps from a part's edge


def way_out(leaving: Leaving, layout: Layout) -> set[Hole]:
    """Holes that a wire which leaves the board passes, straight to the nearer rim."""
    column, row = leaving.hole
    return {(column, each) for each in (range(row, layout.rows) if row > layout.rows / 2 else range(row + 1))}


def covers(part: Body, hole: Hole) -> bool:
    column, row = hole
    beside = part.left - BODY_APART < column < part.right + BODY_APART
    return beside and part.low - BODY_APART < row < part.high + BODY_APART


def hidden(layout: Layout) -> set[str]:
    """What stands where an insulated wire runs, so that its way or an end of it could be mistaken."""
    runs = {link: set(joined(link)) for link in layout.links}
    bodies = {name: body(name, ends) for name, ends in layout.parts.items()}
    found = set()
    for link, passed in runs.items():
        others = [other for other in runs if other != link]
        ends = layout.ends() | {f"end {end}": end for other in others for end in (other[0], other[-1])}
        found |= {end for end, hole in ends.items() if any(math.dist(hole, each) < APART for each in passed)}
        found |= {name for name, its in bodies.items() if any(covers(its, each) for each in passed)}
        found |= {leaving.words for leaving in layout.leaving if way_out(leaving, layout) & passed}
        found |= {f"wire {other}" for other in others if runs[other] & passed}
    return found


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_insulated_wires_are_seen_from_end_to_end(layout: Layout) -> None:
    """None passes a leg, a part with its name, a wire that leaves the board, or another insulated wire."""
    assert hidden(layout) == set()


@pytest.mark.parametrize(("way", "seen"), [
    (((9, 9), (9, 5), (13, 5)), "R21 a"), (((17, 9), (17, 12), (32, 12)), "D31"),
    (((2, 4), (12, 4)), "end (10, 4)"), (((20, 12), (20, 14), (33, 14)), "to B0 pin 3"),
    (((20, 3), (29, 3)), "wire ((9, 9), (9, 3), (31, 3), (31, 4))"),
])
def test_a_wire_that_is_hidden_is_noticed(way: tuple[Hole, ...], seen: str) -> None:
    assert seen in hidden(dataclasses.replace(INPUTS, links=(*INPUTS.links, way)))
