"""What is a report made of, before it becomes paper or a page for a browser?

Both are drawn from the same pieces, so that they cannot say different things.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Block", "Chapter", "Facts", "Grid", "Head", "Plot", "Points", "Report", "Section", "Words"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A paragraph; "strong" begins something, "verdict" must not be overlooked."""

    text: str
    weight: Literal["plain", "strong", "verdict"] = "plain"


@dataclass(frozen=True, kw_only=True, slots=True)
class Points:
    """Lines that belong together, under a few words."""

    lead: str
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """Names and what they are, side by side."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Grid:
    """A table; the first `left` columns hold words, the others numbers."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: int = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Plot:
    """Panels one below the other, their heights in true millimetres; `draw` fills the axes it is given, one a panel.

    name : what is to be seen, for those who cannot see it.   caption : how to read it.
    left_mm : room at the left for the scale's words.   right_mm : the same at the right.   gap_mm : between panels.
    least : part of its height that is enough, where a page has no more left.
    """

    heights_mm: tuple[float, ...]
    draw: Callable[[Sequence[Axes]], None]
    name: str
    caption: str
    left_mm: float = 17.0
    right_mm: float = 4.0
    gap_mm: float = 4.0
    least: float = 0.72


Block = Words | Points | Facts | Grid | Plot


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """A heading and what stands below it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Chapter:
    """Sections under a title, on a new page unless `follows`; without a title the first page's."""

    title: str
    sections: tuple[Section, ...]
    follows: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Head:
    """One log as every page names it."""

    name: str
    start_utc: datetime

    @property
    def words(self) -> str:
        """Name and date."""
        return f"{self.name} ({self.start_utc:%Y-%m-%d})"


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """The whole; machine and logs stand on every page."""

    title: str
    machine: str
    logs: tuple[Head, ...]
    chapters: tuple[Chapter, ...]
