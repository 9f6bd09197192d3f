"""How does an order spectrum look?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.diagnose.orders import Orders
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.present import ink
from kerfbeat.present.orders_report import source_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["FOLDED", "draw_orders", "orders_caption", "plot_orders"]

FOLDED = "Heights are those of an order that is what it seems; a folded one is taller by true over shown order."
LABEL_MM = 62.0
LOWEST_ORDER = 0.03


def draw_orders(axes: Axes, found: Orders) -> None:
    """Speed change over order as it shows up, with the floor, the level for a peak, and the peaks' names."""
    spectrum = found.spectrum
    shown = spectrum.orders >= max(LOWEST_ORDER, spectrum.resolution)
    orders = spectrum.orders[shown]
    scale = 100 * 2 * np.pi * orders
    axes.plot(orders, scale * spectrum.amplitude_turns[shown], color=ink.GREY, linewidth=0.7)
    axes.plot(orders, scale * spectrum.floor_turns[shown], color=ink.BLUE, linewidth=1.0)
    axes.plot(orders, scale * spectrum.threshold_turns[shown], color=ink.BLUE, linewidth=0.9, linestyle=ink.DASHES[1])
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter("{x:g}")
    axes.set_xlim(0.0, float(spectrum.orders[-1]))
    named = [peak for peak in found.peaks if peak.seen_on == found.channel]
    low = 0.1 * float(np.min(scale * spectrum.floor_turns[shown]))
    high = 2 * float(np.max(scale * np.maximum(spectrum.amplitude_turns, spectrum.threshold_turns)[shown]))
    axes.set_ylim(low, high * (high / low) ** (0.6 if named else 0.0))  # room for names above the peaks
    last_x, step = -1.0, 0
    for peak in sorted(named, key=lambda each: each.shows_at):
        seems = peak.amplitude_percent.value * peak.shows_at / peak.order
        step = step + 1 if peak.shows_at - last_x < 0.04 * spectrum.orders[-1] else 0
        last_x = peak.shows_at
        axes.plot([peak.shows_at], [seems], "o", color=ink.INK, markersize=3.5, markerfacecolor="none")
        words = ink.fitted(source_words(peak), width_mm=LABEL_MM, size_pt=7.0)
        axes.annotate(
            words, (peak.shows_at, seems), xytext=(2 + 8 * step, 6), textcoords="offset points", rotation=55,
            fontsize=7, ha="left", va="bottom",
        )  # fmt: skip
    axes.set_xlabel(f"order as it shows up, events per turn of the {found.channel}")
    axes.set_ylabel("speed change, ± %")
    axes.grid(visible=True)


def orders_caption(found: Orders) -> str:
    """What was looked at, and how to read it."""
    return (
        f"{found.channel} at {setting_words(found.setting)}, {found.spectrum.turns:.0f} turns. "
        "Blue: floor; dashed: level that noise passes once in a thousand spectra."
    )


def plot_orders(found: Orders, path: Path, *, name: str) -> None:
    """Draw the spectrum into a file."""
    with ink.page(200.0, 130.0) as figure:
        figure.text(
            0.02, 0.955, ink.fitted(f"{name}: {Path(found.source).name}", width_mm=190.0, size_pt=10.0, bold=True),
            fontsize=10, fontweight="bold", va="center",
        )  # fmt: skip
        figure.text(0.02, 0.905, orders_caption(found), fontsize=7.5, va="center")
        figure.text(0.02, 0.87, FOLDED, fontsize=7.5, va="center")
        draw_orders(figure.add_axes((0.11, 0.11, 0.86, 0.72)), found)
        ink.save_pages([figure], path, title=f"Orders: {name}")
