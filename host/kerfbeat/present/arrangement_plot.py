"""How do pull and power at the blade compare, old drive against new, over blade speed?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive.arrange import Arrangement, GearBesides
from kerfbeat.errors import DriveError
from kerfbeat.present import ink
from kerfbeat.present.arrangement import pull_scale_n
from kerfbeat.present.numbers import SPEED_UNITS, other_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["MOST_GEARS", "plot_arrangement"]

MOST_GEARS = 6
LOG_FROM = 15.0  # from this ratio of fastest to slowest, linear scales would crush the slow gears
GEAR_NAME_MM = 25.0
CAPTION = "Predicted, before losses in belt and gears, under full load. Top: blade range"
OLD: dict[str, Any] = {"color": ink.GREY, "linewidth": 4.0, "alpha": 0.55, "solid_capstyle": "butt"}
NEW: dict[str, Any] = {"color": ink.BLUE, "linewidth": 1.4}
HOURS: dict[str, Any] = {"color": ink.BLUE, "linewidth": 1.2, "linestyle": (0, (2, 1.5))}
HOURS_WORDS = "new, for hours (cooling, cautious edge)"
LEAST_PART = 0.005  # of the pull: less is not seen, and dashes under a line look like none


def plot_arrangement(made: Arrangement, path: Path, *, unit: str) -> None:
    """Draw range, pull and power over blade speed for each gear, into a file.

    made : arranged with many `points`, so that curves are smooth.
    Raises DriveError for more gears than a page can tell apart.
    """
    if len(made.gears) > MOST_GEARS:
        raise DriveError(
            f"{len(made.gears)} gears are too many for one drawing (at most {MOST_GEARS}); choose with --gear."
        )
    with ink.page(200.0, 200.0) as figure:
        figure.text(
            0.02,
            0.972,
            ink.fitted(made.old.name, width_mm=190.0, size_pt=11.0, bold=True),
            fontsize=11,
            fontweight="bold",
            va="center",
        )
        geared = any(beside.gear is not None for beside in made.gears)
        figure.text(0.02, 0.945, f"{CAPTION}{' in each gear' if geared else ''}.", fontsize=7.5, va="center")
        cooled = any(_hours_differ(beside) for beside in made.gears)
        span = figure.add_axes((0.12, 0.79, 0.85, 0.11))
        pull = figure.add_axes((0.12, 0.45, 0.85, 0.30), sharex=span)
        power = figure.add_axes((0.12, 0.13, 0.85, 0.28), sharex=span)
        convert = SPEED_UNITS[unit](1.0)
        scale_n = pull_scale_n(made)
        for place, beside in enumerate(made.gears):
            speed = beside.new.blade_m_per_s * convert
            thickness = 1.0 if len(made.gears) < 4 else 0.6
            for axes, old, new, hours in (
                (pull, beside.old.torque * scale_n, beside.new.torque * scale_n, beside.new.hours_torque * scale_n),
                (power, beside.old.power_ratio, beside.new.power_ratio, None),
            ):
                axes.plot(speed, old, **OLD)
                axes.plot(speed, new, **NEW)
                if hours is not None and cooled:
                    axes.plot(speed, hours, **HOURS)
            _label_gear(pull, speed, beside.new.torque * scale_n, beside.gear)
            _bar(span, speed[~np.isnan(beside.old.torque)], place + 0.18, OLD | {"linewidth": 6.0 * thickness})
            _bar(span, speed[~np.isnan(beside.new.torque)], place - 0.18, NEW | {"linewidth": 3.0 * thickness})
        names = [ink.fitted(beside.gear or "", width_mm=14.0, size_pt=8.0) for beside in made.gears]
        span.set_yticks(range(len(made.gears)) if geared else [], names if geared else [])
        span.set_ylim(-0.6, len(made.gears) - 0.4)
        span.set_ylabel("gear" if geared else "range")
        pull.set_ylabel("pull along the blade, N" if scale_n != 1.0 else "torque at the wheel,\nrated motor torques")
        power.set_ylabel("motor power, part of rated")
        power.set_ylim(0.0, 1.12)
        _set_scales(pull, power)
        for axes in (span, pull, power):
            axes.grid(visible=True)
            axes.tick_params(labelbottom=axes is power)
        power.set_xlabel(f"blade speed, {unit}")
        _second_unit(power, unit)
        _limit(made, (span, pull, power), convert, unit)
        _key(figure, cooled=cooled)
        ink.save_pages([figure], path, title=f"Old and new drive: {made.old.name}")


def _hours_differ(beside: GearBesides) -> bool:
    """Whether cooling takes so much of the new drive's pull that it can be seen."""
    return bool(np.any(beside.new.hours_torque < (1.0 - LEAST_PART) * beside.new.torque))


