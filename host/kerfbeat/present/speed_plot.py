"""How did the speeds go along a log, drawn?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting
from kerfbeat.measure.smooth import SpeedTrace, speed_trace
from kerfbeat.measure.speed import SpeedResult
from kerfbeat.present import ink
from kerfbeat.present.happenings import Happenings, happenings_of
from kerfbeat.present.numbers import SPEED_UNITS, both_speeds, other_unit
from kerfbeat.present.outlook import prospect_of
from kerfbeat.present.speed_report import blade_metres_a_turn
from kerfbeat.present.text import harmless
from kerfbeat.units import rpm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

__all__ = ["CAPTION", "draw_speed", "plot_speed", "time_scale", "traces_of"]

WIDTH_MM, BLADE_MM, SHAFT_MM, HEAD_MM, FOOT_MM = 240.0, 95.0, 38.0, 30.0, 14.0
LEFT_MM, RIGHT_MM, GAP_MM = 22.0, 22.0, 6.0
CAPTION = (
    "Line: speed by all pulses, before and after.  Straw: 95 % interval of the turning.  Grey: where a healthy "
    "machine should be found.  Hatched: pulses lost.  Bar: cut."
)
PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
NOTE_MM = 32.0  # of a note, written upward
LINE_MM = 3.6
MOST_WORDS = 150  # beyond it they lie on one another, and drawing takes minutes


def plot_speed(log: PulseLog, result: SpeedResult, path: Path, *, unit: str) -> None:
    """Draw blade speed over time, and the other shafts below, into a file; the window is the result's.

    unit : "m/min" or "ft/min" for the left scale; the other one stands at the right.
    """
    traces = traces_of(log, result)
    shafts = [channel for channel in traces if channel != result.blade_channel]
    height_mm = HEAD_MM + BLADE_MM + FOOT_MM + (SHAFT_MM + GAP_MM) * len(shafts)
    with ink.page(WIDTH_MM, height_mm) as figure:

        def add_axes(bottom_mm: float, tall_mm: float) -> Axes:
            width = (WIDTH_MM - LEFT_MM - RIGHT_MM) / WIDTH_MM
            return figure.add_axes((LEFT_MM / WIDTH_MM, bottom_mm / height_mm, width, tall_mm / height_mm))

        panels = [add_axes(height_mm - HEAD_MM - BLADE_MM, BLADE_MM)]
        panels += [
            add_axes(FOOT_MM + (SHAFT_MM + GAP_MM) * (len(shafts) - 1 - place), SHAFT_MM)
            for place, _ in enumerate(shafts)
        ]
        draw_speed(panels, log, result, traces, unit=unit)
        _write_head(figure, log, result, unit=unit, height_mm=height_mm)
        ink.save_pages([figure], path, title=f"Speed along {Path(log.source).name}")


def draw_speed(
    panels: Sequence[Axes], log: PulseLog, result: SpeedResult, traces: dict[str, SpeedTrace], *, unit: str
) -> None:
    """Draw the blade's speed into the first panel, and each other shaft of `traces` into one below."""
    happened = happenings_of(log)
    scale_s, time_unit = time_scale(result.end_s - result.start_s)
    shafts = [trace for channel, trace in traces.items() if channel != result.blade_channel]
    _draw_blade(panels[0], log, result, traces, happened, unit=unit, scale_s=scale_s)
    for axes, trace in zip(panels[1:], shafts, strict=True):
        _draw_shaft(axes, trace, happened, scale_s=scale_s)
    for axes in panels:
        axes.set_xlim(result.start_s / scale_s, max(result.end_s, result.start_s + 1e-3) / scale_s)
        axes.grid(visible=True)
        axes.tick_params(labelbottom=axes is panels[-1])
    panels[-1].set_xlabel(f"time from the log's beginning, {time_unit}")


