"""How are settings for a wanted speed, and speeds for a material, written?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kerfbeat.drive.choose import Choice
from kerfbeat.drive.material import CAUTION, Material, SpeedRange
from kerfbeat.machine import Machine
from kerfbeat.present.numbers import SPEED_UNITS, other_unit
from kerfbeat.present.predicted import prediction_row, speed_text
from kerfbeat.units import ft_per_min, m_per_min, rpm

__all__ = ["choice_document", "choice_rows", "material_document", "material_rows", "range_words"]


def range_words(wanted: SpeedRange, unit: str) -> str:
    """Say a speed or a range of speeds in both units, the chosen one first."""
    first, second = (_range(wanted, name) for name in (unit, other_unit(unit)))
    return f"{first} ({second})"


def _range(wanted: SpeedRange, unit: str) -> str:
    low, high = (SPEED_UNITS[unit](speed) for speed in (wanted.low_m_per_s, wanted.high_m_per_s))
    if high - low < 0.002 * high:
        return f"{speed_text(low)} {unit}"
    return f"{speed_text(low)} to {speed_text(high)} {unit}"


def choice_rows(choices: Sequence[Choice], *, unit: str, belts: bool, gears: bool) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of the table of settings, best first."""
    best = max(choice.hours_pull for choice in choices)
    headings = ["", *["belt"] * belts, *["gear"] * gears, "Hz", "gives it at", f"blade {unit}", other_unit(unit)]
    headings += ["motor rpm", "torque", "pull for hours", ""]
    cells = []
    for place, choice in enumerate(choices, start=1):
        row = choice.prediction
        speed = (row.blade_m_per_s.no_load + row.blade_m_per_s.full_load) / 2.0
        line = [f"{place}", *[row.setting.belt or "-"] * belts, *[row.setting.gear or "-"] * gears]
        line += [f"{row.setting.hz:g}", _hz_span(choice)]
        line += [speed_text(SPEED_UNITS[name](speed)) for name in (unit, other_unit(unit))]
        line += [f"{rpm(row.motor_hz.full_load):.0f}–{rpm(row.motor_hz.no_load):.0f}", f"{row.torque_ratio:.2f}"]
        line += [f"{100 * choice.hours_pull / best:.0f} %", "see below" if row.cautions else ""]
        cells.append(line)
    return headings, cells


def _hz_span(choice: Choice) -> str:
    low, high = f"{choice.from_hz:.1f}", f"{choice.to_hz:.1f}"
    return f"{low} Hz" if low == high else f"{low}–{high} Hz"


def choice_document(
    machine: Machine, wanted: SpeedRange, choices: Sequence[Choice], material: Material | None
) -> dict[str, Any]:
    """Settings for a wanted speed as one JSON document."""
    best = max(choice.hours_pull for choice in choices)
    return {
        "machine": machine.name,
        "from": "prediction",
        "material": None if material is None else material.name,
        "source": None if material is None else material.source,
        "wanted_m_per_min": {"low": m_per_min(wanted.low_m_per_s), "high": m_per_min(wanted.high_m_per_s)},
        "wanted_ft_per_min": {"low": ft_per_min(wanted.low_m_per_s), "high": ft_per_min(wanted.high_m_per_s)},
        "rows": [
            {
                **prediction_row(choice.prediction),
                "from_hz": choice.from_hz,
                "to_hz": choice.to_hz,
                "pull_for_hours_ratio": choice.hours_pull / best,
            }
            for choice in choices
        ],
    }


def material_rows(found: Sequence[tuple[Material, SpeedRange]], *, unit: str) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of the table of materials."""
    headings = ["material", "group", unit, other_unit(unit), "source"]
    cells = [
        [
            material.name,
            "" if material.group == material.name else material.group,
            *(_bare(speeds, name) for name in (unit, other_unit(unit))),
            material.source,
        ]
        for material, speeds in found
    ]
    if not any(cell[1] for cell in cells):  # groups alone
        return [headings[0], *headings[2:]], [[cell[0], *cell[2:]] for cell in cells]
    return headings, cells


def _bare(speeds: SpeedRange, unit: str) -> str:
    return _range(speeds, unit).removesuffix(f" {unit}").replace(" to ", "–")


def material_document(found: Sequence[tuple[Material, SpeedRange]]) -> dict[str, Any]:
    """Materials as one JSON document."""
    return {
        "caution": CAUTION,
        "rows": [
            {
                "material": material.name,
                "group": material.group,
                "m_per_min": {"low": m_per_min(speeds.low_m_per_s), "high": m_per_min(speeds.high_m_per_s)},
                "ft_per_min": {"low": ft_per_min(speeds.low_m_per_s), "high": ft_per_min(speeds.high_m_per_s)},
                "source": material.source,
            }
            for material, speeds in found
        ],
    }
