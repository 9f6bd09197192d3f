"""How are two sets of runs told beside each other, in a table, in JSON and as a drawing?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from kerfbeat.diagnose.compare import Comparison, Row
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.present import ink
from kerfbeat.present.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "COMPARED",
    "ROW_HEADINGS",
    "ROW_MM",
    "comparison_rows",
    "comparisons_document",
    "draw_comparisons",
    "plot_comparisons",
]

ROW_HEADINGS = ("setting", "quantity", "log", "runs", "change from first %", "surely different")
COMPARED = "Bars: 95 % intervals. Filled: surely different, corrected for the number of rows."
ROW_MM = 9.0


def comparisons_document(found: Sequence[Comparison]) -> dict[str, Any]:
    """Everything as it stands in JSON; `rows` holds those of all sets against the first."""
    return {
        "first": found[0].first,
        "rows": [
            {
                "setting": {"belt": row.setting.belt, "gear": row.setting.gear, "hz": row.setting.hz},
                "quantity": row.quantity,
                "against": each.second,
                "first": row.first,
                "second": row.second,
                "runs": list(row.runs),
                "difference_percent": row.difference_percent,
                "chance": row.chance,
                "significant": row.significant,
            }
            for each in found
            for row in each.rows
        ],
        "left_out": [line for each in found for line in each.left_out],
    }


def comparison_rows(found: Sequence[Comparison]) -> list[list[str]]:
    """One row a setting and quantity, under ROW_HEADINGS; "runs" counts those of the first and of this log."""
    return [
        [
            setting_words(row.setting),
            row.quantity,
            Path(each.second).name,
            f"{row.runs[0]}, {row.runs[1]}",
            plus_minus(row.difference_percent),
            "yes" if row.significant else "no",
        ]
        for each in found
        for row in each.rows
    ]


def draw_comparisons(axes: Axes, found: Sequence[Comparison], *, name_mm: float) -> None:
    """Every difference with its interval, its name at the left on at most name_mm."""
    rows: list[tuple[Comparison, Row]] = [(each, row) for each in found for row in each.rows]
    for place, (_, row) in enumerate(rows):
        value = row.difference_percent
        axes.errorbar(
            [value.value], [place], xerr=[value.u95], fmt="o", color=ink.BLUE, capsize=3, markersize=5,
            markerfacecolor=ink.BLUE if row.significant else "none",
        )  # fmt: skip
    axes.axvline(0.0, color=ink.INK, linewidth=0.8)
    words = []
    for each, row in rows:
        of = f" ({Path(each.second).name})" if len(found) > 1 else ""
        words.append(
            ink.fitted(f"{setting_words(row.setting)}: {row.quantity}{of}", width_mm=name_mm, size_pt=7.0)
        )
    axes.set_yticks(np.arange(len(rows)), words, fontsize=7)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlabel("change from first, %")
    axes.grid(visible=True, axis="x")


def plot_comparisons(found: Sequence[Comparison], path: Path, *, name: str) -> None:
    """Draw every difference with its interval into a file."""
    rows = sum(len(each.rows) for each in found)
    height_mm = 42.0 + ROW_MM * rows
    with ink.page(200.0, height_mm) as figure:
        figure.text(
            0.02, 1 - 7.0 / height_mm,
            ink.fitted(f"{name}: against {Path(found[0].first).name}", width_mm=190.0, size_pt=10.0, bold=True),
            fontsize=10, fontweight="bold", va="center",
        )  # fmt: skip
        figure.text(0.02, 1 - 13.0 / height_mm, COMPARED, fontsize=7.5, va="center")
        axes = figure.add_axes((0.47, 15.0 / height_mm, 0.5, ROW_MM * rows / height_mm))
        draw_comparisons(axes, found, name_mm=88.0)
        ink.save_pages([figure], path, title=f"Comparison: {name}")
