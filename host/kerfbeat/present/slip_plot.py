"""How does slip run along a log?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.event_words import Event
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.slip import Slip
from kerfbeat.present import ink
from kerfbeat.present.speed_plot import time_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_slip", "plot_slip", "slip_panels"]

MOST_POINTS = 4000
MOST_NUMBERS = 40  # of cuts, side by side above a panel
Floats = NDArray[np.float64]


def _thinned(seconds: Floats, values: Floats) -> tuple[Floats, Floats]:
    """At most MOST_POINTS means of neighbours."""
    size = -(-len(seconds) // MOST_POINTS)
    if size <= 1:
        return seconds, values
    whole = len(seconds) // size * size
    return seconds[:whole].reshape(-1, size).mean(axis=1), values[:whole].reshape(-1, size).mean(axis=1)


def _cuts(axes: Axes, found: Slip, scale_s: float) -> None:
    """Shade every marked cut."""
    for cut in found.cuts.cuts:
        axes.axvspan(cut.start_s / scale_s, cut.end_s / scale_s, color=ink.FAINT, linewidth=0)


def _number_cuts(axes: Axes, found: Slip, scale_s: float) -> None:
    """Put the numbers of the cuts above the panel, as many as there is room for."""
    cuts = found.cuts.cuts
    middles = [0.5 * (cut.start_s + cut.end_s) for cut in cuts]
    room_s = found.cuts.observed_s / MOST_NUMBERS
    last_s = -np.inf
    for cut, middle_s in zip(cuts, middles, strict=True):
        if middle_s - last_s < room_s:
            continue
        last_s = middle_s
        axes.text(
            middle_s / scale_s, 1.015, str(cut.number), transform=axes.get_xaxis_transform(), fontsize=7, ha="center",
            va="bottom", color=ink.GREY,
        )  # fmt: skip


def draw_slip(panels: Sequence[Axes], found: Slip) -> None:
    """Every pair that slip_panels names, and the load where the motor is watched, one below the other."""
    start_s, end_s = found.parts[0].start_s, found.parts[-1].end_s
    scale_s, time_unit = time_scale(end_s - start_s)
    pairs = slip_panels(found)
    for axes, (pair, kind, label) in zip(panels, pairs, strict=False):
        _draw_pair(axes, found, pair, kind=kind, label=label, scale_s=scale_s)
    if found.motor is not None:
        _draw_load(panels[len(pairs)], found, scale_s)
    _number_cuts(panels[0], found, scale_s)
    for axes in panels:
        axes.set_xlim(start_s / scale_s, end_s / scale_s)
        axes.tick_params(labelbottom=axes is panels[-1])
    panels[-1].set_xlabel(f"time from the log's beginning, {time_unit}")


def slip_panels(found: Slip) -> list[tuple[PairSlip, str, str]]:
    """What there is to draw of pairs: each pair, the kind of its events, its name for the axis."""
    panels = [(pair, "belt slip", f"{' and '.join(belts)},\nslip %") for pair, belts in found.belts]
    if found.blade is not None:
        kind = next((each.kind for each in found.events if "blade" in each.kind), "blade slip")
        panels.append((found.blade, kind, f"blade against {found.blade.up},\nslip %"))
    return panels


def _draw_pair(axes: Axes, found: Slip, pair: PairSlip, *, kind: str, label: str, scale_s: float) -> None:
    """Slip of one pair over time, the creep that its load explains, and its events."""
    _cuts(axes, found, scale_s)
    seconds, slip = _thinned(pair.steps.end_s - 0.5 * pair.steps.length_s, 100 * pair.slip)
    axes.plot(seconds / scale_s, slip, color=ink.BLUE, linewidth=0.9, label="slip against idle")
    if pair.load is not None:
        expected = 100 * pair.creep_per_load * np.clip(pair.load, 0.0, None)
        expected[~np.isfinite(pair.slip)] = np.nan
        when, creep = _thinned(pair.steps.end_s - 0.5 * pair.steps.length_s, expected)
        axes.plot(
            when / scale_s, creep, color=ink.INK, linewidth=0.9, linestyle=ink.DASHES[1], label="creep of this load"
        )
    finite = slip[np.isfinite(slip)]
    if len(finite):
        low, high = float(finite.min()), float(finite.max())
        room = 0.1 * max(high - low, 0.2)
        axes.set_ylim(low - room, high + 2.5 * room)
    else:
        axes.text(0.5, 0.5, "not judged: see what was left out", transform=axes.transAxes, ha="center", fontsize=7.5)
    for event in found.events:
        if event.kind == kind:
            _hatch(axes, event, scale_s)
            axes.axvline(event.alarm_s / scale_s, color=ink.INK, linewidth=0.9)
            axes.text(
                event.alarm_s / scale_s, 0.97, f" {ink.fitted(event.cause, width_mm=60.0, size_pt=7.0)}",
                transform=axes.get_xaxis_transform(), fontsize=7, va="top",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip
    axes.set_ylabel(label)
    axes.grid(visible=True)
    if len(finite):
        axes.legend(frameon=False, fontsize=7, loc="upper left")


def _hatch(axes: Axes, event: Event, scale_s: float) -> None:
    axes.axvspan(
        event.start_s / scale_s, event.end_s / scale_s, facecolor="none", edgecolor=ink.GREY, hatch="///", linewidth=0.6
    )


def _draw_load(axes: Axes, found: Slip, scale_s: float) -> None:
    """Load by the motor's slip over time."""
    motor = found.motor
    assert motor is not None
    _cuts(axes, found, scale_s)
    seconds, load = _thinned(motor.pace.seconds, motor.load)
    axes.plot(seconds / scale_s, load, color=ink.BLUE, linewidth=0.9)
    axes.axhline(1.0, color=ink.INK, linewidth=0.8, linestyle=ink.DASHES[2])
    for event in found.events:
        if event.kind == "overload":
            _hatch(axes, event, scale_s)
    axes.set_ylabel("load above idle,\nof full load")
    axes.grid(visible=True)


def plot_slip(found: Slip, path: Path, *, name: str) -> None:
    """Draw belt slip, blade slip and load along the log into a file."""
    rows = len(slip_panels(found)) + (found.motor is not None)
    with ink.page(200.0, 40.0 + 55.0 * max(rows, 1)) as figure:
        _fill(figure, found, rows, name=name)
        ink.save_pages([figure], path, title=f"Slip: {name}")


def _fill(figure: Figure, found: Slip, rows: int, *, name: str) -> None:
    height_mm = figure.get_figheight() * ink.MM_PER_IN
    lines = (
        (ink.fitted(f"{name}: {Path(found.source).name}", width_mm=190.0, size_pt=10.0, bold=True), 10, "bold", 7.0),
        (ink.fitted(found.verdict.words, width_mm=190.0, size_pt=8.5), 8.5, "normal", 13.5),
        (
            ink.fitted(f"Grey: marked cuts, numbered. Baseline: {found.baseline}.", width_mm=190.0, size_pt=7.5),
            7.5,
            "normal",
            19.0,
        ),
    )
    for text, size, weight, down_mm in lines:
        figure.text(0.02, 1 - down_mm / height_mm, text, fontsize=size, fontweight=weight, va="center")
    if not rows:
        figure.text(0.5, 0.4, "one channel: no slip to draw", ha="center")
        return
    grid = figure.add_gridspec(
        rows, 1, left=0.11, right=0.97, top=1 - 25.0 / height_mm, bottom=13.0 / height_mm, hspace=0.18
    )
    draw_slip([figure.add_subplot(grid[row]) for row in range(rows)], found)
