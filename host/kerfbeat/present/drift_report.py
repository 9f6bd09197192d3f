"""How is a drift told, to a person and to a program?"""

from collections.abc import Sequence
from typing import Any

from kerfbeat.diagnose.allan import Stability
from kerfbeat.diagnose.drift import SETTLED_PERCENT, Drift
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.diagnose.wear import Wear
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.numbers import plus_minus, two_digits

__all__ = [
    "RUN_HEADINGS",
    "SHAPES",
    "drift_document",
    "drift_facts",
    "drift_heading",
    "drift_lines",
    "drifts_document",
    "run_rows",
    "setting_document",
    "wear_document",
    "wear_lines",
]

SHAPES = {
    "steady": "steady: no change is seen beyond the scatter",
    "trend": "a trend: the speed changes and no end of it is seen",
    "warm-up": "a warm-up: the speed approaches a final value",
}
RUN_HEADINGS = ("log", "began", "setting", "change %", "time constant s", "settled after s")


def setting_document(drift_setting: Any) -> dict[str, Any]:
    """A setting as it stands in JSON."""
    return {"belt": drift_setting.belt, "gear": drift_setting.gear, "hz": drift_setting.hz}


def drift_document(drift: Drift) -> dict[str, Any]:
    """Everything of one log as it stands in JSON."""
    stability = drift.stability
    return {
        "log": drift.source,
        "channel": drift.channel,
        "setting": setting_document(drift.setting),
        "shape": drift.shape,
        "total_percent": drift.total_percent,
        "time_constant_s": drift.time_constant_s,
        "settled_after_s": None if drift.settled_after_s is None else drift.settled_after_s.value,
        "settled_after_u95_s": None if drift.settled_after_s is None else drift.settled_after_s.u95,
        "settled_within_percent": SETTLED_PERCENT,
        "trend_percent_per_hour": drift.trend_percent_per_hour,
        "by_channel_percent": drift.by_channel_percent,
        "allan": None
        if stability is None
        else {
            "tau_s": stability.tau_s,
            "deviation_percent": 100 * stability.deviation,
            "low_percent": 100 * stability.low,
            "high_percent": 100 * stability.high,
        },
        "left_out": list(drift.left_out),
        "warnings": list(drift.warnings),
    }


def wear_document(wear: Wear) -> dict[str, Any]:
    """The runs at one setting, from date to date."""
    return {
        "setting": setting_document(wear.setting),
        "quantity": wear.quantity,
        "runs": [
            {"log": source, "began_utc": date.isoformat(), "change_percent": change}
            for source, date, change in zip(wear.sources, wear.dates, wear.change_percent, strict=True)
        ],
        "percent_per_year": wear.per_year_percent,
        "significant": wear.significant,
        "scatter": wear.scatter,
    }


def drifts_document(drifts: Sequence[Drift], wears: Sequence[Wear], unread: Sequence[str]) -> dict[str, Any]:
    """One log: its drift.  Several: the drift of the first, of each, and between them."""
    document = drift_document(drifts[0])
    if len(drifts) > 1 or unread:
        document |= {
            "runs": [drift_document(drift) for drift in drifts],
            "between_runs": [wear_document(wear) for wear in wears],
            "not_used": list(unread),
        }
    return document


def drift_heading(drift: Drift) -> str:
    """Channel, setting and shape in words."""
    return f"{drift.channel} at {setting_words(drift.setting)}, {SHAPES[drift.shape]}"


def drift_facts(drift: Drift) -> list[tuple[str, str]]:
    """The numbers of one log: what, and how much."""
    facts = [("change", plus_minus(drift.total_percent, "%"))]
    if drift.time_constant_s is not None:
        facts.append(("time constant", plus_minus(drift.time_constant_s, "s")))
    settled = drift.settled_after_s
    if settled is None:
        said = "not within this log"
    else:
        said = f"after {plus_minus(settled, 's')}" if settled.value else "from the start"
    facts.append(("settled", f"{said} (less than {SETTLED_PERCENT:g} % left to go)"))
    if drift.trend_percent_per_hour is not None:
        beside = " beside the warm-up, once settled" if drift.shape == "warm-up" else ""
        facts.append(("trend", f"{plus_minus(drift.trend_percent_per_hour, '% an hour')}{beside}"))
    others = [f"{name} {plus_minus(v, '%')}" for name, v in drift.by_channel_percent.items() if name != drift.channel]
    if others:
        facts.append(("others", ", ".join(others)))
    if drift.stability is not None:
        facts.append(("averaging", _averaging(drift.stability)))
    return facts


def _averaging(found: Stability) -> str:
    """How well a mean over some time repeats, and over which it repeats best."""
    told = [f"over {found.tau_s[k]:.3g} s by {two_digits(100 * found.deviation[k])} %" for k in (0, found.best)]
    least = f"least {told[1]}" if found.best else "longer means by no less"
    return f"a mean differs from the next {told[0]}, {least} (Allan deviation)"


def drift_lines(drift: Drift) -> list[str]:
    """One log in words."""
    facts = drift_facts(drift)
    if drift.left_out:
        facts.append(("left out", "; ".join(drift.left_out)))
    return [f"{drift.source}: {drift_heading(drift)}", *(f"  {what:<16} {said}" for what, said in facts)]


def run_rows(drifts: Sequence[Drift], dates: Sequence[str]) -> list[list[str]]:
    """One row a log, under RUN_HEADINGS."""
    return [
        [
            drift.source,
            date,
            setting_words(drift.setting),
            plus_minus(drift.total_percent),
            "-" if drift.time_constant_s is None else plus_minus(drift.time_constant_s),
            _settled_cell(drift.settled_after_s),
        ]
        for drift, date in zip(drifts, dates, strict=True)
    ]


def _settled_cell(settled_s: Estimate | None) -> str:
    if settled_s is None:
        return "-"
    return plus_minus(settled_s) if settled_s.value else "0"


def wear_lines(wears: Sequence[Wear]) -> list[str]:
    """Every setting that more than one run holds."""
    if not wears:
        return ["no two runs of one setting with different dates: nothing to compare between them"]
    lines = []
    for wear in wears:
        verdict = "changes surely" if wear.significant else "no change beyond its uncertainty"
        lines.append(
            f"{setting_words(wear.setting)}: {wear.quantity}: last against first "
            f"{plus_minus(wear.change_percent[-1], '%')}, {plus_minus(wear.per_year_percent, '% a year')}, {verdict}"
        )
        if wear.scatter > 2.0:
            lines.append(
                f"  the runs scatter {wear.scatter:.1f} times wider than each one's own uncertainty: something besides "
                "wear differs between them (temperature, tension, load)"
            )
    return lines
