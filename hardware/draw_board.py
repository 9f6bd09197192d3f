"""How do the parts sit on their perforated boards?

Draws the layouts of both sides of B1, B4 and B5, svg and pdf.

    python hardware/draw_board.py [FOLDER]
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Rectangle

from board_layout import Body, Hole, Layout, body, joined
from drawing_style import settle
from head_layout import HEAD
from input_layout import INPUTS, ONE_INPUT, TWO_INPUTS
from panel_layout import PANEL
from plain_sheet import save_sheet
from schematic_sheet import chip_pins

HERE = Path(__file__).resolve().parent
INK, COPPER, LINK = "black", "0.72", "tab:blue"
Offs = tuple[tuple[float, float], ...]
WORDS_APART = 3                     # columns between two wires that leave the board, so that their words stand flat


def _outline(ax: Axes, at: Body, *, white: bool = True) -> None:
    filled = {"facecolor": "white"} if white else {"fill": False}
    size = (at.right - at.left, at.high - at.low)
    ax.add_patch(Rectangle((at.left, at.low), *size, edgecolor=INK, lw=1.1, zorder=5, **filled))


def _word(ax: Axes, x: float, y: float, words: str, *, size: float = 8, turned: bool = False) -> None:
    ax.text(x, y, words, fontsize=size, ha="center", va="center", rotation=90 if turned else 0, zorder=7)


def _blank(ax: Axes, x: float, y: float, *, wide: float, tall: float) -> None:
    """Room for a word on what would cross it; half its width and height in steps."""
    ax.add_patch(Rectangle((x - wide, y - tall), 2 * wide, 2 * tall, facecolor="white", edgecolor="none", zorder=6))


def _two_ends(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    """A part between two holes; a diode's ring is at its cathode."""
    (x0, y0), (x1, y1) = ends.values()
    at, upright = body(name, ends), x0 == x1
    ax.plot([x0, x1], [y0, y1], color=INK, lw=1.4, zorder=4)
    _outline(ax, at)
    _word(ax, (x0 + x1) / 2, (y0 + y1) / 2, name, turned=upright)
    if "cathode" in ends:
        if upright:
            ring = at.high - 0.2 if y1 > y0 else at.low + 0.2
            ax.plot([at.left, at.right], [ring, ring], color=INK, lw=2.4, solid_capstyle="butt", zorder=6)
        else:
            ring = at.right - 0.2 if x1 > x0 else at.left + 0.2
            ax.plot([ring, ring], [at.low, at.high], color=INK, lw=2.4, solid_capstyle="butt", zorder=6)