def _limit(made: Arrangement, panels: Sequence[Axes], convert: float, unit: str) -> None:
    """Draw the machine's own limit of blade speed through all panels, where it lies among the speeds shown."""
    limit_m_per_s = made.old.limits.blade_speed_m_per_s
    if limit_m_per_s is None or not panels[0].get_xlim()[0] < limit_m_per_s * convert < panels[0].get_xlim()[1]:
        return
    limit = limit_m_per_s * convert
    for axes in panels:
        axes.axvline(limit, color=ink.INK, linewidth=0.8)
    panels[-1].annotate(
        f"this machine's limit, {limit:.0f} {unit}", (limit, 0.04), xycoords=panels[-1].get_xaxis_transform(),
        xytext=(-3, 0), textcoords="offset points", rotation=90, fontsize=7.5, ha="right", va="bottom",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip


def _bar(axes: Axes, speed: NDArray[np.float64], y: float, style: dict[str, Any]) -> None:
    if len(speed):
        axes.plot([speed[0], speed[-1]], [y, y], **style)


def _label_gear(axes: Axes, speed: NDArray[np.float64], pull: NDArray[np.float64], gear: str | None) -> None:
    known = np.flatnonzero(~np.isnan(pull))
    if gear is not None and len(known):
        axes.annotate(
            ink.fitted(gear, width_mm=GEAR_NAME_MM, size_pt=7.5), (speed[known[0]], pull[known[0]]), xytext=(3, 4),
            textcoords="offset points", fontsize=7.5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip


def _set_scales(pull: Axes, power: Axes) -> None:
    """Begin both axes of pull at zero; or make all scales logarithmic where that would crush the slow gears."""
    from matplotlib.ticker import LogLocator, NullFormatter, ScalarFormatter

    lines = pull.get_lines()
    speeds = np.concatenate([np.asarray(line.get_xdata(), dtype=np.float64) for line in lines])
    pulls = np.concatenate([np.asarray(line.get_ydata(), dtype=np.float64) for line in lines])
    if np.nanmax(speeds) < LOG_FROM * np.nanmin(speeds):
        pull.set_ylim(0.0, 1.12 * float(np.nanmax(pulls)))
        return
    pull.set_yscale("log")
    power.set_xscale("log")  # shared by all three
    pull.set_ylim(float(np.nanmin(pulls)) / 1.15, 1.4 * float(np.nanmax(pulls)))
    for axis in (pull.yaxis, power.xaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_minor_locator(LogLocator(subs=()))
        axis.set_major_formatter(ScalarFormatter())
        axis.set_minor_formatter(NullFormatter())


def _second_unit(axes: Axes, unit: str) -> None:
    second = axes.secondary_xaxis(-0.22, functions=ink.conversion(SPEED_UNITS, unit, other_unit(unit)))
    second.set_xlabel(f"blade speed, {other_unit(unit)}")
    if axes.get_xscale() == "log":
        from matplotlib.ticker import LogLocator, ScalarFormatter

        second.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        second.xaxis.set_minor_locator(LogLocator(subs=()))
        second.xaxis.set_major_formatter(ScalarFormatter())


def _key(figure: Figure, *, cooled: bool) -> None:
    from matplotlib.lines import Line2D

    shown = {"old": OLD, "new": NEW, HOURS_WORDS: HOURS} if cooled else {"old": OLD, "new, also for hours": NEW}
    lines = [Line2D([], [], **style) for style in shown.values()]
    figure.legend(
        lines, list(shown), loc="center right", ncols=3, frameon=False,
        bbox_to_anchor=(0.985, 0.922), fontsize=7.5,
    )  # fmt: skip
