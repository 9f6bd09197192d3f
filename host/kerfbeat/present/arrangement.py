"""How is a sized drive told, beside the old one?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from kerfbeat.drive.arrange import LOOK_STEP_HZ, Arrangement
from kerfbeat.drive.cautions import BEFORE_WORK
from kerfbeat.drive.chain import DriveCurve
from kerfbeat.drive.compare import Reach
from kerfbeat.drive.material import SpeedRange
from kerfbeat.machine import BeltStage, Setting
from kerfbeat.present.arrangement_belt import belt_lines
from kerfbeat.present.chosen import range_words
from kerfbeat.present.numbers import SPEED_UNITS, length_words, other_unit
from kerfbeat.present.predicted import WORST_WHEN_SLOW, setting_words, speed_text
from kerfbeat.units import ft_per_min, m_per_min, rpm

__all__ = ["arrangement_cautions", "arrangement_document", "arrangement_lines", "comparison_rows"]


MOST_PLACES = 6  # named in one caution; more are counted


def arrangement_lines(made: Arrangement, *, unit: str) -> list[str]:
    """Say the new pulley, frequencies and belt, one fact a line."""
    sized, inch = made.sized, made.old.lengths == "inch"
    stage = sized.machine.stages[sized.stage_index]
    lines = [
        f"wanted blade range   {range_words(sized.wanted, unit)}, under full load",
        f"range today          {range_words(made.old_range, unit)}, under full load{_taken_at(made)}",
        f"belt replaced        {stage.name or f'stage {sized.stage_index + 1}'}",
        f"driving pulley       {length_words(sized.driver_m, inch=inch)} pitch diameter "
        f"(exactly centred: {length_words(sized.exact_driver_m, inch=inch)})",
        f"driven pulley        {length_words(sized.driven_m, inch=inch)} pitch diameter",
        f"ratio                {sized.driven_m / sized.driver_m:.3f} turns in per turn out",
        f"wanted range lies at {_needed_words(made)}",
        f"inverter limits      {sized.limits_hz[0]:g} to {sized.limits_hz[1]:g} Hz{_must_come_down(made)}",
    ]
    for cover, curve in zip(sized.coverage, made.curves, strict=True):
        reach = SpeedRange(low_m_per_s=cover.low_m_per_s, high_m_per_s=cover.high_m_per_s)
        way = setting_words(Setting(belt=cover.belt, gear=cover.gear))
        usable = "" if len(made.curves) == 1 else _usable_words(curve)
        lines.append(f"  they would give    {way + ': ' if way else ''}{range_words(reach, unit)}{usable}")
    first = sized.coverage[0]
    where = "" if len({cover.driven_low_hz for cover in sized.coverage}) == 1 else f"belt {first.belt}: "
    lines.append(
        f"  shaft after belt   {where}{rpm(first.driven_low_hz[1]):.0f}–{rpm(first.driven_low_hz[0]):.0f} rpm at "
        f"{sized.limits_hz[0]:g} Hz, {rpm(first.driven_high_hz[1]):.0f}–{rpm(first.driven_high_hz[0]):.0f} rpm at "
        f"{sized.limits_hz[1]:g} Hz (full load – no load)"
    )
    return lines + belt_lines(made)


def _needed_words(made: Arrangement) -> str:
    """Between which frequencies the wanted range lies, and in which belt position and gear each end of it."""
    low, high = (f"{hz:.1f}" for hz in made.sized.needed_hz)
    slow, fast = (setting_words(way) for way in made.sized.needed_at)
    return f"{low} to {high} Hz" if slow == fast else f"{low} Hz ({slow}) to {high} Hz ({fast})"


def _must_come_down(made: Arrangement) -> str:
    """To what the inverter's upper limit must be set, if a limit of the machine may be passed below it."""
    usable = [curve.usable_to_hz for curve in made.curves]
    highest = [hz for hz in usable if hz is not None]
    if not highest:
        return "; a limit may be passed at each of them"
    if len(highest) == len(usable) and min(highest) == made.curves[0].supply_hz[-1]:
        return ""
    return f"; set the upper one to {min(highest):.4g} Hz at most with this pulley, or a limit may be passed"


def _usable_words(curve: DriveCurve) -> str:
    """Up to which frequency one way may be used, where that is not the inverter's limit."""
    usable = curve.usable_to_hz
    if usable is None:
        return "; not to be used at any frequency"
    return "" if usable == float(curve.supply_hz[-1]) else f"; not to be used above {usable:.4g} Hz"


