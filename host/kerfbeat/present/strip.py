"""What is printed to wrap round a hub or rim, so that targets sit evenly?

One dark and one light field for each target, with a line at each target's place: as a reflective strip it is the target
itself, as a template it shows where magnets or screws go.  True size; long strips are tiled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine
from kerfbeat.present import ink
from kerfbeat.present.numbers import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Strip", "Tile", "draw_strip", "plan_strip", "strip_sizes"]

MARGIN_MM = 12.0
TAB_MM = 8.0  # glued under the next tile, or under the strip's own beginning
ROW_GAP_MM = 14.0
FOOT_MM = 34.0  # scale bars and words
HEAD_MM = 14.0
LEAST_FIELD_MM = 1.5  # narrower fields are neither printed nor seen well
LARGEST_DIAMETER_M = 3.0
MOST_TARGETS = 360
NOTES = (
    'Print at 100 % (actual size, not "fit to page") and measure both scale bars before you cut.',
    "Cut along the thin lines. Glue each piece on the tab of the one before; close the ring on the last tab.",
    "A strip shows where targets go and does not hold them: one that comes off flies. Lock out before you reach in.",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tile:
    """One piece of the strip: from where to where along it, and where it lies on paper; all in millimetres."""

    page: int
    row: int
    from_mm: float
    to_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """A strip cut into tiles.

    length_mm : round the hub at the middle of the paper's thickness, pi (D + t).
    """

    targets: int
    length_mm: float
    width_mm: float
    paper: str
    tiles: tuple[Tile, ...]
    diameter_mm: float
    thickness_mm: float

    @property
    def pitch_mm(self) -> float:
        """Distance from target to target."""
        return self.length_mm / self.targets

    @property
    def pages(self) -> int:
        """Pages needed."""
        return self.tiles[-1].page + 1


def strip_sizes(
    machine: Machine | None, *, channel: str, diameter_m: float | None, targets: int | None
) -> tuple[float, int]:
    """Diameter and number of targets: as told, else as the machine's description has them for that sensor.

    Raises DriveError if neither says.
    """
    if machine is not None and channel not in machine.sensors:
        raise DriveError(f'{machine.name}: has no sensor "{channel}"; it has {", ".join(machine.sensors)}.')
    if diameter_m is None:
        if machine is None or channel != "wheel":
            raise DriveError("the hub's diameter is not known; give it as --diameter 120mm.")
        diameter_m = machine.wheel.diameter_m
    if targets is None:
        if machine is None:
            raise DriveError("the number of targets is not known; give it as --targets 8.")
        targets = machine.sensors[channel].targets
    return diameter_m, targets


def plan_strip(
    *, diameter_m: float, targets: int, paper: str = "a4", width_m: float = 0.015, thickness_m: float = 1e-4
) -> Strip:
    """Cut a strip for a hub into tiles that fit the paper, which lies on its side.

    diameter_m : of the hub or rim.   width_m : of the strip.   thickness_m : of the paper, tape included.
    Raises DriveError for sizes that cannot be.
    """
    if not 0.005 <= diameter_m <= LARGEST_DIAMETER_M:
        raise DriveError(f"a hub of {diameter_m * 1e3:g} mm is not for paper; write 5 mm to {LARGEST_DIAMETER_M:g} m.")
    if not 1 <= targets <= MOST_TARGETS:
        raise DriveError(f"{targets} targets cannot be; write 1 to {MOST_TARGETS}.")
    if not 0.004 <= width_m <= 0.120:
        raise DriveError(f"a strip {width_m * 1e3:g} mm wide cannot be; write 4 mm to 120 mm.")
    if not 0.0 <= thickness_m <= 0.002:
        raise DriveError(f"paper of {thickness_m * 1e3:g} mm cannot be; write 0 mm to 2 mm.")
    height_mm, width_mm = ink.PAPERS_MM[paper]
    length_mm = math.pi * (diameter_m + thickness_m) * 1e3
    if length_mm / targets < 2 * LEAST_FIELD_MM:
        most = math.floor(length_mm / (2 * LEAST_FIELD_MM))
        raise DriveError(
            f"{targets} targets on {diameter_m * 1e3:g} mm leave fields of {length_mm / targets / 2:.2f} mm; "
            f"at most {most} are printed and seen well."
        )
    usable_mm = width_mm - 2 * MARGIN_MM - TAB_MM
    count = math.ceil(length_mm / usable_mm - 1e-9)
    rows = int((height_mm - 2 * MARGIN_MM - HEAD_MM - FOOT_MM) // (width_m * 1e3 + ROW_GAP_MM))
    piece_mm = length_mm / count
    tiles = tuple(
        Tile(page=index // rows, row=index % rows, from_mm=index * piece_mm, to_mm=(index + 1) * piece_mm)
        for index in range(count)
    )
    return Strip(
        targets=targets, length_mm=length_mm, width_mm=width_m * 1e3, paper=paper, tiles=tiles,
        diameter_mm=diameter_m * 1e3, thickness_mm=thickness_m * 1e3,
    )  # fmt: skip


def draw_strip(strip: Strip, path: Path) -> None:
    """Write the strip as a PDF of as many pages as it needs."""
    height_mm, width_mm = ink.PAPERS_MM[strip.paper]
    figures: list[Figure] = []
    for page in range(strip.pages):
        with ink.page(width_mm, height_mm) as figure:
            axes = ink.millimetres(figure)
            _heading(axes, strip, page, height_mm)
            for index, tile in enumerate(strip.tiles):
                if tile.page == page:
                    _tile(axes, strip, tile, index, height_mm)
            ink.scale_bars(axes, x_mm=MARGIN_MM, y_mm=MARGIN_MM + 14.0)
            for line, text in enumerate(NOTES):
                axes.text(MARGIN_MM, MARGIN_MM + 8.0 - 4.0 * line, text, fontsize=7.5, va="center")
            figures.append(figure)
    ink.save_pages(figures, path, title=f"Marking strip, {strip.targets} targets on {strip.diameter_mm:g} mm")


def _heading(axes: Axes, strip: Strip, page: int, height_mm: float) -> None:
    top = height_mm - MARGIN_MM
    axes.text(
        MARGIN_MM, top - 2.0, f"Marking strip: {strip.targets} targets round {strip.diameter_mm:g} mm", fontsize=11,
        fontweight="bold", va="center",
    )  # fmt: skip
    axes.text(
        MARGIN_MM, top - 8.5,
        f"length {strip.length_mm:.2f} mm = π × ({strip.diameter_mm:g} + {strip.thickness_mm:g} mm paper), "
        f"{strip.pitch_mm:.3f} mm from target to target; {counted(len(strip.tiles), 'piece')}; "
        f"page {page + 1} of {strip.pages}",
        fontsize=7.5, va="center",
    )  # fmt: skip


def _tile(axes: Axes, strip: Strip, tile: Tile, index: int, height_mm: float) -> None:
    """Draw one piece: its dark fields, the line and number of each target, its outline and tab."""
    from matplotlib.patches import Rectangle

    left = MARGIN_MM
    bottom = height_mm - MARGIN_MM - HEAD_MM - (tile.row + 1) * (strip.width_mm + ROW_GAP_MM) + ROW_GAP_MM / 2
    length = tile.to_mm - tile.from_mm
    every = 1 if strip.pitch_mm >= 6.0 else 5  # numbers closer than that would run together
    for target in range(strip.targets):
        centre = (target + 0.5) * strip.pitch_mm  # the ring closes in a light field
        low, high = centre - strip.pitch_mm / 4, centre + strip.pitch_mm / 4  # half dark, half light
        low, high = max(low, tile.from_mm), min(high, tile.to_mm)
        if low < high:
            axes.add_patch(
                Rectangle((left + low - tile.from_mm, bottom), high - low, strip.width_mm, color=ink.INK, linewidth=0)
            )
        if tile.from_mm <= centre < tile.to_mm:
            x = left + centre - tile.from_mm
            axes.plot([x, x], [bottom + strip.width_mm, bottom + strip.width_mm + 2.5], color=ink.INK, linewidth=0.5)
            if target == 0 or (target + 1) % every == 0:
                axes.text(x, bottom + strip.width_mm + 3.0, f"{target + 1}", fontsize=6, ha="center", va="bottom")
    axes.add_patch(Rectangle((left, bottom), length, strip.width_mm, fill=False, edgecolor=ink.INK, linewidth=0.4))
    tab = Rectangle(
        (left + length, bottom), TAB_MM, strip.width_mm, fill=False, edgecolor=ink.GREY, linewidth=0.4, hatch="////"
    )
    axes.add_patch(tab)
    following = "close the ring here" if index + 1 == len(strip.tiles) else f"piece {index + 2} begins here"
    axes.text(left, bottom - 1.0, f"piece {index + 1}", fontsize=6, ha="left", va="top")
    axes.text(left + length + TAB_MM, bottom - 1.0, f"tab; {following}", fontsize=6, ha="right", va="top")
