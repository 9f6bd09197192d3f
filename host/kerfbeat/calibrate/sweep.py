"""What do steady speeds at several frequencies say of the chain's ratio and the motor's slip?

Model.  At shown frequency f the motor turns at 2 f / p - S h(f), S being its slip at base frequency and no load, and a
channel at the part k of that (1 for the motor's own, 1 / ratio for others).  h is the slip law: constant to base
frequency f_b, growing with (f / f_b)^2 above it, where voltage stays and flux falls (`kerfbeat.drive.motor`); drag that
grows with speed, and flux missing at low frequency, change it, so it is

    h = (e^-q + (1 - e^-q) x) x^(2 + b for x > 1, 0 otherwise),   x = f / f_b,

a straight line from e^-q at standstill to 1 at base frequency, with q and b unknown around 0.  Least squares on ln k,
S, b, the clock's and the inverter's error, with what is known of the latter beforehand as observations of their own.
The display's last digit is an error of every point, common to its channels.  Slip in proportion to speed cannot be told
from ratio: the ratio is the effective one, and that doubt is in its uncertainty through q, which is integrated over
since S and q multiply.
Sources: generalised least squares with prior observations: Draper & Smith, Applied Regression Analysis (from memory);
integrating a nuisance parameter numerically: Naylor & Smith, Applied Statistics 31 (1982) 214 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kerfbeat.calibrate.sweep_model import GROWTH, SLIP, U_GROWTH, Floats, Linear, Model, Sweep
from kerfbeat.errors import CalibrateError

__all__ = ["LEAST_POINTS", "SweepFit", "fit_sweep"]

LEAST_POINTS = 3
LEAST_SPAN = 1.25  # highest over lowest frequency: with less, slip and ratio are one and the same
DISAGREE = 0.01  # chance of points agreeing worse by accident; worse still, timing and display are widened
NODES = np.linspace(-3.0, 3.0, 9)  # values of q at which the rest is fitted, in standard deviations from the best


@dataclass(frozen=True, kw_only=True, slots=True)
class SweepFit:
    """Logarithms of the scales k, and the slip.

    scales : which channel and group each is of.   log_scale : (s,), with `covariance` (s, s) from all causes.
    slip_hz, u_slip_hz : at base frequency.
    contributions : cause -> (s + 1,) standard uncertainties, of each ln k and last of the slip.
    residual_hz : by channel (n,), seen less fitted.   slip_part : (n,) slip as fitted, part of synchronous speed.
    widened : factor on timing and display errors.
    worst : index of the point that fits worst, if it is far outside what chance allows; else None.
    """

    scales: tuple[tuple[str, int], ...]
    log_scale: Floats
    covariance: Floats
    slip_hz: float
    u_slip_hz: float
    contributions: Mapping[str, Floats]
    residual_hz: Mapping[str, Floats]
    slip_part: Floats
    widened: float
    worst: int | None


def _refuse_too_little(sweep: Sweep) -> None:
    if not any(np.isfinite(speed_hz).any() for speed_hz in sweep.speed_hz.values()):
        raise CalibrateError("no steady point was found; let the speed settle for some turns at every frequency.")
    frequencies = np.unique(sweep.shown_hz)
    if "motor" in sweep.speed_hz and np.isfinite(sweep.speed_hz["motor"]).any():
        return  # ratios come from two sensors at once, at any frequency
    if len(frequencies) == 1:
        raise CalibrateError(
            f"all points are at {frequencies[0]:g} Hz, where slip and ratio cannot be told apart; run at "
            f"{LEAST_POINTS} frequencies or more, from the lowest to the highest you use."
        )
    if len(frequencies) < LEAST_POINTS:
        raise CalibrateError(
            f"{len(frequencies)} frequencies are too few; run at {LEAST_POINTS} or more, better six, from the lowest "
            "to the highest you use."
        )
    if frequencies[-1] / frequencies[0] < LEAST_SPAN:
        raise CalibrateError(
            f"{frequencies[0]:g} to {frequencies[-1]:g} Hz is too narrow to tell slip from ratio; spread the "
            f"frequencies at least {LEAST_SPAN:g} to 1."
        )


def fit_sweep(
    sweep: Sweep,
    *,
    poles: int,
    base_hz: float,
    rated_slip_hz: float,
    resolution_hz: float,
    motor_is_one: bool = False,
    u_growth: float = U_GROWTH,
) -> SweepFit:
    """Fit scales and slip to the steady points.

    resolution_hz : last digit of the display (rectangular, GUM F.2.2.1).   rated_slip_hz : of the nameplate.
    motor_is_one : take the motor channel's scale as 1, once its poles and targets are beyond doubt.
    u_growth : standard uncertainty of q; 0 takes the slip law as exact.
    Raises CalibrateError if the points cannot tell slip from ratio.
    """
    _refuse_too_little(sweep)
    model = Model(
        sweep,
        poles=poles,
        base_hz=base_hz,
        rated_slip_hz=rated_slip_hz,
        display_u_hz=resolution_hz / math.sqrt(12.0),
        motor_is_one=motor_is_one,
        u_growth=u_growth,
    )
    growth, slip = len(model.scales) + GROWTH, len(model.scales) + SLIP
    free, held = model.free(), model.free(growth)
    best, there, covariance = model.solve(model.start(), free)
    u_q = math.sqrt(covariance[free.index(growth), free.index(growth)])
    found, within, log_weight = [], [], []
    for node in NODES if u_growth > 0 else [0.0]:
        start = best.copy()
        start[growth] += node * u_q
        parameters, here, spread = model.solve(start, held)
        found.append(parameters)
        within.append(spread)
        # A slip is taken to be as likely at any order of magnitude, whatever q is (Jeffreys' prior of a size, density
        # 1 / S), down to what it is known to at this q.  As likely at any value at standstill, fewer intervals held it.
        size_hz = math.sqrt(parameters[slip] ** 2 + spread[held.index(slip), held.index(slip)])
        log_weight.append(-0.5 * here.squares + 0.5 * np.linalg.slogdet(spread)[1] - math.log(size_hz))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    mean = weight @ np.array(found)  # not the likeliest: slip is e^q times what is seen, and that is lopsided
    away = np.array(found) - mean
    between = np.einsum("i,ij,ik->jk", weight, away, away)
    within_q = np.einsum("i,ijk->jk", weight, np.array(within))
    return _result(model, mean, there, between=between, within=within_q)


def _result(model: Model, mean: Floats, there: Linear, *, between: Floats, within: Floats) -> SweepFit:
    """Put value, uncertainty by cause, and residuals together.

    mean : parameters, averaged over q.   there : the equations at the best fit.
    between, within : covariance from q, and from all else at each q.
    """
    from scipy.stats import chi2

    count, rows = len(model.scales), len(model.at)
    free, held = model.free(), model.free(count + GROWTH)
    dof = rows - (len(free) - 5)
    widened = math.sqrt(there.squares / dof) if dof > 0 and there.squares > chi2.isf(DISAGREE, dof) else 1.0
    wanted = list(range(count + 1))  # every scale, and the slip
    contributions: dict[str, Floats] = {}
    covariance = between.copy()
    covariance[np.ix_(held, held)] += within
    steps = np.zeros((len(mean), rows + 5))
    steps[held] = model.gain(there, held)
    for cause, part in model.parts.items():
        spread = steps @ part @ steps.T
        if cause in ("timing", "wander", "display", "creep"):
            covariance += spread * (widened**2 - 1.0)
            spread *= widened**2
        elif cause == "slip law":
            spread += between
        contributions[cause] = np.sqrt(np.maximum(np.diag(spread)[wanted], 0.0))
    left = model.total - there.design[:, free] @ model.gain(there, free) @ model.total  # covariance of the residuals
    u_miss = np.sqrt(np.maximum(np.diag(left), 1e-12 * np.diag(model.total)))[:rows]
    z = np.abs(there.miss[:rows]) / u_miss
    residual_hz = {channel: np.full(len(speed), np.nan) for channel, speed in model.sweep.speed_hz.items()}
    slip_part = np.full(len(model.sweep.shown_hz), np.nan)
    slip_part[model.point] = 1.0 - (model.speed_hz - there.miss[:rows]) / (np.exp(mean[model.at]) * model.field_hz)
    for row, (index, point) in enumerate(zip(model.at.tolist(), model.point.tolist(), strict=True)):
        residual_hz[model.scales[index][0]][point] = there.miss[row]
    return SweepFit(
        scales=model.scales,
        log_scale=mean[:count],
        covariance=covariance[:count, :count],
        slip_hz=float(mean[count]),
        u_slip_hz=math.sqrt(float(covariance[count, count])),
        contributions=contributions,
        residual_hz=residual_hz,
        slip_part=slip_part,
        widened=widened,
        worst=int(model.point[z.argmax()]) if dof > 0 and z.max() ** 2 > chi2.isf(DISAGREE / rows, 1) else None,
    )
