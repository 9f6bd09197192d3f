"""What becomes of edges that do not repeat: which run do they belong to, and where does one begin?

Windows between certain stretches are bridged where the count is beyond doubt.  In the others, and at both ends of a
record, edges are walked from the certain side outwards, backwards in time too, and what neither side reaches must be
regular by itself or is noise.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.bridge import Bridge, bridge_windows
from kerfbeat.measure.walk import walk_edges

__all__ = ["Verdict", "settle_edges"]

Ticks = NDArray[np.int64]

IRREGULAR = 0.3  # median change of ln(gap) from gap to gap: 0.17 from standstill, 1.1 for random edges
EVEN, LEAST_EVEN = 0.1, 4  # so many gaps, none of which changes by more: chance makes that of noise once in 10 000
FASTER = 2.0  # uncertain edges that speak of more than this times the fastest certain speed are noise
MOST_WALKED = 1_000_000  # edges followed one by one; a record with more of them is noise


class Verdict:
    """What has been decided so far about each edge; edges are indices into the ticks."""

    def __init__(self, ticks: Ticks, *, per_turn: int, lag: int) -> None:
        self.ticks = ticks
        self.per_turn = per_turn
        self.lag = lag
        self.keep = np.ones(len(ticks), dtype=bool)
        self.starts: list[int] = []
        self.skip_at: list[Ticks] = []
        self.skips: list[Ticks] = []
        self.shortest = 0.0  # ticks, mean gap of the fastest certain stretch
        self.irregular = 0
        self.walked = 0

    def _gaps(self, edge: int, direction: int) -> list[float] | None:
        """Gaps of the turn before (direction 1) or after (-1) an edge, as they will come again in that direction."""
        turn = edge - direction * self.per_turn * np.array([1, 0])
        if turn.min() < 0 or turn.max() >= len(self.ticks):
            return None
        edges = self.ticks[edge - self.per_turn : edge + 1] if direction > 0 else self.ticks[edge : turn.max() + 1]
        gaps = np.diff(edges)[::direction]
        return list(gaps * (self.per_turn / gaps.sum()))

    def _follow(self, edges: range, anchor: int | None, direction: int, least: int) -> int:
        """Walk over edges away from an anchor; returns how many were settled.  Without anchor a run begins."""
        edges = edges[:MOST_WALKED]
        context: list[float] = []
        gaps: list[float] | None = None
        if anchor is not None:
            near = self.ticks[max(0, anchor - 2) : anchor + 1] if direction > 0 else self.ticks[anchor : anchor + 3]
            context = [float(direction * tick) for tick in near[::direction]]
            gaps = self._gaps(anchor, direction) if self.lag > 1 else [1.0]
        times = [float(direction * tick) for tick in self.ticks[np.arange(edges.start, edges.stop, edges.step)]]
        walk = walk_edges(times, context=context, gaps=gaps)
        self.walked += walk.reached
        if anchor is None and not self._turning(np.abs(np.take(times, walk.kept)), least):
            self.keep[edges[: walk.reached]] = False
            self.irregular += walk.reached
            return walk.reached
        kept = [edges[k] for k in walk.kept]
        self.keep[[edges[k] for k in range(walk.reached)]] = False
        self.keep[kept] = True
        if anchor is None:
            self.starts.append(kept[0])
        if walk.skips:
            # A skip stands before the later edge: walking backwards that is the edge kept just before.
            order = [anchor, *kept] if anchor is not None else kept
            at = [edges[k] if direction > 0 else order[order.index(edges[k]) - 1] for k in walk.skip_at]
            self.skip_at.append(np.array(at, dtype=np.int64))
            self.skips.append(np.array(walk.skips, dtype=np.int64))
        return walk.reached

    def all_noise(self) -> None:
        """Nothing certain and most of it irregular: what looked like turning was chance."""
        self.keep[:] = False
        self.starts, self.skip_at, self.skips = [], [], []
        self.irregular = len(self.ticks)

    def _turning(self, times: NDArray[np.float64], least: int) -> bool:
        """Whether edges that no certain stretch vouches for are a turning wheel: regular, and not far too fast."""
        gaps = np.diff(times)
        if least == 1:
            return True
        even = len(gaps) >= LEAST_EVEN and bool(np.abs(np.diff(np.log(gaps))).max() < EVEN)
        if len(times) < least and not even:
            return False
        regular = np.median(np.abs(np.diff(np.log(gaps)))) < IRREGULAR
        return bool(regular and np.median(gaps) > self.shortest / FASTER)

    def settle(self, left: int | None, right: int | None, first: int, last: int, least: int) -> None:
        """Edges first..last between two certain ones (None at a cut or at the record's end); opens runs as needed."""
        if left is not None:
            reach = last + 1 if right is None else last + 2
            settled = self._follow(range(first, reach), left, 1, least)
            if right is not None and settled == reach - first:
                return
            first += min(settled, last + 1 - first)
        begin = right
        if right is not None:
            settled = self._follow(range(last, first - 1, -1), right, -1, least)
            last -= settled
            begin = last + 1 + int(np.argmax(self.keep[last + 1 : right + 1]))
        while first <= last:
            first += max(1, self._follow(range(first, last + 1), None, 1, least))
            if self.walked > MOST_WALKED:
                self.keep[first : last + 1] = False
                self.irregular += last + 1 - first
                break
        if begin is not None:
            self.starts.append(begin)


def settle_edges(state: Verdict, *, first: Ticks, last: Ticks, cuts: Ticks, least: int) -> None:
    """Windows between certain stretches (first, last), and the record's ends."""
    n = len(state.ticks)
    stretches = len(first)
    window = np.flatnonzero(first[1:] > last[:-1])
    # A false edge near a true one passes for it: the outermost edges of a stretch beside a window are not certain.
    last, first = last.copy(), first.copy()
    last[window] -= 1
    first[window + 1] += 1
    left, right = last[window], first[window + 1]
    if stretches:
        state.shortest = float(((state.ticks[last] - state.ticks[first]) / (last - first)).min())
    cut_free = np.searchsorted(cuts, left, side="right") == np.searchsorted(cuts, right, side="right")
    bridge: Bridge = bridge_windows(
        state.ticks,
        left=left[cut_free],
        right=right[cut_free],
        reach_left=(last - first)[window][cut_free],
        reach_right=(last - first)[window + 1][cut_free],
        per_turn=state.per_turn,
        lag=state.lag,
    )
    state.keep[bridge.drop] = False
    state.skip_at.append(bridge.skip_at)
    state.skips.append(bridge.skips)
    crossed = np.zeros(len(window), dtype=bool)
    crossed[np.flatnonzero(cut_free)] = bridge.crossed
    open_windows: list[tuple[int | None, int | None]] = [
        (int(a), int(b)) for a, b in zip(left[~crossed], right[~crossed], strict=True)
    ]
    head: int | None = int(first[0]) if stretches else None
    tail: int | None = int(last[-1]) if stretches else None
    for a, b in [(None, head), *open_windows, *([(tail, None)] if stretches else [])]:
        low = 0 if a is None else a + 1
        high = n if b is None else b
        # A cut beside a certain edge leaves an empty piece there, and so keeps the walk from that edge out.
        begin, end = np.searchsorted(cuts, (low + (a is None), high + (b is not None)))
        pieces = list(pairwise([low, *cuts[begin:end].tolist(), high]))
        for k, (start, stop) in enumerate(pieces):
            state.settle(a if k == 0 else None, b if k == len(pieces) - 1 else None, start, stop - 1, least)
