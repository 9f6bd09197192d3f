"""How does an order spectrum look?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.order_names import Peak
from kerfbeat.diagnose.orders import Orders
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.present import ink
from kerfbeat.present.orders_report import source_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_orders", "orders_caption", "orders_notes", "plot_orders"]

FOLDED = "Heights are those of an order that is what it seems; a folded one is taller by true over shown order."
LEAN, FOOT_MM = 55.0, 4.0  # of a peak's name: degrees, and how far its foot lies above the spectrum
LABEL_MM, NAME_APART_MM = 62.0, 2.6  # longest name, and height of a line
LARGEST_SHARE = 0.55  # of the panel's height, for names
LOWEST_ORDER = 0.03
SWALLOWED_WIDTHS = 3.0  # widths of a peak about a whole order that are not drawn: what taking out the spacing leaves
BAND_POINTS = 5.0  # width of the band drawn there


def draw_orders(axes: Axes, found: Orders) -> None:
    """Speed change over order as it shows up, with the floor, the level for a peak, and the peaks' names."""
    spectrum = found.spectrum
    shown = spectrum.orders >= max(LOWEST_ORDER, spectrum.resolution)
    orders = spectrum.orders[shown]
    scale = 100 * 2 * np.pi * orders
    taken_out = _beside_whole_orders(found)[shown]
    amplitude = np.where(taken_out, np.nan, scale * spectrum.amplitude_turns[shown])
    for order in _whole_orders(found):
        axes.axvline(order, color=ink.FAINT, linewidth=BAND_POINTS, zorder=0.5)
    axes.plot(orders, amplitude, color=ink.GREY, linewidth=0.7)
    axes.plot(orders, scale * spectrum.floor_turns[shown], color=ink.BLUE, linewidth=1.0)
    axes.plot(orders, scale * spectrum.threshold_turns[shown], color=ink.BLUE, linewidth=0.9, linestyle=ink.DASHES[1])
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(lambda value, _place: f"{value:.9f}".rstrip("0").rstrip("."))
    axes.set_xlim(0.0, float(spectrum.orders[-1]))
    named = [peak for peak in found.peaks if peak.seen_on == found.channel]
    low = 0.3 * float(np.min(scale * spectrum.floor_turns[shown]))
    high = 2 * float(np.nanmax(np.fmax(amplitude, scale * spectrum.threshold_turns[shown])))
    axes.set_ylim(low, high)
    if named:
        _name_peaks(axes, named, low=low, high=high)
    axes.set_xlabel(f"order as it shows up, events per turn of the {found.channel}")
    axes.set_ylabel("speed change, ± %")
    axes.grid(visible=True)


def _whole_orders(found: Orders) -> range:
    """Orders in which the targets' spacing was taken out of the spectrum; what is left of it there is no peak."""
    return range(1, 1 if found.since_calibration else int(found.spectrum.orders[-1] + 0.5) + 1)


def _beside_whole_orders(found: Orders) -> NDArray[np.bool_]:
    """(k,) whether an order is a whole one in which spacing was taken out, or as near as a peak is wide."""
    orders, width = found.spectrum.orders, SWALLOWED_WIDTHS * found.spectrum.resolution
    near = np.abs(orders - np.round(orders)) <= width
    return near & (orders > 0.5) & (not found.since_calibration)


def _name_peaks(axes: Axes, peaks: Sequence[Peak], *, low: float, high: float) -> None:
    """Write the peaks' names side by side above everything, each leaning from the end of a line up from its peak."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    place = axes.get_position()
    width_mm, height_mm = (
        share * inches * ink.MM_PER_IN
        for share, inches in zip((place.width, place.height), figure.get_size_inches(), strict=True)
    )
    lean = math.radians(LEAN)
    most_mm = (LARGEST_SHARE * height_mm - FOOT_MM) / math.sin(lean)
    names = [ink.fitted(source_words(peak), width_mm=min(LABEL_MM, most_mm), size_pt=7.0) for peak in peaks]
    long_mm = max(ink.written_mm(name, size_pt=7.0) for name in names)
    share = (long_mm * math.sin(lean) + FOOT_MM) / height_mm  # of the panel, above the spectrum
    axes.set_ylim(low, low * (high / low) ** (1.0 / (1.0 - share)))
    most = 1.0 - long_mm * math.cos(lean) / width_mm  # where the foot of a name may stand and its end be inside
    ordered = sorted(zip(peaks, names, strict=True), key=lambda pair: pair[0].shows_at)
    span = axes.get_xlim()[1]
    feet = ink.spread(
        [min(peak.shows_at / span / most, 1.0) for peak, _ in ordered], least=1.3 * NAME_APART_MM / width_mm / most
    )
    for (peak, name), foot in zip(ordered, feet, strict=True):
        seems = peak.amplitude_percent.value * peak.shows_at / peak.order
        axes.plot([peak.shows_at], [seems], "o", color=ink.INK, markersize=3.5, markerfacecolor="none")
        at = (most * foot, 1.0 - share + 0.5 * FOOT_MM / height_mm)
        axes.annotate(
            "", (peak.shows_at, seems), xytext=at, textcoords="axes fraction",
            arrowprops={"arrowstyle": "-", "color": ink.GREY, "linewidth": 0.5, "shrinkA": 0, "shrinkB": 2.5},
        )  # fmt: skip
        axes.text(
            *at, name, transform=axes.transAxes, rotation=LEAN, rotation_mode="anchor", fontsize=7, ha="left",
            va="center",
        )  # fmt: skip


def orders_caption(found: Orders) -> str:
    """What was looked at, and how to read it."""
    return (
        f"{found.channel} at {setting_words(found.setting)}, {found.spectrum.turns:.0f} turns. "
        "Blue: noise (floor); dashed: level that noise passes once in a thousand spectra."
    )


def orders_notes(found: Orders) -> str:
    """How high a peak is, and what the bands are where there are any."""
    if not _whole_orders(found):
        return FOLDED
    return f"{FOLDED} Bands: whole orders; the targets' spacing was taken out there, and nothing else can be seen."


def plot_orders(found: Orders, path: Path, *, name: str) -> None:
    """Draw the spectrum into a file."""
    with ink.page(200.0, 130.0) as figure:
        figure.text(
            0.02, 0.955, ink.fitted(f"{name}: {Path(found.source).name}", width_mm=190.0, size_pt=10.0, bold=True),
            fontsize=10, fontweight="bold", va="center",
        )  # fmt: skip
        figure.text(0.02, 0.905, orders_caption(found), fontsize=7.5, va="center")
        notes = ink.wrapped(orders_notes(found), width_mm=190.0, size_pt=7.5)
        figure.text(0.02, 0.885, "\n".join(notes), fontsize=7.5, va="top", linespacing=1.5)
        draw_orders(figure.add_axes((0.11, 0.11, 0.86, 0.70)), found)
        ink.save_pages([figure], path, title=f"Orders: {name}")
