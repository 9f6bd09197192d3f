"""Which edges came in bursts, as an inverter's noise makes them beside a slow sensor?

A burst is a cluster of edges whose gaps are small beside those around it and of all sizes: a wheel that starts and
stops again makes clusters too, but regular ones.  A target that passes during a burst cannot be told from the noise; it
goes with it and is counted as missing.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["in_bursts"]

Ticks = NDArray[np.int64]

SMALL = 10  # a gap is small if ten of it are less than the longest gap on either side
REACH = 64  # gaps looked at on either side: a longer burst shows as one only near its ends
LEAST_GAPS = 2  # small gaps in a row
SHORT = 5  # gaps up to which a cluster is too short to look regular
RAGGED = 0.6  # median change of ln(gap): 1.1 for random times, below 0.45 for targets 10 degrees of 90 off
LIKEWISE = 3.0  # times the usual median gap of bursts: a cluster up to there is a burst however it looks
APART = 8.0  # times it: random edges are farther apart once in 250 times
PART = 1 << 20


def _longest_before(gaps: Ticks) -> Ticks:
    """Longest of the REACH gaps before each; 0 before the first."""
    longest = np.concatenate(([0], gaps[:-1]))
    step = 1
    while step < REACH:
        longest[step:] = np.maximum(longest[step:], longest[:-step].copy())
        step *= 2
    return longest


def _small_gaps(gaps: Ticks) -> NDArray[np.bool_]:
    """Gaps far smaller than the longest one on either side."""
    small = np.zeros(len(gaps), dtype=bool)
    for low in range(0, len(gaps), PART):
        begin, end = max(0, low - REACH), min(len(gaps), low + PART + REACH)
        part = gaps[begin:end]
        around = np.minimum(_longest_before(part), _longest_before(part[::-1])[::-1])
        small[low : low + PART] = (part * SMALL < around)[low - begin :][: min(PART, len(gaps) - low)]
    return small


def in_bursts(ticks: Ticks) -> NDArray[np.bool_]:
    """Whether each edge belongs to a burst, (n,) for n increasing ticks."""
    gaps = np.diff(ticks)
    mask = np.zeros(len(ticks), dtype=bool)
    if len(gaps) <= LEAST_GAPS:
        return mask
    small = _small_gaps(gaps)
    clusters = _clusters(small)
    typical = np.array([np.median(gaps[first:last]) for first, last in clusters])
    noise = np.array([_is_noise(gaps[first:last]) for first, last in clusters], dtype=bool)
    if not noise.any():
        return mask
    usual = float(np.median(typical[noise]))
    noise |= typical < LIKEWISE * usual  # one that happens to look regular, but as fast as the others, is of their kind
    wanted = np.zeros(len(gaps), dtype=bool)
    for first, last in (cluster for cluster, is_noise in zip(clusters, noise, strict=True) if is_noise):
        wanted[first:last] = True
    # An edge some way off the others of its cluster may be a target's.
    for first, last in _clusters(wanted & (gaps < APART * usual)):
        mask[first : last + 1] = True
    return mask


def _clusters(small: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one past the last of every row of small gaps that is long enough."""
    change = np.diff(np.concatenate(([0], small.astype(np.int8), [0])))
    bounds = zip(np.flatnonzero(change == 1).tolist(), np.flatnonzero(change == -1).tolist(), strict=True)
    return [(first, last) for first, last in bounds if last - first >= LEAST_GAPS]


def _is_noise(gaps: Ticks) -> bool:
    return len(gaps) <= SHORT or bool(np.median(np.abs(np.diff(np.log(gaps)))) > RAGGED)