def _taken_at(made: Arrangement) -> str:
    """Say at which frequency the drive of today was taken, where its belt sets the speed."""
    motor = made.old.motor
    varies = any(isinstance(stage, BeltStage) and stage.varies for stage in made.old.stages)
    return f", variable belt at {motor.base_hz:g} Hz" if motor is not None and varies else ""


def arrangement_cautions(made: Arrangement) -> list[str]:
    """Say what to beware of with the new arrangement, and before any work."""
    own = [f"-  {text}." for text in (*made.sized.gaps, *_end_words(made), *made.belt_cautions)]
    return [*_limit_lines(made.curves), *own, *(f"-  {text}" for text in BEFORE_WORK)]


def _end_words(made: Arrangement) -> list[str]:
    """Say if the wanted range, which is one under load, ends where a limit may be passed without load."""
    way, end_hz = made.sized.needed_at[1], made.sized.needed_hz[1]
    usable = next(curve.usable_to_hz for curve in made.curves if (curve.belt, curve.gear) == (way.belt, way.gear))
    if usable is not None and end_hz <= usable + 0.5 * LOOK_STEP_HZ:
        return []
    return [f"the wanted range, under full load, ends at {end_hz:.1f} Hz, where a limit may be passed at no load"]


def _limit_lines(curves: Sequence[DriveCurve]) -> list[str]:
    """One line for each kind of caution: every belt position and gear, from which hertz on, and the worst case."""
    lines = []
    for kind in dict.fromkeys(caution.kind for curve in curves for row in curve.cautions for caution in row):
        slow = kind in WORST_WHEN_SLOW
        places, worst = [], ""
        for curve in curves:
            at = [(hz, c.text) for hz, row in zip(curve.supply_hz, curve.cautions, strict=True) for c in row
                  if c.kind == kind]  # fmt: skip
            if at:
                way = setting_words(Setting(belt=curve.belt, gear=curve.gear))
                edge = f"up to {at[-1][0]:.4g} Hz" if slow else f"from {at[0][0]:.4g} Hz on"
                places.append(f"{way} {edge}".strip())
                worst = worst if slow and worst else at[0 if slow else -1][1]
        if len(places) > MOST_PLACES:
            places = [*places[:MOST_PLACES], f"{len(places) - MOST_PLACES} more settings"]
        lines.append(f"-  {', '.join(places)}: {worst}.")
    return lines


def comparison_rows(made: Arrangement, *, unit: str) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of the table old beside new, by gear and blade speed.

    Pull is along the blade under full load: newtons where the motor's power is known, else rated torques at the wheel.
    """
    power_w = made.old.motor.power_w if made.old.motor is not None else None
    pull = "pull N" if power_w is not None else "wheel torque"
    geared = any(beside.gear is not None for beside in made.gears)
    headings = [*["gear"] * geared, f"blade {unit}", other_unit(unit), f"old {pull}", "power"]
    stepped = any(beside.new.belts.count(None) < len(beside.new.belts) for beside in made.gears)
    headings += [*["new belt"] * stepped, "new Hz", f"new {pull}", "for hours", "power", ""]
    cells = []
    for beside in made.gears:
        scale = pull_scale_n(made)
        for index, speed in enumerate(beside.new.blade_m_per_s):
            line = [beside.gear or "-"] * geared
            line += [speed_text(SPEED_UNITS[name](float(speed))) for name in (unit, other_unit(unit))]
            line += [_cell(beside.old.torque[index] * scale), _cell(beside.old.power_ratio[index])]
            line += [beside.new.belts[index] or "–"] * stepped
            line += [_cell(beside.new.supply_hz[index], "{:.1f}"), _cell(beside.new.torque[index] * scale)]
            line += [_cell(beside.new.hours_torque[index] * scale), _cell(beside.new.power_ratio[index])]
            line += ["x" if beside.new_forbidden[index] else ""]
            cells.append(line)
    return headings, cells


def pull_scale_n(made: Arrangement) -> float:
    """Newtons along the blade for one rated torque at the wheel; 1 where the motor's power is not known."""
    motor, wheel = made.old.motor, made.old.wheel
    if motor is None or motor.power_w is None:
        return 1.0
    return motor.power_w / (2 * math.pi * motor.rpm / 60.0) / ((wheel.diameter_m + wheel.blade_thickness_m) / 2.0)


def _cell(value: float, form: str | None = None) -> str:
    """A number, or "out of reach" as a dash."""
    if math.isnan(value):
        return "–"
    if form is not None:
        return form.format(value)
    return f"{value:.2f}" if abs(value) < 9.995 else f"{value:.0f}"


