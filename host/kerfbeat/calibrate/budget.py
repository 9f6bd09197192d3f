"""What makes up the uncertainty of a blade speed, and what would make it smaller?

The speed is v = pi (D + t) n.  Contributions are relative standard uncertainties with their degrees of freedom; they
are independent, and add in squares.
Source: Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008, 5.1.2 (combining), 5.1.6 (relative form of
a product), G.4.1 (Welch-Satterthwaite) and table H.1 (its lay-out).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibrate.travel import blade_travel, calibrated_machine
from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.machine import Machine
from kerfbeat.measure.clock import ClockRate
from kerfbeat.measure.speed import SpeedResult, speed_of
from kerfbeat.measure.uncertainty import Contribution, Estimate, coverage_factor, effective_dof

__all__ = ["Budget", "Line", "blade_budget", "calibrated_spacing", "calibrated_speed", "stored_clocks"]

Floats = NDArray[np.float64]

@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One cause: relative standard uncertainty, degrees of freedom, its share of the variance, where it comes from."""

    cause: str
    u: float
    dof: float
    share: float
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """All causes of one speed, largest first, and what they come to.

    u, u95 : relative.   factor : coverage factor at `dof` effective degrees of freedom.
    """

    speed_m_per_s: Estimate
    lines: tuple[Line, ...]
    u: float
    dof: float
    factor: float

    @property
    def u95(self) -> float:
        """Relative 95 % half-width."""
        return self.factor * self.u

    @property
    def largest(self) -> Line:
        """The cause that gives most of it."""
        return self.lines[0]

    @classmethod
    def from_causes(cls, speed_m_per_s: float, causes: Mapping[str, tuple[Contribution, str]]) -> Budget:
        """From relative contributions by cause, each with the words of its source."""
        parts = [part for part, _ in causes.values()]
        variance = sum(part.u**2 for part in parts)
        dof = effective_dof(parts)
        factor = coverage_factor(dof)
        lines = [
            Line(
                cause=cause,
                u=part.u,
                dof=part.dof,
                share=part.u**2 / variance if variance > 0 else 0.0,
                source=source,
            )
            for cause, (part, source) in causes.items()
        ]
        u = math.sqrt(variance)
        return cls(
            speed_m_per_s=Estimate(value=speed_m_per_s, u95=factor * u * speed_m_per_s if u > 0 else 0.0),
            lines=tuple(sorted(lines, key=lambda line: -line.u)),
            u=u,
            dof=dof,
            factor=factor,
        )


def stored_clocks(known: Known, *, at: datetime) -> dict[str, ClockRate]:
    """Stored clock corrections by board, aged to a time; for segments that no exchange has measured."""
    found = {}
    for quantity, board in known.results:
        stored = known.clock_ppm(board, at=at) if quantity == "clock offset" else None
        if stored is not None:
            found[board] = ClockRate(ppm=stored[0], u_ppm=stored[1], basis="as calibrated before, and aged since")
    return found


def calibrated_spacing(known: Known) -> dict[str, Floats]:
    """Calibrated spacing of each channel that has one: (targets,) turns from each target to the next."""
    return {channel: np.array(turns) for channel, (turns, _) in known.spacing_turns.items()}


def calibrated_speed(
    log: PulseLog, known: Known, *, start_s: float | None = None, end_s: float | None = None
) -> tuple[SpeedResult, Budget | None]:
    """Speeds of a log with all that is stored, and the budget of the blade's, whose sum the blade's speed carries.

    The budget is None without a blade speed.
    """
    used = replace(log, machine=calibrated_machine(log.machine, known))
    result = speed_of(
        used,
        start_s=start_s,
        end_s=end_s,
        spacing_turns=calibrated_spacing(known),
        clocks=stored_clocks(known, at=log.start_utc),
    )
    budget = blade_budget(result, log.machine, known)
    if budget is not None:
        result = replace(result, blade_m_per_s=budget.speed_m_per_s)
    return result, budget


def blade_budget(result: SpeedResult, machine: Machine, known: Known) -> Budget | None:
    """What makes up the uncertainty of a log's blade speed; None without one."""
    if result.blade_m_per_s is None or result.blade_channel is None:
        return None
    channel = result.channels[result.blade_channel]
    assert channel.shaft_hz is not None
    hz = channel.shaft_hz.value
    clock = "; ".join(dict.fromkeys(each.basis for each in result.clocks))
    causes = {
        cause: (Contribution(u=part.u / hz, dof=part.dof), clock if cause == "clock" else f"{channel.pulses} pulses")
        for cause, part in channel.contributions.items()
    }
    travel = blade_travel(machine, known, channel=result.blade_channel)
    causes[travel.cause] = (Contribution(u=travel.u), travel.source)
    if result.blade_channel == "wheel":
        causes["spacing"] = (Contribution(u=0.0), "whole turns are free of it")
    return Budget.from_causes(result.blade_m_per_s.value, causes)
