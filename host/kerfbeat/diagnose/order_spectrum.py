"""Which waves in step with its turning does a shaft's speed hold?

A wave of relative amplitude a and order q in the speed moves a pass at place theta by -a sin(2 pi q theta) / (2 pi q)
turns: passes are point samples of it, so that orders beyond half the targets appear folded, at their full size.  What
is done: trend taken out over some waves of the slowest element, a mean for each target taken out unless its angle is
calibrated (it cannot be told from a whole order), averaged Hann periodogram, floor by a running median, peaks above it,
and for these a least-squares fit of all waves, targets and trend together.
Sources: averaged periodogram: Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70; sine-wave bounds: Rife & Boorstyn,
IEEE Trans. Inf. Theory 20 (1974) 591.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.order_fit import Passes, fit_waves
from kerfbeat.diagnose.spline import between
from kerfbeat.errors import MeasureError

__all__ = ["LOWEST", "SLOWEST", "Spectrum", "Wave", "spectrum_of"]

Floats = NDArray[np.float64]

MOST_PASSES = 800_000  # looked at; more would only narrow what is narrow already, and take more than a second
SLOWEST = 0.3  # lowest order that is looked for where nothing else is said
TREND_WAVES = 6.0  # of the slowest wave between two knots of the trend, which slower waves are taken for
SEGMENT_TURNS, SEGMENT_WAVES = 256, 24.0  # resolution of the spectrum: so many turns, and waves of the slowest
LOWEST = 0.33  # of the slowest order: below is trend
LEAST_TURNS = 12
FLOOR_BINS, LEAST_HALF = 151, 4  # of the running median: bins, and fewest to each side
BINS_PER_POWER = 3.1  # of it, for one independent power: 1.5 by the Hann window, 2.08 by the median's efficiency
FALSE_PEAK = 1e-3  # chance that a spectrum of pure noise shows any peak
MOST_WAVES = 12
OWN_HALF_BINS = 0.5  # bins about a whole order that are the targets' own: a wave fitted beside their free offsets there
# has no size (test_a_wave_in_step_with_uncalibrated_targets_is_no_peak)
CONFIRMED = 3.0  # standard errors of its fitted amplitude that a wave must reach: one in step with the targets is taken
# out with their spacing, so that its side lobes may stand out of the floor while nothing is left to be fitted
APART_BINS = 2.5  # the Hann window's main lobe reaches 2 bins to each side
SIDE_LOBES = 0.005  # of a peak's amplitude; what is below that near a strong peak is its own side lobe and smear
NEAR_BINS = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class Wave:
    """One wave as it shows up: order from 0 to half the pulses of a turn, amplitude of the pass's place in turns.

    u_amplitude : standard uncertainty.   strength : power over the floor.
    """

    order: float
    amplitude_turns: float
    u_amplitude_turns: float
    strength: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Spectrum:
    """(k,) orders, amplitude of place in turns, its floor and the level that a peak must pass; and the waves found.

    turns : how many were looked at.   resolution : width of a peak, in orders.
    """

    orders: Floats
    amplitude_turns: Floats
    floor_turns: Floats
    threshold_turns: Floats
    waves: tuple[Wave, ...]
    turns: float
    resolution: float


def spectrum_of(
    place_turns: Floats, seconds: Floats, *, numbers: NDArray[np.int64], per_turn: int, known: bool,
    slowest: float = SLOWEST,
) -> Spectrum:  # fmt: skip
    """Spectrum of one steady, unbroken run.

    place_turns : (n,) places by even or calibrated angles; seconds : (n,); numbers : (n,) pulse numbers.
    known : whether the angles are calibrated; else every whole order is taken out as spacing.
    slowest : lowest order that is of interest, in events per turn.
    Raises MeasureError for fewer than 12 turns.
    """
    from scipy.special import fdtri

    n = min(len(seconds), MOST_PASSES)
    place, when, number = place_turns[:n], seconds[:n], numbers[:n]
    turns = float(number[-1] - number[0]) / per_turn if n else 0.0
    if turns < LEAST_TURNS:
        raise MeasureError(
            f"{turns:.0f} unbroken steady turns are too few for an order spectrum; {LEAST_TURNS} are needed"
        )
    knot_turns = TREND_WAVES / slowest
    off = _deviation(place, when, number % per_turn, per_turn=per_turn, knots=int(turns / knot_turns), known=known)
    grid = np.zeros(int(number[-1] - number[0]) + 1)
    grid[number - number[0]] = off  # a missed pass is taken as undisturbed
    size = int(min(max(SEGMENT_TURNS, SEGMENT_WAVES / slowest), turns) * per_turn)
    power, count = _welch(grid, size)
    orders = np.arange(len(power)) * per_turn / size
    free = 2.0 * _independent(count)
    half = _floor_half(len(power))
    floor = _floor(power, half, free)
    ratio = fdtri(free, free * (2 * half + 1) / BINS_PER_POWER, 1.0 - FALSE_PEAK / len(power))
    peaks = _peaks(power, floor, ratio, lowest=max(3, math.ceil(size / per_turn * LOWEST * slowest)))
    waves = fit_waves(
        Passes(place=place, when=when, number=number, per_turn=per_turn, known=known),
        orders[peaks],
        # of a Hann window's mean square amplitude: white noise of this variance would make the floor so high
        noise2=floor[peaks] * size / 6.0,
        piece_turns=min(size / per_turn, turns / 2),
        knot_turns=knot_turns,
    )
    strength = (power / floor)[peaks]
    return Spectrum(
        orders=orders,
        amplitude_turns=np.sqrt(power),
        floor_turns=np.sqrt(floor),
        threshold_turns=np.sqrt(floor * ratio),
        waves=tuple(
            Wave(order=order, amplitude_turns=a, u_amplitude_turns=u, strength=float(s))
            for (order, a, u), s in zip(waves, strength, strict=True)
            if a > CONFIRMED * u and (known or abs(order - round(order)) > OWN_HALF_BINS * per_turn / size)
        ),
        turns=turns,
        resolution=per_turn / size,
    )


def _deviation(
    place: Floats, when: Floats, target: NDArray[np.int64], *, per_turn: int, knots: int, known: bool
) -> Floats:
    """How far ahead each pass's shaft is of its trend, in turns."""
    mean_hz = (place[-1] - place[0]) / (when[-1] - when[0])
    y = (place - place[0]) - mean_hz * (when - when[0])
    off = y - between(place, y, pieces=knots)
    if not known and per_turn > 1:
        for _ in range(2):
            means = np.bincount(target, off, per_turn) / np.maximum(1, np.bincount(target, minlength=per_turn))
            y = y - means[target]
            off = y - between(place, y, pieces=knots)
    return np.asarray(off)


