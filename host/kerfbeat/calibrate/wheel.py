"""What diameter must the wheel be taken to have, so that its turns give the blade's true speed?

The blade's speed is known from its own passes (length times passes per second) or from a reference; the wheel's turns
are counted at the same time; v = pi (D + t) n then gives D + t.  What is found is an *effective* diameter: a blade that
slips a little on its wheel at all times makes it smaller, and that cannot be told from a smaller wheel at one load.
The blade's thickness t is taken as described and drops out again wherever D + t is used with the same blade.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.wobble import turns_at
from kerfbeat.errors import CalibrateError
from kerfbeat.measure.uncertainty import Contribution, Estimate, combine, coverage_factor, fit_line

__all__ = [
    "U_REACTION_S",
    "PassRate",
    "WheelResult",
    "blade_slip_percent",
    "diameter_from_passes",
    "diameter_from_speed",
    "diameter_from_stopwatch",
    "passes_per_turn",
]

Floats = NDArray[np.float64]

LEAST_PASSES = 5  # of the blade in one run: fewer do not show how well they repeat
BROKEN_PART = 0.02  # of the turns in a pass: far more than blade slip changes, far less than one target too many
LEAST_COUNTED = 5  # by hand with a stopwatch
# Standard uncertainty of one press of a stopwatch at a passing mark: 0.1 s for a quick hand, 0.2 s for a slow one.
# Common practice, no published source.  Test: the coverage of "blade by hand" in test_simulated_truth.
U_REACTION_S = 0.15
# Diameters of wheels and lengths of blades are described as well as this (half-width): more is worth saying.
DESCRIBED_PART = 0.005
PLAUSIBLE_PART = 0.04


@dataclass(frozen=True, kw_only=True, slots=True)
class PassRate:
    """Blade passes per turn of the wheel with standard uncertainty and degrees of freedom; needs no clock."""

    value: float
    u: float
    dof: float
    passes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class WheelResult:
    """The effective diameter without the blade, and where its uncertainty comes from.

    contributions_m : cause -> standard uncertainty.   described_m : the machine file's.
    """

    diameter_m: Estimate
    described_m: float
    method: str
    contributions_m: Mapping[str, float]

    @property
    def difference_percent(self) -> Estimate:
        """How far the effective diameter is above the described one."""
        return Estimate(
            value=100.0 * (self.diameter_m.value / self.described_m - 1.0),
            u95=100.0 * self.diameter_m.u95 / self.described_m,
        )

    @property
    def plausible(self) -> bool:
        """Whether it can be the described wheel; what is farther off is a wrong count or length, and is not kept."""
        return abs(self.difference_percent.value) < 100.0 * PLAUSIBLE_PART

    @property
    def remark(self) -> str:
        """What the difference may mean."""
        away = self.difference_percent
        if not self.plausible:
            return (
                "too far off to be that wheel, and not kept: measure wheel and blade again, and see that one mark of "
                "the blade passes its sensor in a round"
            )
        if abs(away.value) < max(away.u95, 100.0 * DESCRIBED_PART):
            return "agrees with the description"
        if away.value < 0:
            return (
                "smaller than described: a worn tyre, a wheel measured over its flange, a blade described too short, "
                "or a blade that slips at all times; tighten the blade and compare again"
            )
        return "larger than described: a new tyre, a blade described too long, or a wheel measured without its tyre"


def passes_per_turn(wheel: Sequence[Block], blade: Sequence[Block], *, spacing_turns: Floats) -> PassRate:
    """Count the blade's passes against the wheel's turns.

    wheel, blade : unbroken runs; the blade's mark is one.
    spacing_turns : of the wheel's targets, number 0 being the first; even spacing does too and costs some precision.
    Raises CalibrateError with fewer than `LEAST_PASSES` passes in one run of both.
    """
    slopes, weights, freedoms, passes = [], [], [], 0
    for run in blade:
        for turns in wheel:
            inside = (run.seconds >= turns.seconds[0]) & (run.seconds <= turns.seconds[-1])
            if np.count_nonzero(inside) < LEAST_PASSES:
                continue
            place = turns_at(run.seconds[inside], turns, spacing_turns=spacing_turns)
            for number, where in _unbroken(run.numbers[inside].astype(float), place):
                line = fit_line(number, where)
                slopes.append(line.slope)
                weights.append(1.0 / max(line.u_slope, 1e-12) ** 2)
                freedoms.append(line.dof)
                passes += len(number)
    if not slopes:
        most = max((len(run.numbers) for run in blade), default=0)
        raise CalibrateError(
            f"{most} blade passes in one run are too few; let the machine run until the blade has gone round at least "
            f"{LEAST_PASSES} times, better twenty, without stopping."
        )
    weight = np.array(weights)
    turns_per_pass = float(np.average(slopes, weights=weight))
    u = 1.0 / math.sqrt(float(weight.sum()))
    return PassRate(value=1.0 / turns_per_pass, u=u / turns_per_pass**2, dof=float(sum(freedoms)), passes=passes)


def _unbroken(numbers: Floats, place_turns: Floats) -> list[tuple[Floats, Floats]]:
    """Parts in which every pass takes about as many turns: where the count of either broke off unseen, they end."""
    per_pass = np.diff(place_turns) / np.diff(numbers)
    broken = np.flatnonzero(np.abs(per_pass / np.median(per_pass) - 1.0) > BROKEN_PART) + 1
    parts = zip(np.split(numbers, broken), np.split(place_turns, broken), strict=True)
    return [(number, place) for number, place in parts if len(number) >= LEAST_PASSES]


def _result(
    around_m: float, parts: Mapping[str, tuple[float, float]], *, thickness_m: float, described_m: float, method: str
) -> WheelResult:
    """From D + t and its relative standard uncertainties with their degrees of freedom."""
    contributions = [Contribution(u=around_m * u, dof=dof) for u, dof in parts.values()]
    return WheelResult(
        diameter_m=combine(around_m - thickness_m, contributions),
        described_m=described_m,
        method=method,
        contributions_m={cause: around_m * u for cause, (u, _) in parts.items()},
    )


def diameter_from_passes(
    rate: PassRate, *, blade_length_m: float, u_length_m: float, thickness_m: float, described_m: float
) -> WheelResult:
    """D + t = L r / pi, for r passes per turn of a blade of length L."""
    return _result(
        blade_length_m * rate.value / math.pi,
        {"passes": (rate.u / rate.value, rate.dof), "blade length": (u_length_m / blade_length_m, math.inf)},
        thickness_m=thickness_m,
        described_m=described_m,
        method=f"{rate.passes} blade passes seen by the sensor",
    )


def diameter_from_stopwatch(
    *,
    passes: int,
    seconds: float,
    wheel_hz: float,
    u_wheel: float,
    blade_length_m: float,
    u_length_m: float,
    thickness_m: float,
    described_m: float,
) -> WheelResult:
    """D + t = L N / (pi n T), for N passes counted in a time T at n turns a second.

    u_wheel : relative standard uncertainty of wheel_hz, as the mean over that time.
    Raises CalibrateError for too few passes to be worth anything.
    """
    if passes < LEAST_COUNTED or not seconds > 0.0:
        raise CalibrateError(
            f"{passes} passes in {seconds:g} s are too few; count at least {LEAST_COUNTED}, better twenty or more, "
            "from a mark passing to the same mark passing again."
        )
    return _result(
        blade_length_m * passes / (math.pi * wheel_hz * seconds),
        {
            "stopwatch": (math.sqrt(2.0) * U_REACTION_S / seconds, math.inf),
            "wheel speed": (u_wheel, math.inf),
            "blade length": (u_length_m / blade_length_m, math.inf),
        },
        thickness_m=thickness_m,
        described_m=described_m,
        method=f"{passes} blade passes counted in {seconds:g} s",
    )


def diameter_from_speed(
    reference_m_per_s: float,
    *,
    u_reference_m_per_s: float,
    wheel_hz: float,
    u_wheel: float,
    thickness_m: float,
    described_m: float,
) -> WheelResult:
    """D + t = v / (pi n), from a reference instrument's blade speed."""
    if not reference_m_per_s > 0.0:
        raise CalibrateError(f"a reference speed of {reference_m_per_s:g} m/s cannot be; write one above 0.")
    return _result(
        reference_m_per_s / (math.pi * wheel_hz),
        {
            "reference": (u_reference_m_per_s / reference_m_per_s, math.inf),
            "wheel speed": (u_wheel, math.inf),
        },
        thickness_m=thickness_m,
        described_m=described_m,
        method="a reference surface speed",
    )


def blade_slip_percent(idle: PassRate, loaded: PassRate) -> Estimate:
    """How much more the blade slips under load than at idle: loss of passes per turn, which needs no diameter."""
    value = 100.0 * (1.0 - loaded.value / idle.value)
    u = 100.0 * loaded.value / idle.value * math.hypot(idle.u / idle.value, loaded.u / loaded.value)
    return Estimate(value=value, u95=u * coverage_factor(min(idle.dof, loaded.dof)))
