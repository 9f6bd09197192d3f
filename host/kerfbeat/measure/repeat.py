"""After how many gaps does a record of edges repeat, and where does it?"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["agreement", "other_counts", "repeat_of", "stretches", "unlike"]

Ticks = NDArray[np.int64]

ALIKE = 5  # gaps are alike within 1/5: a lost edge makes at least 1.5, however uneven the targets
CHUNK = 1 << 16  # edges looked at together; stays in the processor's cache
SAMPLE = 20_000  # edges that decide what repeats
REGULAR = 0.9  # share of alike gaps from which no other count of edges in a turn is tried


def unlike(ticks: Ticks, lag: int) -> Ticks:
    """Gaps k (from edge k to k + 1) that differ by more than 20 % from gap k - lag; k starts at lag."""
    found = []
    for low in range(lag, len(ticks) - 1, CHUNK):
        gaps = np.diff(ticks[low - lag : low + CHUNK + 1])
        difference = gaps[lag:] - gaps[:-lag]
        np.abs(difference, out=difference)
        difference *= ALIKE
        found.append(np.flatnonzero(difference >= gaps[lag:]) + low)
    return np.concatenate(found) if found else np.empty(0, np.int64)


def agreement(ticks: Ticks, lag: int) -> float:
    """Share of gaps that are like the one `lag` before, in samples from the whole record."""
    step = max(1, len(ticks) // (3 * SAMPLE))
    samples = [ticks[low : low + SAMPLE] for low in range(0, len(ticks), step * SAMPLE)]
    pairs = sum(max(0, len(sample) - 1 - lag) for sample in samples)
    return 1.0 - sum(len(unlike(sample, lag)) for sample in samples) / pairs if pairs else 0.0


def other_counts(targets: int) -> list[int]:
    """Edges in a turn if some are missing or too many in every turn."""
    return [count for count in (targets - 1, targets + 1, targets - 2, targets + 2) if count > 0]


def repeat_of(ticks: Ticks, targets: int) -> tuple[int, int]:
    """After how many gaps do they repeat (lag), and how many edges make a turn?

    Near even gaps repeat at once; uneven ones after a turn.  Where neither holds, an edge too few or too many in
    every turn is tried.
    """
    lag = 1 if targets == 1 or agreement(ticks, 1) >= REGULAR else targets
    agreed = agreement(ticks, lag)
    if agreed >= REGULAR:
        return lag, targets
    best = max(other_counts(targets), key=lambda count: agreement(ticks, count))
    return (best, best) if agreement(ticks, best) >= max(0.5, agreed + 0.2) else (lag, targets)


def stretches(unlike_gaps: Ticks, last_gap: int, *, lag: int, least: int) -> tuple[Ticks, Ticks]:
    """First and last edge of each stretch in which at least `least` gaps in a row are like those `lag` before."""
    edges = np.concatenate(([lag - 1], unlike_gaps, [last_gap + 1]))
    low, high = edges[:-1] + 1, edges[1:] - 1
    long = high - low + 1 >= least
    return low[long] - lag, high[long] + 1
