"""Is an edge the next target, a later one, or none, by what is known of the shaft?

What the filters foresee decides (`kerfbeat.measure.follow`).  Not every edge is given to them: of very many targets, or
at high speed, only some are, and for those between a look at the phase does.
"""

import math

from kerfbeat.measure.counted import Counted
from kerfbeat.measure.follow import ANGLE_SHARE

__all__ = ["ASTRAY", "NONE", "PLAIN", "WhichTarget"]

UPDATE_S = 0.02  # edges that come faster are counted, and the filters are given one in so long: bounds the work
PLAIN = 9.0  # squared standard deviations within which an edge needs no second thought
MISS_CHANCE = (3e-3, 5e-4, 2e-4)  # of 1, 2, 3 pulses missing before an edge
EXTRA_CHANCE = 4e-3
ASTRAY_CHANCE = 1e-6
LIKE = (0.6, 1.6)  # of the expected gap: an edge between those given to the filters is taken for the next target
EARLY, EARLY_KNOWN = 0.4, 0.2  # gaps: unless too early by so much (if that target's angle is followed),
CALM = 1e-2  # while a ramp is no likelier than that
MISS_FROM = 1.45  # gaps: in a shorter one nothing is missing, however hard the shaft brakes
MISS_FIT = 0.3  # gaps: or so nearly the one after a missing one
START_RATIO = (0.3, 3.2)  # of successive gaps when a shaft starts; the second is 1 / 2.41 of the first
MOST_RISE_PER_S = 1.0  # of its speed: a quick inverter takes a motor from half to full speed in a second; brakes and
# jams are not limited.  From memory; the third edge that asks for more is believed (MOST_REFUSED)
SUDDEN = 0.1  # of the gap: and the edge comes early by so much, far beyond jitter
SETTLED_TURNS = 2  # and the count is so old
FIRST_SLOTS = 3
STARTING = 4  # strides in which a shaft with many targets is counted by its gaps alone
NONE, ASTRAY = 0, -1
EMPTY_CHANCE = 0.9  # of missing again a target that is gone


class WhichTarget(Counted):
    """The judgement of one edge; of the state it changes only what was foreseen for that edge."""

    def _judge(self, tick: int, gap_s: float, base: int) -> tuple[int, int]:
        """How many targets on the edge is (NONE, ASTRAY: none), and how many before it were falsely counted."""
        by_gap = self._by_gap(tick, gap_s, base)
        starting = self.stride > 1 and self.slot < STARTING * self.stride
        if starting or not self._bank_started or not self._is_due(tick, self.slot + base):
            return by_gap, 0
        if self.stride > 1 and by_gap == NONE:
            return NONE, 0
        self._foresee(tick)
        return self._by_density(base, may_miss=self._longest > MISS_FROM)

    def _foresee(self, tick: int) -> None:
        self.bank.foresee((tick - self.used_tick) / self.tick_hz)
        self._foreseen = tick

    def _is_due(self, tick: int, slot: int) -> bool:
        """Whether an edge of that slot is given to the filters."""
        return slot % self.stride == 0 and (self.stride > 1 or tick - self.used_tick >= UPDATE_S * self.tick_hz)

    def _by_gap(self, tick: int, gap_s: float, base: int) -> int:
        """By the phase while the shaft runs steadily; else by the gap before and the filters' speed, both of which lag:
        normal if one of them says so.
        """
        ratios = [gap_s / (self._gap_s * base)]
        low, high = START_RATIO if self.slot < FIRST_SLOTS else LIKE
        if self._bank_started and self._hidden == 0:
            share = (
                self.bank.share(self._followed(self.slot), self._followed(self.slot + 1)) if self.stride == 1 else 1.0
            )
            ratios[0] /= share / self._last_share
            middle_s = (tick - self.used_tick) / self.tick_hz - 0.5 * gap_s
            ratios.append(gap_s * self.targets * self.bank.speed_after(middle_s) / share)
        self._longest = max(self._longest, ratios[-1])
        if self._bank_started and self.slot >= STARTING * self.stride and self.bank.ramping < CALM:
            ahead = self._ahead(tick, base)
            more = min(round(ahead), len(MISS_CHANCE)) if ratios[-1] > MISS_FROM else 0
            known = (self.slot + base) % self.stride == 0
            return NONE if ahead < (-EARLY_KNOWN if known else -EARLY) else base + max(0, more)
        if any(low < ratio < high for ratio in ratios):
            return base
        if max(ratios) <= low:
            return NONE
        steps = round(ratios[-1])
        if 1 < steps <= 1 + len(MISS_CHANCE) and all(abs(ratio - steps) < MISS_FIT for ratio in ratios):
            return base + steps - 1
        return base if ratios[0] < START_RATIO[1] else ASTRAY

    def _ahead(self, tick: int, base: int) -> float:
        """How many gaps the shaft should be beyond the next target when this edge comes."""
        slot = self.slot + base
        turns = self.bank.turned((tick - self.used_tick) / self.tick_hz)
        if slot % self.stride == 0:
            turns -= self.bank.angle(self._followed(slot))
        return turns * self.targets - (slot - self.used_slot)

    def _by_density(self, base: int, *, may_miss: bool) -> tuple[int, int]:
        bank = self.bank
        between = self.slot - self.used_slot

        def density(passed: int) -> tuple[float, float]:
            steps = (between + passed) / self.stride
            slot = self.slot + passed
            blur = 0.0 if slot % self.stride == 0 else math.sqrt(2.0) * ANGLE_SHARE / self.targets
            return bank.density(steps=steps, target=self._followed(slot), blur_turns=blur)

        likely, nearness = density(base)
        self._nearness, self._likely_per_s = nearness, likely * bank.speed_hz
        if nearness < PLAIN:
            return base, 0
        early = bank.ahead_turns(steps=(between + base) / self.stride, target=self._followed(self.slot + base)) > 0.0
        choices: list[tuple[float, int, int]] = [(likely, base, 0)]
        for more in range(1, len(MISS_CHANCE) + 1) if may_miss else ():
            choices.append((self._miss_chance(base, more) * density(base + more)[0], base + more, 0))
        if between > 1:  # one of the edges only looked at may have been false
            choices.append((EXTRA_CHANCE * between * density(base - 1)[0], base - 1, 1))
        choices.append(
            (max(EXTRA_CHANCE if early else 0.0, ASTRAY_CHANCE) * bank.targets, NONE if early else ASTRAY, 0)
        )
        _, passed, false = max(choices)
        return passed, false

    def _gone(self, base: int, missing: int) -> int:
        """How many of the targets missing before the edge are known to be gone."""
        return sum(self.is_gone(self.slot + base + k) for k in range(missing))

    def _miss_chance(self, base: int, missing: int) -> float:
        """How likely these targets are missing, by chance or since they are gone."""
        news = missing - self._gone(base, missing)
        return MISS_CHANCE[news - 1] if news else EMPTY_CHANCE

    def _too_sudden(self, gap_s: float) -> bool:
        """Whether a shaft that ran steadily would have to gain speed faster than one that is driven can."""
        if self.stride > 1 or self.slot < SETTLED_TURNS * self.targets or self.bank.ramping > CALM:
            return False
        share = self.bank.share(self._followed(self.slot), self._followed(self.slot + 1))
        due_s = share / (self.targets * self._speed_hz())
        early_s = due_s - gap_s
        return early_s > SUDDEN * due_s and 2.0 * early_s / gap_s**2 > MOST_RISE_PER_S
