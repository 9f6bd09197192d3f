"""How is an uncertainty budget told?"""

from __future__ import annotations

import math
from typing import Any

from kerfbeat.calibrate.budget import Budget, Line
from kerfbeat.calibrate.travel import Travel
from kerfbeat.present.numbers import both_speeds, two_digits

__all__ = ["BUDGET_HEADINGS", "budget_document", "budget_line", "budget_rows", "largest_line"]

BUDGET_HEADINGS = ("cause", "from", "standard uncertainty", "share", "degrees of freedom")


def _freedom(dof: float) -> str:
    return "many" if not math.isfinite(dof) or dof > 1e4 else f"{dof:.0f}"


def budget_rows(budget: Budget) -> list[list[str]]:
    """One row a cause, largest first, under BUDGET_HEADINGS; the sum last."""
    rows = [
        [line.cause, line.source, f"{two_digits(100.0 * line.u)} %", f"{100.0 * line.share:.1f} %", _freedom(line.dof)]
        for line in budget.lines
    ]
    together = f"{two_digits(100.0 * budget.u)} %"
    return [*rows, ["together", "added in squares", together, "100.0 %", _freedom(budget.dof)]]


def budget_line(budget: Budget, unit: str) -> str:
    """The speed with all of it."""
    return (
        f"blade {both_speeds(budget.speed_m_per_s, unit)}, all causes together: {budget.factor:.2f} times their "
        "standard uncertainty (the coverage factor) holds 95 %, by the Guide to the Expression of Uncertainty in "
        "Measurement (GUM, JCGM 100:2008). Degrees of freedom: the independent readings behind a cause; the fewer, the "
        "wider the ±"
    )


def largest_line(of: Line | Travel) -> str:
    """What most of the uncertainty comes from."""
    return f"the ± of the blade is mostly of the {of.cause}: {of.source}"


def budget_document(budget: Budget) -> dict[str, Any]:
    """Everything as it stands in JSON; uncertainties are relative."""
    return {
        "blade_m_per_s": budget.speed_m_per_s,
        "relative_u": budget.u,
        "relative_u95": budget.u95,
        "coverage_factor": budget.factor,
        "dof": budget.dof,
        "contributions": [
            {"cause": line.cause, "relative_u": line.u, "share": line.share, "dof": line.dof, "source": line.source}
            for line in budget.lines
        ],
    }
