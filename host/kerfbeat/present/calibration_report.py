"""What does a whole calibration come to, on one page?

Before and after, predicted against measured, what the fit leaves over, and what to look at again and when.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.calibrate.everything import Everything
from kerfbeat.calibration import Known, setting_name
from kerfbeat.drive.calibrated import calibrated_curve
from kerfbeat.drive.chain import DriveCurve, drive_curve
from kerfbeat.errors import KerfbeatError
from kerfbeat.machine import Machine, Setting
from kerfbeat.present import ink
from kerfbeat.present.calibration_plot import draw_drive, draw_targets
from kerfbeat.present.numbers import SPEED_UNITS, plus_minus, written
from kerfbeat.present.sweep_words import drive_lines, not_kept_because

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["AGAIN", "before_and_after", "draw_calibration_report", "summary_lines"]

MARGIN_MM = 14.0
COLUMNS_MM = (0.0, 52.0, 92.0, 142.0)
ROW_MM = 4.6
LINE_MM = 3.7
WRAP = 128
MOST_NOTES = 14
LEAST_PLOT_MM = 60.0  # with less room, below long notes, there is one row of plots and not two
AGAIN = (
    ("targets", "after any work on the wheel or its sensor, or when the speed begins to flutter once a turn"),
    ("clock", "when the board or the season changes; each live session measures it again by itself"),
    ("wheel", "after a new blade, tyre or wheel; compare again when the blade has been tensioned anew"),
    ("ratio and slip", "after work on belts or pulleys, and once a year; a slow change is a belt that wears"),
)


def before_and_after(found: Everything) -> list[tuple[str, str, str, str]]:
    """Rows of (what, described, measured, difference)."""
    rows = []
    for channel, targets in found.targets.items():
        even = 360.0 / targets.spacing.targets
        most, doubt = written(
            float(np.abs(360.0 * targets.spacing.spacing_turns - even).max()),
            float(360.0 * targets.spacing.u95_turns.max()),
        )
        rows.append(
            (
                f"targets of {channel}",
                f"{targets.described}, taken as even",
                f"{targets.per_turn} in a turn, ± {doubt}°",
                f"up to {most}° off even",
            )
        )
    for board, clock in found.clocks:
        rows.append((f"clock of board {board}", "as stated", plus_minus(clock.ppm, "ppm"), ""))
    if found.wheel is not None:
        wheel = found.wheel
        rows.append(
            (
                "wheel diameter, effective",
                f"{1e3 * wheel.described_m:.6g} mm",
                plus_minus(wheel.diameter_m.times(1e3), "mm"),
                plus_minus(wheel.difference_percent, "%"),
            )
        )
    if found.drive is not None:
        kept = found.drive.as_described
        for ratio in found.drive.ratios:
            name = setting_name(ratio.setting) or "chain"
            shaft = "" if ratio.channel == "wheel" else f" to {ratio.channel}"
            rows.append(
                (
                    f"ratio, {name}{shaft}",
                    f"{ratio.predicted:.6g}",
                    plus_minus(ratio.ratio) + ("" if kept else ", not kept"),
                    plus_minus(ratio.difference_percent, "%"),
                )
            )
        if kept:
            rows.append(("motor slip, no load, base Hz", "not described", plus_minus(found.drive.slip_rpm, "rpm"), ""))
    return rows


def draw_calibration_report(
    found: Everything,
    path: Path,
    *,
    known: Known,
    unit: str,
    paper: str,
    date: datetime,
    sources: Sequence[str],
    kept: Path | None,
) -> None:
    """Write the page.

    known : what is in the store now, for the line "after".   kept : where; None if nothing was kept.
    """
    width_mm, height_mm = ink.PAPERS_MM[paper]
    with ink.page(width_mm, height_mm) as figure:
        page = ink.millimetres(figure)
        top_mm = _head(page, found.machine, date=date, sources=sources, kept=kept, size_mm=(width_mm, height_mm))
        top_mm = _table(page, before_and_after(found), top_mm, width_mm)
        bottom_mm = _notes(page, found, width_mm)
        _plots(figure, found, known, unit=unit, area_mm=(bottom_mm + 6.0, top_mm - 6.0, width_mm))
        ink.save_pages([figure], path, title=f"Calibration: {found.machine.name}")


def _head(
    page: Axes, machine: Machine, *, date: datetime, sources: Sequence[str], kept: Path | None,
    size_mm: tuple[float, float],
) -> float:  # fmt: skip
    width_mm, height_mm = size_mm
    title = ink.fitted(f"Calibration: {machine.name}", width_mm=width_mm - 2 * MARGIN_MM, size_pt=13.0, bold=True)
    page.text(MARGIN_MM, height_mm - 14.0, title, fontsize=13, fontweight="bold", va="center")
    where = f"kept in {kept.name}" if kept is not None else "not kept"
    told = f"{date:%Y-%m-%d %H:%M} UTC, from {', '.join(sources)}; {where}. ± is a 95 % half-width."
    page.text(
        MARGIN_MM, height_mm - 20.0, ink.fitted(told, width_mm=width_mm - 2 * MARGIN_MM, size_pt=8.0), fontsize=8,
        va="center",
    )  # fmt: skip
    return height_mm - 27.0


def _table(page: Axes, rows: Sequence[tuple[str, str, str, str]], top_mm: float, width_mm: float) -> float:
    """Before and after, line by line; returns how far down it came."""
    lines = [("", "before: described", "after: measured", "difference"), *rows]
    for index, line in enumerate(lines):
        at_mm = top_mm - index * ROW_MM
        for text, left_mm, right_mm in zip(line, COLUMNS_MM, (*COLUMNS_MM[1:], width_mm - 2 * MARGIN_MM), strict=True):
            if not text:
                continue
            shown = ink.fitted(text, width_mm=right_mm - left_mm - 2.0, size_pt=8.0, bold=index == 0)
            page.text(
                MARGIN_MM + left_mm, at_mm, shown, fontsize=8, va="center",
                fontweight="bold" if index == 0 else "normal",
            )  # fmt: skip
    rule_mm = top_mm - ROW_MM / 2
    page.plot([MARGIN_MM, width_mm - MARGIN_MM], [rule_mm, rule_mm], color=ink.INK, linewidth=0.6)
    return top_mm - len(lines) * ROW_MM


def _notes(page: Axes, found: Everything, width_mm: float) -> float:
    """Verdict, warnings, what could not be told, what to look at again; from the foot of the page up."""
    lines: list[tuple[str, bool]] = []
    if found.drive is not None:
        lines += [(line, False) for line in drive_lines(found.drive)]
    lines += [(f"Note: {each}", False) for each in found.warnings]
    lines += [(f"Not calibrated, {what}: {why}", False) for what, why in found.reasons.items()]
    if len(lines) > MOST_NOTES:
        more = len(lines) - MOST_NOTES
        lines = [*lines[:MOST_NOTES], (f"... and {more} more; kerfbeat calibrate --all shows them", False)]
    lines.append(("Look again", True))
    lines += [(f"{what}: {when}", False) for what, when in AGAIN]
    lines.append(("An indicator, not a safety device. The makers of machine, blade and inverter come first.", False))
    wrapped = [(part, bold) for text, bold in lines for part in textwrap.wrap(text, WRAP, subsequent_indent="   ")]
    for index, (text, bold) in enumerate(reversed(wrapped)):
        page.text(
            MARGIN_MM, 10.0 + index * LINE_MM, text, fontsize=7, va="center",
            fontweight="bold" if bold else "normal",
        )  # fmt: skip
    return 10.0 + len(wrapped) * LINE_MM


def _plots(figure: Figure, found: Everything, known: Known, *, unit: str, area_mm: tuple[float, float, float]) -> None:
    """Speeds predicted and measured, what the fit leaves over, and spacing; as many as there are."""
    bottom_mm, top_mm, width_mm = area_mm
    height_mm = float(figure.get_figheight() * ink.MM_PER_IN)

    def place(left_mm: float, low_mm: float, wide_mm: float, high_mm: float) -> Axes:
        return figure.add_axes((left_mm / width_mm, low_mm / height_mm, wide_mm / width_mm, high_mm / height_mm))

    room_mm = max(top_mm - bottom_mm, LEAST_PLOT_MM)
    half_mm = (width_mm - 2 * MARGIN_MM) / 2
    if found.drive is not None:
        upper = place(
            MARGIN_MM + 14.0, bottom_mm + room_mm / 2 + 10.0, width_mm - 2 * MARGIN_MM - 30.0, room_mm / 2 - 16.0
        )
        _predicted_and_measured(upper, found, known, unit)
        lower_mm = room_mm / 2 - 14.0
        draw_drive(place(MARGIN_MM + 14.0, bottom_mm + 10.0, half_mm - 18.0, lower_mm), found.drive)
    else:
        lower_mm = min(room_mm - 14.0, 70.0)
    targets = next(iter(found.targets.values()), None)
    if targets is not None:
        draw_targets(place(MARGIN_MM + half_mm + 14.0, bottom_mm + 10.0, half_mm - 18.0, lower_mm), targets)


def _predicted_and_measured(axes: Axes, found: Everything, known: Known, unit: str) -> None:
    """Wheel's surface speed over frequency: the band as described, the line as calibrated, the points as measured."""
    assert found.drive is not None
    convert = SPEED_UNITS[unit]
    machine = found.machine
    diameter_m = machine.wheel.diameter_m if found.wheel is None else found.wheel.diameter_m.value
    around_m = np.pi * (diameter_m + machine.wheel.blade_thickness_m)
    ends = []
    points = [point for point in found.drive.points if "wheel" in point.speed_hz and point.setting.hz is not None]
    settings = list(dict.fromkeys(Setting(belt=p.setting.belt, gear=p.setting.gear) for p in points))
    for setting in settings:
        mine = [p for p in points if (p.setting.belt, p.setting.gear) == (setting.belt, setting.gear)]
        hz = np.array([p.setting.hz for p in mine], dtype=float)
        wide_hz = np.linspace(hz.min(), hz.max(), 60)
        described = _curve(machine, setting, wide_hz)
        if described is not None:
            low, high = (
                convert(1.0) * each for each in (described.blade_m_per_s.lowest, described.blade_m_per_s.highest)
            )
            axes.fill_between(wide_hz, low, high, color=ink.STRAW, alpha=0.35, linewidth=0)
            after = convert(1.0) * calibrated_curve(described, machine, known).blade_m_per_s.no_load
            axes.plot(wide_hz, after, color=ink.BLUE)
            ends.append((float(wide_hz[-1]), float(after[-1]), setting_name(setting) or "no load"))
        axes.plot(
            hz, [convert(around_m * p.speed_hz["wheel"]) for p in mine], marker="o", markersize=4, linestyle="none",
            color=ink.INK,
        )  # fmt: skip
    axes.set_xlabel("inverter frequency, Hz")
    axes.set_ylabel(f"blade speed, {unit}")
    axes.set_title(
        "Shaded: predicted from the description.  Line: with what was measured, no load.  Dots: measured.", fontsize=8,
        loc="left",
    )  # fmt: skip
    axes.grid(visible=True)
    axes.set_xlim(*axes.get_xlim())  # fixed here, so that names find their lines' ends
    axes.set_ylim(0.0, axes.get_ylim()[1])
    if ends:
        ink.line_ends(axes, ends)


def _curve(machine: Machine, setting: Setting, hz: np.ndarray) -> DriveCurve | None:
    try:
        return drive_curve(machine, belt=setting.belt, gear=setting.gear, supply_hz=hz)
    except KerfbeatError:
        return None


def summary_lines(found: Everything) -> list[str]:
    """The table as text, for the terminal."""
    rows = before_and_after(found)
    lines = [f"{what}: {after}" + (f" ({difference})" if difference else "") for what, _, after, difference in rows]
    why_not = None if found.drive is None else not_kept_because(found.drive)
    return lines if why_not is None else [*lines, f"drive: not kept, because {why_not}"]
