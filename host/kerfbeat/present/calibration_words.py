"""How is a calibration told, to a person and to a program?"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from kerfbeat.calibrate.clock import ClockResult
from kerfbeat.calibrate.learn import TargetsResult
from kerfbeat.calibrate.wheel import WheelResult
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.numbers import plus_minus, two_digits, written

__all__ = [
    "TARGET_HEADINGS",
    "chance",
    "clock_document",
    "clock_lines",
    "target_rows",
    "targets_document",
    "targets_lines",
    "wheel_document",
    "wheel_lines",
]

TARGET_HEADINGS = ("target", "to the next, degrees", "off even")
GOOD_TURNS = 100  # from which on the angles are known to some hundredths of a degree (test_target_spacing)


def _percent(value: float) -> str:
    return f"{100.0 * value:.4g} %"


def target_rows(found: TargetsResult) -> list[list[str]]:
    """One row a target, under TARGET_HEADINGS."""
    even = 360.0 / found.spacing.targets
    percent = 100.0 / even
    pairs = zip(found.spacing.spacing_turns.tolist(), found.spacing.u95_turns.tolist(), strict=True)
    return [
        [
            str(number),
            plus_minus(Estimate(value=360.0 * value, u95=360.0 * u95)),
            f"{plus_minus(Estimate(value=percent * (360.0 * value - even), u95=percent * 360.0 * u95))} %",
        ]
        for number, (value, u95) in enumerate(pairs, start=1)
    ]


def targets_lines(found: TargetsResult) -> list[str]:
    """What a person should know beside the table."""
    spacing = found.spacing
    lines = [
        f"{found.channel}: {spacing.targets} targets, from {spacing.turns:.0f} turns in {found.runs} "
        f"{'run' if found.runs == 1 else 'runs'}; timing noise {two_digits(1e6 * spacing.timing_sd_s)} µs"
    ]
    if spacing.turns < GOOD_TURNS:
        lines.append(f"{GOOD_TURNS} turns or more would tell the angles better.")
    if found.change is not None:
        lines.append(_change_line(found))
    if found.split is None:
        lines.append(
            "A wobble of the speed locked to this shaft's own turns looks exactly like spacing; a second channel tells "
            "them apart (--against motor)."
        )
    elif found.split.wobbles:
        wobbles = zip(np.abs(found.split.wobble_turns).tolist(), found.split.u_turns.tolist(), strict=True)
        most, u = (360.0 * each for each in max(wobbles))
        wobble = plus_minus(Estimate(value=most, u95=coverage_factor(math.inf) * u), "degrees")
        lines.append(
            f"The shaft wobbles with its own turns, by up to {wobble} between targets; against the channel "
            f"{found.split_channel} it was taken out."
        )
    else:
        lines.append(
            f"Against the channel {found.split_channel} no wobble is seen; one that arises between the two shafts "
            "would still look like spacing."
        )
    return lines


def _change_line(found: TargetsResult) -> str:
    change = found.change
    assert change is not None
    sure = f"(probability {chance(change.probability)})"
    number = None if change.target is None else change.target + 1
    degrees, _ = written(360.0 * change.at_turns, 360.0 * float(found.spacing.u95_turns.max()))
    match change.kind:
        case "same":
            return _same_line(found)
        case "fallen":
            return f"Stored target {number} is gone {sure}; fasten it again, in its place, and calibrate anew."
        case "spurious":
            return (
                f"One edge is too many, {degrees} degrees after stored target {number} "
                f"{sure}; look for a bolt head or a burr there, or move the sensor back."
            )
        case "moved":
            return f"Stored target {number} has moved by {degrees} degrees {sure}."
        case _:
            return f"The pattern is not the stored one {sure}: another wheel, or targets placed anew."


def _same_line(found: TargetsResult) -> str:
    match = found.match
    assert match is not None
    if match.sure:
        return f"The pattern is the stored one; the turns are matched (probability {chance(match.probability)})."
    rivals = ", ".join(str(each + 1) for each in (match.first, *match.rivals))
    return (
        f"The pattern is the stored one, but so near to symmetrical that the turn cannot be matched: it may begin at "
        f"target {rivals}. A wrong guess would cost at most {_percent(match.doubt)} of a spacing."
    )


def chance(value: float) -> str:
    """A probability as text that never claims certainty."""
    return f"{value:.3f}" if value < 0.9995 else "over 0.999"


def targets_document(found: TargetsResult) -> dict[str, Any]:
    """Everything as it stands in JSON."""
    spacing, change, match = found.spacing, found.change, found.match
    return {
        "channel": found.channel,
        "spacing_deg": (360.0 * spacing.spacing_turns).tolist(),
        "u95_deg": (360.0 * spacing.u95_turns).tolist(),
        "described": found.described,
        "per_turn": found.per_turn,
        "turns": spacing.turns,
        "runs": found.runs,
        "runs_left_out": found.left_out,
        "missing": found.missing,
        "extra": found.extra,
        "timing_sd_s": spacing.timing_sd_s,
        "wander_percent": 100.0 * spacing.wander,
        "wander_correlation_s": spacing.wander_s,
        "match": None
        if match is None
        else {
            "first": match.first,
            "probability": match.probability,
            "sure": match.sure,
            "rivals": list(match.rivals),
            "doubt_percent": 100.0 * match.doubt,
        },
        "change": None
        if change is None
        else {
            "kind": change.kind,
            "target": change.target,
            "at_deg": 360.0 * change.at_turns,
            "probability": change.probability,
        },
        "counts": [{"targets": each.targets, "probability": each.probability} for each in found.counts],
        "wobble": None
        if found.split is None
        else {
            "against": found.split_channel,
            "found": found.split.wobbles,
            "deg": (360.0 * found.split.wobble_turns).tolist(),
            "u_deg": (360.0 * found.split.u_turns).tolist(),
        },
        "warnings": list(found.warnings),
    }


def clock_lines(board: str, found: ClockResult) -> list[str]:
    """What was found of one board's clock."""
    kind = "a ceramic resonator" if found.is_resonator else "a crystal, or a good resonator"
    lines = [
        f"board {board}: {plus_minus(found.ppm, 'ppm')} off (plus: fast, minus: slow), from {found.exchanges} "
        f"exchanges in {found.minutes:.1f} minutes",
        f"  against this computer's clock alone {plus_minus(found.against_host, 'ppm')}; this computer's own clock is "
        "taken as a crystal of ±50 ppm",
        f"  {kind}: "
        + (
            "its rate moves with temperature; compare again when it is warm, and in another season"
            if found.is_resonator
            else "its rate hardly moves"
        ),
    ]
    if abs(found.drift_ppm.value) > max(found.drift_ppm.u95, 1.0):
        lines.append(
            f"  its rate changed by {plus_minus(found.drift_ppm, 'ppm')} from one half to the other: warming up"
        )
    if found.late:
        lines.append(f"  {found.late} exchanges were late (a busy computer) and hardly count")
    for step in found.steps:
        by_s = abs(step.ahead_s)
        far = f"{by_s:.1f} s" if by_s >= 1.0 else f"{1e3 * by_s:.3g} ms"
        lines.append(
            f"  a clock jumped by {far} after {step.at_s:.0f} s (the computer's was set, or it slept); the rate is "
            "found around it"
        )
    return lines


