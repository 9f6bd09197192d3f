"""Which belt positions and gears can the operator choose, and what ratio does each choice give?

A setting's `belt` and `gear` are names.  Where several stages have a choice the names are joined in stage order,
`low / high`; of a variable-width sheave the "name" is its pitch diameter, such as `95 mm`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from kerfbeat.errors import MachineError
from kerfbeat.machine.parts import Machine
from kerfbeat.machine.stages import BeltStage, GearStage, Stage
from kerfbeat.units import M_PER_IN

__all__ = ["Setting", "belt_choices", "gear_choices", "stage_diameters_m", "stage_ratios"]

JOIN = " / "
VARIABLE_STEPS = 5  # places of a variable-width sheave listed in a table: both ends and three between


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """What the operator chose; None where it was not said or there is no choice."""

    belt: str | None = None
    gear: str | None = None
    hz: float | None = None


def _stage_names(stage: Stage, *, lengths: str, places: int) -> list[str]:
    if isinstance(stage, GearStage):
        return [gear.name or "" for gear in stage.gears]
    if not stage.varies:
        return [position.name or "" for position in stage.positions]
    sheave = stage.positions[0].driver if stage.positions[0].driver.varies else stage.positions[0].driven
    step_m = (sheave.maximum_m - sheave.minimum_m) / (places - 1)
    places_m = [sheave.minimum_m + step_m * k for k in range(places)]
    if lengths == "inch":
        return [f"{round(place_m / M_PER_IN, 3):g} in" for place_m in places_m]
    return [f"{round(place_m * 1e3, 1):g} mm" for place_m in places_m]


def _has_choice(stage: Stage) -> bool:
    if isinstance(stage, GearStage):
        return len(stage.gears) > 1 or stage.gears[0].name is not None
    return stage.varies or len(stage.positions) > 1 or stage.positions[0].name is not None


def _choices(machine: Machine, kind: type[BeltStage] | type[GearStage], places: int) -> tuple[str, ...]:
    lists = [
        _stage_names(stage, lengths=machine.lengths, places=places)
        for stage in machine.stages
        if isinstance(stage, kind) and _has_choice(stage)
    ]
    return tuple(JOIN.join(names) for names in itertools.product(*lists)) if lists else ()


def belt_choices(machine: Machine, *, places: int = VARIABLE_STEPS) -> tuple[str, ...]:
    """Name every belt position of the machine; () if there is nothing to choose.

    places : how many places of a variable-width sheave to list, at least both ends.
    """
    return _choices(machine, BeltStage, places)


def gear_choices(machine: Machine) -> tuple[str, ...]:
    """Name every gear of the machine; () if there is nothing to choose."""
    return _choices(machine, GearStage, VARIABLE_STEPS)


def _parts(text: str | None, count: int, *, what: str, choices: Sequence[str]) -> list[str | None]:
    """Split `low / high` into one name for each stage that has a choice."""
    if text is None:
        return [None] * count
    names = [name.strip() for name in text.split("/")]
    if len(names) == count:
        return list(names)
    if count == 0:
        raise MachineError(f'{what}: there is no "{text}"; this machine has nothing to choose there')
    raise MachineError(f'{what}: "{text}" names not one choice for each of {count} stages; write {choices[0]}')


def _stage_choices(machine: Machine, setting: Setting) -> list[str | None]:
    """For every stage the name chosen in it."""
    with_choice = [stage for stage in machine.stages if _has_choice(stage)]
    belts = sum(isinstance(stage, BeltStage) for stage in with_choice)
    belt = iter(_parts(setting.belt, belts, what="belt", choices=belt_choices(machine)))
    gear = iter(_parts(setting.gear, len(with_choice) - belts, what="gear", choices=gear_choices(machine)))
    return [
        None if not _has_choice(stage) else next(belt) if isinstance(stage, BeltStage) else next(gear)
        for stage in machine.stages
    ]


def stage_diameters_m(machine: Machine, setting: Setting) -> tuple[tuple[float, float] | None, ...]:
    """For every stage, motor to wheel, its pitch diameters (driver, driven) in metres; None for gears.

    Raises MachineError if the setting names a belt position that does not exist or leaves a needed one out.
    """
    chosen = _stage_choices(machine, setting)
    return tuple(
        stage.diameters_m(name) if isinstance(stage, BeltStage) else None
        for stage, name in zip(machine.stages, chosen, strict=True)
    )


def stage_ratios(machine: Machine, setting: Setting) -> tuple[float, ...]:
    """For every stage, motor to wheel, turns in per turn out, by pitch diameters and without belt creep.

    Raises MachineError if the setting names a choice that does not exist or leaves a needed one out.
    """
    ratios = []
    for stage, name in zip(machine.stages, _stage_choices(machine, setting), strict=True):
        if isinstance(stage, GearStage):
            ratios.append(stage.ratio(name))
        else:
            driver_m, driven_m = stage.diameters_m(name)
            ratios.append(driven_m / driver_m)
    return tuple(ratios)
