"""How did the speed go along a log, with all pulses known?

A curve for plots and export: at each point the speed that all edges before and after it speak for, with its interval.
Model: the speed does a random walk in time, edges have white timing noise; the strength of the walk is the one of
highest restricted likelihood in the run.  This is the cubic smoothing spline of phase over time.
Source: Rauch, Tung & Striebel, AIAA Journal 3 (1965) 1445 (the backward pass); Wahba, J. R. Statist. Soc. B 40 (1978).
Spacing is taken out by the angles that the run itself shows, and with it any wobble locked to the turns.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import MeasureError
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.pieces import pieces_of
from kerfbeat.measure.spacing import find_angles, places
from kerfbeat.measure.wander import strength_grid
from kerfbeat.measure.wander_fit import predict_along_chain

__all__ = ["SpeedTrace", "smooth_phase", "speed_trace"]

Floats = NDArray[np.float64]

MOST_POINTS = 2000  # of a trace: more than a plot can show
LEAST_EDGES = 4  # of a run; fewer say no more than their mean
K95 = 1.96


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeedTrace:
    """Speed along a log, (n,) each; between unbroken runs stands one row of NaN, where a line must not be drawn.

    at_s : seconds from the log's beginning.  speed_hz : turns per second.  u95_hz : with the clock's part.
    """

    channel: str
    at_s: Floats
    speed_hz: Floats
    u95_hz: Floats


def smooth_phase(at_s: Floats, place_turns: Floats, *, weight: Floats) -> tuple[Floats, Floats]:
    """Speed at each point and its standard uncertainty, (n,) each, from places reached at given times.

    at_s, place_turns : (n,), increasing, n >= 3.  weight : (n,) edges averaged in each point.
    The noise of a time is that of a place divided by the speed, so a point weighs by its rough speed too.
    """
    rough_hz = np.maximum(np.gradient(place_turns, at_s), 1e-12)
    precision = weight / rough_hz**2
    precision /= precision.mean()
    span_s = float(at_s[-1] - at_s[0])
    strength, _ = strength_grid(turns=span_s, edges=len(at_s), edges_per_turn=len(at_s) / span_s)
    t = at_s - at_s[0]
    mean_hz = (place_turns[-1] - place_turns[0]) / span_s
    flat = (place_turns - place_turns[0] - mean_hz * t)[:, None]
    fit = predict_along_chain(flat, place_turns=t, weight=precision, strength=strength, start=0, end=len(t) - 1)
    noise = np.maximum(fit.squares[:, 0] / fit.dof, 1e-300)
    best = int(np.argmax(-0.5 * (fit.dof * np.log(noise) + fit.log_determinant)))
    slope, variance = _both_ways(t, flat[:, 0], 1.0 / precision, float(strength[best]))
    return slope + mean_hz, np.sqrt(variance * noise[best])


def _both_ways(t: Floats, y: Floats, noise: Floats, strength: float) -> tuple[Floats, Floats]:
    """Slope at each point and its variance (in units of the noise) for one strength: forward filter, backward pass."""
    n = len(t)
    state, cov = np.empty((n, 2)), np.empty((n, 2, 2))
    h = t[1] - t[0]
    # Exact start from the first two points: position and slope at the second.
    state[1] = y[1], (y[1] - y[0]) / h
    cov[1] = [[noise[1], noise[1] / h], [noise[1] / h, (noise[0] + noise[1]) / h**2 + strength * h / 3.0]]
    ahead_state, ahead_cov = np.empty((n, 2)), np.empty((n, 2, 2))
    for i in range(2, n):
        h = float(t[i] - t[i - 1])
        x, v = state[i - 1]
        (a, b), (_, d) = cov[i - 1]
        x = x + h * v
        a, b, d = a + 2 * h * b + h * h * d + strength * h**3 / 3, b + h * d + strength * h * h / 2, d + strength * h
        ahead_state[i], ahead_cov[i] = (x, v), ((a, b), (b, d))
        total = a + noise[i]
        surprise = (y[i] - x) / total
        state[i] = x + a * surprise, v + b * surprise
        cov[i] = ((a - a * a / total, b - a * b / total), (b - a * b / total, d - b * b / total))
    smooth_state, smooth_cov = state[n - 1].copy(), cov[n - 1].copy()
    slope, variance = np.empty(n), np.empty(n)
    slope[n - 1], variance[n - 1] = smooth_state[1], smooth_cov[1, 1]
    for i in range(n - 2, 0, -1):
        step = np.array([[1.0, t[i + 1] - t[i]], [0.0, 1.0]])
        gain = np.linalg.solve(ahead_cov[i + 1], step @ cov[i]).T
        smooth_state = state[i] + gain @ (smooth_state - ahead_state[i + 1])
        smooth_cov = cov[i] + gain @ (smooth_cov - ahead_cov[i + 1]) @ gain.T
        slope[i], variance[i] = smooth_state[1], smooth_cov[1, 1]
    # Before the second point there is only the walk: the same speed, a little less sure.
    slope[0], variance[0] = slope[1], variance[1] + strength * (t[1] - t[0])
    return slope, np.maximum(variance, 0.0)


def _thinned(clean: CleanPulses, first: int, last: int, points: int) -> tuple[Floats, Floats, Floats]:
    """Tick, place and count of edges of at most about `points` blocks, which are whole turns if more than one edge."""
    per_turn, n = clean.per_turn, last - first
    ticks, numbers = clean.ticks[first:last], clean.numbers(first, last)
    try:
        head = min(n, 4096 * per_turn)
        angles, _ = find_angles(ticks[:head], numbers=numbers[:head], per_turn=per_turn)
    except MeasureError:
        angles = np.arange(per_turn) / per_turn
    place = places(numbers, angles_turns=angles)
    size = -(-n // points)
    if size == 1:
        return ticks.astype(np.float64), place, np.ones(n)
    size = -(-size // per_turn) * per_turn
    borders = np.arange(0, n, size)
    count = np.diff(borders, append=n).astype(np.float64)
    base = ticks[borders]
    tick = base + np.add.reduceat(ticks - np.repeat(base, count.astype(np.int64)), borders) / count
    return tick, np.add.reduceat(place, borders) / count, count


def speed_trace(
    log: PulseLog,
    channel: str,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    points: int = MOST_POINTS,
) -> SpeedTrace:
    """Smoothed speed of a channel along the log or a window of it, about `points` points at most.

    Raises MeasureError if the machine has no such sensor, or no run of the window has enough pulses for a curve.
    """
    if channel not in log.machine.sensors:
        raise MeasureError(
            f"{log.source}: no sensor on {channel}; the machine has {', '.join(log.machine.sensors) or 'none'}"
        )
    parts: list[tuple[Floats, Floats, Floats]] = []
    for piece in pieces_of(log, start_s=start_s, end_s=end_s):
        if len(piece.edges(channel)) < LEAST_EDGES:
            continue
        clean = piece.clean(channel, log.machine.sensors[channel].targets)
        tick_hz = piece.segment.tick_hz
        for first, last in pairwise(clean.run_starts.tolist()):
            if last - first < LEAST_EDGES:
                continue
            share = max(50, round(points * (last - first) / len(clean.ticks)))
            tick, place, weight = _thinned(clean, first, last, share)
            if len(tick) < LEAST_EDGES:
                continue
            board_s = (tick - piece.segment.start_ticks) / tick_hz
            speed_hz, u_hz = smooth_phase(board_s, place, weight=weight)
            u95_hz = K95 * np.hypot(u_hz, speed_hz * piece.clock.u_ppm * 1e-6)
            parts.append(
                (
                    piece.offset_s + board_s / piece.clock.factor,
                    speed_hz * piece.clock.factor,
                    u95_hz * piece.clock.factor,
                )
            )
    if not parts:
        raise MeasureError(f"{log.source}: {channel} has no run of {LEAST_EDGES} pulses or more; no curve")
    gap = np.array([np.nan])
    columns = [np.concatenate([np.append(part[k], gap) for part in parts])[:-1] for k in range(3)]
    return SpeedTrace(channel=channel, at_s=columns[0], speed_hz=columns[1], u95_hz=columns[2])
