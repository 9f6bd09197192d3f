"""Are the committed drawings what the scripts draw today?"""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from text_check import require_readable, unreadable

BOARDS = ("input_board", "input_board_two", "input_board_one", "panel_board", "optical_board")
SHEETS = {
    "draw_schematic.py": ("symbols", "input_stage", "hall_switch", "proximity_switch", "optical_sensor", "instrument",
                          "panel"),
    "draw_mounting.py": ("wheel_and_sensor", "air_gap", "magnet_retention", "cable_routing"),
    "draw_cases.py": ("box_layout", "optical_head"),
    "draw_board.py": tuple(f"{name}{side}" for name in BOARDS for side in ("", "_solder")),
}


def structure(svg: str) -> tuple[list[str], Counter[str]]:
    """Words in their order, and how many of each element: free of fonts and of rounding."""
    return re.findall(r"<text [^>]*>([^<]*)</text>", svg), Counter(re.findall(r"<(path|use|g|text)\b", svg))


@pytest.mark.parametrize("script", SHEETS)
def test_a_fresh_drawing_is_the_committed_one(script: str, hardware: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(hardware / script), str(tmp_path)], check=True)
    assert {path.stem for path in tmp_path.glob("*.svg")} == set(SHEETS[script])
    for name in SHEETS[script]:
        fresh = structure((tmp_path / f"{name}.svg").read_text(encoding="utf-8"))
        kept = structure((hardware / f"drawings/{name}.svg").read_text(encoding="utf-8"))
        assert fresh == kept, f"{name}: run python hardware/{script}"
        assert len(fresh[0]) >= 8
        assert len(pypdf.PdfReader(hardware / f"drawings/{name}.pdf").pages) == 1


def test_no_other_file_lies_among_the_drawings(hardware: Path) -> None:
    names = {name for names in SHEETS.values() for name in names}
    assert {path.name for path in (hardware / "drawings").iterdir()} == {
        f"{name}.{suffix}" for name in names for suffix in ("svg", "pdf")
    }


# The scripts refuse to write a sheet on which words cannot be read (text_check); here: that the check is awake.
def spoilt(ax: Axes) -> dict[str, Callable[[], object]]:
    """One word at (0.5, 0.5), and what makes it hard to read."""
    leader = {"arrowstyle": "-"}
    return {
        "crossed by a line": lambda: ax.plot([0.3, 0.7], [0.45, 0.55]),
        "crossed by a leader": lambda: ax.annotate("", xy=(0.3, 0.4), xytext=(0.7, 0.6), arrowprops=leader),
        "on an outline": lambda: ax.add_patch(Circle((0.5, 0.3), 0.2, fill=False)),
        "on hatching": lambda: ax.add_patch(Rectangle((0.2, 0.2), 0.6, 0.6, facecolor="white", hatch="///")),
        "on a dark part": lambda: ax.add_patch(Rectangle((0.2, 0.2), 0.6, 0.6, facecolor="0.3")),
        "over another word": lambda: ax.text(0.52, 0.51, "cover", ha="center"),
        "cut off": lambda: ax.text(0.98, 0.2, "outside"),
    }


def word_on_a_sheet() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(4.0, 3.0))
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ax.axis("off")
    ax.set(xlim=(0.0, 1.0), ylim=(0.0, 1.0))
    ax.text(0.5, 0.5, "carrier", ha="center", va="center", zorder=7)
    return figure, ax


@pytest.mark.parametrize("how", spoilt(word_on_a_sheet()[1]))
def test_words_that_cannot_be_read_are_noticed(how: str) -> None:
    figure, ax = word_on_a_sheet()
    spoilt(ax)[how]()
    assert unreadable(figure) != []
    with pytest.raises(ValueError, match=r"^sheet: "):
        require_readable(figure, "sheet")


def test_words_beside_lines_and_on_white_parts_are_well() -> None:
    figure, ax = word_on_a_sheet()
    ax.plot([0.0, 1.0], [0.4, 0.4])
    ax.plot([0.0, 1.0], [0.5, 0.5], zorder=2)
    ax.add_patch(Rectangle((0.3, 0.42), 0.4, 0.16, facecolor="white", zorder=5))    # hides the line behind the word
    ax.annotate("sensor", xy=(0.2, 0.8), xytext=(0.8, 0.8), ha="center", va="center", arrowprops={"arrowstyle": "-"})
    assert unreadable(figure) == []
