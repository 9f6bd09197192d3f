"""What did a prediction take for granted?"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbeat.calibration import Known, setting_name
from kerfbeat.drive.chain import DriveCurve
from kerfbeat.drive.motor import SLIP_TOLERANCE
from kerfbeat.machine import BeltStage, Machine, Setting

__all__ = ["describe_assumptions"]

MOST_NAMED = 3  # a line of more names is read by nobody


def describe_assumptions(machine: Machine, curves: Sequence[DriveCurve], known: Known) -> list[str]:
    """Say what the curves rest on where the description leaves room, and nothing of what was measured instead."""
    by_diameters = [curve for curve in curves if known.total_ratio(Setting(belt=curve.belt, gear=curve.gear)) is None]
    belts = any(isinstance(stage, BeltStage) for stage in machine.stages)
    said = [_band_words(belts=belts, by_diameters=bool(by_diameters), wheel=known.wheel_diameter_m is not None)]
    if not by_diameters:
        return said
    only = ""
    if len(by_diameters) < len(curves):
        names = [setting_name(Setting(belt=curve.belt, gear=curve.gear)) for curve in by_diameters]
        only = f", {'; '.join(names) if len(names) <= MOST_NAMED else 'settings'} not calibrated"
    for place, stage in enumerate(machine.stages, start=1):
        if not isinstance(stage, BeltStage):
            continue
        name = f"{stage.name or f'stage {place}'}{only}"
        ways = {sheave.taken for position in stage.positions for sheave in (position.driver, position.driven)}
        if "datum" in ways:
            said.append(f"{name}: datum diameters were converted to pitch diameters (pitch = outside by IP-20).")
        if "outside" in ways:
            said.append(f"{name}: diameters measured at the rim were taken as pitch diameters (IP-20).")
        if ways == {"pitch"}:
            said.append(
                f"{name}: diameters were taken as pitch diameters; if they are from an older catalogue they may be "
                "datum diameters, and the ratio off by up to 5 %."
            )
    if not machine.stages:
        said.append("No [[stage]] is described: the wheel is taken to sit on the motor's shaft.")
    return said


def _band_words(*, belts: bool, by_diameters: bool, wheel: bool) -> str:
    """What the band holds: the motor's part always, belts and diameters as far as they were not measured."""
    parts = [
        "no load to full load",
        f"a loaded motor slipping up to {100 * SLIP_TOLERANCE:.0f} % more than its nameplate says, and still more at "
        "low frequency and near breakdown",
    ]
    if belts:
        parts.append("belts creeping up to 2 %" if by_diameters else "belts creeping up to 2 % more under load")
    described = [*["pulleys"] * (belts and by_diameters), *["wheel"] * (not wheel)]
    if described:
        parts.append(f"diameters of {' and '.join(described)} as well as they were measured")
    return (
        f"Band: {'; '.join(parts)}. An inverter that compensates slip holds full load near the no-load speed."
    )
