"""How does predicted blade speed look over frequency?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfbeat.drive.cautions import FORBIDDING
from kerfbeat.drive.chain import DriveCurve
from kerfbeat.drive.choose import Choice
from kerfbeat.drive.material import SpeedRange
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine
from kerfbeat.present import ink
from kerfbeat.present.numbers import SPEED_UNITS, other_unit
from kerfbeat.present.predicted import PREDICTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "MOST_CURVES",
    "curve_name",
    "draw_speed_curves",
    "fitted_name",
    "forbidden_hz",
    "plot_choices",
    "plot_speed_curves",
    "ranges_where",
]

CAPTION = (
    "Line: between no load and full load. Shaded: where a healthy machine should be found. "
    "Hatched: may pass a limit, not to be used."
)
CHOICE_CAPTION = (
    "Numbers: settings, best first. Dashed across: the wanted speed. Hatched: may pass a limit, not to be used."
)
LOG_FROM = 15.0  # from this ratio of fastest to slowest, a linear scale would crush the slow gears
HATCH_MM = 2.0  # least half-height of a hatched piece of a curve: a narrow band would not show it
ZONE_WORDS = {
    "motor speed": "motor too fast",
    "rim speed": "pulley rim too fast",
    "inverter limits": "outside the inverter's limits",
}
SECOND_AXIS_MM = 16.0  # left of the first: room for its figures and its name
CURVE_NAME_MM = 27.0  # right of the axes, where the curves are named
MOST_CHOICES = 6  # settings of one speed crowd along one line
MOST_CURVES = 12  # more names could not be told apart on one page


def curve_name(curve: DriveCurve) -> str:
    """Name a curve by what the operator chose for it."""
    parts = [f"belt {curve.belt}" if curve.belt else "", f"gear {curve.gear}" if curve.gear else ""]
    return ", ".join(part for part in parts if part) or "blade speed"


def fitted_name(curve: DriveCurve, *, width_mm: float, size_pt: float) -> str:
    """Name a curve on a line of this width: first the words "belt" and "gear" go, then the end."""
    name = curve_name(curve)
    if ink.fitted(name, width_mm=width_mm, size_pt=size_pt) != name and curve.belt and curve.gear:
        name = f"{curve.belt}, {curve.gear}"
    return ink.fitted(name, width_mm=width_mm, size_pt=size_pt)


def require_few(curves: Sequence[DriveCurve]) -> None:
    """Refuse more curves than a page can tell apart."""
    if len(curves) > MOST_CURVES:
        raise DriveError(
            f"{len(curves)} belt positions and gears are too many for one drawing (at most {MOST_CURVES}); "
            "choose some with --belt or --gear."
        )


def forbidden_hz(curves: Sequence[DriveCurve]) -> dict[str, list[tuple[float, float]]]:
    """Frequency ranges in which *every* curve is forbidden, by kind of caution, "blade speed" aside.

    That one depends on the gear: it is hatched along each curve, as is whatever forbids some of the curves alone.
    """
    zones: dict[str, list[tuple[float, float]]] = {}
    supply_hz = curves[0].supply_hz
    for kind in FORBIDDING:
        if kind == "blade speed":
            continue
        flags = [
            all(any(caution.kind == kind for caution in curve.cautions[index]) for curve in curves)
            for index in range(len(supply_hz))
        ]
        found = ranges_where(np.array(flags, dtype=bool), supply_hz)
        if found:
            zones[kind] = found
    return zones


def ranges_where(flags: NDArray[np.bool_], x: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Ranges of x, one value for each flag, over which the flags are true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(int)))
    return [(float(x[a]), float(x[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def draw_speed_curves(axes: Axes, machine: Machine, curves: Sequence[DriveCurve], *, unit: str) -> None:
    """Draw a band and a named line for each curve, limits hatched, both units on the left.

    unit : "m/min" or "ft/min", the one next to the axes.
    """
    supply_hz = curves[0].supply_hz
    ends = []
    for place, curve in enumerate(curves):
        blade = curve.blade_m_per_s
        low, high, middle = (
            _in_unit(speed, unit) for speed in (blade.lowest, blade.highest, (blade.no_load + blade.full_load) / 2.0)
        )
        axes.fill_between(supply_hz, low, high, color=ink.STRAW, alpha=0.35, linewidth=0)
        axes.plot(supply_hz, middle, color=ink.BLUE, linestyle=ink.DASHES[place % len(ink.DASHES)])
        name = fitted_name(curve, width_mm=CURVE_NAME_MM, size_pt=7.5)
        ends.append((float(supply_hz[-1]), float(middle[-1]), name))
    slowest, fastest = _speed_range(curves, unit)
    axes.set_xlim(float(supply_hz[0]), float(supply_hz[-1]))
    if fastest > LOG_FROM * slowest:
        axes.set_yscale("log")
        axes.set_ylim(slowest / 1.05, fastest * 1.05)
    else:
        axes.set_ylim(0.0, fastest * 1.04)
    axes.set_xlabel("inverter frequency, Hz")
    _both_units(axes, unit)
    axes.grid(visible=True)
    _hatch_limits(axes, machine, curves, unit)
    ink.line_ends(axes, ends)


def _in_unit(speed_m_per_s: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    return speed_m_per_s * SPEED_UNITS[unit](1.0)


def _speed_range(curves: Sequence[DriveCurve], unit: str) -> tuple[float, float]:
    lows = [float(np.min(_in_unit(curve.blade_m_per_s.full_load, unit))) for curve in curves]
    highs = [float(np.max(_in_unit(curve.blade_m_per_s.highest, unit))) for curve in curves]
    return max(min(lows), 1e-3 * max(highs)), max(highs)


def _both_units(axes: Axes, unit: str) -> None:
    """Label the left axis in the first unit and add the second one left of it."""
    from matplotlib.ticker import LogLocator, ScalarFormatter

    axes.set_ylabel(f"blade speed, {unit}", labelpad=2)
    figure = axes.get_figure(root=True)
    assert figure is not None
    axes_mm = axes.get_position().width * figure.get_figwidth() * ink.MM_PER_IN
    second = axes.secondary_yaxis(
        -SECOND_AXIS_MM / axes_mm, functions=ink.conversion(SPEED_UNITS, unit, other_unit(unit))
    )
    second.set_ylabel(f"blade speed, {other_unit(unit)}", labelpad=2)
    for axis in (axes.yaxis, second.yaxis):
        if axes.get_yscale() == "log":
            axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
            axis.set_minor_locator(LogLocator(subs=()))
        axis.set_major_formatter(ScalarFormatter())


def _hatch_limits(axes: Axes, machine: Machine, curves: Sequence[DriveCurve], unit: str) -> None:
    """Draw the limit of blade speed as a line, and hatch what is not to be used: along each curve, and for all."""
    paper = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
    limit_m_per_s = machine.limits.blade_speed_m_per_s
    if limit_m_per_s is not None:
        limit = limit_m_per_s * SPEED_UNITS[unit](1.0)
        if limit < axes.get_ylim()[1]:
            axes.axhline(limit, color=ink.INK, linewidth=0.8)
            axes.text(
                0.02, limit, f"this machine's limit of {limit:.0f} {unit}", transform=axes.get_yaxis_transform(),
                va="bottom", fontsize=7.5, bbox=paper,
            )  # fmt: skip
    supply_hz, shared = curves[0].supply_hz, forbidden_hz(curves)
    for_all = np.zeros(len(supply_hz), dtype=np.bool_)
    for low, high in (zone for zones in shared.values() for zone in zones):
        for_all |= (supply_hz >= low) & (supply_hz <= high)
    for curve in curves:
        below, above = _strip(axes, curve, unit)
        axes.fill_between(
            supply_hz, below, above, where=curve.forbidden & ~for_all, facecolor="none", edgecolor=ink.INK,
            hatch="//////", linewidth=0.6,
        )  # fmt: skip
    for kind, zones in shared.items():
        for low, high in zones:
            axes.axvspan(low, high, facecolor="none", edgecolor=ink.GREY, hatch="\\\\\\", linewidth=0.8)
            axes.text(
                low, 0.03, f" {ZONE_WORDS[kind]}", transform=axes.get_xaxis_transform(), rotation=90, fontsize=7.5,
                ha="left", va="bottom", bbox=paper,
            )  # fmt: skip


def _strip(axes: Axes, curve: DriveCurve, unit: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lower and upper edge of what is hatched along a curve: its band, at least wide enough to be seen."""
    blade = curve.blade_m_per_s
    middle = _in_unit((blade.no_load + blade.full_load) / 2.0, unit)
    figure = axes.get_figure(root=True)
    assert figure is not None
    half = HATCH_MM / ink.MM_PER_IN * figure.dpi
    shown = axes.transData.transform(np.column_stack([curve.supply_hz, middle]))
    to_data = axes.transData.inverted()
    below, above = (to_data.transform(shown + np.array([0.0, shift]))[:, 1] for shift in (-half, half))
    return np.minimum(_in_unit(blade.lowest, unit), below), np.maximum(_in_unit(blade.highest, unit), above)


