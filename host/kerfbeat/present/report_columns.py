"""How wide is each column of a printed table?"""

from collections.abc import Sequence

from kerfbeat.present import ink
from kerfbeat.present.report_content import Grid
from kerfbeat.present.text import harmless

__all__ = ["column_widths_mm", "heading"]

LEAST_MM = 5.0
LONGEST_UNIT = 2  # letters: "s", "%", "Hz"; longer words may stand on a line of their own


def column_widths_mm(grid: Grid, room_mm: float, *, size_pt: float, gap_mm: float) -> list[float]:
    """Widths of the columns: as their contents want, or, where that is too much, with the widest ones broken.

    Columns of numbers are not narrowed below their cells, so that a number stays on its line.
    Returns [] if the table is too wide at this size of letters.
    """
    columns = list(zip(grid.headings, *grid.rows, strict=True))
    wanted = [_wide_mm(column, size_pt, head_whole=True, cells_whole=True) for column in columns]
    least = [
        _wide_mm(column, size_pt, head_whole=False, cells_whole=k >= grid.left) for k, column in enumerate(columns)
    ]
    room_mm -= gap_mm * (len(columns) - 1)
    return _shared(wanted, least, room_mm) if sum(least) <= room_mm else []


def heading(text: str) -> str:
    """A heading whose unit stays on the line of its last word."""
    words, _, last = text.rpartition(" ")
    return f"{words}\u00a0{last}" if words and len(last) <= LONGEST_UNIT else text


def _wide_mm(column: Sequence[str], size_pt: float, *, head_whole: bool, cells_whole: bool) -> float:
    """Width that a column's heading and cells take, each in one line or broken at every space."""
    head, *cells = (harmless(text) for text in column)
    heads = [head] if head_whole else heading(head).split(" ")
    texts = cells if cells_whole else [word for text in cells for word in text.split()]
    widths = [ink.written_mm(text, size_pt=size_pt, bold=True) for text in heads]
    widths += [ink.written_mm(text, size_pt=size_pt) for text in dict.fromkeys(texts)]
    return 1.02 * max([LEAST_MM, *widths]) + 0.3  # letter by letter, as it is wrapped, a text is a little wider


def _shared(wanted: Sequence[float], least: Sequence[float], room_mm: float) -> list[float]:
    """As wanted; what is too much is taken from the columns that can give, the widest first."""
    low, high = 0.0, max(wanted)
    if sum(wanted) <= room_mm:
        return list(wanted)
    for _ in range(40):  # the width at which all wider columns are cut
        cut = (low + high) / 2
        total = sum(max(min(want, cut), bound) for want, bound in zip(wanted, least, strict=True))
        low, high = (cut, high) if total <= room_mm else (low, cut)
    return [max(min(want, low), bound) for want, bound in zip(wanted, least, strict=True)]
