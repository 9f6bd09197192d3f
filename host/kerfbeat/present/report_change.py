"""What has changed between the runs of a report?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from kerfbeat.diagnose.changes import Changes
from kerfbeat.diagnose.compare import SPEED_OF, Comparison, Row
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.diagnose.wear import Wear
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.compare_report import COMPARED, ROW_HEADINGS, ROW_MM, comparison_rows, draw_comparisons
from kerfbeat.present.drift_plot import draw_wear
from kerfbeat.present.drift_report import wear_lines
from kerfbeat.present.numbers import plus_minus
from kerfbeat.present.report_content import Block, Grid, Plot, Points, Section, Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["change_sections"]

NAME_MM = 70.0
WEAR_MM = 55.0


def change_sections(changes: Changes) -> tuple[Section, ...]:
    """Every run against the first, and from date to date where a setting was run more than twice."""
    blocks: list[Block] = []
    if changes.comparisons:
        blocks += _compared(changes.comparisons)
    blocks += [Words(text=f"Not compared: {reason}.") for reason in changes.not_done]
    sections = [Section(title="What has changed", blocks=tuple(blocks))]
    if changes.wears:
        sections.append(Section(title="From date to date", blocks=_dated(changes.wears)))
    return tuple(sections)


def _compared(found: Sequence[Comparison]) -> Iterator[Block]:
    sure = [_sentence(each, row, many=len(found) > 1) for each in found for row in each.rows if row.significant]
    if sure:
        for line in sure:
            yield Words(text=line, weight="verdict")
    else:
        yield Words(
            text="In steady idle running at the same settings nothing has surely changed. Cuts are not compared here: "
            "each run's verdict tells them.", weight="verdict",
        )  # fmt: skip
    yield Grid(headings=ROW_HEADINGS, rows=tuple(map(tuple, comparison_rows(found))), left=3)
    rows = sum(len(each.rows) for each in found)
    yield Plot(
        heights_mm=(ROW_MM * rows,), draw=partial(_draw, found=found), name="Differences with their intervals",
        caption=COMPARED, left_mm=NAME_MM + 5.0,
    )  # fmt: skip
    left_out = tuple(dict.fromkeys(line for each in found for line in each.left_out))
    if left_out:
        yield Points(lead="Left out of the comparison", lines=left_out)


def _draw(panels: Sequence[Axes], found: Sequence[Comparison]) -> None:
    draw_comparisons(panels[0], found, name_mm=NAME_MM)


def _sentence(comparison: Comparison, row: Row, *, many: bool) -> str:
    """One sure difference in words."""
    difference = row.difference_percent
    way = "more" if difference.value > 0 else "less"
    change = plus_minus(Estimate(value=abs(difference.value), u95=difference.u95), "%")
    where = f" in {comparison.second}" if many else ""
    return (
        f"At {setting_words(row.setting)}, {row.quantity}: {change} {way}{where} than before "
        f"({_shown(row, row.first)}, then {_shown(row, row.second)})."
    )


def _shown(row: Row, value: Estimate) -> str:
    return plus_minus(value.times(60.0), "rpm") if row.quantity.startswith(SPEED_OF) else plus_minus(value)


def _dated(wears: Sequence[Wear]) -> tuple[Block, ...]:
    return (
        Points(lead="", lines=tuple(line.strip() for line in wear_lines(wears))),
        Plot(
            heights_mm=(WEAR_MM,), draw=lambda panels: draw_wear(panels[0], wears), name="Change from date to date",
            caption="Each run against the first of its setting, with its 95 % interval.",
        ),
    )  # fmt: skip
