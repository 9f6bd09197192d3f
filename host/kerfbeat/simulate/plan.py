"""What is done to the machine, when, and what does the operator write down of it?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from kerfbeat.machine import Setting
from kerfbeat.simulate.motion import Course
from kerfbeat.simulate.plant import Plant
from kerfbeat.simulate.timeline import Timeline

__all__ = ["Action", "Change", "Cut", "Frequency", "Happening", "Note", "Oil", "OperatorMark", "Plan", "Slip", "Switch"]

INSTANT_RAMP_S = 0.3  # a cut begins and ends within this time
Where = Literal["belt", "blade"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Switch:
    """The machine is switched on or off."""

    at_s: float
    on: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Frequency:
    """The operator turns the inverter's knob."""

    at_s: float
    hz: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """The operator changes belt position or gear, at rest."""

    at_s: float
    setting: Setting


@dataclass(frozen=True, kw_only=True, slots=True)
class Cut:
    """A cut begins (load above 0, of the motor's full-load torque), changes, or ends (0)."""

    at_s: float
    load: float
    ramp_s: float = INSTANT_RAMP_S
    marked: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Oil:
    """Oil on the first belt, or between blade and wheel: it slips from this pull on, of the full-load pull."""

    at_s: float
    where: Where
    grip: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Slip:
    """The first belt or the blade slips by an imposed amount, whatever it carries."""

    at_s: float
    where: Where
    slip: float
    ramp_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Note:
    """The operator writes a note."""

    at_s: float
    text: str


Action = Switch | Frequency | Change | Cut | Oil | Slip | Note


@dataclass(frozen=True, kw_only=True, slots=True)
class OperatorMark:
    """What stands in the log: key=value at a time."""

    at_s: float
    key: str
    value: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Happening:
    """Something true that a diagnosis should find: from when to when, what, and how much at its worst."""

    start_s: float
    end_s: float
    cause: str
    peak_percent: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """A run: its length, whether it begins in steady running, its first setting, what is done, in order of time."""

    duration_s: float
    running: bool
    setting: Setting
    actions: tuple[Action, ...] = field(default=())

    def course(self, plant: Plant, *, hz_error: float, belt_slip: float = 0.0, blade_slip: float = 0.0) -> Course:
        """What acts on the machine.

        plant : the machine at its first setting.  hz_error : the supply's true frequency less what the display shows.
        belt_slip, blade_slip : slip of the first belt and of the blade that is always there.
        """
        here = sorted(self.actions, key=lambda action: action.at_s)
        hz = self.setting.hz or 0.0
        chosen_hz = [(a.at_s, 0.0, a.hz + hz_error) for a in here if isinstance(a, Frequency)]
        switched = [(a.at_s, 0.0, float(a.on)) for a in here if isinstance(a, Switch)]
        loads = [(a.at_s, a.ramp_s, a.load) for a in here if isinstance(a, Cut)]
        couplings = len(plant.couplings)
        index = {"belt": 0, "blade": couplings - 1}
        frictions: list[list[tuple[float, float, float]]] = [[] for _ in range(couplings)]
        slips: list[list[tuple[float, float, float]]] = [[] for _ in range(couplings)]
        always = [0.0] * couplings
        always[0] = belt_slip if couplings > 1 else 0.0
        always[-1] = blade_slip
        for action in here:
            if isinstance(action, Oil):
                k = index[action.where]
                factor = plant.couplings[k].friction_factor(action.grip * plant.full_load_n[k])
                frictions[k].append((action.at_s, 0.0, factor))
            elif isinstance(action, Slip):
                k = index[action.where]
                slips[k].append((action.at_s, action.ramp_s, always[k] + action.slip))
        return Course(
            supply_hz=Timeline(hz + hz_error, chosen_hz),
            running=Timeline(float(self.running), switched),
            load=Timeline(0.0, loads),
            friction=tuple(Timeline(1.0, each) for each in frictions),
            slip=tuple(Timeline(base, each) for base, each in zip(always, slips, strict=True)),
        )

    def settings(self) -> list[tuple[float, Setting]]:
        """Belt and gear from the start on, with the times at which they change."""
        changes = sorted((a for a in self.actions if isinstance(a, Change)), key=lambda change: change.at_s)
        return [(0.0, self.setting), *((change.at_s, change.setting) for change in changes)]

    def marks(self, *, delay_s: float, random: np.random.Generator) -> list[OperatorMark]:
        """What the operator marks, late by up to `delay_s`; the first setting stands at the log's head instead."""
        found: list[OperatorMark] = []
        before, cutting = self.setting, False
        for action in sorted(self.actions, key=lambda action: action.at_s):
            at_s = min(action.at_s + delay_s * float(random.random()), self.duration_s)
            if isinstance(action, Frequency):
                found.append(OperatorMark(at_s=at_s, key="hz", value=f"{action.hz:.10g}"))
            elif isinstance(action, Change):
                new = action.setting
                if new.belt != before.belt and new.belt is not None:
                    found.append(OperatorMark(at_s=at_s, key="belt", value=new.belt))
                if new.gear != before.gear and new.gear is not None:
                    found.append(OperatorMark(at_s=at_s, key="gear", value=new.gear))
                before = new
            elif isinstance(action, Cut) and action.marked and (action.load > 0) != cutting:
                cutting = action.load > 0
                found.append(OperatorMark(at_s=at_s, key="cut", value="start" if cutting else "stop"))
            elif isinstance(action, Note):
                found.append(OperatorMark(at_s=at_s, key="note", value=action.text))
        return sorted(found, key=lambda mark: mark.at_s)

    def happenings(self) -> list[Happening]:
        """What was done, as stretches of time with their cause."""
        actions = sorted(self.actions, key=lambda action: action.at_s)
        found = _stretches(
            [(a.at_s, a.load) for a in actions if isinstance(a, Cut)],
            "cut",
            off=0.0,
            end_s=self.duration_s,
            percent=True,
        )
        found += _stretches(
            [(a.at_s, float(not a.on)) for a in actions if isinstance(a, Switch)],
            "switched off", off=0.0, end_s=self.duration_s, percent=False,
        )  # fmt: skip
        for where in ("belt", "blade"):
            oil = [(a.at_s, a.grip) for a in actions if isinstance(a, Oil) and a.where == where]
            slip = [(a.at_s, a.slip) for a in actions if isinstance(a, Slip) and a.where == where]
            found += _stretches(oil, f"oil on the {where}", off=0.0, end_s=self.duration_s, percent=False)
            found += _stretches(slip, f"imposed {where} slip", off=0.0, end_s=self.duration_s, percent=True)
        found += [
            Happening(start_s=a.at_s, end_s=a.at_s, cause=f"frequency {a.hz:.10g} Hz")
            for a in actions
            if isinstance(a, Frequency)
        ]
        found += [
            Happening(start_s=a.at_s, end_s=a.at_s, cause="setting changed") for a in actions if isinstance(a, Change)
        ]
        return sorted(found, key=lambda happening: happening.start_s)


def _stretches(
    changes: Sequence[tuple[float, float]], cause: str, *, off: float, end_s: float, percent: bool
) -> list[Happening]:
    """Stretches in which a value is not `off`."""
    found: list[Happening] = []
    start_s, peak = math.nan, off
    for at_s, value in [*changes, (end_s, off)]:
        if peak == off and value != off:
            start_s, peak = at_s, value
        elif peak != off and value == off:
            worst = 100 * peak if percent else None
            found.append(Happening(start_s=start_s, end_s=at_s, cause=cause, peak_percent=worst))
            peak = off
        elif value != off:
            peak = max(peak, value)
    return found
