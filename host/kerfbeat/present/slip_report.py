"""How is slip told, to a person and to a program?"""

from typing import Any

from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.diagnose.slip import Slip
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.cut_report import cuts_document, mean_and_maximum, overall_document
from kerfbeat.present.numbers import plus_minus, to_hundredths

__all__ = [
    "EVENT_HEADINGS",
    "event_lines",
    "event_rows",
    "slip_document",
    "slip_lines",
    "slip_numbers",
    "verdict_lines",
]

EVENT_HEADINGS = ("what", "from s", "to s", "sure at s", "peak %", "load", "confidence")


def _numbers(found: Slip, pair: PairSlip | None) -> tuple[Estimate, Estimate] | None:
    """A pair's mean slip in the cuts, as the table of cuts has it, and its greatest in all running."""
    slip = None if pair is None else found.cuts.slip_between(pair.up, pair.down)
    if pair is None or slip is None or pair.maximum_percent is None:
        return None
    return slip.percent, pair.maximum_percent


def _with_maximum(found: Slip, pair: PairSlip | None) -> dict[str, Any] | None:
    numbers = _numbers(found, pair)
    return None if numbers is None else mean_and_maximum(*numbers)


def _pair_document(found: Slip, pair: PairSlip, belts: tuple[str, ...]) -> dict[str, Any]:
    return {
        "up": pair.up,
        "down": pair.down,
        "belts": list(belts),
        "slip_percent": _with_maximum(found, pair),
        "creep_percent_at_full_load": 100 * pair.creep_per_load,
        "creep_learned_here": pair.learned,
        "idle_ratio": [
            {
                "belt": belt,
                "gear": gear,
                "turns_down_per_up": base.ratio,
                "u": base.u_ratio,
                "idle_s": base.idle_s,
                "calibrated": base.calibrated or None,
            }
            for (belt, gear), base in pair.baselines.items()
        ],
        "usable": pair.usable,
    }


def _cause(found: Slip) -> str:
    """What heads the verdict: never "healthy" where two channels were there to be compared, and none could be."""
    pairs = [pair for pair, _ in found.belts] + ([found.blade] if found.blade is not None else [])
    if found.verdict.cause.startswith("healthy") and pairs and not any(pair.usable for pair in pairs):
        return "unknown"
    return found.verdict.cause


def slip_document(found: Slip) -> dict[str, Any]:
    """Everything as it stands in JSON."""
    motor = found.motor
    return {
        "log": found.source,
        "belt_slip_percent": _with_maximum(found, found.belt),
        "baseline": found.baseline,
        "absolute_idle_slip_percent": [
            {
                "up": each.up,
                "down": each.down,
                "setting": {"belt": each.setting.belt, "gear": each.setting.gear},
                "percent": each.percent,
            }
            for each in found.absolute
        ],
        "blade_slip_percent": _with_maximum(found, found.blade),
        "motor_slip_percent": found.cuts.overall.motor_slip_percent,
        "motor_slip_idle_percent": None if motor is None else motor.idle_percent,
        "load_in_cuts": found.cuts.overall.load if found.cuts.marked else None,
        "pairs": [_pair_document(found, pair, belts) for pair, belts in found.belts]
        + ([_pair_document(found, found.blade, ())] if found.blade is not None else []),
        "events": [
            {
                "start_s": each.start_s,
                "end_s": each.end_s,
                "alarm_s": each.alarm_s,
                "kind": each.kind,
                "peak_percent": each.peak_percent,
                "peak_u95": each.u95_percent,
                "cause": each.cause,
                "confidence": each.confidence,
                "load": each.load,
            }
            for each in found.events
        ],
        "cuts": cuts_document(found.cuts),
        "cuts_overall": overall_document(found.cuts),
        "verdict": f"{_cause(found)}: {found.verdict.words}",
        "cause": _cause(found),
        "evidence": list(found.verdict.evidence),
        "would_decide": list(found.verdict.would_decide),
        "not_watched": list(found.verdict.unwatched),
        "left_out": list(found.left_out),
        "warnings": list(found.warnings),
    }


def event_rows(found: Slip) -> list[list[str]]:
    """One row an event, under EVENT_HEADINGS."""
    rows = []
    for each in found.events:
        of_motor = each.load is not None and each.confidence is None  # known to some percent only
        peak = f"{each.peak_percent:.0f}" if of_motor else f"{each.peak_percent:.2f}"
        if each.u95_percent is not None:
            peak = to_hundredths(Estimate(value=each.peak_percent, u95=each.u95_percent))
        rows.append(
            [
                each.cause,
                f"{each.start_s:.1f}",
                f"{each.end_s:.1f}",
                f"{each.alarm_s:.1f}",
                peak,
                "-" if each.load is None else f"{each.load:.2f}",
                "-" if each.confidence is None else f"{each.confidence:.3f}",
            ]
        )
    return rows


def event_lines() -> list[str]:
    """What the columns of the table of events mean."""
    return [
        "peak: the greatest mean over a second, or over the whole of what is shorter (above, a whole second counts): "
        "of slip against idle, of a fall of speed, or of the motor's load",
        "load: above idle, 1 being full load; confidence: the chance that it is no accident of the noise; a shaft "
        "that gives few pulses shows begin and end only as near as those",
    ]


def verdict_lines(found: Slip) -> list[str]:
    """The verdict with its evidence."""
    cause, words = _cause(found), found.verdict.words
    lines = [words if words.casefold().startswith(cause.casefold()) else f"{cause}: {words}"]
    lines += [f"  because {line}" for line in found.verdict.evidence]
    if found.verdict.unwatched and "Not watched" not in found.verdict.words:
        lines.append(f"  not watched: {', '.join(found.verdict.unwatched)}")
    lines += [f"  to decide more: {line}" for line in found.verdict.would_decide]
    return lines


def slip_lines(found: Slip) -> list[str]:
    """The numbers in words, and what was left out."""
    return [*slip_numbers(found), *(f"left out: {line}" for line in found.left_out)]


def slip_numbers(found: Slip) -> list[str]:
    """The numbers in words."""
    where = "in the cuts" if found.cuts.marked else "in all running"
    lines = []
    for pair, belts in found.belts:
        if (numbers := _numbers(found, pair)) is not None:
            mean, most = (to_hundredths(each, "%") for each in numbers)
            lines.append(
                f"{' and '.join(belts)} ({pair.up} to {pair.down}): slip against idle {mean} {where}, at most {most}"
            )
    if (numbers := _numbers(found, found.blade)) is not None:
        mean, most = (to_hundredths(each, "%") for each in numbers)
        lines.append(f"blade on its wheel: slip against idle {mean} {where}, at most {most}")
    lines.append(f"baseline: {found.baseline}")
    lines += [
        f"by the pitch diameters, {each.up} to {each.down} slips {plus_minus(each.percent, '%')} when idle "
        f"({setting_words(each.setting)}); that holds only as well as the diameters are known"
        for each in found.absolute
    ]
    overall = found.cuts.overall
    if overall.motor_slip_percent is not None:
        lines.append(f"motor slip {plus_minus(overall.motor_slip_percent, '%')} of synchronous speed {where}")
    if found.cuts.marked and overall.load is not None:
        lines.append(f"load in the cuts {to_hundredths(overall.load)} of full load above idle, by motor slip")
    return lines
