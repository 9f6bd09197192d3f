"""Do runs of one setting change from date to date?

Two channels are compared by their ratio, which needs no clock; one alone by its speed, in which the clocks of
different days count fully.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.drift import Drift
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["Wear", "wear_between"]

Floats = NDArray[np.float64]

YEAR_S = 365.25 * 86400.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Wear:
    """Runs at one setting, in order of date; values are relative to the first run.

    quantity : what is compared, in words.   change_percent : (n,) of each run against the first, with its own u95.
    per_year_percent : slope of the weighted straight line.   significant : whether it surely is not 0.
    scatter : how much wider than their own uncertainties the runs scatter about the line; 1 where they agree.
    """

    setting: Setting
    quantity: str
    sources: tuple[str, ...]
    dates: tuple[datetime, ...]
    change_percent: tuple[Estimate, ...]
    per_year_percent: Estimate
    scatter: float

    @property
    def significant(self) -> bool:
        """Whether the slope's 95 % interval leaves out 0."""
        return abs(self.per_year_percent.value) > self.per_year_percent.u95


def wear_between(runs: Iterable[tuple[datetime, Drift]]) -> tuple[Wear, ...]:
    """Follow each setting over the runs that hold it; settings with a single run or date are left out.

    runs : when each began, and its drift.
    """
    by_setting: dict[Setting, list[tuple[datetime, Drift]]] = {}
    for date, drift in runs:
        by_setting.setdefault(drift.setting, []).append((date, drift))
    found = []
    for setting, held in by_setting.items():
        held.sort(key=lambda run: run[0])
        if len(held) > 1 and held[-1][0] > held[0][0]:
            found.append(_wear(setting, held))
    return tuple(found)


def _wear(setting: Setting, held: Sequence[tuple[datetime, Drift]]) -> Wear:
    common = set.intersection(*(set(drift.settled_hz) for _, drift in held))
    slow = next((name for name in ("wheel", "blade", "driven") if name in common), None)
    normal = coverage_factor(math.inf)
    if slow is not None and "motor" in common:
        quantity = f"turns of {slow} per turn of the motor"
        pairs = [(drift.settled_hz[slow], drift.settled_hz["motor"]) for _, drift in held]
        value = np.array([top.value / bottom.value for top, bottom in pairs])
        u = np.array([math.hypot(top.u95 / top.value, bottom.u95 / bottom.value) / normal for top, bottom in pairs])
    else:
        name = slow if slow is not None else held[0][1].channel
        quantity = f"speed of {name}"
        speeds = [(drift.settled_hz[name], drift.u_clock) for _, drift in held]
        value = np.array([speed.value for speed, _ in speeds])
        u = np.array([math.hypot(speed.u95 / speed.value / normal, u_clock) for speed, u_clock in speeds])
    relative = value / value[0] - 1.0
    years = np.array([(date - held[0][0]).total_seconds() / YEAR_S for date, _ in held])
    slope, u_slope, scatter, dof = _line(years, relative, np.maximum(u, 1e-9))
    return Wear(
        setting=setting,
        quantity=quantity,
        sources=tuple(drift.source for _, drift in held),
        dates=tuple(date for date, _ in held),
        change_percent=tuple(
            Estimate(value=100 * each, u95=100 * normal * (math.hypot(mine, float(u[0])) if k else 0.0))
            for k, (each, mine) in enumerate(zip(relative.tolist(), u.tolist(), strict=True))
        ),
        per_year_percent=Estimate(value=100 * slope, u95=100 * u_slope * coverage_factor(dof)),
        scatter=scatter,
    )


def _line(x: Floats, y: Floats, u: Floats) -> tuple[float, float, float, float]:
    """Weighted slope, its standard error widened by the scatter (Birge ratio, at least 1), that ratio, its freedom."""
    w = 1.0 / u**2
    middle = float((w * x).sum() / w.sum())
    sxx = float((w * (x - middle) ** 2).sum())
    slope = float((w * (x - middle) * y).sum()) / sxx
    dof = len(x) - 2
    if dof == 0:
        return slope, 1.0 / math.sqrt(sxx), 1.0, math.inf
    level = float((w * (y - slope * (x - middle))).sum() / w.sum())
    birge = math.sqrt(float((w * (y - level - slope * (x - middle)) ** 2).sum()) / dof)
    return slope, max(1.0, birge) / math.sqrt(sxx), max(1.0, birge), math.inf if birge <= 1.0 else float(dof)
