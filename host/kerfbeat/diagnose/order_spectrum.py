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

from kerfbeat.diagnose.spline import between
from kerfbeat.errors import MeasureError

__all__ = ["LOWEST", "SLOWEST", "Spectrum", "Wave", "spectrum_of"]

Floats = NDArray[np.float64]

MOST_PASSES = 40_000  # looked at; more would only narrow what is narrow already, and take more than a second
SLOWEST = 0.3  # lowest order that is looked for where nothing else is said
TREND_WAVES = 6.0  # of the slowest wave between two knots of the trend, which slower waves are taken for
SEGMENT_TURNS, SEGMENT_WAVES = 256, 24.0  # resolution of the spectrum: so many turns, and waves of the slowest
LOWEST = 0.33  # of the slowest order: below is trend
LEAST_TURNS = 12
FLOOR_BINS = 151  # of the running median
BINS_PER_POWER = 3.1  # of it, for one independent power: 1.5 by the Hann window, 2.08 by the median's efficiency
FALSE_PEAK = 1e-3  # chance that a spectrum of pure noise shows any peak
MOST_WAVES = 12
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

    turns : how many were looked at.   resolution : width of a peak, in orders.   noise_turns : sd of what is left.
    """

    orders: Floats
    amplitude_turns: Floats
    floor_turns: Floats
    threshold_turns: Floats
    waves: tuple[Wave, ...]
    turns: float
    resolution: float
    noise_turns: float


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
    floor = _floor(power)
    from scipy.special import fdtri

    free = 2.0 * _independent(count)
    ratio = float(fdtri(free, free * _floor_width(len(power)) / BINS_PER_POWER, 1.0 - FALSE_PEAK / len(power)))
    peaks = _peaks(power, floor, ratio, lowest=max(3, math.ceil(size / per_turn * LOWEST * slowest)))
    waves, noise = _fit(
        place,
        when,
        number,
        orders[peaks],
        per_turn=per_turn,
        segment_turns=size / per_turn,
        knot_turns=knot_turns,
        known=known,
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
            if a > CONFIRMED * u
        ),
        turns=turns,
        resolution=per_turn / size,
        noise_turns=noise,
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


def _floor_width(bins: int) -> int:
    return min(FLOOR_BINS, max(5, bins // 4 * 2 + 1))


def _floor(power: Floats) -> Floats:
    """Mean power of the noise around each bin, from the median of its neighbours.

    The median of an exponential distribution is ln 2 of its mean; of averaged powers it is nearer to the mean, so that
    the floor then errs to the safe side.
    """
    half = _floor_width(len(power)) // 2
    around = np.lib.stride_tricks.sliding_window_view(np.pad(power, half, mode="symmetric"), 2 * half + 1)
    middle = np.median(around, axis=1)
    return np.asarray(np.maximum(middle, 1e-30) / math.log(2.0))


def _peaks(power: Floats, floor: Floats, ratio: float, *, lowest: int) -> list[int]:
    """Bins of peaks, strongest first."""
    inside = np.zeros(len(power), dtype=bool)
    inside[lowest:-1] = (power[lowest:-1] >= power[lowest - 1 : -2]) & (power[lowest:-1] > power[lowest + 1 :])
    found: list[int] = []
    for k in np.argsort(power)[::-1].tolist():
        if len(found) == MOST_WAVES or power[k] <= 0:
            break
        if not inside[k] or power[k] < ratio * floor[k] or any(abs(k - other) < APART_BINS for other in found):
            continue
        if any(abs(k - o) < NEAR_BINS and power[k] < (SIDE_LOBES**2) * power[o] for o in found):
            continue
        found.append(k)
    return found


def _fit(
    place: Floats, when: Floats, number: NDArray[np.int64], rough: Floats, *, per_turn: int, segment_turns: float,
    knot_turns: float, known: bool,
) -> tuple[list[tuple[float, float, float]], float]:  # fmt: skip
    """Order, amplitude and its standard uncertainty of every wave, from fits to segments; and the noise left.

    Segments, since a belt's order creeps against the shaft's: amplitudes are averaged without their phases.
    """
    x = (number - number[0]) / per_turn
    count = max(1, min(16, int(x[-1] / segment_turns)))
    bounds = np.searchsorted(x, np.arange(count + 1) * segment_turns)
    pieces = [
        slice(a, b) for a, b in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True) if b - a > 4 * per_turn
    ]
    orders = rough.copy()
    for _ in range(2):
        moves, weights = np.zeros(len(orders)), np.zeros(len(orders))
        squares, variances, noises = [], [], []
        for piece in pieces:
            c, s, cd, sd, variance, noise = _fit_piece(
                place[piece], when[piece], number[piece], orders, per_turn=per_turn, knot_turns=knot_turns, known=known
            )
            squares.append(c * c + s * s)
            variances.append(variance)
            noises.append(noise)
            # A phase that turns along the piece shows in the columns times the turns: how far the order is off.
            power = np.maximum(c * c + s * s, 1e-300)
            moves += c * sd - s * cd
            weights += power
        step = np.clip(moves / np.maximum(weights, 1e-300) / (2 * np.pi), -0.5 / segment_turns, 0.5 / segment_turns)
        orders = orders - step if len(orders) else orders
    square = np.mean(squares, axis=0) if len(orders) else np.empty(0)
    variance = np.mean(variances, axis=0) if len(orders) else np.empty(0)
    noise = math.sqrt(float(np.mean(np.square(noises)))) if noises else math.nan
    amplitude = np.sqrt(np.maximum(square - 2 * variance, 0.0))
    u = np.sqrt(variance / len(pieces))
    if len(pieces) > 2 and len(orders):
        u = np.hypot(u, np.std(np.sqrt(squares), axis=0, ddof=1) / math.sqrt(len(pieces)))
    return list(zip(orders.tolist(), amplitude.tolist(), u.tolist(), strict=True)), noise


def _fit_piece(
    place: Floats,
    when: Floats,
    number: NDArray[np.int64],
    orders: Floats,
    *,
    per_turn: int,
    knot_turns: float,
    known: bool,
) -> tuple[Floats, Floats, Floats, Floats, Floats, float]:
    """Cosine and sine parts, their slopes along the piece, variance of a part, noise."""
    turns = (number - number[0]) / per_turn
    span = float(turns[-1])
    u = 2 * turns / span - 1
    y = place - place[0]
    mean_hz = y[-1] / (when[-1] - when[0])
    y = y - mean_hz * (when - when[0])
    waves = len(orders)
    angle = 2 * np.pi * np.outer(turns - span / 2, orders)
    cos, sin = np.cos(angle), np.sin(angle)
    trend = np.polynomial.legendre.legvander(u, 3 + int(span / knot_turns))
    ramp = (turns - span / 2)[:, None]
    columns = np.hstack((cos, sin, ramp * cos, ramp * sin, trend))
    absorbed = 0
    if not known:
        both = _without_means(np.column_stack((columns, y)), number % per_turn, per_turn)
        columns, y, absorbed = both[:, :-1], both[:, -1], per_turn - 1
    gram = columns.T @ columns
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    inverse = np.linalg.pinv(gram / np.outer(scale, scale), rcond=1e-10, hermitian=True) / np.outer(scale, scale)
    found = inverse @ (columns.T @ y)
    left = y - columns @ found
    noise2 = float(left @ left) / max(1, len(y) - columns.shape[1] - absorbed)
    diagonal = np.diag(inverse)
    variance = noise2 * 0.5 * (diagonal[:waves] + diagonal[waves : 2 * waves])
    c, s, cd, sd = (found[k * waves : (k + 1) * waves] for k in range(4))
    return c, s, cd, sd, np.maximum(variance, 0.0), math.sqrt(noise2)


def _without_means(columns: Floats, target: NDArray[np.int64], per_turn: int) -> Floats:
    """Columns less their mean for each target: what a fit with a free offset for each target is left with.

    Source: Frisch & Waugh, Econometrica 1 (1933) 387.
    """
    rest = columns.copy()
    for j in range(per_turn):
        mine = target == j
        if mine.any():
            rest[mine] -= rest[mine].mean(axis=0)
    return rest
