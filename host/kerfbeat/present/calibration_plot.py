"""How does a calibration look?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.calibrate.clock import ClockResult
from kerfbeat.calibrate.drive import DriveResult
from kerfbeat.calibrate.learn import TargetsResult
from kerfbeat.calibrate.wheel import WheelResult
from kerfbeat.calibration import setting_name
from kerfbeat.machine import Setting
from kerfbeat.present import ink
from kerfbeat.present.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "draw_clock",
    "draw_drive",
    "draw_targets",
    "draw_wheel",
    "plot_clock",
    "plot_drive",
    "plot_targets",
    "plot_wheel",
]

WIDTH_MM, HEIGHT_MM = 160.0, 100.0
MARKS = "osD^v<>"


def draw_targets(axes: Axes, found: TargetsResult) -> None:
    """How far each target's spacing is from even, with its 95 % interval."""
    even = 1.0 / found.spacing.targets
    off = 100.0 * (found.spacing.spacing_turns / even - 1.0)
    at = np.arange(found.spacing.targets)
    axes.bar(at, off, width=0.6, color=ink.STRAW, edgecolor=ink.INK, linewidth=0.8)
    axes.errorbar(at, off, yerr=100.0 * found.spacing.u95_turns / even, fmt="none", ecolor=ink.INK, capsize=3)
    axes.axhline(0.0, color=ink.INK, linewidth=0.8)
    if found.spacing.targets <= 24:
        axes.set_xticks(at, [f"{k + 1}-{(k + 1) % found.spacing.targets + 1}" for k in at.tolist()])
    axes.set_xlabel(f"from target to target, {found.channel}")
    axes.set_ylabel("off even spacing, %")
    axes.grid(visible=True, axis="y")


def draw_clock(axes: Axes, found: ClockResult) -> None:
    """How the uncertainty against the host's clock shrank with time."""
    from matplotlib.ticker import LogLocator, NullFormatter, ScalarFormatter

    minutes, u95_ppm = zip(*found.growth, strict=True) if found.growth else ((), ())
    axes.loglog(minutes, u95_ppm, color=ink.BLUE, marker="o", markersize=3)
    axes.axhline(50.0, color=ink.GREY, linestyle=ink.DASHES[1])
    axes.annotate(
        "this computer's own clock, ±50 ppm class", (0.98, 50.0), xytext=(0.0, -3.0), textcoords="offset points",
        xycoords=("axes fraction", "data"), ha="right", va="top", fontsize=7,
    )  # fmt: skip
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(ScalarFormatter())
        axis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("minutes of exchanges")
    axes.set_ylabel("± of the board's clock, ppm (95 %)")
    axes.grid(visible=True, which="both")


def draw_wheel(axes: Axes, found: WheelResult) -> None:
    """Described and effective diameter."""
    effective = found.diameter_m.times(1e3)
    axes.errorbar([effective.value], [1], xerr=[effective.u95], fmt="o", color=ink.BLUE, capsize=4)
    axes.plot([1e3 * found.described_m], [0], marker="s", color=ink.INK, linestyle="none")
    axes.set_yticks([0, 1], ["described", "effective"])
    axes.set_ylim(-0.6, 1.6)
    axes.margins(x=0.3)
    axes.set_xlabel("wheel diameter, mm")
    axes.grid(visible=True, axis="x")


def draw_drive(axes: Axes, found: DriveResult) -> None:
    """What the points leave over, in per cent of each speed, over frequency."""
    groups = sorted({(each.channel, _name(each.point.setting)) for each in found.residuals})
    for place, (channel, name) in enumerate(groups):
        mine = [each for each in found.residuals if (each.channel, _name(each.point.setting)) == (channel, name)]
        axes.plot(
            [each.point.setting.hz or 0.0 for each in mine],
            [100.0 * each.residual_rpm / each.rpm for each in mine],
            marker=MARKS[place % len(MARKS)],
            linestyle="none",
            color=ink.BLUE if channel == "wheel" else ink.INK,
            fillstyle="full" if channel == "wheel" else "none",
            label=f"{channel}, {name}" if name else channel,
        )
    hz = np.array(sorted({each.point.setting.hz or 0.0 for each in found.residuals}))
    edge = 100.0 * 0.5 * found.resolution_hz / hz
    axes.fill_between(hz, -edge, edge, color=ink.FAINT, alpha=0.7, linewidth=0, label="half a step of the display")
    axes.axhline(0.0, color=ink.INK, linewidth=0.8)
    axes.set_xlabel("inverter frequency, Hz")
    axes.set_ylabel("seen less fitted, %")
    axes.legend(fontsize=7, frameon=False)
    axes.grid(visible=True)


def _name(setting: Setting) -> str:
    return setting_name(Setting(belt=setting.belt, gear=setting.gear))


def plot_targets(found: TargetsResult, path: Path) -> None:
    """Draw the spacing into a file."""
    with ink.page(WIDTH_MM, HEIGHT_MM) as figure:
        axes = figure.add_axes((0.13, 0.15, 0.83, 0.75))
        draw_targets(axes, found)
        axes.set_title(f"{found.channel}: spacing of its targets, from {found.spacing.turns:.0f} turns", loc="left")
        ink.save_pages([figure], path, title="target spacing")


def plot_clock(found: Sequence[tuple[str, ClockResult]], path: Path) -> None:
    """Draw the clock of the first board into a file."""
    board, result = found[0]
    with ink.page(WIDTH_MM, HEIGHT_MM) as figure:
        axes = figure.add_axes((0.13, 0.15, 0.83, 0.75))
        draw_clock(axes, result)
        axes.set_title(f"board {board}: {plus_minus(result.ppm)} ppm off", loc="left")
        ink.save_pages([figure], path, title="board clock")


def plot_wheel(found: WheelResult, path: Path) -> None:
    """Draw the diameters into a file."""
    with ink.page(WIDTH_MM, HEIGHT_MM / 2) as figure:
        axes = figure.add_axes((0.16, 0.28, 0.8, 0.55))
        draw_wheel(axes, found)
        axes.set_title(f"effective diameter, from {found.method}", loc="left")
        ink.save_pages([figure], path, title="wheel diameter")


def plot_drive(found: DriveResult, path: Path) -> None:
    """Draw the residuals into a file."""
    with ink.page(WIDTH_MM, HEIGHT_MM) as figure:
        axes = figure.add_axes((0.13, 0.15, 0.83, 0.75))
        draw_drive(axes, found)
        axes.set_title("sweep: what ratio and slip leave over", loc="left")
        ink.save_pages([figure], path, title="drive calibration")
