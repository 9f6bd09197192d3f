"""What are this chain's true ratio and this motor's slip, and is the chain what the description says?

Steady points in, everything about the drive out: the ratio of every belt position and gear that was run, the motor's
slip, residuals, and what single mistake would explain a ratio that is not as described.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.calibrate.compensation import compensation_probability
from kerfbeat.calibrate.points import SteadyPoint
from kerfbeat.calibrate.suspects import NAMED_ODDS, Explanation, explain, tolerance
from kerfbeat.calibrate.sweep import SweepFit, fit_sweep
from kerfbeat.calibrate.sweep_model import U_GROWTH, Floats, Sweep
from kerfbeat.drive import motor as motors
from kerfbeat.drive.chain import require_motor
from kerfbeat.errors import CalibrateError
from kerfbeat.machine import Machine, Setting, stage_ratios
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["DEFAULT_RESOLUTION_HZ", "DriveResult", "Ratio", "Residual", "calibrate_drive"]

DEFAULT_RESOLUTION_HZ = 0.1  # what most inverters show; common practice, no published source
# A point further off the fit than this part of its speed contradicts the others: a wrong mark does that (5 Hz at 44),
# display steps, warming up and slip law together do not.  Test: test_mark_that_cannot_be_is_refused.
CONTRADICTS = 0.02
# So large a part of synchronous speed no motor slips without load; a mark of 500 Hz for 38 asks for nine tenths of it.
STALLED = 0.5
DRIVE_CHANNELS = ("wheel", "motor", "driven")


@dataclass(frozen=True, kw_only=True, slots=True)
class Ratio:
    """Motor turns per turn of a channel's shaft at one setting.

    predicted, predicted_u95 : from the description, and how well a right one predicts.
    contributions : cause -> standard uncertainty as a part of the ratio.
    """

    setting: Setting
    channel: str
    ratio: Estimate
    predicted: float
    predicted_u95: float
    contributions: Mapping[str, float]

    @property
    def difference_percent(self) -> Estimate:
        """How far the measured ratio is above the described one."""
        return Estimate(
            value=100.0 * (self.ratio.value / self.predicted - 1.0), u95=100.0 * self.ratio.u95 / self.predicted
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Residual:
    """One channel of one point: speed seen, and seen less fitted."""

    point: SteadyPoint
    channel: str
    rpm: float
    residual_rpm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveResult:
    """All that a sweep says.

    ratios : of the wheel, and of the shaft that `driven` watches, for every setting.
    slip_rpm : at no load and base frequency.
    explanations : likeliest first.   compensation : probability that the inverter compensates slip.
    exact_law : whether the slip law was taken as exact.
    """

    machine: Machine
    ratios: tuple[Ratio, ...]
    slip_rpm: Estimate
    slip_contributions_rpm: Mapping[str, float]
    explanations: tuple[Explanation, ...]
    compensation: float
    residuals: tuple[Residual, ...]
    points: tuple[SteadyPoint, ...]
    u_clock_ppm: float
    resolution_hz: float
    exact_law: bool
    warnings: tuple[str, ...]

    @property
    def named(self) -> Explanation | None:
        """The one explanation that is far likelier than any other of another kind; None if there is a tie."""
        best = self.explanations[0]
        others = [each.probability for each in self.explanations if each.kind != best.kind]
        return best if best.probability >= NAMED_ODDS * max(others, default=0.0) else None

    @property
    def as_described(self) -> bool:
        """Whether the chain is what the description says, as far as ratios can tell."""
        return self.named is not None and self.named.kind == "as described"

    @property
    def rivals(self) -> tuple[Explanation, ...]:
        """Explanations that cannot be told from the likeliest, it included."""
        least = self.explanations[0].probability / NAMED_ODDS
        return tuple(each for each in self.explanations if each.probability > least)


def calibrate_drive(
    points: Sequence[SteadyPoint], machine: Machine, *, exact_law: bool = False, reasons: Sequence[str] = ()
) -> DriveResult:
    """Calibrate from steady points at no load.

    exact_law : take the motor's slip as constant to base frequency, without doubt.
    reasons : why other stretches gave no point; told if there are too few.
    Raises DriveError without a motor, MachineError for an unknown belt or gear, CalibrateError for too few points or
    for points that contradict each other.
    """
    motor = require_motor(machine)
    usable = [point for point in points if any(channel in point.speed_hz for channel in DRIVE_CHANNELS)]
    settings = list(dict.fromkeys(Setting(belt=p.setting.belt, gear=p.setting.gear) for p in usable))
    for setting in settings:
        stage_ratios(machine, setting)  # refuses what the machine does not have, with the choices
    if not any("wheel" in point.speed_hz for point in usable):
        raise CalibrateError(_too_few("no steady point of the wheel was found", reasons))
    sweep = _sweep(usable, settings)
    resolution_hz = DEFAULT_RESOLUTION_HZ
    if machine.inverter is not None and machine.inverter.resolution_hz is not None:
        resolution_hz = machine.inverter.resolution_hz

    def fit(*, motor_is_one: bool) -> SweepFit:
        return fit_sweep(
            sweep,
            poles=motor.poles,
            base_hz=motor.base_hz,
            rated_slip_hz=motors.rated_slip_hz(motor),
            resolution_hz=resolution_hz,
            motor_is_one=motor_is_one,
            u_growth=0.0 if exact_law else U_GROWTH,
        )

    try:
        free = fit(motor_is_one=False)
    except CalibrateError as problem:
        raise CalibrateError(_too_few(str(problem).rstrip("."), reasons)) from problem
    _refuse_contradiction(free, usable, rated_slip_hz=motors.rated_slip_hz(motor))
    explanations = tuple(
        explain(free.log_scale, free.covariance, machine=machine, settings=settings, scales=free.scales)
    )
    right = explanations[0].kind == "as described"
    final = fit(motor_is_one=True) if right and "motor" in sweep.speed_hz else free
    return DriveResult(
        machine=machine,
        ratios=tuple(_ratios(final, machine, settings)),
        slip_rpm=Estimate(value=60.0 * final.slip_hz, u95=60.0 * final.u_slip_hz * coverage_factor(math.inf)),
        slip_contributions_rpm={cause: 60.0 * float(each[-1]) for cause, each in final.contributions.items()},
        explanations=explanations,
        compensation=compensation_probability(
            final.slip_hz, u_hz=final.u_slip_hz, rated_slip_hz=motors.rated_slip_hz(motor)
        ),
        residuals=tuple(_residuals(final, usable)),
        points=tuple(usable),
        u_clock_ppm=1e6 * sweep.u_clock,
        resolution_hz=resolution_hz,
        exact_law=exact_law,
        warnings=tuple(_warnings(final, usable, machine)),
    )


def _refuse_contradiction(fit: SweepFit, points: Sequence[SteadyPoint], *, rated_slip_hz: float) -> None:
    """Refuse points that no ratio and slip bring together, or only a slip without load beyond that of full load."""
    off = [
        (abs(float(residual_hz[index])) / point.speed_hz[channel], point)
        for channel, residual_hz in fit.residual_hz.items()
        for index, point in enumerate(points)
        if channel in point.speed_hz
    ]
    part, point = max(off, key=lambda each: each[0])
    why = f", by {100.0 * part:.0f} % of its speed" if part > CONTRADICTS else ""
    most = int(np.nanargmax(fit.slip_part))
    if not why and fit.slip_part[most] > STALLED:
        point = points[most]
        why = f": there the motor would slip {100.0 * float(fit.slip_part[most]):.0f} % without load"
    if why:
        raise CalibrateError(
            f"the point at {point.setting.hz:g} Hz ({point.source}, {point.start_s:.0f} to {point.end_s:.0f} s) and "
            f"the others contradict each other{why}; was another frequency shown there, or another gear in? Correct "
            "that mark in the log, or run it again."
        )
    if abs(fit.slip_hz) - fit.u_slip_hz * coverage_factor(math.inf) > rated_slip_hz:
        raise CalibrateError(
            f"the points contradict each other: they lie on one line only if the motor slips {60.0 * fit.slip_hz:.0f} "
            f"rpm without load, and at full load it slips {60.0 * rated_slip_hz:.0f} rpm; was another frequency shown "
            "at one of them, or another gear in? Correct its mark in the log, or run it again."
        )


def _too_few(what: str, reasons: Sequence[str]) -> str:
    return what + ("." if not reasons else f". Of other stretches: {'; '.join(reasons[:3])}.")


def _sweep(points: Sequence[SteadyPoint], settings: list[Setting]) -> Sweep:
    group = [settings.index(Setting(belt=p.setting.belt, gear=p.setting.gear)) for p in points]
    channels = [channel for channel in DRIVE_CHANNELS if any(channel in point.speed_hz for point in points)]

    def column(channel: str, values: str) -> Floats:
        return np.array([getattr(point, values).get(channel, math.nan) for point in points])

    return Sweep(
        shown_hz=np.array([point.setting.hz for point in points], dtype=float),
        group=np.array(group, dtype=np.int64),
        speed_hz={channel: column(channel, "speed_hz") for channel in channels},
        u_hz={channel: column(channel, "u_hz") for channel in channels},
        u_wander=np.array([point.u_wander for point in points]),
        u_clock=1e-6 * max(point.clock.u_ppm for point in points),
    )


def _ratios(fit: SweepFit, machine: Machine, settings: list[Setting]) -> list[Ratio]:
    found = []
    motor = next((k for k, scale in enumerate(fit.scales) if scale[0] == "motor"), None)
    driven = machine.driven_stage_index()
    for k, (channel, group) in enumerate(fit.scales):
        if channel == "motor":
            continue
        # With a motor sensor whose scale is free, the ratio is that of the two scales.
        log_ratio = -fit.log_scale[k] + (fit.log_scale[motor] if motor is not None else 0.0)
        row = np.zeros(len(fit.scales))
        row[k] = -1.0
        if motor is not None:
            row[motor] = 1.0
        u = math.sqrt(float(row @ fit.covariance @ row))
        stages = stage_ratios(machine, settings[group])
        ratio = math.exp(log_ratio)
        found.append(
            Ratio(
                setting=settings[group],
                channel=channel,
                ratio=Estimate(value=ratio, u95=ratio * u * coverage_factor(math.inf)),
                predicted=math.prod(stages[: driven + 1] if channel == "driven" and driven is not None else stages),
                predicted_u95=tolerance(machine, settings[group], channel=channel) * coverage_factor(math.inf),
                contributions={cause: float(each[k]) for cause, each in fit.contributions.items()},
            )
        )
    return found


def _residuals(fit: SweepFit, points: Sequence[SteadyPoint]) -> list[Residual]:
    return [
        Residual(
            point=point,
            channel=channel,
            rpm=60.0 * point.speed_hz[channel],
            residual_rpm=60.0 * float(residual_hz[index]),
        )
        for channel, residual_hz in fit.residual_hz.items()
        for index, point in enumerate(points)
        if channel in point.speed_hz
    ]


def _warnings(fit: SweepFit, points: Sequence[SteadyPoint], machine: Machine) -> list[str]:
    told = []
    for channel, sensor in machine.sensors.items():
        for count in sorted({point.per_turn[channel] for point in points if channel in point.per_turn}):
            if count != sensor.targets:
                told.append(
                    f"{channel}: {count} pulses repeat in every turn, not the {sensor.targets} that are described; its "
                    f"speed was taken from {count} (kerfbeat calibrate targets tells which one it is)"
                )
    if len(run := {point.setting.hz for point in points}) == 1:
        told.append(
            f"{run.pop():g} Hz is the only frequency that was run; six or so, over the inverter's range, tell the "
            "motor's slip better, and a wrong mark or gear from a right one"
        )
    if fit.worst is not None:
        point = points[fit.worst]
        told.append(
            f"the point at {point.setting.hz:g} Hz ({point.source}, {point.start_s:.0f} s) does not lie on the line of "
            "the others; was another frequency shown, or another gear in?"
        )
    if fit.widened > 1.0:
        told.append(
            f"the points disagree {fit.widened:.1f} times as much as display and timing allow, and the ± was widened; "
            "a warm-up between them, a belt that slips, or a wrong mark would do that"
        )
    if machine.inverter is None or machine.inverter.resolution_hz is None:
        told.append(
            f"the inverter's display is taken to show steps of {DEFAULT_RESOLUTION_HZ:g} Hz; write resolution_hz under "
            "[inverter] if it shows others"
        )
    return told
