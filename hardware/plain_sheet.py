"""What is a line drawing made of, and how does it become its sheets, svg and pdf?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from text_check import require_readable

__all__ = ["INK", "SOFT", "Point", "block", "measure", "note", "save_sheet"]

INK, SOFT = "black", "0.55"
Point = tuple[float, float]


def note(ax: Axes, text: str, at: Point, to: Point | None = None, *, size: float = 9) -> None:
    """Words, with a thin line to what they speak of."""
    if to is None:
        ax.text(*at, text, fontsize=size, ha="center", va="center")
        return
    ax.annotate(
        text, xy=to, xytext=at, fontsize=size, ha="center", va="center",
        arrowprops={"arrowstyle": "-", "color": SOFT, "lw": 0.8, "shrinkB": 0},
    )  # fmt: skip


def measure(ax: Axes, a: Point, b: Point, text: str, *, off: Point) -> None:
    """A dimension line from a to b."""
    line = {"arrowstyle": "<->", "color": INK, "lw": 1.0, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", xy=a, xytext=b, arrowprops=line)
    ax.text((a[0] + b[0]) / 2 + off[0], (a[1] + b[1]) / 2 + off[1], text, fontsize=9, ha="center", va="center")


def block(ax: Axes, x: float, y: float, w: float, h: float, *, hatch: str = "", fill: str = "white") -> None:
    """A rectangle: a part, or, hatched, something that is cut."""
    ax.add_patch(Rectangle((x, y), w, h, fill=True, facecolor=fill, edgecolor=INK, lw=1.3, hatch=hatch))


def save_sheet(folder: Path, name: str, fill: Callable[[Axes], None], *, wide_in: float, high_in: float) -> None:
    """Draw one sheet as svg and pdf; call settle() before.  Raises ValueError if words on it cannot be read."""
    figure, ax = plt.subplots(figsize=(wide_in, high_in))
    ax.set_aspect("equal")
    ax.axis("off")
    fill(ax)
    figure.subplots_adjust(0.01, 0.01, 0.99, 0.99)
    require_readable(figure, name)
    for suffix in ("svg", "pdf"):
        figure.savefig(folder / f"{name}.{suffix}")
    plt.close(figure)