def _welch(grid: Floats, size: int) -> tuple[Floats, int]:
    """Mean squared amplitude of a sine in each bin, over half-overlapping segments, and how many there are."""
    step = max(1, size // 2)
    starts = range(0, len(grid) - size + 1, step)
    window = np.hanning(size + 1)[:-1]
    scale = 2.0 / window.sum()
    total = np.zeros(size // 2 + 1, dtype=np.float64)
    for start in starts:
        total += np.abs(np.fft.rfft(window * grid[start : start + size]) * scale) ** 2
    return np.asarray(total / len(starts), dtype=np.float64), len(starts)


def _independent(count: int) -> float:
    """Independent segments in `count` half-overlapping Hann ones: their spectra correlate by 1/6 in amplitude squared.

    Source: Welch (1967): variance factor 1 + 2 (1/6)^2.
    """
    return max(1.0, count / (1.0 + (2.0 / 36.0) * (count > 1)))


def _floor_half(bins: int) -> NDArray[np.int64]:
    """How many neighbours to each side make the floor of each bin: half as many as its number, within bounds.

    A speed that wanders makes a power that falls steeply from the lowest order on; so near to that the median of a
    wide stretch would lie far below it.
    """
    most = min(FLOOR_BINS // 2, max(2, bins // 4))
    return np.clip(np.arange(bins) // 2, min(LEAST_HALF, most), most)


def _floor(power: Floats, half: NDArray[np.int64], free: float) -> Floats:
    """Mean power of the noise around each bin, from the median of its neighbours.

    free : degrees of freedom of one power, which is distributed as chi-square then; its median lies below its mean.
    """
    from scipy.special import chdtri

    most = int(half.max())
    padded = np.pad(power, most, mode="symmetric")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * most + 1), axis=1)
    for k in np.flatnonzero(half < most).tolist():
        middle[k] = np.median(padded[most + k - half[k] : most + k + half[k] + 1])
    return np.asarray(np.maximum(middle, 1e-30) * free / chdtri(free, 0.5))


def _peaks(power: Floats, floor: Floats, ratio: Floats, *, lowest: int) -> list[int]:
    """Bins of peaks, strongest first."""
    inside = np.zeros(len(power), dtype=bool)
    inside[lowest:-1] = (power[lowest:-1] >= power[lowest - 1 : -2]) & (power[lowest:-1] > power[lowest + 1 :])
    found: list[int] = []
    for k in np.argsort(power)[::-1].tolist():
        if len(found) == MOST_WAVES or power[k] <= 0:
            break
        if not inside[k] or power[k] < ratio[k] * floor[k] or any(abs(k - other) < APART_BINS for other in found):
            continue
        if any(abs(k - o) < NEAR_BINS and power[k] < (SIDE_LOBES**2) * power[o] for o in found):
            continue
        found.append(k)
    return found