def _reach_document(reach: Reach, scale_n: float | None) -> list[dict[str, Any]]:
    return [
        {
            "blade_m_per_min": m_per_min(float(reach.blade_m_per_s[index])),
            "blade_ft_per_min": ft_per_min(float(reach.blade_m_per_s[index])),
            "belt": reach.belts[index],
            "reached": not math.isnan(reach.torque[index]),
            "supply_hz": float(reach.supply_hz[index]),
            "wheel_torque_ratio": float(reach.torque[index]),
            "wheel_torque_for_hours_ratio": float(reach.hours_torque[index]),
            "blade_pull_n": None if scale_n is None else float(reach.torque[index]) * scale_n,
            "power_ratio": float(reach.power_ratio[index]),
        }
        for index in range(len(reach.blade_m_per_s))
    ]


def _range_document(speeds: SpeedRange) -> dict[str, Any]:
    return {
        "m_per_min": {"low": m_per_min(speeds.low_m_per_s), "high": m_per_min(speeds.high_m_per_s)},
        "ft_per_min": {"low": ft_per_min(speeds.low_m_per_s), "high": ft_per_min(speeds.high_m_per_s)},
    }


def _loads_document(shaft_hz: tuple[float, float]) -> dict[str, float]:
    return {"no_load": rpm(shaft_hz[0]), "full_load": rpm(shaft_hz[1])}


def arrangement_document(made: Arrangement) -> dict[str, Any]:
    """Everything as one JSON document; a speed a drive does not reach has "reached": false and nulls."""
    sized, fit, tension = made.sized, made.fit, made.tension
    known = made.old.motor is not None and made.old.motor.power_w is not None
    scale_n = pull_scale_n(made) if known else None
    return {
        "machine": made.old.name,
        "from": "prediction",
        "stage": sized.machine.stages[sized.stage_index].name or f"stage {sized.stage_index + 1}",
        "wanted": _range_document(sized.wanted),
        "today": _range_document(made.old_range),
        "driver_pitch_mm": sized.driver_m * 1e3,
        "driver_pitch_exact_mm": sized.exact_driver_m * 1e3,
        "driven_pitch_mm": sized.driven_m * 1e3,
        "ratio": sized.driven_m / sized.driver_m,
        "needed_hz": {"low": sized.needed_hz[0], "high": sized.needed_hz[1]},
        "inverter_hz": {"minimum": sized.limits_hz[0], "maximum": sized.limits_hz[1]},
        "coverage": [
            {
                "belt": cover.belt,
                "gear": cover.gear,
                **_range_document(SpeedRange(low_m_per_s=cover.low_m_per_s, high_m_per_s=cover.high_m_per_s)),
                "driven_rpm_at_minimum": _loads_document(cover.driven_low_hz),
                "driven_rpm_at_maximum": _loads_document(cover.driven_high_hz),
                "usable_to_hz": curve.usable_to_hz,
            }
            for cover, curve in zip(sized.coverage, made.curves, strict=True)
        ],
        "gaps": list(sized.gaps),
        "belt": None if fit is None else {
            "centre_mm": fit.centre_m * 1e3,
            "pitch_length_mm": fit.length_m * 1e3,
            "wrap_deg": math.degrees(fit.wrap_rad),
            "arc_factor": fit.arc_factor,
            "stock": [{"designation": belt.designation, "centre_mm": belt.centre_m * 1e3} for belt in fit.stock],
        },
        "belt_speed_m_per_s": made.belt_speed_m_per_s,
        "old_belt": None if made.old_belt is None else {
            "pitch_length_mm": made.old_belt.length_m * 1e3,
            "centre_mm": made.old_belt.centre_m * 1e3,
            "moved_mm": None if made.old_belt.moved_m is None else made.old_belt.moved_m * 1e3,
        },
        "old_belt_fits": made.old_belt is not None if made.old_belt or made.old_belt_words else None,
        "least_tension": None if tension is None else {
            "static_n": tension.static_n, "tight_n": tension.tight_n, "slack_n": tension.slack_n,
            "slip_ratio": tension.slip_ratio, "hum_hz": tension.hum_hz, "measured_n": tension.measured_n,
            "measured_holds_ratio": tension.holds,
            "creep_percent": None if tension.creep is None else tension.creep * 100,
        },
        "gears": [
            {
                "gear": beside.gear,
                "old": _reach_document(beside.old, scale_n),
                "new": _reach_document(beside.new, scale_n),
            }
            for beside in made.gears
        ],
        "warnings": arrangement_cautions(made),
    }  # fmt: skip
