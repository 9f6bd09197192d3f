"""What sits where in the box and in the optical sensor's head, and what is drilled into them?

Line drawings; boards, terminals and glands are where the layouts put them.

    python hardware/draw_cases.py [FOLDER]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Rectangle

from drawing_style import settle
from input_layout import INPUTS
from panel_layout import PANEL
from plain_sheet import INK, block, measure, note, save_sheet

HERE = Path(__file__).resolve().parent
STEP_MM, RIM_MM = 2.54, 5.5         # of the boards' holes; from a board's edge to its first hole
BOX_MM = (200, 150)
B1_AT, B4_AT = (14, 24), (134, 34)  # of their lower left corners, mm


def _middle(ways: Mapping[str, tuple[int, int]]) -> float:
    """Along a board's edge to a terminal's middle, mm."""
    columns = [hole[0] for hole in ways.values()]
    return RIM_MM + STEP_MM * (min(columns) + max(columns)) / 2


def box_layout(ax: Axes) -> None:
    """The box from above, open: boards, terminals, glands; beside it the lid from outside.  Millimetres."""
    ax.add_patch(Rectangle((0, 0), *BOX_MM, fill=False, edgecolor=INK, lw=1.6))
    block(ax, 14, 84, 69, 54)
    note(ax, "B0\nmicrocontroller board", (48.5, 111))
    block(ax, *B1_AT, 100, 40)
    note(ax, "B1 input stages", (B1_AT[0] + 62, B1_AT[1] + 28))
    block(ax, *B4_AT, 40, 100)
    note(ax, "B4\nbuttons,\ntrimmer,\nalarm,\nisolator", (B4_AT[0] + 13, B4_AT[1] + 50))
    for name, to in (("X1", "sensor"), ("X2", "sensor"), ("X3", "sensor")):
        x = B1_AT[0] + _middle(INPUTS.parts[name])
        block(ax, x - 10.2, B1_AT[1], 20.4, 9)
        note(ax, name, (x, B1_AT[1] + 4.5))
        block(ax, x - 4, -6, 8, 9, fill="0.85")
        ax.plot([x, x], [-6, -14], color=INK, lw=2)
        note(ax, to, (x, -18.5))
    for name, to in (("X4", "12 to 24 V"), ("X5", "P1 on W3"), ("X6", "H1 on W4")):
        ways = PANEL.parts[name]
        y, half = B4_AT[1] + _middle(ways), STEP_MM * (len(ways)) + 0.1
        block(ax, B4_AT[0] + 31, y - half, 9, 2 * half)
        note(ax, name, (B4_AT[0] + 35.5, y))
        block(ax, BOX_MM[0] - 3, y - 4, 9, 8, fill="0.85")
        ax.plot([206, 214], [y, y], color=INK, lw=2)
        ax.text(216, y, to, fontsize=9, ha="left", va="center")
    block(ax, -6, 121, 9, 8, fill="0.85")
    ax.plot([-14, -6], [125, 125], color=INK, lw=2)
    note(ax, "USB", (-21, 125))
    measure(ax, (0, 158), (200, 158), "about 200 mm", off=(0, 5))
    note(ax, "terminals towards the walls; a gland before each cable that you have", (100, -30))
    left = 262
    ax.add_patch(Rectangle((left, 0), *BOX_MM, fill=False, edgecolor=INK, lw=1.6))
    note(ax, "lid, from outside", (left + 100, 158))
    block(ax, left + 60, 84, 80, 36)
    block(ax, left + 67, 94, 66, 16, fill="0.93")
    note(ax, "window", (left + 100, 102))
    note(ax, "LCD1, screwed on from inside", (left + 100, 128))
    for x, name in ((60, "S1 unit"), (100, "S2 hold"), (140, "S3 set")):
        ax.add_patch(Circle((left + x, 50), 6, fill=False, edgecolor=INK, lw=1.3))
        note(ax, name, (left + x, 36))
    note(ax, "H1, too, may sit in the lid; holes as your parts want them", (left + 100, -30))
    ax.set_xlim(-34, 470)
    ax.set_ylim(-38, 170)


def optical_head(ax: Axes) -> None:
    """The optical sensor's head cut through from the side, on its bracket; millimetres, the target on the left."""
    block(ax, -14, -22, 4, 44, hatch="///")
    note(ax, "wheel, with\nits stripes", (-24, 18))
    ax.add_patch(Rectangle((0, -12.5), 55, 25, facecolor="0.93", edgecolor=INK, lw=1.6))
    ax.add_patch(Rectangle((2.5, -10), 50, 20, facecolor="white", edgecolor=INK, lw=1.0))
    block(ax, 6, -4, 40, 1.6, fill="0.85")
    for x in (11, 41):
        block(ax, x - 1.5, -10, 3, 6)
    block(ax, 0, -3.4, 7.5, 6.8)
    note(ax, "B5, its parts upwards", (26, 4))
    note(ax, "U4 looks out of a hole filed\nto its shape; epoxy all round", (-8, 33), (3, 3))
    note(ax, "air gap: U4's best distance", (-20, -32), (-5, -2))
    note(ax, "case B6, its lid upwards,\ntight against water", (36, 28), (34, 12))
    note(ax, "two M3 distance bolts", (20, -28), (12, -7))
    block(ax, 55, -38, 6, 56, fill="0.93")
    note(ax, "bracket K1,\nhole of 12.4 mm", (86, 26), (59, 16))
    ax.add_patch(Rectangle((47.5, -6), 5, 12, facecolor="0.85", edgecolor=INK, lw=1.0))
    ax.add_patch(Rectangle((46, -3), 15, 6, facecolor="white", edgecolor=INK, lw=1.3))
    block(ax, 61, -8, 6, 16, fill="0.85")
    block(ax, 67, -6, 10, 12, fill="0.85")
    ax.plot([40, 110], [0, 0], color=INK, lw=2.4, zorder=5)
    note(ax, "W2, shield cut back inside", (98, -14), (92, -0.6))
    note(ax, "gland B7, from behind through bracket and\ncase, its nut inside: it holds the head", (88, -32), (64, -7))
    ax.set_xlim(-42, 122)
    ax.set_ylim(-44, 42)


DRAWINGS: Mapping[str, Callable[[Axes], None]] = {"box_layout": box_layout, "optical_head": optical_head}
SIZE_IN = {"box_layout": (12.0, 5.0), "optical_head": (9.0, 4.8)}


def draw(folder: Path) -> None:
    """Draw both as svg and pdf.  Raises ValueError if words on them cannot be read."""
    settle()
    for name, fill in DRAWINGS.items():
        wide_in, high_in = SIZE_IN[name]
        save_sheet(folder, name, fill, wide_in=wide_in, high_in=high_in)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
