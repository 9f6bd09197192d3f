"""How did the speed run over the last minutes, drawn in a few lines of text?

Each column is a stretch of time; its height is the mean of the readings in it, in eighths of a line.  The foot of the
drawing is the bottom of the range shown, not zero: the range stands beside it.  A stretch without a reading stays
empty, so that a silence is not mistaken for a speed.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Range", "bars", "column_means", "fitting_range"]

EIGHTHS = np.array(list(" ▁▂▃▄▅▆▇█"))
STEPS = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """From where to where the drawing goes, and how many decimals its ends need."""

    low: float
    high: float
    places: int

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"a range from {self.low} to {self.high} is empty")

    def ends(self) -> tuple[str, str]:
        """Low and high as text."""
        return f"{self.low:.{self.places}f}", f"{self.high:.{self.places}f}"


def column_means(
    times_s: NDArray[np.float64],
    values: NDArray[np.float64],
    *,
    now_s: float,
    span_s: float,
    columns: int,
) -> NDArray[np.float64]:
    """Mean of the readings in each of `columns` equal stretches that end now; NaN where there is none.

    times_s, values : (n,), times increasing; NaN values are stretches without a reading.
    """
    width_s = span_s / columns
    # Stretches hang on whole multiples of their width, so that a column keeps its readings while time goes on.
    last = math.floor(now_s / width_s)
    column = np.floor(times_s / width_s).astype(np.int64) - (last - columns + 1)
    usable = (column >= 0) & (column < columns) & np.isfinite(values)
    count = np.bincount(column[usable], minlength=columns)
    total = np.bincount(column[usable], weights=values[usable], minlength=columns)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def fitting_range(means: NDArray[np.float64], *, least_span: float) -> Range | None:
    """Round ends that hold all means; None without any.

    least_span : no smaller range is shown, so that noise within the uncertainty does not look like a change.
    """
    known = means[np.isfinite(means)]
    if not known.size:
        return None
    low, high = float(known.min()), float(known.max())
    span = max(high - low, least_span, 1e-9)
    middle = (low + high) / 2
    low, high = min(low, middle - span / 2), max(high, middle + span / 2)
    power = 10.0 ** math.floor(math.log10(span / 2))
    step = next(power * step for step in STEPS if power * step >= span / 4)
    low = math.floor(low / step) * step
    low = max(low, 0.0) if known.min() >= 0.0 else low
    return Range(low=low, high=math.ceil(high / step) * step, places=max(0, -math.floor(math.log10(step) + 1e-9)))


def bars(means: NDArray[np.float64], *, shown: Range, rows: int) -> list[str]:
    """Draw one column for each mean, the top line first; the lowest reading still shows one eighth."""
    share = (means - shown.low) / (shown.high - shown.low)
    eighths = np.clip(np.round(np.nan_to_num(share) * rows * 8), 1, rows * 8).astype(int)
    eighths[~np.isfinite(means)] = 0
    return ["".join(EIGHTHS[np.clip(eighths - 8 * below, 0, 8)]) for below in reversed(range(rows))]
