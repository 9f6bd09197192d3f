"""How is told what each cut did, to a person and to a program?"""

from typing import Any

from kerfbeat.diagnose.cuts import Cut, CutReport, Figures, SlipInCut
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.numbers import counted, plus_minus, to_hundredths

__all__ = ["CUT_HEADINGS", "cut_lines", "cut_rows", "cuts_document", "mean_and_maximum", "overall_document"]

CUT_HEADINGS = (
    "cut", "from s", "to s", "drop %", "most", "belt slip %", "blade slip %", "motor slip %", "load", "back after s",
)  # fmt: skip
UNKNOWN = "-"
SLIPPED = {
    "belt slip": "a belt slipped beyond its creep",
    "blade slip": "the blade slipped on its wheel",
    "belt or blade slip": "a belt slipped beyond its creep, or the blade on its wheel",
    "overload": "the motor was overloaded",
    "heavy load": "the motor worked at full load or beyond",
    "stall": "the motor stalled, or was switched off",
}


def _belt(figures: Figures) -> SlipInCut | None:
    """Slip of the pair nearest to the motor with belts between."""
    return next((slip for slip in figures.slips if slip.down != "blade"), None)


def _blade(figures: Figures) -> SlipInCut | None:
    return next((slip for slip in figures.slips if slip.down == "blade"), None)


def mean_and_maximum(mean: Estimate, maximum: Estimate) -> dict[str, Any]:
    """A slip's mean and maximum as they stand in JSON."""
    return {"value": mean.value, "u95": mean.u95, "maximum": maximum.value, "maximum_u95": maximum.u95}


def _slip_document(slip: SlipInCut | None) -> dict[str, Any] | None:
    if slip is None:
        return None
    return {**mean_and_maximum(slip.percent, slip.maximum_percent), "creep": slip.creep_percent}


def _figures_document(figures: Figures) -> dict[str, Any]:
    return {
        "speed_drop_percent": figures.drop_percent,
        "deepest_drop_percent": figures.deepest_percent,
        "belt_slip_percent": _slip_document(_belt(figures)),
        "blade_slip_percent": _slip_document(_blade(figures)),
        "slips": [{"up": each.up, "down": each.down, "percent": _slip_document(each)} for each in figures.slips],
        "motor_slip_percent": figures.motor_slip_percent,
        "load": figures.load,
        "judged_s": figures.judged_s,
    }


def _setting_document(setting: Setting) -> dict[str, Any]:
    return {"belt": setting.belt, "gear": setting.gear, "hz": setting.hz}


def cuts_document(found: CutReport) -> list[dict[str, Any]]:
    """Every cut as it stands in JSON."""
    return [
        {
            "number": cut.number,
            "start_s": cut.start_s,
            "end_s": cut.end_s,
            "settings": [_setting_document(each) for each in cut.settings],
            **_figures_document(cut.figures),
            "recovery": cut.recovery.state,
            "recovery_s": cut.recovery.seconds,
            "recovery_band_percent": cut.recovery.band_percent,
            "watched_after_s": cut.recovery.watched_s,
            "slipped": list(cut.slipped),
            "left_out": list(cut.left_out),
        }
        for cut in found.cuts
    ]


def overall_document(found: CutReport) -> dict[str, Any]:
    """All cuts together, or the whole log if none is marked, as it stands in JSON."""
    return {
        "marked": found.marked,
        "speed_of": found.channel,
        "cutting_s": found.cutting_s,
        "observed_s": found.observed_s,
        **_figures_document(found.overall),
        "notes": list(found.notes),
    }


def _number(estimate: Estimate | None) -> str:
    return UNKNOWN if estimate is None else plus_minus(estimate)


def _hundredths(estimate: Estimate | None) -> str:
    return UNKNOWN if estimate is None else to_hundredths(estimate)


def _cells(figures: Figures) -> list[str]:
    belt, blade = _belt(figures), _blade(figures)
    return [
        _hundredths(figures.drop_percent),
        UNKNOWN if figures.deepest_percent is None else f"{figures.deepest_percent.value:.2f}",
        _hundredths(None if belt is None else belt.percent),
        _hundredths(None if blade is None else blade.percent),
        _number(figures.motor_slip_percent),
        _hundredths(figures.load),
    ]


def _back(cut: Cut) -> str:
    recovery = cut.recovery
    if recovery.seconds is not None:
        return plus_minus(recovery.seconds)
    return f"not in {recovery.watched_s:.1f}" if recovery.state == "not recovered" else "not seen"


def cut_rows(found: CutReport) -> list[list[str]]:
    """One row a cut under CUT_HEADINGS, and one for all where there are several, or for the log if none is marked."""
    rows = [
        [str(cut.number), f"{cut.start_s:.1f}", f"{cut.end_s:.1f}", *_cells(cut.figures), _back(cut)]
        for cut in found.cuts
    ]
    if len(rows) != 1:
        rows.append(
            ["all" if rows else "log", "", f"{found.cutting_s or found.observed_s:.1f} s", *_cells(found.overall), ""]
        )
    return rows


def cut_lines(found: CutReport) -> list[str]:
    """What the table does not hold."""
    lines = []
    if found.marked:
        whose = f"drop: mean speed of the {found.channel} against the idle running before; most: over a second"
        bands = [cut.recovery.band_percent for cut in found.cuts if cut.recovery.band_percent is not None]
        if bands:
            low, high = f"{min(bands):.2f}", f"{max(bands):.2f}"
            whose += (
                f"; back: within ±{low if low == high else f'{low} to {high}'} % of it for good (three standard "
                "deviations of idle running), counted from the mark: a late mark shortens it"
            )
        lines.append(whose)
        lines.append("load: of full load, above idle, by motor slip; belt slip against idle, creep included")
    stayed = [cut for cut in found.cuts if cut.recovery.state == "not recovered"]
    if stayed:
        which = ", ".join(str(cut.number) for cut in stayed)
        lines.append(
            f"not recovered after {counted(len(stayed), 'cut')} ({which}): the speed stayed away from its idle band "
            "until the next cut, change, stop, gap or the end of the log"
        )
    for cut in found.cuts:
        lines += [f"cut {cut.number}: {SLIPPED[kind]}" for kind in cut.slipped]
        lines += [f"cut {cut.number}, left out: {line}" for line in cut.left_out]
    return [*lines, *found.notes]
