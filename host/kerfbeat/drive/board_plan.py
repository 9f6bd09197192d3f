"""What should the board at this machine keep, and where does each value come from?

The machine's description gives it, what was calibrated takes the description's place, and what the user asked for goes
before both.  What neither knows of stays as it is on the board: input modes, alarms, identity.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import accumulate, pairwise
from typing import cast

from kerfbeat.board_identity import identity_name
from kerfbeat.calibration import Known, setting_name
from kerfbeat.capture.board_settings import (
    BAUDS,
    MOST_RATIOS,
    MOST_TARGETS,
    TURN,
    UNITS,
    BoardSettings,
    day_number,
)
from kerfbeat.machine import BeltStage, Machine, Sensor, Setting, belt_choices, gear_choices, stage_ratios

__all__ = ["BoardPlan", "Wishes", "nearest_plan", "planned_settings"]

K95 = 1.96  # the store keeps standard uncertainties of which 1.96 make the 95 % half-width
MICRO = 1e6  # micrometres to the metre, millionths to one
MM_PER_MIN = 60e3  # to the metre a second
# Two ratios so near to each other can be mistaken: the board takes the nearer one, so that a slip of half the distance
# looks like the other gear.  A belt that slips 5 % is worn out (common practice, no published source).
NEAR_RATIOS = 0.10
CLOCK_FIELDS = ("clock_ppb", "clock_u95_ppb", "clock_day")


@dataclass(frozen=True, kw_only=True, slots=True)
class Wishes:
    """What the user asked for; None: not said.  Alarms: 0 switches one off.

    board_id : `fresh_id` is for a board that has none.
    modes : by input from 1, bits of `capture.board_settings`.   belt : the position in use, where ratios depend on it.
    keep_clock : False clears a stored clock correction.
    """

    board_id: int | None = None
    fresh_id: int | None = None
    baud: int | None = None
    modes: Mapping[int, int] | None = None
    flood_edges: int | None = None
    mask_s: float | None = None
    unit: str | None = None
    slowest_m_per_s: float | None = None
    fastest_m_per_s: float | None = None
    slip_limit_percent: float | None = None
    belt: str | None = None
    keep_clock: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardPlan:
    """The settings, why they are so (by the name of their field), and what the user should know beside."""

    settings: BoardSettings
    basis: Mapping[str, str]
    notes: tuple[str, ...]


class _Draft:
    """Values that are to be changed, each with its reason."""

    def __init__(self) -> None:
        self.values: dict[str, object] = {}
        self.basis: dict[str, str] = {}
        self.notes: list[str] = []

    def put(self, why: str, **values: object) -> None:
        self.values.update(values)
        self.basis.update(dict.fromkeys(values, why))


def planned_settings(
    before: BoardSettings, *, machine: Machine | None, known: Known | None, wishes: Wishes, today: date
) -> BoardPlan:
    """Settings for the board that now holds `before`.

    machine, known : None leaves what they would give as it is.
    Raises SettingsError if a value has no room on a board, MachineError for an unknown belt position.
    """
    draft = _Draft()
    if machine is not None:
        _wheel(draft, machine, known)
        _fast_shaft(draft, machine, known, wishes.belt)
        draft.put("the machine file's lengths", unit=UNITS.index("ft/min" if machine.lengths == "inch" else "m/min"))
        limit_m_per_s = machine.limits.blade_speed_m_per_s
        if limit_m_per_s is not None:
            draft.put("limits.blade_speed", fastest_mm_min=round(limit_m_per_s * MM_PER_MIN))
    _wished(draft, before, wishes)
    _clock(draft, before, known, wishes)
    settings = replace(before, **draft.values)  # type: ignore[arg-type]  # each value was put under its field's name
    if settings != before:
        settings = replace(settings, settings_day=day_number(today))
    if settings.slip_limit_1e4 and not settings.fast_input:
        draft.notes.append("the slip alarm has no effect: no sensor that tells belt slip is set")
    if machine is not None and not settings.clock_measured:
        draft.notes.append(
            "no clock correction is known of this board; kerfbeat calibrate clock measures it, then run this again"
        )
    if settings.baud != before.baud:
        draft.notes.append("the new line rate holds from the board's next start on: unplug it and plug it in again")
    return BoardPlan(settings=settings, basis=draft.basis, notes=tuple(draft.notes))


def nearest_plan(before: BoardSettings, *, machine: Machine, known: Known | None, today: date) -> BoardPlan:
    """What the board should keep to measure right, at the belt position that asks for the least change.

    Unit and alarms are the user's choice and stay.
    """
    stays = {name: getattr(before, name) for name in ("unit", "fastest_mm_min", "settings_day")}
    plans = [
        planned_settings(before, machine=machine, known=known, wishes=Wishes(belt=belt), today=today)
        for belt in (None, *belt_choices(machine))
    ]
    kept = [replace(plan, settings=replace(plan.settings, **stays)) for plan in plans]
    return min(kept, key=lambda plan: sum(getattr(plan.settings, name) != getattr(before, name) for name in plan.basis))


def _wheel(draft: _Draft, machine: Machine, known: Known | None) -> None:
    sensor = machine.sensors.get("wheel")
    if sensor is None or sensor.targets > MOST_TARGETS:
        draft.put("the machine file", wheel_input=0, wheel_targets=0, circumference_um=0, angles_65536=())
        draft.notes.append(
            "no [sensor.wheel] is described, so the display will say that the wheel is not set"
            if sensor is None
            else f"sensor.wheel.targets: the board's display takes {MOST_TARGETS} at most, not {sensor.targets}; take "
            "targets away, or the display will say that the wheel is not set"
        )
        return
    draft.put("[sensor.wheel]", wheel_input=sensor.input, wheel_targets=sensor.targets)
    measured = None if known is None else known.wheel_diameter_m
    wheel = machine.wheel if measured is None else replace(machine.wheel, diameter_m=measured[0])
    why = "wheel as described" if known is None or measured is None else _calibrated(known, "wheel diameter", "")
    draft.put(why, circumference_um=round(wheel.blade_per_turn_m * MICRO))
    spacing = None if known is None else known.spacing_turns.get("wheel")
    if known is None or spacing is None or len(spacing[0]) != sensor.targets:
        draft.put("not calibrated", angles_65536=())
        return
    places_turns = accumulate(spacing[0][:-1], initial=0.0)
    draft.put(
        _calibrated(known, "target spacing", "wheel"), angles_65536=tuple(round(each * TURN) for each in places_turns)
    )


def _fast_shaft(draft: _Draft, machine: Machine, known: Known | None, belt: str | None) -> None:
    draft.put("the machine file", fast_input=0, fast_targets=0, ratios_millionths=())
    found = _slip_sensor(machine)
    if isinstance(found, str):
        draft.notes.append(f"belt slip will not be shown: {found}")
        return
    sensor, stages_before = found
    ratios = _ratios(machine, known, stages_before, belt)
    if isinstance(ratios, str):
        draft.notes.append(f"belt slip will not be shown: {ratios}")
        return
    draft.put(f"[sensor.{sensor.channel}]", fast_input=sensor.input, fast_targets=sensor.targets)
    draft.put("; ".join(dict.fromkeys(ratios.values())), ratios_millionths=tuple(ratios))
    if any(why.startswith("predicted") for why in ratios.values()):
        draft.notes.append(
            "the ratio predicted from pitch diameters is good to a percent or so, and belt slip is shown no better; "
            "calibrate drive measures it at idle"
        )
    for high, low in pairwise(sorted(ratios, reverse=True)):
        if high < (1.0 + NEAR_RATIOS) * low:
            draft.notes.append(
                f"the ratios {high / MICRO:g} and {low / MICRO:g} are near to each other: slip of more than half the "
                "difference looks like the other one"
            )


def _slip_sensor(machine: Machine) -> tuple[Sensor, int] | str:
    """The sensor that sees the most belts between itself and the wheel, and the stages before it; or why none does."""
    stages_before = {"motor": 0}
    driven = machine.driven_stage_index()
    if driven is not None:
        stages_before["driven"] = driven + 1
    there = [(machine.sensors[name], stages) for name, stages in stages_before.items() if name in machine.sensors]
    if not there:
        return "no sensor on the motor or a driven shaft is described"
    for sensor, stages in there:
        if any(isinstance(stage, BeltStage) for stage in machine.stages[stages:]):
            if sensor.targets > MOST_TARGETS:
                return f"sensor.{sensor.channel}.targets: the board takes {MOST_TARGETS} at most, not {sensor.targets}"
            return sensor, stages
    return f"no belt is described between the shaft of [sensor.{there[0][0].channel}] and the wheel"


def _ratios(machine: Machine, known: Known | None, stages_before: int, belt: str | None) -> dict[int, str] | str:
    """Fast-shaft turns per wheel turn in millionths, each with where it comes from; or why there are too many."""
    varies = any(isinstance(stage, BeltStage) and stage.varies for stage in machine.stages[stages_before:])
    if varies and belt is None:
        return "its ratio varies with the belt's position; name the one in use with --belt"
    found: dict[int, str] = {}
    for position in [belt] if belt is not None else belt_choices(machine) or (None,):
        for gear in gear_choices(machine) or (None,):
            setting = Setting(belt=position, gear=gear)
            # Only the motor's own ratio is calibrated: that of a driven shaft needs a sensor on the motor, too.
            measured = None if known is None or stages_before else known.total_ratio(setting)
            if known is None or measured is None:
                ratio = math.prod(stage_ratios(machine, setting)[stages_before:])
                found.setdefault(round(ratio * MICRO), "predicted from pitch diameters")
            else:
                found[round(measured[0] * MICRO)] = _calibrated(known, "total ratio", setting_name(setting))
    if len(found) > MOST_RATIOS:
        return f"it has {len(found)} ratios and a board keeps {MOST_RATIOS}; name the belt position in use with --belt"
    return found


def _calibrated(known: Known, quantity: str, of: str) -> str:
    return f"calibrated {known.results[quantity, of].date:%Y-%m-%d}"


def _wished(draft: _Draft, before: BoardSettings, wishes: Wishes) -> None:
    why = "as asked"
    for name, value in (
        ("board_id", wishes.board_id),
        ("baud", None if wishes.baud is None else BAUDS.index(wishes.baud)),
        ("flood_edges", wishes.flood_edges),
        ("mask_ms", None if wishes.mask_s is None else round(wishes.mask_s * 1e3)),
        ("unit", None if wishes.unit is None else UNITS.index(wishes.unit)),
        ("slowest_mm_min", None if wishes.slowest_m_per_s is None else round(wishes.slowest_m_per_s * MM_PER_MIN)),
        ("fastest_mm_min", None if wishes.fastest_m_per_s is None else round(wishes.fastest_m_per_s * MM_PER_MIN)),
        ("slip_limit_1e4", None if wishes.slip_limit_percent is None else round(wishes.slip_limit_percent * 100.0)),
    ):
        if value is not None:
            draft.put(why, **{name: value})
    if wishes.board_id is None and not before.board_id and wishes.fresh_id is not None:
        draft.put("given now, as it had none", board_id=wishes.fresh_id)
    if wishes.modes:
        draft.put(why, modes=tuple(wishes.modes.get(k, mode) for k, mode in enumerate(before.modes, start=1)))


def _clock(draft: _Draft, before: BoardSettings, known: Known | None, wishes: Wishes) -> None:
    if not wishes.keep_clock:
        never = BoardSettings()
        draft.put("as asked", **{name: getattr(never, name) for name in CLOCK_FIELDS})
        return
    board_id = cast(int, draft.values.get("board_id", before.board_id))
    result = None if known is None else known.results.get(("clock offset", identity_name(board_id)))
    if known is None or result is None:
        return
    day = day_number(result.date.date())
    if before.clock_measured and before.clock_day > day:
        draft.notes.append("the clock correction on the board is newer than the calibrated one, and stays")
        return
    values = round(result.value[0] * 1e3), round(K95 * result.u[0] * 1e3), day
    draft.put(_calibrated(known, *result.key), **dict(zip(CLOCK_FIELDS, values, strict=True)))