def plot_speed_curves(
    machine: Machine, curves: Sequence[DriveCurve], path: Path, *, unit: str, basis: str = PREDICTED
) -> None:
    """Draw predicted blade speed over frequency into a file.

    basis : where the speeds come from, in a sentence.
    Raises DriveError for a single frequency or more curves than a page can tell apart.
    """
    require_few(curves)
    if len(curves[0].supply_hz) < 2:
        raise DriveError("a plot needs more than one frequency; describe the inverter, or give --hz 20:80:1.")
    with ink.page(200.0, 130.0) as figure:
        draw_speed_curves(_titled(figure, machine, (basis, CAPTION)), machine, curves, unit=unit)
        ink.save_pages([figure], path, title=f"Blade speed over frequency: {machine.name}")


def plot_choices(
    machine: Machine, choices: Sequence[Choice], wanted: SpeedRange, path: Path, *, unit: str, basis: str = PREDICTED
) -> None:
    """Draw the settings found for a wanted speed, numbered from the best, on the curves they lie on.

    Only as many as a page can tell apart; the best ones.   basis : where the speeds come from, in a sentence.
    Raises DriveError for a machine without an inverter.
    """
    if len(choices[0].curve.supply_hz) < 2:
        raise DriveError("a plot needs a range of frequencies; describe the machine's [inverter] first.")
    shown = [(place, choice.prediction) for place, choice in enumerate(choices[:MOST_CHOICES], start=1)]
    curves = [choice.curve for choice in choices[:MOST_CHOICES]]
    with ink.page(200.0, 130.0) as figure:
        fewer = f" The best {MOST_CHOICES} are drawn." if len(choices) > MOST_CHOICES else ""
        axes = _titled(figure, machine, (basis, CHOICE_CAPTION + fewer))
        draw_speed_curves(axes, machine, curves, unit=unit)
        low, high = (speed * SPEED_UNITS[unit](1.0) for speed in (wanted.low_m_per_s, wanted.high_m_per_s))
        for edge in (low, high):
            axes.axhline(edge, color=ink.INK, linewidth=0.8, linestyle=(0, (4, 2)))
        for place, row in shown:
            blade = row.blade_m_per_s
            speed = (blade.no_load + blade.full_load) / 2.0 * SPEED_UNITS[unit](1.0)
            axes.annotate(
                f"{place}", (row.setting.hz or 0.0, speed), fontsize=8, fontweight="bold", ha="center", va="center",
                bbox={"boxstyle": "circle", "facecolor": "white", "edgecolor": ink.INK, "pad": 0.25},
            )  # fmt: skip
        ink.save_pages([figure], path, title=f"Settings for a blade speed: {machine.name}")


def _titled(figure: Figure, machine: Machine, captions: Sequence[str]) -> Axes:
    """Head a page with the machine's name and say, a line each, what is drawn; axes for the curves below."""
    name = ink.fitted(machine.name, width_mm=190.0, size_pt=11.0, bold=True)
    figure.text(0.02, 0.955, name, fontsize=11, fontweight="bold", va="center")
    for place, caption in enumerate(captions):
        line = ink.fitted(caption, width_mm=192.0, size_pt=7.5)
        figure.text(0.02, 0.912 - 0.032 * place, line, fontsize=7.5, va="center")
    return figure.add_axes((0.18, 0.11, 0.62, 0.73))