def _terminal(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    _outline(ax, body(name, ends), white=False)
    for word, hole in ends.items():
        _word(ax, hole[0] - 0.55, hole[1] + 0.75, word.replace("+12 to ", "+12 to\n"), size=7, turned=True)
    columns = [hole[0] for hole in ends.values()]
    _word(ax, (columns[0] + columns[-1]) / 2, -1.5, name, size=10)


def _electrolytic(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    (x0, y0), (x1, y1) = ends.values()
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    ax.add_patch(Circle(middle, 1.0, facecolor="white", edgecolor=INK, lw=1.1, zorder=5))
    _word(ax, middle[0], middle[1] + 0.55, name)
    for sign, (x, y) in ends.items():
        _word(ax, x, y - 0.5, sign)


def _transistor(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    at = body(name, ends)
    _outline(ax, at)
    _word(ax, (at.left + at.right) / 2, at.high - 0.4, name)
    for leg, (x, y) in ends.items():
        _word(ax, x, y - 0.5, leg, size=7)


def _trimmer(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    at = body(name, ends)
    _outline(ax, at)
    upright = at.high - at.low > at.right - at.left
    x, y = (at.left + 0.5, (at.low + at.high) / 2) if upright else ((at.left + at.right) / 2, at.high - 0.5)
    _word(ax, x, y, name, turned=upright)


def _chip(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    at, numbers = body(name, ends), chip_pins(name)
    _outline(ax, at, white=False)    # so that the bare wires between its legs show
    flat = at.right - at.left > at.high - at.low
    x, y = (at.left + at.right) / 2, (at.low + at.high) / 2
    words = f"{name}, in its socket" if at.right - at.left > 5 else name
    wide, tall = (0.13 * len(words) + 0.2, 0.25) if flat else (0.25, 0.13 * len(words) + 0.2)
    _blank(ax, x, y, wide=wide, tall=tall)
    _word(ax, x, y, words, turned=not flat)
    for words, (column, row) in ends.items():
        toward = (0, 0.5 if row < y else -0.5) if flat else (0.5 if column < x else -0.5, 0)
        ax.plot([column, column + toward[0]], [row, row + toward[1]], color=INK, lw=2.0, zorder=6)
        if numbers[words] in _corners(numbers):
            beside = 0.45 if column < x else -0.45
            off = (beside, 1.45 * toward[1]) if flat else (1.65 * toward[0], 0)
            _word(ax, column + off[0], row + off[1], numbers[words], size=6.5)
    _notch(ax, ends, numbers, at, flat=flat)


def _corners(numbers: Mapping[str, str]) -> set[str]:
    count = max(int(number) for number in numbers.values())
    return {"1", str(count // 2), str(count // 2 + 1), str(count)}


def _notch(ax: Axes, ends: Mapping[str, Hole], numbers: Mapping[str, str], at: Body, *, flat: bool) -> None:
    """The notch lies between the first pin and the last."""
    first, last = (ends[next(words for words, number in numbers.items() if number == each)] for each in (
        "1", max(numbers.values(), key=int)))  # fmt: skip
    if flat:
        place = (at.left if first[0] - at.left < at.right - first[0] else at.right, (first[1] + last[1]) / 2)
    else:
        place = ((first[0] + last[0]) / 2, at.low if first[1] - at.low < at.high - first[1] else at.high)
    ax.add_patch(Circle(place, 0.3, facecolor="white", edgecolor=INK, lw=1.1, zorder=6))


def _sensor(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    at = body(name, ends)
    _outline(ax, at, white=False)
    _word(ax, (at.left + at.right) / 2, (at.low + at.high) / 2, name)
    for leg, (x, y) in ends.items():
        _word(ax, x, y + 0.45, leg, size=7)


def _part(ax: Axes, name: str, ends: Mapping[str, Hole]) -> None:
    kinds: dict[str, Callable[[Axes, str, Mapping[str, Hole]], None]] = {
        "X": _terminal, "Q": _transistor, "RV": _trimmer, "U": _sensor if name == "U4" else _chip,
    }
    draw_part = _electrolytic if "+" in ends and name[0] == "C" else kinds.get(name.rstrip("0123456789"), _two_ends)
    draw_part(ax, name, ends)


def _bare_board(ax: Axes, layout: Layout) -> None:
    ax.add_patch(Rectangle((-0.8, -0.8), layout.columns + 0.6, layout.rows + 0.6, fill=False, edgecolor=INK, lw=1.6))
    holes = [(c, r) for c in range(layout.columns) for r in range(layout.rows) if (c, r) not in layout.bolts]
    ax.plot(*zip(*holes, strict=True), ls="", marker="o", ms=2.2, mfc="white", mec="0.75", mew=0.6, zorder=1)
    for hole in layout.bolts:
        ax.add_patch(Circle(hole, 0.63, facecolor="white", edgecolor=INK, lw=1.1, zorder=2))
    _numbers(ax, layout)


def _numbers(ax: Axes, layout: Layout) -> None:
    """Each fifth column and row, counted from 1, in the rim of the board; wires that leave there are interrupted."""
    for column in range(4, layout.columns, 5):
        for row in (-0.48, layout.rows - 0.52):
            _blank(ax, column, row, wide=0.4, tall=0.19)
            _word(ax, column, row, str(column + 1), size=6.5)
    for row in range(4, layout.rows - 1, 5):
        for column in (-0.48, layout.columns - 0.52):
            _word(ax, column, row, str(row + 1), size=6.5)


def _surround(ax: Axes, layout: Layout, words: str, *, links: str) -> None:
    """What stands about the board: the wires that leave it, and words below; `links`: of insulated wires, if any."""
    below, above = (4.2, 4.4) if _leaving(ax, layout) else (1.9, 1.4)
    words += links if layout.links else ""
    _word(ax, (layout.columns - 1) / 2, -below - 0.9, words, size=9)
    ax.set_xlim(-1.5, layout.columns + 0.5)
    ax.set_ylim(-below - 1.8, layout.rows + above)


def _leaving(ax: Axes, layout: Layout) -> bool:
    """Where wires leave the board; returns whether their words had to be turned."""
    edges = {leaving.hole: leaving.hole[1] > layout.rows / 2 for leaving in layout.leaving if not leaving.stands}
    turned = any(
        a != b and edges[a] == edges[b] and abs(a[0] - b[0]) < WORDS_APART for a in edges for b in edges
    )  # fmt: skip
    for leaving in layout.leaving:
        if leaving.stands:
            _word(ax, leaving.hole[0] + 0.65, leaving.hole[1], leaving.words, size=7)
            continue
        (x, row), up = leaving.hole, edges[leaving.hole]
        rim = layout.rows + 0.1 if up else -1.0
        ax.plot([x, x], [row, rim], color=INK, lw=1.2, ls="--", zorder=4)
        aligned = ("bottom" if up else "top") if turned else "center"
        y = rim + (0.2 if turned else 0.5) * (1 if up else -1)
        ax.text(x, y, leaving.words, fontsize=8, ha="center", va=aligned, rotation=90 if turned else 0)
    return turned


def parts_side(layout: Layout, ax: Axes) -> None:
    """Parts, bare wire on the solder side in grey, insulated links on the parts' side in blue."""
    _bare_board(ax, layout)
    for joint in layout.joints:
        ax.plot(*zip(*joint, strict=True), color=COPPER, lw=4, solid_capstyle="round", zorder=2)
    for link in layout.links:
        ax.plot(*zip(*link, strict=True), color=LINK, lw=1.8, solid_joinstyle="round", zorder=4)
    _links_ends(ax, layout)
    for hole in [*(each.hole for each in layout.leaving), *layout.ends().values()]:
        ax.plot(*hole, ls="", marker="o", ms=4, color=INK, zorder=6)
    for name, ends in layout.parts.items():
        _part(ax, name, ends)
    words = f"{layout.board}, seen from the side of the parts; black dots: legs, and ends of the wires that leave it;\n"
    words += "grey: bare wire on the other side"
    _surround(ax, layout, words, links="; blue: insulated wire on this side, square to square")


def _links_ends(ax: Axes, layout: Layout) -> None:
    for link in layout.links:
        ax.plot(*zip(link[0], link[-1], strict=True), ls="", marker="s", ms=5, color=LINK, zorder=6)


def _free_places(layout: Layout, wide: float, at: tuple[float, float], offs: Offs) -> Iterator[tuple[float, float]]:
    """Places beside `at` where bare wires and legs leave room for words of this half width."""
    passed = [list(joined(joint)) for joint in layout.joints]
    between = {((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for holes in passed for a, b in itertools.pairwise(holes)}
    ends = {hole for link in layout.links for hole in (link[0], link[-1])} | {each.hole for each in layout.leaving}
    taken = {*between, *(hole for holes in passed for hole in holes), *layout.ends().values(), *ends}
    dashed = {(each.hole[0], each.hole[1] > layout.rows / 2, each.hole[1]) for each in layout.leaving}
    for dx, dy in offs:
        x, y = at[0] + dx, at[1] + dy
        near_wires = any(abs(c - x) < wide and abs(r - y) < 0.45 for c, r in taken)
        on_dashed = any(abs(c - x) < wide and (y > r if up else y < r) for c, up, r in dashed)
        if 0 <= x <= layout.columns - 1 and not near_wires and not on_dashed:
            yield x, y


NAME_OFFS: Offs = ((0.0, 0.0), (0.0, 0.5), (0.0, -0.5), (0.75, 0.0), (-0.75, 0.0), (0.6, 0.5), (0.6, -0.5), (1.5, 0.5))
NUMBER_OFFS: Offs = tuple((dx, dy) for dy in (0.46, -0.46) for dx in (-0.36, 0.36))    # nearest to its own pin


def _names_between_wires(ax: Axes, layout: Layout, name: str, ends: Mapping[str, Hole]) -> None:
    """Names a part where it sits on the other side, and a chip's first and last pins in both rows, if there is room."""
    columns, rows = [hole[0] for hole in ends.values()], [hole[1] for hole in ends.values()]
    middle = ((min(columns) + max(columns)) / 2, (min(rows) + max(rows)) / 2)
    for x, y in itertools.islice(_free_places(layout, 0.3 + 0.13 * len(name), middle, NAME_OFFS), 1):
        _word(ax, x, y, name, size=6.5)
    numbers = chip_pins(name)
    for words, hole in ends.items() if numbers else ():
        if numbers[words] in _corners(numbers):
            for x, y in itertools.islice(_free_places(layout, 0.1 + 0.13 * len(numbers[words]), hole, NUMBER_OFFS), 1):
                _word(ax, x, y, numbers[words], size=6)
        if numbers[words] == "1":
            ax.plot(*hole, ls="", marker="s", ms=8, mfc="white", mec=INK, mew=1.2, zorder=4)


def solder_side(layout: Layout, ax: Axes) -> None:
    """The same board turned over, left for right: the bare wires, and where parts' legs come through."""
    _bare_board(ax, layout)
    for joint in layout.joints:
        ax.plot(*zip(*joint, strict=True), color=INK, lw=3, solid_capstyle="round", zorder=2)
    for hole in layout.ends().values():
        ax.plot(*hole, ls="", marker="o", ms=6, mfc="white", mec=INK, mew=1.2, zorder=3)
    for leaving in layout.leaving:
        ax.plot(*leaving.hole, ls="", marker="o", ms=5, color=INK, zorder=5)
    _links_ends(ax, layout)
    for name, ends in layout.parts.items():
        if name[0] == "X":
            columns = [hole[0] for hole in ends.values()]
            _word(ax, (columns[0] + columns[-1]) / 2, -1.5, name, size=10)
        else:
            _names_between_wires(ax, layout, name, ends)
    words = f"{layout.board}, seen from the solder side (mirrored); black lines: bare wire; circles: legs;\n"
    words += "square: pin 1; black dots: ends of the wires that leave the board"
    _surround(ax, layout, words, links="; blue squares: ends of insulated wires on the other side")
    ax.invert_xaxis()


SHEETS: Mapping[str, tuple[Layout, float, float, float]] = {   # width, heights of both sides in inches
    "input_board": (INPUTS, 11.0, 6.4, 6.4), "input_board_two": (TWO_INPUTS, 11.0, 6.4, 6.4),
    "input_board_one": (ONE_INPUT, 11.0, 6.4, 6.4), "panel_board": (PANEL, 11.0, 7.4, 7.4),
    "optical_board": (HEAD, 7.0, 7.6, 7.6),
}


def draw(folder: Path) -> None:
    """Draw both sides of each board as svg and pdf.  Raises ValueError if words on them cannot be read."""
    settle()
    for name, (layout, wide_in, parts_in, solder_in) in SHEETS.items():
        save_sheet(folder, name, partial(parts_side, layout), wide_in=wide_in, high_in=parts_in)
        save_sheet(folder, f"{name}_solder", partial(solder_side, layout), wide_in=wide_in, high_in=solder_in)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
