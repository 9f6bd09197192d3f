"""How does a report become pages of paper?

Blocks run down the page; a heading never stands alone at its foot, a plot is never cut.  Every page carries machine,
logs with their dates, and its number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING

from kerfbeat.present import ink
from kerfbeat.present.report_columns import column_widths_mm, heading
from kerfbeat.present.report_content import Block, Facts, Grid, Plot, Points, Report, Section, Words
from kerfbeat.present.report_words import FOOT
from kerfbeat.present.text import harmless

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["paper_bytes"]

LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM = 18.0, 15.0, 12.0, 18.0
TEXT_PT, VERDICT_PT, SMALL_PT, HEADING_PT, CHAPTER_PT, TITLE_PT = 8.5, 9.5, 7.0, 11.0, 13.0, 16.0
PITCH = 1.38 * ink.MM_PER_IN / 72.0  # of a line, in mm a point
HEADING_MM, AFTER_BLOCK_MM = 9.0, 2.6
INDENT_MM, ROW_GAP_MM = 4.0, 1.1
NAME_SHARE = 0.24  # of the width, for the names of facts
SCALE_MM = 11.0  # below the last panel, for its scale
MOST_HEAD_LINES = 3
GRIDS = ((TEXT_PT, 3.5), (7.5, 2.8), (6.5, 2.0), (6.0, 1.8))  # letters of a table and gap of its columns, as fits

Cell = tuple[float, list[str], bool]  # where it stands, its lines, whether it ends there


def paper_bytes(report: Report, *, paper: str) -> bytes:
    """The report as a PDF of "a4" or "letter" pages."""
    with ExitStack() as stack:
        pages = _Pages(stack, report, ink.PAPERS_MM[paper])
        for place, chapter in enumerate(report.chapters):
            if chapter.follows:
                pages.need(HEADING_MM + _first_mm(pages, chapter.sections[0]))
                pages.free_mm -= 2 * AFTER_BLOCK_MM
            elif place:
                pages.turn()
            if chapter.title:
                pages.text(chapter.title, size_pt=CHAPTER_PT, bold=True)
            for section in chapter.sections:
                _section(pages, section)
        pages.number()
        return ink.drawn(pages.figures, ".pdf", title=harmless(f"{report.title}: {report.machine}"))


class _Pages:
    """Pages that fill from the top."""

    def __init__(self, stack: ExitStack, report: Report, size_mm: tuple[float, float]) -> None:
        self._stack, self._report = stack, report
        self.width_mm, self.height_mm = size_mm
        self.figures: list[Figure] = []
        self._axes: list[Axes] = []
        self.free_mm = 0.0  # lower end of what is filled, from the page's foot
        self._logs = ink.wrapped(
            harmless(", ".join(head.words for head in report.logs)), width_mm=self.room_mm, size_pt=SMALL_PT
        )
        if len(self._logs) > MOST_HEAD_LINES:
            more = f"... {len(report.logs)} logs in all, named on page 1"
            self._logs = [*self._logs[: MOST_HEAD_LINES - 1], more]
        self.turn()
        self.text(report.title, size_pt=TITLE_PT, bold=True)

    @property
    def room_mm(self) -> float:
        """Width between the margins."""
        return self.width_mm - LEFT_MM - RIGHT_MM

    def turn(self) -> None:
        """Begin a page."""
        figure = self._stack.enter_context(ink.page(self.width_mm, self.height_mm))
        axes = ink.millimetres(figure)
        self.figures.append(figure)
        self._axes.append(axes)
        at_mm = self.height_mm - TOP_MM
        name = ink.fitted(harmless(self._report.machine), width_mm=self.room_mm, size_pt=TEXT_PT, bold=True)
        axes.text(LEFT_MM, at_mm, name, fontsize=TEXT_PT, fontweight="bold", va="center")
        for line in self._logs:
            at_mm -= SMALL_PT * PITCH
            axes.text(LEFT_MM, at_mm, line, fontsize=SMALL_PT, va="center")
        self.rule(at_mm - 2.8, long_mm=self.room_mm, width=0.8)
        self.free_mm = at_mm - 6.0

    def number(self) -> None:
        """Write the foot of every page, now that their number is known."""
        for place, axes in enumerate(self._axes, start=1):
            at_mm = BOTTOM_MM - 8.0
            axes.text(LEFT_MM, at_mm, f"Made by kerfbeat. {FOOT}", fontsize=SMALL_PT, va="center")
            axes.text(
                self.width_mm - RIGHT_MM, at_mm, f"page {place} of {len(self._axes)}", fontsize=SMALL_PT, va="center",
                ha="right",
            )  # fmt: skip

    def need(self, height_mm: float) -> bool:
        """Turn the page unless so much is free on it; tells whether it was turned."""
        if self.free_mm - height_mm >= BOTTOM_MM:
            return False
        self.turn()
        return True

    def rule(self, at_mm: float, *, long_mm: float, width: float = 0.5) -> None:
        """Draw a line of some length from the left margin on."""
        self._axes[-1].plot([LEFT_MM, LEFT_MM + long_mm], [at_mm, at_mm], color=ink.INK, linewidth=width)

    def bar(self, height_mm: float) -> None:
        """Draw a thick line along the margin, down from what is filled."""
        ends_mm = [self.free_mm, self.free_mm - height_mm]
        self._axes[-1].plot([LEFT_MM + 0.7] * 2, ends_mm, color=ink.INK, linewidth=3.0, solid_capstyle="butt")

    def line(
        self, text: str, *, left_mm: float = 0.0, below_mm: float = 0.0, size_pt: float = TEXT_PT, bold: bool = False,
        right: bool = False,
    ) -> None:  # fmt: skip
        """Write a line whose top lies so far below what is filled; left_mm counts from the margin."""
        self._axes[-1].text(
            LEFT_MM + left_mm, self.free_mm - below_mm - size_pt * PITCH / 2, text, fontsize=size_pt,
            fontweight="bold" if bold else "normal", va="center_baseline", ha="right" if right else "left",
        )  # fmt: skip

    def text(self, text: str, *, size_pt: float = TEXT_PT, bold: bool = False, left_mm: float = 0.0) -> None:
        """Write a text over as many lines as it takes."""
        for line in _lines(text, self.room_mm - left_mm, size_pt=size_pt, bold=bold):
            self.need(size_pt * PITCH)
            self.line(line, left_mm=left_mm, size_pt=size_pt, bold=bold)
            self.free_mm -= size_pt * PITCH

    def panels(self, plot: Plot) -> list[Axes]:
        """Axes for a plot below what is filled."""
        figure = self.figures[-1]
        wide_mm = self.room_mm - plot.left_mm - plot.right_mm
        made = []
        for height_mm in plot.heights_mm:
            self.free_mm -= height_mm
            made.append(
                figure.add_axes(
                    (
                        (LEFT_MM + plot.left_mm) / self.width_mm, self.free_mm / self.height_mm,
                        wide_mm / self.width_mm, height_mm / self.height_mm,
                    )
                )
            )  # fmt: skip
            self.free_mm -= plot.gap_mm
        self.free_mm += plot.gap_mm - SCALE_MM
        return made


def _lines(text: str, width_mm: float, *, size_pt: float = TEXT_PT, bold: bool = False) -> list[str]:
    return ink.wrapped(harmless(text), width_mm=width_mm, size_pt=size_pt, bold=bold)


def _section(pages: _Pages, section: Section) -> None:
    if not pages.need(_first_mm(pages, section)):
        pages.free_mm -= HEADING_MM - HEADING_PT * PITCH - 1.6
    pages.text(section.title, size_pt=HEADING_PT, bold=True)
    pages.free_mm -= 1.6
    for block in section.blocks:
        DRAWERS[type(block)](pages, block)
        pages.free_mm -= AFTER_BLOCK_MM


def _plot_mm(pages: _Pages, plot: Plot) -> float:
    caption = _lines(plot.caption, pages.room_mm, size_pt=SMALL_PT)
    heights = sum(plot.heights_mm) + plot.gap_mm * (len(plot.heights_mm) - 1)
    return 2.0 + heights + SCALE_MM + len(caption) * SMALL_PT * PITCH


def _squeezed(pages: _Pages, plot: Plot) -> Plot:
    """The plot, a little lower if it then fits on the page."""
    tall_mm = sum(plot.heights_mm)
    free_mm = pages.free_mm - BOTTOM_MM - (_plot_mm(pages, plot) - tall_mm) - 0.1
    if not plot.least * tall_mm <= free_mm < tall_mm:
        return plot
    return replace(plot, heights_mm=tuple(height_mm * free_mm / tall_mm for height_mm in plot.heights_mm))


def _first_mm(pages: _Pages, section: Section) -> float:
    """Height of a heading, and of what must stand below it: all words up to the first other block, and its start."""
    height_mm = HEADING_MM
    for block in section.blocks:
        height_mm += _least_mm(pages, block) + AFTER_BLOCK_MM
        if not isinstance(block, Words):
            break
    return height_mm


def _least_mm(pages: _Pages, block: Block) -> float:
    """What of a block must stand together."""
    if isinstance(block, Plot):
        return block.least * _plot_mm(pages, block)
    if isinstance(block, Words):
        return len(_lines(block.text, pages.room_mm)) * TEXT_PT * PITCH
    return 4 * (TEXT_PT * PITCH + ROW_GAP_MM)


def _words(pages: _Pages, block: Words) -> None:
    if block.weight != "verdict":
        pages.text(block.text, bold=block.weight == "strong")
        return
    size_mm = VERDICT_PT * PITCH
    lines = _lines(block.text, pages.room_mm - INDENT_MM, size_pt=VERDICT_PT, bold=True)
    pages.need(len(lines) * size_mm)
    pages.bar(len(lines) * size_mm)
    for line in lines:
        pages.line(line, left_mm=INDENT_MM, size_pt=VERDICT_PT, bold=True)
        pages.free_mm -= size_mm


def _points(pages: _Pages, block: Points) -> None:
    if block.lead:
        pages.need(3 * TEXT_PT * PITCH)
        pages.text(f"{block.lead}:")
    for text in block.lines:
        for place, line in enumerate(_lines(text, pages.room_mm - INDENT_MM)):
            pages.need(TEXT_PT * PITCH)
            if not place:
                pages.line("·", left_mm=1.0, bold=True)
            pages.line(line, left_mm=INDENT_MM)
            pages.free_mm -= TEXT_PT * PITCH


def _facts(pages: _Pages, block: Facts) -> None:
    name_mm = NAME_SHARE * pages.room_mm
    for name, value in block.rows:
        names = _lines(name, name_mm - INDENT_MM)
        values = _lines(value, pages.room_mm - name_mm)
        _row(pages, [(0.0, names, False), (name_mm, values, False)])


def _grid(pages: _Pages, block: Grid) -> None:
    size_pt, gap_mm, widths_mm = _fitting(block, pages.room_mm)
    left_mm = [sum(widths_mm[:k]) + gap_mm * k for k in range(len(widths_mm))]

    def cells(row: Sequence[str], *, bold: bool = False) -> list[Cell]:
        placed: list[Cell] = []
        for k, (text, wide_mm) in enumerate(zip(row, widths_mm, strict=True)):
            right = k >= block.left
            shown = heading(harmless(text)) if bold else harmless(text)
            lines = ink.wrapped(shown, width_mm=wide_mm, size_pt=size_pt, bold=bold)
            placed.append((left_mm[k] + (wide_mm if right else 0.0), lines, right))
        return placed

    def head() -> None:
        _row(pages, cells(block.headings, bold=True), size_pt=size_pt, bold=True)
        pages.rule(pages.free_mm + ROW_GAP_MM / 2, long_mm=left_mm[-1] + widths_mm[-1])

    rows = [cells(row) for row in block.rows]
    pages.need(3 * TEXT_PT * PITCH + 2 * ROW_GAP_MM)
    head()
    for row in rows:
        if pages.need(_row_mm(row, size_pt)):
            head()
        _row(pages, row, size_pt=size_pt)


def _fitting(block: Grid, room_mm: float) -> tuple[float, float, list[float]]:
    """The largest letters at which a table fits, gap and widths of its columns; equal ones where it never does."""
    for size_pt, gap_mm in GRIDS:
        widths_mm = column_widths_mm(block, room_mm, size_pt=size_pt, gap_mm=gap_mm)
        if widths_mm:
            break
    count = len(block.headings)
    return size_pt, gap_mm, widths_mm or [(room_mm + gap_mm) / count - gap_mm] * count


def _row_mm(cells: Sequence[Cell], size_pt: float) -> float:
    return max(len(lines) for _, lines, _ in cells) * size_pt * PITCH + ROW_GAP_MM


def _row(pages: _Pages, cells: Sequence[Cell], *, size_pt: float = TEXT_PT, bold: bool = False) -> None:
    """Write cells side by side."""
    pages.need(_row_mm(cells, size_pt))
    for left_mm, lines, right in cells:
        for place, line in enumerate(lines):
            below_mm = place * size_pt * PITCH
            pages.line(line, left_mm=left_mm, below_mm=below_mm, size_pt=size_pt, bold=bold, right=right)
    pages.free_mm -= _row_mm(cells, size_pt)


def _plot(pages: _Pages, block: Plot) -> None:
    block = _squeezed(pages, block)
    pages.need(_plot_mm(pages, block))
    pages.free_mm -= 2.0
    block.draw(pages.panels(block))
    pages.text(block.caption, size_pt=SMALL_PT)


DRAWERS: dict[type, Callable[..., None]] = {Words: _words, Points: _points, Facts: _facts, Grid: _grid, Plot: _plot}
