"""What hangs on the machine's door?

One page: blade speed over hertz for each gear in both units, band speeds of materials beside it, zones not to be used
hatched, a table of round frequencies, and what to beware of.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.drive.chain import DriveCurve
from kerfbeat.drive.choose import middle_m_per_s
from kerfbeat.drive.material import CAUTION, GROUPS, HANDBOOK, Material
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine
from kerfbeat.present import ink
from kerfbeat.present.drive_plot import draw_speed_curves, fitted_name, require_few
from kerfbeat.present.numbers import SPEED_UNITS, other_unit
from kerfbeat.present.predicted import PREDICTED, WORST_WHEN_SLOW, speed_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_chart"]

MARGIN_MM = 12.0
COLUMN_MM = 11.0  # one frequency of the table
NAME_MM = 41.0
CAUTION_NAME_MM = 30.0
ROW_MM = 7.6
LADDER_MM = 38.0  # width of the material bands
SCALE_MM = 5.0  # for the figures right of them
LEAST_MATERIALS, MOST_MATERIALS = 6, 10  # columns of the material bands: no bar too fat, no name on a bar
NAMES_MM = 30.0  # for the curves' names between plot and bands
DOOR_NOTES = (
    "Line and table: between no load and full load. Shaded: where a healthy machine should be found. Hatched or struck "
    "out: the blade may pass its limit, or motor or pulley theirs, within the band; not to be used.",
    "An indicator, not a safety device. Guards stay on, interlocks are never bypassed; lock out before you reach in.",
    "The makers of blade, motor and inverter come before this page.",
)


def draw_chart(
    machine: Machine, curves: Sequence[DriveCurve], listed_hz: Sequence[float], path: Path, *, unit: str, paper: str,
    basis: str = PREDICTED, materials: Sequence[Material] = GROUPS,
) -> tuple[Material, ...]:  # fmt: skip
    """Write the chart as one PDF page; tells which materials are left out, since no speed of the machine suits them.

    curves : over the inverter's whole range, smooth.   listed_hz : frequencies of the table.
    basis : where the speeds come from, printed below the name.
    Raises DriveError for a single frequency or more curves than a page holds.
    """
    require_few(curves)
    if len(materials) > MOST_MATERIALS:
        raise DriveError(
            f"{len(materials)} materials are too many for one chart (at most {MOST_MATERIALS}); name the ones you cut."
        )
    if len(curves[0].supply_hz) < 2:
        raise DriveError("a chart needs a range of frequencies; describe the machine's [inverter] first.")
    width_mm, height_mm = ink.PAPERS_MM[paper]
    with ink.page(width_mm, height_mm) as figure:
        page = ink.millimetres(figure)
        page.text(
            MARGIN_MM,
            height_mm - 15.0,
            ink.fitted(machine.name, width_mm=width_mm - 2 * MARGIN_MM, size_pt=13.0, bold=True),
            fontsize=13,
            fontweight="bold",
            va="center",
        )
        told = f"Blade speed over inverter frequency. {basis}"
        told = ink.fitted(told, width_mm=width_mm - 2 * MARGIN_MM, size_pt=8.0)
        page.text(MARGIN_MM, height_mm - 21.5, told, fontsize=8.0, va="center")
        foot_mm = _foot(page, curves)
        table_mm = foot_mm + _table_height_mm(curves)
        _table(page, curves, listed_hz, unit=unit, top_mm=table_mm, width_mm=width_mm)
        bottom_mm, top_mm = table_mm + 18.0, height_mm - 34.0
        left_mm = MARGIN_MM + 30.0
        right_mm = width_mm - MARGIN_MM - SCALE_MM - LADDER_MM - NAMES_MM
        axes = _axes(figure, left_mm, bottom_mm, right_mm, top_mm)
        draw_speed_curves(axes, machine, curves, unit=unit)
        ladder = _axes(figure, right_mm + NAMES_MM, bottom_mm, right_mm + NAMES_MM + LADDER_MM, top_mm)
        shown = _ladder(ladder, axes, materials, unit)
        ink.save_pages([figure], path, title=f"Blade speed chart: {machine.name}")
    return tuple(material for material in materials if material not in shown)


def _axes(figure: Figure, left_mm: float, bottom_mm: float, right_mm: float, top_mm: float) -> Axes:
    width_in, height_in = figure.get_size_inches()
    wide, high = width_in * ink.MM_PER_IN, height_in * ink.MM_PER_IN
    return figure.add_axes((left_mm / wide, bottom_mm / high, (right_mm - left_mm) / wide, (top_mm - bottom_mm) / high))


def _ladder(ladder: Axes, axes: Axes, materials: Sequence[Material], unit: str) -> list[Material]:
    """Draw a bar of band speeds for each material that the machine reaches, on the same scale as the curves."""
    convert = SPEED_UNITS[unit](1.0)
    low, high = axes.get_ylim()
    ladder.set_yscale(axes.get_yscale())
    ladder.set_ylim(low, high)
    shown = []
    for material in materials:
        speeds = material.speed_range()
        bottom, top = speeds.low_m_per_s * convert, speeds.high_m_per_s * convert
        if bottom < high and top > low:
            shown.append((material, max(bottom, low), min(top, high)))
    columns = max(len(shown), LEAST_MATERIALS)
    ladder.set_xlim(0.0, columns)
    for place, (material, bottom, top) in enumerate(shown):
        if place:
            ladder.axvline(place, color=ink.GREY, linewidth=0.4)  # a name belongs to the bar in its own column
        ladder.bar(
            place + 0.28, top - bottom, width=0.34, bottom=bottom, color=ink.STRAW, edgecolor=ink.INK, linewidth=0.6,
            hatch="....",
        )  # fmt: skip
        unread = "" if material.source == HANDBOOK else " *"
        ladder.text(
            place + 0.73, 0.012, material.name + unread, transform=ladder.get_xaxis_transform(), rotation=90,
            fontsize=6.5, ha="center", va="bottom",
        )  # fmt: skip
    ladder.set_xticks([])
    ladder.minorticks_off()
    ladder.yaxis.tick_right()
    places = [place for place in axes.get_yticks() if low <= place <= high]
    ladder.set_yticks(places, [f"{place:g}" for place in places])
    ladder.grid(visible=True, axis="y")
    ladder.set_axisbelow(True)
    ladder.set_title(f"band speeds, {unit}", fontsize=7.5, pad=3.0)
    if not shown:
        ladder.text(0.5, 0.5, "none in reach", transform=ladder.transAxes, rotation=90, ha="center", va="center")
    return [material for material, _, _ in shown]


def _table_height_mm(curves: Sequence[DriveCurve]) -> float:
    return 9.0 + ROW_MM * len(curves)


def _table(
    page: Axes, curves: Sequence[DriveCurve], listed_hz: Sequence[float], *, unit: str, top_mm: float, width_mm: float
) -> None:
    """Write speeds at round frequencies: the first unit above, the other below it."""
    room = int((width_mm - 2 * MARGIN_MM - NAME_MM) // COLUMN_MM)
    hz = _thinned(list(listed_hz), room)
    units = (unit, other_unit(unit))
    page.text(MARGIN_MM, top_mm - 3.0, "Hz", fontsize=8, fontweight="bold", va="center")
    for column, frequency in enumerate(hz):
        x = MARGIN_MM + NAME_MM + (column + 1) * COLUMN_MM
        page.text(x, top_mm - 3.0, f"{frequency:g}", fontsize=8, fontweight="bold", ha="right", va="center")
    for row, curve in enumerate(curves):
        y = top_mm - 6.5 - row * ROW_MM
        page.plot([MARGIN_MM, width_mm - MARGIN_MM], [y, y], color=ink.GREY, linewidth=0.4)
        page.text(
            MARGIN_MM,
            y - 2.4,
            fitted_name(curve, width_mm=NAME_MM - 11.0, size_pt=7.5),
            fontsize=7.5,
            va="center",
        )
        speed = np.interp(hz, curve.supply_hz, middle_m_per_s(curve))
        barred = _forbidden_at(curve, hz)
        for line, name in enumerate(units):
            drop = 2.4 + 3.1 * line
            page.text(MARGIN_MM + NAME_MM, y - drop, name, fontsize=6.5, ha="right", va="center")
            size = 7.5 if line == 0 else 6.5
            for column, value in enumerate(speed * SPEED_UNITS[name](1.0)):
                x = MARGIN_MM + NAME_MM + (column + 1) * COLUMN_MM
                page.text(x, y - drop, speed_text(float(value)), fontsize=size, ha="right", va="center")
                if barred[column]:
                    page.plot([x - 8.5, x + 0.5], [y - drop, y - drop], color=ink.INK, linewidth=0.9)


def _thinned(values: list[float], most: int) -> list[float]:
    """Keep at most so many values, both ends among them."""
    if len(values) <= most:
        return values
    return [values[round(k * (len(values) - 1) / (most - 1))] for k in range(most)]


def _forbidden_at(curve: DriveCurve, hz: Sequence[float]) -> list[bool]:
    """Whether the curve's point next to each frequency is not to be used."""
    forbidden = curve.forbidden
    return [bool(forbidden[int(np.argmin(np.abs(curve.supply_hz - frequency)))]) for frequency in hz]


