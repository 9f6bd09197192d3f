"""How does every drawing on paper look, and how does it become a file?

Drawn for a black-and-white printer: lines differ by dashes and carry their names, areas by hatching.  Colours are those
of tempered steel and only help.  Fonts are those that come with matplotlib, embedded as outlines.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.whole_file import write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BLUE",
    "DASHES",
    "FAINT",
    "GREY",
    "INK",
    "MM_PER_IN",
    "PAPERS_MM",
    "STRAW",
    "conversion",
    "drawn",
    "fitted",
    "line_ends",
    "millimetres",
    "page",
    "save_pages",
    "scale_bars",
    "spread",
    "wrapped",
    "written_mm",
]

INK, BLUE, STRAW, GREY, FAINT = "#101418", "#1f3a5f", "#d9b44a", "#6b7278", "#d5d9dc"
DASHES: Sequence[Any] = (
    "-", (0, (6, 2)), (0, (2, 1.5)), (0, (8, 2, 1.5, 2)), (0, (8, 2, 1.5, 2, 1.5, 2)), (0, (1, 2)),
)  # fmt: skip

MM_PER_IN = 25.4
# ISO 216 A4; ANSI/ASME Y14.1 size A (US letter), portrait
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

NO_XML = bytes(set(range(32)) - {9, 10, 13})

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.5,
    "hatch.linewidth": 0.5,
    "lines.linewidth": 1.4,
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "kerfbeat",
    "text.parse_math": False,  # names are the user's: a dollar sign in one is a dollar sign
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}


def mpl_style() -> AbstractContextManager[None]:
    """Our settings of matplotlib, which is first imported here."""
    import matplotlib as mpl

    return mpl.rc_context(STYLE)


@contextmanager
def page(width_mm: float, height_mm: float) -> Iterator[Figure]:
    """Open a figure of true size in our style."""
    from matplotlib.figure import Figure as NewFigure

    with mpl_style():
        yield NewFigure(figsize=(width_mm / MM_PER_IN, height_mm / MM_PER_IN))


def millimetres(figure: Figure) -> Axes:
    """Cover a page with axes whose unit is a true millimetre, from its lower left corner."""
    width_in, height_in = figure.get_size_inches()
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width_in * MM_PER_IN)
    axes.set_ylim(0.0, height_in * MM_PER_IN)
    axes.axis("off")
    return axes


def scale_bars(axes: Axes, *, x_mm: float, y_mm: float, narrow: bool = False) -> None:
    """Draw a bar of 100 mm and one of 4 in, to check a printer with a rule; narrow pages get 80 mm and 3 in."""
    from matplotlib.patches import Rectangle

    millimetre_bar, inch_bar = (80.0, 3.0) if narrow else (100.0, 4.0)
    bars = (
        (0.0, millimetre_bar, f"{millimetre_bar:g} mm"),
        (millimetre_bar + 12.0, inch_bar * MM_PER_IN, f"{inch_bar:g} in"),
    )
    for offset, length_mm, text in bars:
        left = x_mm + offset
        axes.add_patch(Rectangle((left, y_mm), length_mm, 1.0, color=INK, linewidth=0))
        for end in (left, left + length_mm):
            axes.plot([end, end], [y_mm - 1.0, y_mm + 2.0], color=INK, linewidth=0.4)
        axes.text(left + length_mm / 2, y_mm + 1.6, text, fontsize=7, ha="center", va="bottom")


def drawn(figures: Sequence[Figure], suffix: str, *, title: str) -> bytes:
    """Figures as a ".pdf" of one or many pages, or one ".png" or ".svg".

    Nothing is cropped or scaled, so that lengths on paper are true.  The bytes carry no date: the same input gives the
    same ones.
    """
    import matplotlib as mpl

    made = BytesIO()
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", message="Glyph"
        )  # a letter the font lacks is drawn as a box, and that will do
        if suffix == ".pdf":
            from matplotlib.backends.backend_pdf import PdfPages

            facts = {"Title": title, "Creator": "kerfbeat", "Producer": "kerfbeat", "CreationDate": None}
            with PdfPages(made, metadata=facts) as pages:
                for figure in figures:
                    pages.savefig(figure)
        else:
            facts = {"Title": title, "Date": None} if suffix == ".svg" else {"Title": title, "Software": "kerfbeat"}
            figures[0].savefig(made, dpi=150, metadata=facts, format=suffix.removeprefix("."))
    # A text stands in an SVG as a comment too; a control byte in it would make the file no XML (XML 1.0, 2.2).
    return made.getvalue().translate(None, NO_XML) if suffix == ".svg" else made.getvalue()


def save_pages(figures: Sequence[Figure], path: Path, *, title: str) -> None:
    """Write figures to a file: a PDF of one or many pages, or one PNG or SVG.

    Raises OSError that names the file.
    """
    write_whole(path, drawn(figures, path.suffix.lower(), title=title))


@lru_cache(maxsize=8192)
def written_mm(text: str, *, size_pt: float, bold: bool = False) -> float:
    """How wide a text on one line comes out."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=size_pt)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width_pt) / 72.0 * MM_PER_IN


