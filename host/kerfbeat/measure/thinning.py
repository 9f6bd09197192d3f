"""Which neighbours of a long row may be averaged, if what is asked is how it began and ended?

Near the ends each stands for itself; farther in, blocks grow with their distance from the nearer end, since they can
say only how steady all was between.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["block_borders"]


def block_borders(n: int, *, growth: float, per_turn: int = 1, single: tuple[int, int] = (0, 0)) -> NDArray[np.int64]:
    """Borders of the blocks of n in a row, from 0 to n.

    growth : a block's part of its distance from the nearer end.   per_turn : a block longer than one holds whole turns
    of so many.   single : two places that stand alone.
    """
    borders, at = [0], 0
    while at < n / 2:
        size = max(1, int(growth * at))
        if size >= per_turn:
            size -= size % per_turn
        at += size
        borders.append(min(at, n // 2))
    front = np.array(borders, dtype=np.int64)
    back = n - front
    alone = np.array([edge + step for edge in single for step in (0, 1)], dtype=np.int64)
    return np.unique(np.concatenate((front, back, alone)))