def _foot(page: Axes, curves: Sequence[DriveCurve]) -> float:
    """Write cautions and notes from the bottom up; tells the height above which there is room."""
    source = f"Band speeds: {HANDBOOK}; bimetal band, cutting fluid, stock of 1/4 to 8 in; * from memory. {CAUTION}"
    lines: list[str] = []
    for text in (*door_cautions(curves), *DOOR_NOTES, source):
        lines += textwrap.wrap(text, 128, subsequent_indent="   ")
    for line, text in enumerate(reversed(lines)):
        page.text(MARGIN_MM, MARGIN_MM + 3.4 * line, text, fontsize=7, va="center")
    return MARGIN_MM + 3.4 * len(lines) + 3.0


def door_cautions(curves: Sequence[DriveCurve]) -> list[str]:
    """One line for each kind of caution: the curve with its worst case, from where to where, and how many more."""
    lines = []
    kinds = dict.fromkeys(caution.kind for curve in curves for row in curve.cautions for caution in row)
    for kind in kinds:
        found = []
        for curve in curves:
            at = [index for index, row in enumerate(curve.cautions) if any(c.kind == kind for c in row)]
            if at:
                found.append((len(at), curve, at))
        _, curve, at = max(found, key=lambda item: item[0])
        worst = at[0] if kind in WORST_WHEN_SLOW else at[-1]
        text = next(caution.text for caution in curve.cautions[worst] if caution.kind == kind)
        low, high = (float(curve.supply_hz[index]) for index in (at[0], at[-1]))
        others = "" if len(found) == 1 else f" (and {len(found) - 1} more)"
        name = fitted_name(curve, width_mm=CAUTION_NAME_MM, size_pt=7.0)
        lines.append(f"Beware: {name}{others}, {low:.1f} to {high:.1f} Hz: {text}.")
    return lines
