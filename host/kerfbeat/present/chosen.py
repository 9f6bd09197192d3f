"""How are settings for a wanted speed, and speeds for a material, written?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kerfbeat.drive.choose import Choice
from kerfbeat.drive.material import CAUTION, MEMORY, THICKNESS_AT_M, Material, SpeedRange
from kerfbeat.machine import Machine
from kerfbeat.present.numbers import SPEED_UNITS, length_words, other_unit
from kerfbeat.present.predicted import prediction_row, speed_text
from kerfbeat.units import ft_per_min, m_per_min, rpm

__all__ = [
    "choice_document",
    "choice_rows",
    "cut_words",
    "material_document",
    "material_rows",
    "range_words",
    "speed_notes",
]


def range_words(wanted: SpeedRange, unit: str) -> str:
    """Say a speed or a range of speeds in both units, the chosen one first."""
    first, second = (_range(wanted, name) for name in (unit, other_unit(unit)))
    return f"{first} ({second})"


def _range(wanted: SpeedRange, unit: str) -> str:
    low, high = (SPEED_UNITS[unit](speed) for speed in (wanted.low_m_per_s, wanted.high_m_per_s))
    if high - low < 0.002 * high:
        return f"{speed_text(low)} {unit}"
    return f"{speed_text(low)} to {speed_text(high)} {unit}"


def cut_words(name: str, *, thickness_m: float | None, dry: bool, carbon_band: bool, inch: bool) -> str:
    """Say what is cut and how: "4140, 50.8 mm (2.00 in) thick, dry"."""
    parts = [name]
    if thickness_m is not None:
        parts.append(f"{length_words(thickness_m, inch=inch)} thick")
        taken_m = _in_table(thickness_m)
        if taken_m != thickness_m:
            parts.append(f"taken as {length_words(taken_m, inch=inch)}")
    return ", ".join([*parts, *["dry"] * dry, *["carbon-steel band"] * carbon_band])


def _in_table(thickness_m: float) -> float:
    """The thickness, or the end of the table that it lies beyond."""
    return min(max(thickness_m, THICKNESS_AT_M[0]), THICKNESS_AT_M[-1])


def speed_notes(found: Sequence[Material], *, thickness_m: float | None, inch: bool) -> list[str]:
    """What band speeds from the table hold for: thickness, fluid, band, and whether their source was read."""
    ends = [length_words(end_m, inch=inch) for end_m in (THICKNESS_AT_M[0], THICKNESS_AT_M[-1])]
    stock = f"stock of {ends[0]} to {ends[1]}"
    notes = []
    if thickness_m is not None:
        taken_m = _in_table(thickness_m)
        if taken_m != thickness_m:
            beyond = thickness_m > taken_m
            notes.append(
                f"{length_words(thickness_m, inch=inch)} is {'beyond' if beyond else 'below'} the table, which "
                f"{'ends' if beyond else 'begins'} at {length_words(taken_m, inch=inch)}: the speed is the one for that"
                f"{', and thicker stock wants less' if beyond else ''}."
            )
        stock = f"a cut of {length_words(taken_m, inch=inch)}"
    notes.append(
        f"Bimetal band and cutting fluid, corrected for {stock}, dry cutting and carbon-steel bands as on that page."
    )
    if any(material.source == MEMORY for material in found):
        notes.append('Look up what is "from memory" before you rely on it.')
    return [*notes, CAUTION]


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
    machine: Machine, wanted: SpeedRange, choices: Sequence[Choice], material: Material | None, *,
    calibration: Sequence[str] = (), notes: Sequence[str] = (),
) -> dict[str, Any]:  # fmt: skip
    """Settings for a wanted speed as one JSON document.

    calibration : what rests on measurement.   notes : what the material's speeds hold for.
    """
    best = max(choice.hours_pull for choice in choices)
    return {
        "machine": machine.name,
        "from": "prediction",
        "calibration": list(calibration),
        "material": None if material is None else material.name,
        "source": None if material is None else material.source,
        "notes": list(notes),
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


def material_document(found: Sequence[tuple[Material, SpeedRange]], notes: Sequence[str]) -> dict[str, Any]:
    """Materials as one JSON document; `notes` say what the speeds hold for."""
    return {
        "caution": CAUTION,
        "notes": list(notes),
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
