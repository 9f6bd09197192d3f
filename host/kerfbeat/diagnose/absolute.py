"""How much does a pair of shafts slip in idle running, by its pitch diameters?"""

import math
from dataclasses import dataclass

from kerfbeat.diagnose import shafts
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.drive.chain import sheave_half_width
from kerfbeat.errors import MachineError
from kerfbeat.machine import BeltStage, Machine, Setting, stage_ratios
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["Absolute", "absolute_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Absolute:
    """Idle slip of a pair against its pitch diameters: as good as those are known, never mixed with the relative."""

    up: str
    down: str
    setting: Setting
    percent: Estimate


def absolute_of(machine: Machine, pair: PairSlip) -> list[Absolute]:
    """Idle slip against the ratio of the pitch diameters, for every position and gear with an idle baseline."""
    first, last = shafts.shaft_of(machine, pair.up), shafts.shaft_of(machine, pair.down)
    found = []
    for (belt, gear), base in pair.baselines.items():
        setting = Setting(belt=belt, gear=gear)
        if base.calibrated:
            continue  # says nothing of this run's idle slip
        try:
            ratios = stage_ratios(machine, setting)
        except MachineError:
            continue  # the marks do not say which sheaves; the relative slip stands by itself
        if first is None or last is None:
            continue
        ideal = 1.0 / math.prod(ratios[first:last])
        half = _diameter_half(machine, first, last)
        found.append(
            Absolute(
                up=pair.up,
                down=pair.down,
                setting=setting,
                percent=Estimate(value=100 * (1.0 - base.ratio / ideal), u95=100 * half * base.ratio / ideal),
            )
        )
    return found


def _diameter_half(machine: Machine, first: int, last: int) -> float:
    """Relative half-width of the ratio by the pitch diameters between two shafts."""
    halves = [
        sheave_half_width(sheave)
        for stage in machine.stages[first:last]
        if isinstance(stage, BeltStage)
        for sheave in (stage.positions[0].driver, stage.positions[0].driven)
    ]
    return math.hypot(*halves)
