"""How does a line drawing become its sheets, svg and pdf?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from text_check import require_readable

__all__ = ["save_sheet"]


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