def _write_head(figure: Figure, log: PulseLog, result: SpeedResult, *, unit: str, height_mm: float) -> None:
    average = "no speed" if result.blade_m_per_s is None else f"on average {both_speeds(result.blade_m_per_s, unit)}"
    lines = (
        (f"{log.machine.name}", 11.0, True, 5.5),
        (f"{harmless(Path(log.source).name)}, {log.start_utc:%Y-%m-%d %H:%M} UTC: {average}", 8.5, False, 11.5),
        *((line, 7.5, False, 16.5 + LINE_MM * place) for place, line in enumerate(_caption_lines())),
    )
    for text, size_pt, bold, below_mm in lines:
        figure.text(
            LEFT_MM / WIDTH_MM,
            1.0 - below_mm / height_mm,
            ink.fitted(text, width_mm=WIDTH_MM - LEFT_MM - 5.0, size_pt=size_pt, bold=bold),
            fontsize=size_pt,
            fontweight="bold" if bold else "normal",
            va="center",
        )


def _caption_lines() -> list[str]:
    """What the drawing shows, on as many lines as it needs."""
    return ink.wrapped(CAPTION, width_mm=WIDTH_MM - LEFT_MM - 5.0, size_pt=7.5)


def traces_of(log: PulseLog, result: SpeedResult) -> dict[str, SpeedTrace]:
    """Curves of the channels that have one."""
    traces = {}
    for channel in log.machine.sensors:
        try:
            traces[channel] = speed_trace(log, channel, start_s=result.start_s, end_s=result.end_s)
        except MeasureError:
            continue  # too few pulses for a curve: the table says so
    return traces


def time_scale(span_s: float) -> tuple[float, str]:
    """Seconds in the unit that a time axis of this length deserves, and its name."""
    if span_s > 3 * 3600:
        return 3600.0, "h"
    return (60.0, "min") if span_s > 600 else (1.0, "s")


def _draw_blade(
    axes: Axes,
    log: PulseLog,
    result: SpeedResult,
    traces: dict[str, SpeedTrace],
    happened: Happenings,
    *,
    unit: str,
    scale_s: float,
) -> None:
    factor = SPEED_UNITS[unit](1.0)
    axes.set_ylabel(f"blade speed, {unit}")
    second = axes.secondary_yaxis("right", functions=ink.conversion(SPEED_UNITS, unit, other_unit(unit)))
    second.set_ylabel(f"blade speed, {other_unit(unit)}")
    shown: list[float] = []
    channel = result.blade_channel
    if channel is not None and channel in traces:
        trace = traces[channel]
        metres = blade_metres_a_turn(result) or math.nan
        speed, u95 = trace.speed_hz * metres * factor, trace.u95_hz * metres * factor
        _draw_curve(axes, trace.at_s / scale_s, speed, u95)
        shown += [float(np.nanmin(speed)), float(np.nanmax(speed))]
    else:
        axes.text(0.5, 0.5, "no pulses enough for a curve", transform=axes.transAxes, ha="center", color=ink.GREY)
    for start_s, end_s, setting in happened.settings if len(happened.settings) <= MOST_WORDS else ():
        if start_s < result.end_s and end_s > result.start_s:
            shown += _draw_prospect(axes, log, setting, (start_s / scale_s, end_s / scale_s), factor)
    _draw_losses(axes, happened.losses.get(channel or "", ()), scale_s)
    if shown:
        low, high = min(shown), max(shown)
        room = 0.06 * max(high - low, 0.02 * high)
        axes.set_ylim(max(0.0, low - room), high + 3 * room)
    _draw_marks(axes, happened, scale_s)


def _draw_curve(axes: Axes, at: NDArray[np.float64], value: NDArray[np.float64], u95: NDArray[np.float64]) -> None:
    axes.fill_between(at, value - u95, value + u95, color=ink.STRAW, alpha=0.6, linewidth=0)
    axes.plot(at, value, color=ink.BLUE, linewidth=1.1)


