"""At what ratio do two shafts turn in idle running, as far as they have run?"""

from collections import deque
from collections.abc import Callable

import numpy as np

from kerfbeat.diagnose.baseline import BLOCK_S, LEAST_IDLE_S, Baseline, Key, ratio_of
from kerfbeat.diagnose.live_steps import Step

__all__ = ["LiveIdle"]

BLOCKS = 120  # of idle running that the ratio is taken from: two minutes and more
FEWEST_BLOCKS = 3


class LiveIdle:
    """The idle ratio of each belt position and gear.

    calibrated : gives what is stored for one.   sparse_is_down : whether the steps' own shaft is the driven one.
    """

    def __init__(self, *, calibrated: Callable[[Key], Baseline | None], sparse_is_down: bool) -> None:
        self._calibrated = calibrated
        self._sparse_is_down = sparse_is_down
        self._blocks: dict[Key, deque[tuple[float, float, float]]] = {}  # turns up and down, seconds
        self._own: dict[Key, Baseline] = {}
        self._levels: dict[Key, int] = {}  # at which idle speed of the motor the ratio was seen
        self._refused: set[Key] = set()
        self._block: list[float] | None = None

    def of(self, key: Key) -> Baseline | None:
        """The ratio in use: that of idle running so far, else a calibrated one."""
        own = self._own.get(key)
        return own if own is not None or key in self._refused else self._calibrated(key)

    def seen_at(self, key: Key, levels: int) -> bool:
        """Whether idle running gave the ratio, at the motor's idle speed of this number."""
        return key in self._own and self._levels[key] == levels

    def break_off(self) -> None:
        """What comes next does not follow from what was."""
        self._block = None

    def forget(self, key: Key, *, refuse: bool = False) -> None:
        """What was seen of a ratio was not idle, or was another ratio: then (refuse) the calibrated one is, too."""
        self._own.pop(key, None)
        self._blocks.pop(key, None)
        if refuse:
            self._refused.add(key)

    def up_and_down(self, own: float, other: float) -> tuple[float, float]:
        """Turns of the driving and of the driven shaft."""
        return (other, own) if self._sparse_is_down else (own, other)

    def collect(self, step: Step, key: Key, levels: int) -> list[float] | None:
        """Gather idle running into blocks of whole turns, a second long or more.

        Returns the blocks' lags behind the ratio, s, when that is known anew.
        """
        if step.whole is None:
            return None
        start_s, own, other = step.whole
        if self._block is None:
            self._block = [start_s, 0.0, 0.0, start_s]
        begun_s, own_sum, other_sum, until_s = self._block
        if start_s < until_s - 1e-9:
            return None  # overlaps the turn before
        if start_s > until_s + 1e-9:
            self._block = None
            return None
        self._block = [begun_s, own_sum + own, other_sum + other, step.end_s]
        if step.end_s - begun_s < BLOCK_S:
            return None
        up, down = self.up_and_down(*self._block[1:3])
        blocks = self._blocks.setdefault(key, deque(maxlen=BLOCKS))
        blocks.append((up, down, step.end_s - begun_s))
        self._block = [step.end_s, 0.0, 0.0, step.end_s]
        idle_s = sum(each[2] for each in blocks)
        if len(blocks) < FEWEST_BLOCKS or idle_s < LEAST_IDLE_S:
            return None
        ratio, u = ratio_of(np.array([each[0] for each in blocks]), np.array([each[1] for each in blocks]))
        self._own[key] = Baseline(ratio=ratio, u_ratio=u, idle_s=idle_s)
        self._levels[key] = levels
        return [(1.0 - down / (up * ratio)) * length_s for up, down, length_s in blocks]
