"""When did a coupling slip beyond its creep?"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.baseline import blocks_of
from kerfbeat.diagnose.lag import Steps
from kerfbeat.diagnose.motor_load import LOAD_U95, LOADED, OVERLOAD
from kerfbeat.diagnose.onset import onsets
from kerfbeat.drive.belt import CREEP_HIGH
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["BELT", "BLADE", "PEAK_S", "Course", "Law", "SlipEvent", "events_of", "greatest_mean", "peak_of"]

Floats = NDArray[np.float64]

PEAK_S = 1.0
ONSET_S = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Law:
    """What a coupling may do, as fractions.

    creep : most creep at full load that is healthy.   reference : slip beyond creep that is added up only above this:
        half of the 1 % that must be found, above all that lumps (0.2 % and half of it twice a pass) and wobble (0.1 %)
        can do.   threshold_s : of the sum, in seconds of the shaft's turning.
    """

    creep: float
    reference: float = 0.005
    threshold_s: float = 0.0015


BELT = Law(creep=CREEP_HIGH)
BLADE = Law(
    creep=0.003
)  # steel stretches little: 0.02 % at full load of the demo saw (F / E A); common practice for the most


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipEvent:
    """Slip beyond creep.

    alarm_s : when the test was sure.   peak_percent : greatest over PEAK_S, against idle.
    load : at its height, part of full load above idle; None without a motor channel.
    confidence : chance that its mean slip is beyond creep.
    """

    start_s: float
    end_s: float
    alarm_s: float
    peak_percent: Estimate
    load: float | None
    overload: bool
    confidence: float
    open: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """What the detector needs, (n,) by step.

    slip : against idle, NaN where unknown.   expected : creep that the load explains.   load : None if unknown.
    noise_s : sd of a step's lag.   u_base : relative standard uncertainty of the baseline.
    """

    steps: Steps
    slip: Floats
    expected: Floats
    load: Floats | None
    noise_s: float
    u_base: Floats


def events_of(course: Course, *, reference: Floats, threshold_s: float) -> list[SlipEvent]:
    """Events in order of time.

    reference : (n,) slip beyond creep that is allowed.   threshold_s : of the sum of what is beyond, in seconds.
    """
    steps, slip, expected, load = course.steps, course.slip, course.expected, course.load
    noise_s = course.noise_s
    found = []
    for group in blocks_of(steps, np.isfinite(slip), math.inf):
        length = steps.length_s[group]
        excess = (slip[group] - expected[group]) * length
        for onset in onsets(excess, reference=reference[group] * length, threshold=threshold_s):
            inside = group[onset.first : onset.after]
            light = load is not None and float(load[inside[0]]) < LOADED
            if light and len(inside) == 1 and inside[0] in (group[0], group[-1]):
                continue  # one misplaced pulse makes it, and no step beside it shows whether the next takes it back
            span_s = float(steps.length_s[inside].sum())
            mean = float((slip * steps.length_s)[inside].sum()) / span_s
            beyond = mean - float((expected * steps.length_s)[inside].sum()) / span_s
            u_base = float(course.u_base[inside[0]])
            u_creep = LOAD_U95 / coverage_factor(math.inf) * (mean - beyond)
            u = math.hypot(math.sqrt(2) * noise_s / span_s, u_base, u_creep)
            peak, peak_load = peak_of(steps, slip, load, inside)
            found.append(
                SlipEvent(
                    start_s=float(steps.end_s[inside[0]] - steps.length_s[inside[0]]),
                    end_s=float(steps.end_s[inside[-1]]),
                    alarm_s=float(steps.end_s[group[onset.alarm]]),
                    peak_percent=Estimate(
                        value=100 * peak,
                        u95=100 * coverage_factor(math.inf) * math.hypot(
                            math.sqrt(2) * noise_s / min(PEAK_S, span_s), u_base
                        ),
                    ),
                    load=peak_load,
                    overload=peak_load is not None and _onset_load(steps, load, inside) > OVERLOAD,
                    confidence=min(0.999, 0.5 * (1 + math.erf(beyond / max(u, 1e-12) / math.sqrt(2)))),
                    open=onset.open,
                )
            )  # fmt: skip
    return found


def _onset_load(steps: Steps, load: Floats | None, inside: NDArray[np.int64]) -> float:
    """Load as the event begins: median of its first second."""
    assert load is not None
    first = inside[steps.end_s[inside] <= steps.end_s[inside[0]] + ONSET_S]
    return float(np.nanmedian(load[first])) if np.isfinite(load[first]).any() else math.nan


def peak_of(steps: Steps, slip: Floats, load: Floats | None, inside: NDArray[np.int64]) -> tuple[float, float | None]:
    """Greatest mean slip over PEAK_S (or the whole, if shorter), and the mean load then."""
    greatest, first, after = greatest_mean(slip[inside], length_s=steps.length_s[inside])
    where = inside[first:after]
    if load is None or not np.isfinite(load[where]).any():
        return greatest, None
    return greatest, float(np.nanmean(load[where]))


def greatest_mean(values: Floats, *, length_s: Floats, over_s: float = PEAK_S) -> tuple[float, int, int]:
    """Greatest mean of (n,) values over a time, or over all if they last less; the first of them and one past the last.

    length_s : (n,) how long each value holds, one following the other.
    """
    gone = np.concatenate(([0.0], np.cumsum(values * length_s)))
    time = np.concatenate(([0.0], np.cumsum(length_s)))
    first = np.searchsorted(time, time - over_s * (1 + 1e-9), side="right") - 1
    first = np.maximum(first, 0)
    long = time - time[first] >= min(over_s, time[-1]) * (1 - 1e-6)
    means = np.where(long, (gone - gone[first]) / np.maximum(time - time[first], 1e-12), -np.inf)
    best = int(np.argmax(means))
    return float(means[best]), int(first[best]), max(best, int(first[best]) + 1)
