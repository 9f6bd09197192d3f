"""How do the input stages sit on their perforated board?

Draws board_layout.py, seen from the side of the parts; drawings/perforated_board and solder_side, svg and pdf.

    python hardware/draw_board.py [FOLDER]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.patches import Circle, FancyArrowPatch, Rectangle

from board_layout import COLUMNS, FLYING, JOINTS, LINKS, PARTS, ROWS, U1_AT, Hole
from drawing_style import settle
from plain_sheet import save_sheet
from schematic_sheet import board_labels

HERE = Path(__file__).resolve().parent
INK, COPPER, LINK = "black", "0.72", "tab:blue"


def _box(ax: Axes, low: tuple[float, float], high: tuple[float, float], *, words: str, turned: bool = False) -> None:
    ax.add_patch(Rectangle(low, high[0] - low[0], high[1] - low[1], facecolor="white", edgecolor=INK, lw=1.1, zorder=5))
    middle = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    ax.text(*middle, words, fontsize=8, ha="center", va="center", rotation=90 if turned else 0, zorder=7)


def _upright(ax: Axes, name: str, a: Hole, b: Hole) -> None:
    """A part whose leads go up and down; a diode's ring is at its second hole, the cathode."""
    half, wide = (1.25, 0.42) if name[0] in "RD" else (0.75, 0.42)
    x, middle = a[0], (a[1] + b[1]) / 2
    ax.plot([x, x], [a[1], b[1]], color=INK, lw=1.4, zorder=4)
    _box(ax, (x - wide, middle - half), (x + wide, middle + half), words=name, turned=True)
    if name[0] == "D":
        ring = middle + 0.82 * half * (1 if b[1] > a[1] else -1)
        ax.plot([x - wide, x + wide], [ring, ring], color=INK, lw=2.4, zorder=6)


def _ways(ax: Axes, name: str, holes: tuple[Hole, ...]) -> None:
    left, right = holes[0][0], holes[-1][0]
    ax.add_patch(Rectangle((left - 0.9, -0.7), right - left + 1.8, 3.4, fill=False, edgecolor=INK, lw=1.1, zorder=5))
    for hole, word in zip(holes, ("5 V", "signal", "0 V", "shield"), strict=True):
        ax.text(hole[0] - 0.55, 1.9, word, fontsize=7, ha="center", va="center", rotation=90, zorder=7)
    ax.text((left + right) / 2, -1.4, name, fontsize=10, ha="center", va="center")


def _chip(ax: Axes) -> None:
    column, row = U1_AT
    _box(ax, (column - 0.45, row + 0.5), (column + 6.45, row + 2.5), words="U1, in its socket")
    ax.add_patch(Circle((column - 0.45, row + 1.5), 0.3, facecolor="white", edgecolor=INK, lw=1.1, zorder=6))
    for pin in range(1, 15):
        x, y = (column + pin - 1, row) if pin <= 7 else (column + 14 - pin, row + 3)
        ax.plot([x, x], [y, y + (0.5 if pin <= 7 else -0.5)], color=INK, lw=2.0, zorder=6)
    for x, y, number in ((column, row, 1), (column + 6, row, 7), (column + 6, row + 3, 8), (column, row + 3, 14)):
        ax.text(x + 0.45, y - 0.5 if number <= 7 else y + 0.55, str(number), fontsize=7, ha="center", va="center")


def _bare_board(ax: Axes) -> None:
    ax.add_patch(Rectangle((-0.8, -0.8), COLUMNS + 0.6, ROWS + 0.6, fill=False, edgecolor=INK, lw=1.6))
    for column in range(COLUMNS):
        ax.plot([column] * ROWS, range(ROWS), ls="", marker="o", ms=2.2, mfc="white", mec="0.75", mew=0.6, zorder=1)


def _limits(ax: Axes) -> None:
    ax.set_xlim(-1.5, COLUMNS + 0.5)
    ax.set_ylim(-3.6, ROWS + 1.4)