def fitted(text: str, *, width_mm: float, size_pt: float, bold: bool = False) -> str:
    """Cut a text to what fits on a line of this width."""
    if written_mm(text, size_pt=size_pt, bold=bold) <= width_mm:
        return text
    fits, too_many = 1, len(text)
    while too_many - fits > 1:
        middle = (fits + too_many) // 2
        if written_mm(text[:middle] + "…", size_pt=size_pt, bold=bold) <= width_mm:
            fits = middle
        else:
            too_many = middle
    return text[:fits].rstrip() + "…"


def wrapped(text: str, *, width_mm: float, size_pt: float, bold: bool = False) -> list[str]:
    """Break a text into lines of at most this width, at spaces; a word that alone is wider is cut in pieces.

    A space that does not break (U+00A0) holds its neighbours together.
    """
    lines, line, used_mm = [], "", 0.0
    for word in re.split(r"[^\S\u00a0]+", text.strip()):
        wide_mm = _set_mm(f" {word}" if line else word, size_pt, bold)
        if used_mm + wide_mm <= width_mm:
            line, used_mm = f"{line} {word}" if line else word, used_mm + wide_mm
            continue
        if line:
            lines.append(line)
        line = ""
        for character in word:
            if line and _set_mm(line + character, size_pt, bold) > width_mm:
                lines.append(line)
                line = ""
            line += character
        used_mm = _set_mm(line, size_pt, bold)
    return [*lines, line]


def _set_mm(text: str, size_pt: float, bold: bool) -> float:
    """Width of a text letter by letter: what is wrapped is too long to be measured as often as it is tried."""
    return sum(_letter_mm(character, bold) for character in text) * size_pt


@lru_cache(maxsize=8192)
def _letter_mm(character: str, bold: bool) -> float:
    """From the start of a letter to that of the next, for each point of size."""
    return (written_mm(f"H{character}H", size_pt=100.0, bold=bold) - written_mm("HH", size_pt=100.0, bold=bold)) / 100.0


def conversion(
    units: Mapping[str, Callable[[float], float]], first: str, second: str
) -> tuple[Callable[[ArrayLike], NDArray[np.float64]], Callable[[ArrayLike], NDArray[np.float64]]]:
    """From the unit of an axis to that of a second scale beside it, and back."""
    factor = units[second](1.0) / units[first](1.0)

    def forward(values: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(values, dtype=float) * factor

    def back(values: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(values, dtype=float) / factor

    return forward, back


def line_ends(axes: Axes, ends: Sequence[tuple[float, float, str]], *, size: float = 7.5) -> None:
    """Name lines right of the axes, moved apart where they would overlap, with a thin leader to each line's end.

    ends : for each line its last x and y, and its name.
    """
    figure = axes.get_figure(root=True)
    assert figure is not None
    height_pt = axes.get_position().height * figure.get_figheight() * 72.0
    to_axes = axes.transData + axes.transAxes.inverted()
    ordered = sorted(ends, key=lambda end: end[1])
    wanted = [float(to_axes.transform((x, y))[1]) for x, y, _ in ordered]
    for (x, y, name), at in zip(ordered, spread(wanted, least=1.35 * size / height_pt), strict=True):
        axes.annotate(
            name, xy=(x, y), xycoords="data", xytext=(1.025, at), textcoords="axes fraction", fontsize=size,
            va="center",
            arrowprops={
                "arrowstyle": "-", "color": GREY, "linewidth": 0.5, "shrinkA": 0, "shrinkB": 0, "relpos": (0.0, 0.5),
            },
            annotation_clip=False,
        )  # fmt: skip


def spread(wanted: Sequence[float], *, least: float) -> list[float]:
    """Move places in ascending order apart to at least `least`, as little as need be, and none above 1.

    >>> spread([0.5, 0.5, 0.98], least=0.1)
    [0.45, 0.55, 0.98]
    """
    groups: list[tuple[float, int]] = []  # the middle of a group of places, and how many stand in it
    for at in wanted:
        middle, count = at, 1
        while groups and groups[-1][0] + least * (groups[-1][1] + count) / 2 > middle:
            before, many = groups.pop()
            middle = (before * many + middle * count) / (many + count)
            count += many
        groups.append((middle, count))
    places = [middle + least * (k - (count - 1) / 2) for middle, count in groups for k in range(count)]
    for index in range(len(places) - 1, -1, -1):
        ceiling = 1.0 if index == len(places) - 1 else places[index + 1] - least
        places[index] = min(places[index], ceiling)
    return [round(place, 9) for place in places]
