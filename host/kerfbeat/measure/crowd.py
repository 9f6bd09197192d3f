"""Do edges come in a crowd that no shaft makes: contact bounce, or a burst of noise?

Every edge is compared with the one before it, whatever either was taken for.
"""

__all__ = ["BOUNCE_S", "BURST", "CLOSE_S", "DROWNED", "Crowd"]

CROWDED = 0.25  # gaps behind the edge before: no shaft like this one turns so fast
BOUNCE_S = 1e-3  # contacts bounce no longer (common practice, no published source)
BURST, CLOSE_S = 2, 1e-2  # so many crowded edges, the last of them later than a bounce and within so long: a burst
PERSISTENT = 6  # alike gaps in a row: not noise, so what they are compared with is wrong
NOISE_STEP, DROWNED = 0.03, 0.85  # share of refused edges among the last 30 or so, above which no speed is told


class Crowd:
    """What the latest edges look like beside each other.

    crowded : the last one follows too closely.  run : crowded ones in a row.  in_burst : the crowd's first edge
    has been dealt with.  noise : share of refused edges lately.  before_tick : the edge before the last one.
    """

    def __init__(self) -> None:
        self.crowded = self.in_burst = False
        self.noise = 0.0
        self.run = self.before_tick = self._previous_tick = self._previous_gap = self._alike = 0

    def compare(self, tick: int, usual_gap_ticks: float) -> None:
        """The next edge, of a shaft whose targets are usually so far apart."""
        gap = tick - self._previous_tick
        self._alike = self._alike + 1 if 0.5 * gap < self._previous_gap < 2.0 * gap else 0
        self.before_tick, self._previous_tick, self._previous_gap = self._previous_tick, tick, gap
        self.crowded = gap < CROWDED * usual_gap_ticks
        self.run = self.run + 1 if self.crowded else 0

    def is_burst(self, since_s: float) -> bool:
        """Whether the crowd since an edge so long ago is more than that edge's bounce."""
        return self.run >= BURST and BOUNCE_S < since_s < CLOSE_S

    @property
    def persists(self) -> bool:
        """Whether refused edges come as regularly as a shaft's."""
        return self._alike >= PERSISTENT

    def accepted(self) -> None:
        """The last edge was a target."""
        self._alike = 0
        self.noise *= 1.0 - NOISE_STEP

    def refused(self) -> None:
        """It was none."""
        self.noise += (1.0 - self.noise) * NOISE_STEP
