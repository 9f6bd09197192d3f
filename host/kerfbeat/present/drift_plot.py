"""How do speed and stability of a run look?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.diagnose.drift import SETTLED_PERCENT, Drift
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.diagnose.wear import Wear
from kerfbeat.present import ink

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_drift", "draw_stability", "draw_wear", "plot_drifts"]

MOST_PAGES = 12


def draw_drift(axes: Axes, drift: Drift) -> None:
    """Speed against the settled one over time, with the model and the moment of settling."""
    settled_hz = drift.settled_hz[drift.channel].value if drift.channel in drift.settled_hz else drift.model_hz[-1]
    minutes = drift.pace.seconds / 60.0
    percent = 100 * (drift.pace.shaft_hz / settled_hz - 1.0)
    axes.plot(minutes[drift.kept], percent[drift.kept], ".", color=ink.GREY, markersize=2.5)
    order = np.argsort(minutes)
    model = 100 * (drift.model_hz / settled_hz - 1.0)
    axes.plot(minutes[order], model[order], color=ink.BLUE)
    low, high = float(percent[drift.kept].min()), float(percent[drift.kept].max())
    room = 0.08 * max(high - low, 1e-3)
    axes.set_ylim(low - room, high + room)
    if drift.settled_after_s is not None and drift.settled_after_s.value:
        at = drift.settled_after_s.value / 60.0
        axes.axvline(at, color=ink.INK, linestyle=ink.DASHES[1], linewidth=0.9)
        axes.text(
            at, 0.97, f" settled to {SETTLED_PERCENT:g} %", transform=axes.get_xaxis_transform(), va="top", fontsize=7.5
        )
    axes.set_xlabel("time, min")
    axes.set_ylabel(f"{drift.channel} speed less\nsettled speed, %")
    axes.grid(visible=True)


def draw_stability(axes: Axes, drift: Drift) -> None:
    """Allan deviation over averaging time, with its 95 % bounds."""
    from matplotlib.ticker import LogLocator

    found = drift.stability
    if found is None:
        axes.axis("off")
        axes.text(0.5, 0.5, "too short to tell that scatter", ha="center", va="center", transform=axes.transAxes)
        return
    axes.fill_between(found.tau_s, 100 * found.low, 100 * found.high, color=ink.STRAW, alpha=0.35, linewidth=0)
    axes.loglog(found.tau_s, 100 * found.deviation, "o-", color=ink.BLUE, markersize=3)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_minor_locator(LogLocator(subs=()))
        axis.set_major_formatter("{x:g}")
    axes.set_xlabel("averaging time, s")
    axes.set_ylabel("scatter of averages\n(Allan deviation), %")
    axes.grid(visible=True, which="both")


def draw_wear(axes: Axes, wears: Sequence[Wear]) -> None:
    """Change against the first run, over the days since."""
    for place, wear in enumerate(wears):
        years = [(date - wear.dates[0]).total_seconds() / 86400.0 for date in wear.dates]
        values = [each.value for each in wear.change_percent]
        bars = [each.u95 for each in wear.change_percent]
        axes.errorbar(
            years, values, yerr=bars, fmt="o", linestyle=ink.DASHES[place % len(ink.DASHES)], color=ink.BLUE,
            markersize=4, capsize=3, label=setting_words(wear.setting),
        )  # fmt: skip
    axes.set_xlabel("days since the first run")
    axes.set_ylabel("change, %")
    axes.grid(visible=True)
    axes.legend(frameon=False, fontsize=7.5)


def _blocks(drift: Drift) -> str:
    turns = drift.pace.turns
    return "single turns" if turns == 1 else f"blocks of {turns} turns"


def plot_drifts(drifts: Sequence[Drift], wears: Sequence[Wear], path: Path, *, name: str) -> None:
    """Draw a run's speed and stability, and the change between runs where there are several, into a file.

    Of several runs the first one's speed is drawn in an image; a PDF has a page for each, of very many for MOST_PAGES.
    """
    pages: list[Figure] = []
    shown = np.unique(np.linspace(0, len(drifts) - 1, min(MOST_PAGES, len(drifts))).astype(int))
    for drift in (drifts[k] for k in shown.tolist()):
        with ink.page(200.0, 190.0 if wears else 150.0) as figure:
            rows = 3 if wears else 2
            figure.text(
                0.02, 0.965, ink.fitted(f"{name}: {Path(drift.source).name}", width_mm=190.0, size_pt=10.0, bold=True),
                fontsize=10, fontweight="bold", va="center",
            )  # fmt: skip
            heading = f"{drift.channel} at {setting_words(drift.setting)}; dots: {_blocks(drift)}"
            figure.text(0.02, 0.93, f"{heading}; line: {drift.shape}", fontsize=7.5, va="center")
            grid = figure.add_gridspec(rows, 1, left=0.15, right=0.97, top=0.89, bottom=0.09, hspace=0.42)
            draw_drift(figure.add_subplot(grid[0]), drift)
            draw_stability(figure.add_subplot(grid[1]), drift)
            if wears:
                draw_wear(figure.add_subplot(grid[2]), wears)
        pages.append(figure)
    ink.save_pages(pages, path, title=f"Drift: {name}")
