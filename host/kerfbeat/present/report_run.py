"""How did one run go: speed, marks, slip, drift, orders, for a report?"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from kerfbeat.diagnose.findings import Findings
from kerfbeat.diagnose.orders import Orders
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.machine import Setting
from kerfbeat.present.cut_report import CUT_HEADINGS, cut_lines, cut_rows
from kerfbeat.present.drift_plot import draw_drift, draw_stability
from kerfbeat.present.drift_report import drift_facts, drift_heading
from kerfbeat.present.happenings import Happenings, happenings_of
from kerfbeat.present.numbers import speed_in
from kerfbeat.present.orders_plot import draw_orders, orders_caption, orders_notes
from kerfbeat.present.orders_report import ORDER_HEADINGS, order_rows, orders_lines
from kerfbeat.present.report_content import Block, Facts, Grid, Plot, Points, Section, Words
from kerfbeat.present.report_verdict import band_words, idle_against_band
from kerfbeat.present.slip_plot import draw_slip, slip_panels
from kerfbeat.present.slip_report import EVENT_HEADINGS, event_rows, slip_numbers
from kerfbeat.present.speed_plot import CAPTION, draw_speed, traces_of
from kerfbeat.present.speed_report import CHANNEL_HEADINGS, channel_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["run_sections", "settings_of"]

MOST_ROWS = 40  # of marks and events on paper; the log and --json have all
BLADE_MM, SHAFT_MM, SLIP_MM, DRIFT_MM, ORDERS_MM = 62.0, 24.0, 33.0, 42.0, 72.0
SPEED_SIDE_MM = 17.0  # for the second scale
SLIP_CAPTION = "Grey: marked cuts, numbered.  Hatched: an event, its line where it became sure."
CREEP_CAPTION = "  Dashed: the creep that this load explains.  Load: dotted line at full load."
DRIFT_CAPTION = "Dots: averages over whole turns.  Line: the model."
ALLAN_CAPTION = "By how much two averages that follow one another differ, over the averaging time; shaded: 95 %."


def run_sections(found: Findings, *, unit: str) -> tuple[Section, ...]:
    """Every analysis of one log; one that could not be done says why."""
    return (
        _speed(found, unit),
        _marks(found),
        _cuts(found),
        _slip(found),
        _drift(found),
        _orders(found),
    )


def _not_done(found: Findings, name: str) -> tuple[Block, ...]:
    return (Words(text=f"Not done: {found.not_done[name]}."),)


def settings_of(happened: Happenings) -> list[Setting]:
    """The settings in force along a log, each once."""
    return list(dict.fromkeys(setting for _, _, setting in happened.settings))


def _speed(found: Findings, unit: str) -> Section:
    if found.speed is None:
        return Section(title="Speed", blocks=_not_done(found, "speed"))
    result, log = found.speed, found.log
    traces = traces_of(log, result)
    shafts = len([channel for channel in traces if channel != result.blade_channel])

    def draw(panels: Sequence[Axes]) -> None:
        draw_speed(panels, log, result, traces, unit=unit)

    rows = []
    for setting in settings_of(happenings_of(log)):
        idle = found.idle_m_per_s.get(setting)
        rows.append(
            (
                setting_words(setting),
                "not steady long enough" if idle is None else speed_in(idle, unit),
                band_words(found, setting, unit=unit) or "-",
                "-" if idle is None else idle_against_band(found, setting, unit=unit)[0],
            )
        )
    return Section(
        title="Speed",
        blocks=(
            Plot(
                heights_mm=(BLADE_MM, *[SHAFT_MM] * shafts), draw=draw, name="Blade speed and shaft speeds over time",
                caption=CAPTION, right_mm=SPEED_SIDE_MM,
            ),
            Grid(headings=("setting", "idle speed", "predicted band", "idle lies"), rows=tuple(rows)),
            Grid(headings=CHANNEL_HEADINGS, rows=tuple(map(tuple, channel_rows(result)))),
        ),
    )  # fmt: skip


def _marks(found: Findings) -> Section:
    """What the operator marked, and what went wrong, in order of time."""
    happened = happenings_of(found.log)
    rows: list[tuple[float, float | None, str]] = [
        (start_s, end_s, f"setting: {setting_words(setting)}") for start_s, end_s, setting in happened.settings
    ]
    rows += [(start_s, end_s, f"cut {number}") for number, (start_s, end_s) in enumerate(happened.cuts, 1)]
    rows += [(at_s, None, f"note: {text}") for at_s, text in happened.notes]
    rows += [(at_s, None, f"the board restarted: {cause}") for at_s, cause in happened.restarts]
    rows += [
        (start_s, end_s, f"pulses of {channel} lost")
        for channel, losses in happened.losses.items()
        for start_s, end_s in losses
    ]
    rows.sort(key=lambda row: row[0])
    shown = tuple(
        (what, f"{start_s:.2f}", "" if end_s is None else f"{end_s:.2f}") for start_s, end_s, what in rows[:MOST_ROWS]
    )
    blocks: list[Block] = [Grid(headings=("what", "from s", "to s"), rows=shown)]
    if len(rows) > MOST_ROWS:
        blocks.append(Words(text=f"... and {len(rows) - MOST_ROWS} more, in the log."))
    return Section(title="Marks and events", blocks=tuple(blocks))


def _cuts(found: Findings) -> Section:
    """What each cut did; where there are too many for paper, the first and the sum of all."""
    if found.slip is None:
        return Section(title="Cuts", blocks=_not_done(found, "slip"))
    rows = cut_rows(found.slip.cuts)
    if len(rows) > MOST_ROWS:
        more = ["...", "", f"{len(rows) - MOST_ROWS} more", *[""] * (len(CUT_HEADINGS) - 3)]
        rows = [*rows[: MOST_ROWS - 1], more, rows[-1]]
    blocks: list[Block] = [Grid(headings=CUT_HEADINGS, rows=tuple(map(tuple, rows)))]
    lines = cut_lines(found.slip.cuts)
    if lines:
        blocks.append(Points(lead="", lines=tuple(lines)))
    return Section(title="Cuts", blocks=tuple(blocks))


def _slip(found: Findings) -> Section:
    slip = found.slip
    if slip is None:
        return Section(title="Slip", blocks=_not_done(found, "slip"))
    blocks: list[Block] = [Points(lead="", lines=tuple(slip_numbers(slip)))]
    if slip.events:
        rows = tuple(map(tuple, event_rows(slip)[:MOST_ROWS]))
        blocks.append(Grid(headings=EVENT_HEADINGS, rows=rows))
        if len(slip.events) > MOST_ROWS:
            blocks.append(Words(text=f"... and {len(slip.events) - MOST_ROWS} more events; slip --json has them all."))
    panels = len(slip_panels(slip)) + (slip.motor is not None)
    if panels:
        blocks.append(
            Plot(
                heights_mm=(SLIP_MM,) * panels, draw=partial(draw_slip, found=slip), name="Slip and load over time",
                caption=SLIP_CAPTION + (CREEP_CAPTION if slip.motor is not None else ""), least=0.62,
            )
        )  # fmt: skip
    return Section(title="Slip", blocks=tuple(blocks))


def _drift(found: Findings) -> Section:
    drift = found.drift
    if drift is None:
        return Section(title="Drift", blocks=_not_done(found, "drift"))

    blocks: list[Block] = [
        Words(text=f"The {drift_heading(drift)}."),
        Facts(rows=tuple(drift_facts(drift))),
        Plot(
            heights_mm=(DRIFT_MM,), draw=lambda panels: draw_drift(panels[0], drift), name="Slow change of speed",
            caption=DRIFT_CAPTION,
        ),
    ]  # fmt: skip
    if drift.stability is not None:
        blocks.append(
            Plot(
                heights_mm=(DRIFT_MM,), draw=lambda panels: draw_stability(panels[0], drift),
                name="Scatter of averages (Allan deviation)",
                caption=ALLAN_CAPTION,
            )
        )  # fmt: skip
    return Section(title="Drift", blocks=tuple(blocks))


def _orders(found: Findings) -> Section:
    """One spectrum a channel; those without a peak in words alone."""
    blocks: list[Block] = []
    for channel, orders in found.orders.items():
        blocks += _spectrum(channel, orders)
    blocks += [
        Words(text=f"Not done on {name.removeprefix('orders of ')}: {reason}.")
        for name, reason in found.not_done.items()
        if name.startswith("orders of ")
    ]
    return Section(title="Orders: what shakes the speed", blocks=tuple(blocks))


def _spectrum(channel: str, orders: Orders) -> list[Block]:
    heading, *lines = orders_lines(orders)
    blocks: list[Block] = [Words(text=heading.removeprefix(f"{orders.source}: "), weight="strong")]
    if orders.peaks:
        blocks.append(Grid(headings=ORDER_HEADINGS, rows=tuple(map(tuple, order_rows(orders)))))
        blocks.append(
            Plot(
                heights_mm=(ORDERS_MM,), draw=lambda panels: draw_orders(panels[0], orders),
                name=f"Order spectrum of the {channel}", least=1.0,
                caption=f"{orders_caption(orders)} {orders_notes(orders)}",
            )
        )  # fmt: skip
    if lines:
        blocks.append(Points(lead="", lines=tuple(lines)))
    return blocks