def perforated_board(ax: Axes) -> None:
    """Parts, bare wire on the solder side in grey, insulated links on the parts' side in blue."""
    _bare_board(ax)
    for joint in JOINTS:
        ax.plot(*zip(*joint, strict=True), color=COPPER, lw=4, solid_capstyle="round", zorder=2)
    for a, b in LINKS:
        bent = {"arrowstyle": "-", "connectionstyle": "arc3,rad=0.12"}
        ax.add_patch(FancyArrowPatch(a, b, **bent, color=LINK, lw=1.5, zorder=4))
        ax.plot(*zip(a, b, strict=True), ls="", marker="s", ms=4, color=LINK, zorder=6)
    for hole in [*FLYING, *(hole for holes in PARTS.values() for hole in holes)]:
        ax.plot(*hole, ls="", marker="o", ms=4, color=INK, zorder=6)
    for name, holes in PARTS.items():
        if name[0] == "X":
            _ways(ax, name, holes)
        elif name == "C2":
            ax.add_patch(Circle((2.5, 7), 1.1, facecolor="white", edgecolor=INK, lw=1.1, zorder=5))
            for x, words in ((2, "+"), (2.5, "C2"), (3, "−")):
                ax.text(x, 7.6 if words == "C2" else 6.5, words, fontsize=8, ha="center", va="center", zorder=7)
        else:
            _upright(ax, name, *holes)
    _chip(ax)
    labels = board_labels()
    for hole, words in FLYING.items():
        up = hole[1] > ROWS / 2
        x, y = hole[0], (ROWS + 0.6 if up else -1.4)
        ax.plot([x, x], [hole[1], y + (-0.5 if up else 0.5)], color=INK, lw=1.2, ls="--", zorder=4)
        pin = f"A1 pin {labels[words]}" if words in labels else words
        ax.text(x, y, f"to {pin}", fontsize=8, ha="center", va="center")
    ax.text(17.5, -2.9, "seen from the side of the parts; grey: bare wire on the other side; "
            "blue: insulated wire on this side, square to square", fontsize=9, ha="center", va="center")  # fmt: skip
    _limits(ax)


def solder_side(ax: Axes) -> None:
    """The same board turned over, left for right: the bare wires, and where parts' legs come through."""
    _bare_board(ax)
    for joint in JOINTS:
        ax.plot(*zip(*joint, strict=True), color=INK, lw=3, solid_capstyle="round", zorder=2)
    chip = [(U1_AT[0] + pin % 7, U1_AT[1] + 3 * (pin // 7)) for pin in range(14)]
    for hole in [*chip, *FLYING, *(hole for link in LINKS for hole in link), *(h for at in PARTS.values() for h in at)]:
        ax.plot(*hole, ls="", marker="o", ms=6, mfc="white", mec=INK, mew=1.2, zorder=3)
    for name, holes in PARTS.items():
        if name[0] == "X":
            ax.text((holes[0][0] + holes[-1][0]) / 2, -1.4, name, fontsize=10, ha="center", va="center")
    for pin, (column, row), aside in ((1, chip[0], -0.7), (7, chip[6], 0.7), (8, chip[13], 0.7), (14, chip[7], -0.7)):
        words = "U1 pin 1" if pin == 1 else str(pin)
        below, side = (0.3 if row == U1_AT[1] else 0.8), "left" if aside < 0 else "right"
        ax.text(column + aside, row - below, words, fontsize=8, ha=side, va="center")
    ax.text(17.5, -2.9, "seen from the solder side (mirrored); black: bare wire; "
            "circles: legs, and ends of insulated wires", fontsize=9, ha="center", va="center")  # fmt: skip
    _limits(ax)
    ax.invert_xaxis()


DRAWINGS: Mapping[str, Callable[[Axes], None]] = {"perforated_board": perforated_board, "solder_side": solder_side}


def draw(folder: Path) -> None:
    """Draw both sides as svg and pdf.  Raises ValueError if words on them cannot be read."""
    settle()
    for name, fill in DRAWINGS.items():
        save_sheet(folder, name, fill, wide_in=11.0, high_in=5.8)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