def _draw_prospect(
    axes: Axes, log: PulseLog, setting: Setting, span: tuple[float, float], factor: float
) -> Sequence[float]:
    """The predicted band of one stretch; its ends in the axis's unit."""
    prospect = prospect_of(log.machine, setting)
    low_m_per_s, high_m_per_s = prospect.low_m_per_s, prospect.high_m_per_s
    if low_m_per_s is None or high_m_per_s is None:
        return ()
    low, high = low_m_per_s * factor, high_m_per_s * factor
    axes.fill_between(span, low, high, color=ink.FAINT, alpha=0.8, linewidth=0, zorder=0)
    for edge in (low, high):
        axes.plot(span, (edge, edge), color=ink.GREY, linewidth=0.6, linestyle=ink.DASHES[2], zorder=0)
    return low, high


def _draw_losses(axes: Axes, losses: Sequence[tuple[float, float]], scale_s: float) -> None:
    joined: list[tuple[float, float]] = []
    for start_s, end_s in sorted(losses):  # what overlaps is hatched once
        if joined and start_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end_s))
        else:
            joined.append((start_s, end_s))
    spans = [(start_s / scale_s, (end_s - start_s) / scale_s) for start_s, end_s in joined]
    axes.broken_barh(
        spans, (0.0, 1.0), transform=axes.get_xaxis_transform(), facecolor="none", edgecolor=ink.GREY, hatch="////",
        linewidth=0.6,
    )  # fmt: skip


def _draw_marks(axes: Axes, happened: Happenings, scale_s: float) -> None:
    """Settings and notes as lines with words, cuts as bars along the foot, restarts as thick lines."""
    along = axes.get_xaxis_transform()
    if happened.cuts:
        axes.hlines(
            [0.012] * len(happened.cuts), [start_s / scale_s for start_s, _ in happened.cuts],
            [end_s / scale_s for _, end_s in happened.cuts], colors=ink.INK, linewidth=4.0, transform=along,
        )  # fmt: skip
    words = [(start_s, _setting_words(setting)) for start_s, _, setting in happened.settings]
    words += [(at_s, harmless(text)) for at_s, text in happened.notes]
    words += [(at_s, harmless(cause)) for at_s, cause in happened.restarts]
    words = [(at_s, text) for at_s, text in words if text]
    axes.vlines(
        [at_s / scale_s for at_s, _ in words], 0.0, 1.0, colors=ink.GREY, linewidth=0.7, linestyles=ink.DASHES[1],
        transform=along,
    )  # fmt: skip
    if len(words) > MOST_WORDS:
        words = [(words[0][0], f"{len(words)} marks: too many")]
    for at_s, text in words:
        axes.text(
            at_s / scale_s, 0.985, f" {ink.fitted(text, width_mm=NOTE_MM, size_pt=6.5)}", transform=along, rotation=90,
            fontsize=6.5, ha="left", va="top", clip_on=True, bbox=PAPER,
        )  # fmt: skip


def _setting_words(setting: Setting) -> str:
    parts = [] if setting.hz is None else [f"{setting.hz:g} Hz"]
    return ", ".join([*parts, *(harmless(name) for name in (setting.gear, setting.belt) if name)])


def _draw_shaft(axes: Axes, trace: SpeedTrace, happened: Happenings, *, scale_s: float) -> None:
    value, u95 = trace.speed_hz * rpm(1.0), trace.u95_hz * rpm(1.0)
    _draw_curve(axes, trace.at_s / scale_s, value, u95)
    # The interval is drawn whole but where a start or a stop makes it wide, which would crush the curve.
    low = min(float(np.nanmin(value)), float(np.nanpercentile(value - u95, 2.0)))
    high = max(float(np.nanmax(value)), float(np.nanpercentile(value + u95, 98.0)))
    room = 0.08 * max(high - low, 0.01 * high)
    axes.set_ylim(max(0.0, low - room), high + room)
    axes.set_ylabel(f"{trace.channel}, rpm")
    _draw_losses(axes, happened.losses.get(trace.channel, ()), scale_s)
