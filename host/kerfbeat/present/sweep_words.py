"""How is a drive calibration told, to a person and to a program?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kerfbeat.calibrate.drive import DriveResult, Ratio
from kerfbeat.calibration import setting_name
from kerfbeat.machine import Setting
from kerfbeat.present.calibration_words import chance
from kerfbeat.present.numbers import plus_minus, two_digits

__all__ = [
    "POINT_HEADINGS",
    "RATIO_HEADINGS",
    "drive_document",
    "drive_lines",
    "not_kept_because",
    "point_rows",
    "ratio_rows",
]

RATIO_HEADINGS = ("setting", "shaft", "turns of the motor per turn", "described", "off")
POINT_HEADINGS = ("Hz", "setting", "channel", "rpm", "off the fit, rpm")
OPEN_PROBABILITY = 0.95  # below it, compensation of slip is said to be open


def _shown(setting: Setting) -> str:
    return setting_name(setting) or "as it stands"


def ratio_rows(ratios: Sequence[Ratio]) -> list[list[str]]:
    """One row a setting and shaft, under RATIO_HEADINGS."""
    return [
        [
            _shown(each.setting),
            each.channel,
            plus_minus(each.ratio),
            f"{each.predicted:.6g}",
            plus_minus(each.difference_percent, "%"),
        ]
        for each in ratios
    ]


def point_rows(found: DriveResult) -> list[list[str]]:
    """One row a point and channel, under POINT_HEADINGS."""
    return [
        [
            f"{each.point.setting.hz:g}",
            _shown(Setting(belt=each.point.setting.belt, gear=each.point.setting.gear)),
            each.channel,
            f"{each.rpm:.3f}",
            f"{each.residual_rpm:+.3f}",
        ]
        for each in found.residuals
    ]


def _causes(parts: Mapping[str, float], factor: float, unit: str) -> str:
    worth = [(cause, u * factor) for cause, u in parts.items()]
    largest = max(u for _, u in worth)
    return ", ".join(f"{cause} {two_digits(u)} {unit}" for cause, u in worth if u > 0.05 * largest)


def drive_lines(found: DriveResult) -> list[str]:
    """What a person should know beside the tables."""
    lines = []
    if found.as_described:
        lines.append("The chain is as described, as far as ratios can tell.")
    elif found.named is not None:
        best = found.named
        lines += [
            f"The chain is not as described: {best.said} (probability {chance(best.probability)}). Correct the "
            "machine file or the machine, and calibrate again; nothing of the drive is kept.",
            f"To be sure: {best.breaks}.",
        ]
    else:
        lines.append("The chain is not as described, or cannot be told from a mistake; these explain it equally well:")
        lines += [
            f"  {each.said} (probability {chance(each.probability)}); to tell: {each.breaks or 'nothing more'}"
            for each in found.rivals
        ]
    lines.append(
        f"Motor slip at no load and base frequency: {plus_minus(found.slip_rpm, 'rpm')} "
        f"({_causes(found.slip_contributions_rpm, 1.0, 'rpm')})"
    )
    wheel = next((each for each in found.ratios if each.channel == "wheel"), None)
    if wheel is not None:
        lines.append(f"Standard uncertainties of the ratio: {_causes(wheel.contributions, 100.0, '%')}")
    lines.append(
        "Ratios are effective ones: belt creep at no load is in them, and slip in proportion to speed would be."
    )
    lines.append(_compensation_line(found.compensation))
    return lines


def _compensation_line(probability: float) -> str:
    if probability > OPEN_PROBABILITY:
        return (
            f"The inverter seems to compensate slip (probability {chance(probability)}): under load the speed "
            "will hardly drop, and slip cannot be read from it."
        )
    if probability < 1.0 - OPEN_PROBABILITY:
        return "The inverter does not compensate slip."
    return (
        f"Whether the inverter compensates slip stays open (probability {chance(probability)}); a heavy cut "
        "shows it: with compensation the speed does not drop."
    )


def not_kept_because(found: DriveResult) -> str | None:
    """Why nothing of the drive is kept; None if it is."""
    if found.as_described:
        return None
    if found.named is not None:
        return f"the chain is not as described: {found.named.said} (probability {chance(found.named.probability)})"
    rivals = ", or ".join(f"{each.said} (probability {chance(each.probability)})" for each in found.rivals)
    return f"it cannot be told whether the chain is as described: {rivals}"


def drive_document(found: DriveResult) -> dict[str, Any]:
    """Everything as it stands in JSON; `ratio` is that of the first setting's wheel."""
    wheel = [each for each in found.ratios if each.channel == "wheel"]
    best = found.explanations[0]

    def ratio(each: Ratio) -> dict[str, Any]:
        return {
            "value": each.ratio.value,
            "u95": each.ratio.u95,
            "predicted": each.predicted,
            "predicted_u95": each.predicted * each.predicted_u95,
            "difference_percent": each.difference_percent,
            "contributions_percent": {cause: 100.0 * u for cause, u in each.contributions.items()},
        }

    return {
        "ratio": ratio(wheel[0]) if wheel else None,
        "ratios": [
            {"belt": each.setting.belt, "gear": each.setting.gear, "channel": each.channel} | ratio(each)
            for each in found.ratios
        ],
        "slip_rpm": {
            "value": found.slip_rpm.value,
            "u95": found.slip_rpm.u95,
            "contributions_rpm": dict(found.slip_contributions_rpm),
        },
        "identified": {
            "as_described": found.as_described,
            "kind": None if found.named is None else found.named.kind,
            "said": None if found.named is None else found.named.said,
            "belt": wheel[0].setting.belt if wheel else None,
            "gear": wheel[0].setting.gear if wheel else None,
            "probability": best.probability,
            "slip_compensation_probability": found.compensation,
        },
        "tie": [] if found.named is not None else [each.said for each in found.rivals],
        "alternatives": [
            {"kind": each.kind, "said": each.said, "probability": each.probability, "breaks": each.breaks}
            for each in found.explanations[1:]
        ],
        "residuals": [
            {
                "source": each.point.source,
                "start_s": each.point.start_s,
                "end_s": each.point.end_s,
                "hz": each.point.setting.hz,
                "belt": each.point.setting.belt,
                "gear": each.point.setting.gear,
                "channel": each.channel,
                "rpm": each.rpm,
                "residual_rpm": each.residual_rpm,
            }
            for each in found.residuals
        ],
        "clock_u_ppm": found.u_clock_ppm,
        "exact_slip_law": found.exact_law,
        "warnings": list(found.warnings),
    }