def clock_document(board: str, found: ClockResult) -> dict[str, Any]:
    """Everything of one board as it stands in JSON."""
    return {
        "board": board,
        "ppm": found.ppm,
        "against_host_ppm": found.against_host,
        "minutes": found.minutes,
        "exchanges": found.exchanges,
        "late": found.late,
        "shortest_trip_s": found.shortest_trip_s,
        "steps": [{"at_s": step.at_s, "ahead_s": step.ahead_s} for step in found.steps],
        "drift_ppm": found.drift_ppm,
        "resonator": found.is_resonator,
        "growth": [{"minutes": minutes, "u95_ppm": u95} for minutes, u95 in found.growth],
    }


def wheel_lines(found: WheelResult, slip: Estimate | None) -> list[str]:
    """What was found of the wheel."""
    millimetres, inches = found.diameter_m.times(1e3), found.diameter_m.times(1.0 / 0.0254)
    parts = ", ".join(f"{cause} {two_digits(1e3 * u)} mm" for cause, u in found.contributions_m.items())
    away = plus_minus(found.difference_percent, "%")
    lines = [
        f"wheel: effective diameter {plus_minus(millimetres, 'mm')} ({plus_minus(inches, 'in')}), from {found.method}",
        f"  described {1e3 * found.described_m:.6g} mm: {away} off; {found.remark}",
        f"  standard uncertainties: {parts}",
        "  Blade slip at that load is in it: the blade's speed then is right, the wheel itself may be larger.",
    ]
    if slip is not None:
        lines.append(f"  in the marked cuts the blade slips {plus_minus(slip, '%')} more than at idle")
    return lines


def wheel_document(found: WheelResult, slip: Estimate | None) -> dict[str, Any]:
    """Everything as it stands in JSON."""
    return {
        "diameter_mm": found.diameter_m.times(1e3),
        "described_mm": 1e3 * found.described_m,
        "difference_percent": found.difference_percent,
        "method": found.method,
        "remark": found.remark,
        "contributions_mm": {cause: 1e3 * u for cause, u in found.contributions_m.items()},
        "blade_slip_in_cut_percent": slip,
    }
