"""How is a predicted speed table written, for people and for programs?"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from kerfbeat.drive.chain import Band, Prediction
from kerfbeat.machine import Machine, Setting
from kerfbeat.present.numbers import SPEED_UNITS, counted, other_unit
from kerfbeat.units import ft_per_min, m_per_min, rpm

__all__ = [
    "PREDICTED",
    "WORST_WHEN_SLOW",
    "basis_of",
    "basis_words",
    "caution_lines",
    "prediction_json",
    "prediction_rows",
    "setting_words",
    "speed_text",
    "speed_unit",
]

WORST_WHEN_SLOW = ("cooling", "too slow")  # kinds of caution; all others are worst at the highest frequency
PREDICTED = "Predicted from the machine's description, not measured."
MEASURED = "Predicted with measured"
MARKS = "abcdefghijklmnopqrstuvwxyz"
_ROWS_A_PIECE = 1000  # about a megabyte of text


def speed_unit(machine: Machine, chosen: str | None) -> str:
    """Unit that comes first: the chosen one, or that of the machine file's lengths."""
    return chosen or ("ft/min" if machine.lengths == "inch" else "m/min")


def basis_of(measured: Sequence[str]) -> str:
    """Where speeds come from, in a sentence that fits a page; `measured` says what of the machine was measured."""
    if not measured:
        return PREDICTED
    whose: dict[str, list[str]] = {}
    for line in measured:
        quantity, _, of = line.partition(":")[0].partition(" of ")
        whose.setdefault(quantity, []).extend(filter(None, [of]))
    told = [f"{quantity} of {' and '.join(of)}" if of else quantity for quantity, of in whose.items()]
    return f"{MEASURED} {', '.join(told)}."


def basis_words(measured: Sequence[str]) -> str:
    """The same within a heading."""
    return "predicted with what was measured of the machine" if measured else "predicted, not measured"


def setting_words(setting: Setting) -> str:
    """Say a setting in one line, such as "gear low, 45 Hz"."""
    parts = [
        f"belt {setting.belt}" if setting.belt is not None else "",
        f"gear {setting.gear}" if setting.gear is not None else "",
        f"{setting.hz:g} Hz" if setting.hz is not None else "",
    ]
    return ", ".join(part for part in parts if part)


def prediction_row(row: Prediction) -> dict[str, Any]:
    """One setting as a JSON object."""
    low, high = row.continuous_torque_ratio
    return {
        "setting": {"belt": row.setting.belt, "gear": row.setting.gear, "hz": row.setting.hz},
        "motor_rpm": _band(row.motor_hz, rpm),
        "wheel_rpm": _band(row.wheel_hz, rpm),
        "blade_m_per_min": _band(row.blade_m_per_s, m_per_min),
        "blade_ft_per_min": _band(row.blade_m_per_s, ft_per_min),
        "torque_ratio": row.torque_ratio,
        "power_ratio": row.power_ratio,
        "continuous_torque_ratio": {"low": low, "high": high},
        "blade_pull_n": row.blade_pull_n,
        "warnings": list(row.warnings),
    }


def prediction_json(
    machine: Machine, rows: Sequence[Prediction], *, assumptions: Sequence[str], calibration: Sequence[str] = ()
) -> Iterator[str]:
    """Every setting as one JSON document, one setting a line, in pieces: a great table is not held as text as a whole.

    assumptions, calibration : what it takes for granted, and what of it rests on measurement, in words.
    """
    head = {
        "machine": machine.name,
        "from": "prediction",
        "assumptions": list(assumptions),
        "calibration": list(calibration),
    }
    yield f'{json.dumps(head)[:-1]}, "rows": [\n'
    for begin in range(0, len(rows), _ROWS_A_PIECE):
        piece = (json.dumps(prediction_row(row), allow_nan=False) for row in rows[begin : begin + _ROWS_A_PIECE])
        yield (",\n" if begin else "") + ",\n".join(piece)
    yield "\n]}\n"


def _band(band: Band[float], convert: Any) -> dict[str, float]:
    return {
        "no_load": convert(band.no_load),
        "full_load": convert(band.full_load),
        "lowest": convert(band.lowest),
        "highest": convert(band.highest),
    }


def speed_text(speed: float) -> str:
    """Write a speed so that three figures can be read, as in 9.87, 98.7, 987."""
    size = abs(speed)
    return f"{speed:.{2 if size < 9.995 else 1 if size < 99.95 else 0}f}"


def _span(low: float, high: float) -> str:
    low_text, high_text = speed_text(low), speed_text(high)
    return low_text if low_text == high_text else f"{low_text}–{high_text}"


def prediction_rows(
    rows: Sequence[Prediction], *, unit: str, belts: bool, gears: bool
) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of the table for people.

    unit : "m/min" or "ft/min", the one that comes first.   belts, gears : whether there is such a choice.
    """
    marks = _marks(rows)
    headings = ["belt"] * belts + ["gear"] * gears + ["Hz", "motor rpm", "wheel rpm"]
    headings += [f"blade {unit}", other_unit(unit), f"band {unit}", "torque", "torque for hours", "power", ""]
    cells = []
    for row in rows:
        line = [row.setting.belt or "-"] * belts + [row.setting.gear or "-"] * gears
        line += [f"{row.setting.hz:g}", _span(rpm(row.motor_hz.full_load), rpm(row.motor_hz.no_load))]
        line += [_span(rpm(row.wheel_hz.full_load), rpm(row.wheel_hz.no_load))]
        for name in (unit, other_unit(unit)):
            convert = SPEED_UNITS[name]
            line.append(_span(convert(row.blade_m_per_s.full_load), convert(row.blade_m_per_s.no_load)))
        convert = SPEED_UNITS[unit]
        line.append(_span(convert(row.blade_m_per_s.lowest), convert(row.blade_m_per_s.highest)))
        low, high = row.continuous_torque_ratio
        long_runs = f"{low:.2f}" if high - low < 0.005 else f"{low:.2f}–{high:.2f}"
        line += [f"{row.torque_ratio:.2f}", long_runs, f"{row.power_ratio:.2f}"]
        line.append("".join(marks[kind] for kind in _kinds(row)))
        cells.append(line)
    return headings, cells


def _kinds(row: Prediction) -> list[str]:
    return list(dict.fromkeys(caution.kind for caution in row.cautions))


def _marks(rows: Sequence[Prediction]) -> dict[str, str]:
    kinds = dict.fromkeys(kind for row in rows for kind in _kinds(row))
    return dict(zip(kinds, MARKS, strict=False))


def caution_lines(rows: Sequence[Prediction]) -> list[str]:
    """One line for each kind of caution: the letter that marks its rows in the table, and its worst case."""
    lines = []
    for kind, mark in _marks(rows).items():
        where = [row for row in rows if kind in _kinds(row)]
        worst = where[0] if kind in WORST_WHEN_SLOW else where[-1]
        text = next(caution.text for caution in worst.cautions if caution.kind == kind)
        more = len(where) - 1
        places = f", and {counted(more, 'more setting')} marked {mark}" if more else ""
        lines.append(f"{mark}  {setting_words(worst.setting)}{places}: {text}.")
    return lines
