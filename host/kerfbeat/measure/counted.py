"""What has been counted of a channel so far, and how is it taken back?"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.crowd import Crowd
from kerfbeat.measure.follow import PhaseBank

__all__ = ["Counted", "followed_every"]

Floats = NDArray[np.float64]

MOST_FOLLOWED = 12  # targets in a turn whose angles are learnt; of more, every second, third ... is followed
EMPTY_TURNS = 3  # a target missed in so many turns running is gone


def followed_every(targets: int) -> int:
    """Which of very many targets are given to the filters: every first, second, third ..."""
    return next(d for d in range(1, targets + 1) if targets % d == 0 and targets // d <= MOST_FOLLOWED)


@dataclass(frozen=True, slots=True)
class Before:
    """What an edge changes, as it was before."""

    slot: int
    used_slot: int
    last_tick: int | None
    used_tick: int
    gap_s: float
    last_share: float
    trouble: float
    missing: int
    extra: int
    gaps_s: list[float]
    missed: list[int]
    bank: tuple[Floats, Floats, Floats, float]


class Counted:
    """The state of a count; see `kerfbeat.measure.counting.PulseCount`."""

    def __init__(self, *, targets: int, tick_hz: float, spacing_turns: Floats | None) -> None:
        self.targets = targets
        self.stride = followed_every(targets)
        self.bank = PhaseBank(targets=targets // self.stride)
        # Of many targets no single angle matters; they are taken as they come.
        self._spacing = spacing_turns if self.stride == 1 and targets > 1 else None
        self.restart(tick_hz)

    def restart(self, tick_hz: float) -> None:
        """Forget everything."""
        self.tick_hz = tick_hz
        self.missing = self.extra = self.begun = 0
        self.last_tick: int | None = None
        self.running = self.matched = False
        self.slot = self.used_slot = self._hidden = self._refused = self._match_at = 0
        self.used_tick = self._refused_tick = self._foreseen = self._begun_tick = 0
        self._gap_s = self._trouble = self._longest = 0.0
        self._crowd = Crowd()
        self._last_share = 1.0
        self._gaps_s: list[float] = []
        self._missed = [0] * self.targets  # in how many turns running each target did not come
        self._before: Before | None = None  # what was, before the last edge if that was unexpected
        self._likely_per_s = self._nearness = math.nan
        self._first_tick: int | None = None
        self._bank_started = False

    def break_off(self, from_tick: int | None) -> None:
        """The count is broken; it begins anew with the next edge, or with the one given."""
        self.begun += 1
        self.last_tick = from_tick
        self._begun_tick = from_tick or 0
        self.running = self.matched = self._bank_started = False
        self.slot = self.used_slot = self._hidden = self._refused = self._match_at = 0
        self._trouble, self._last_share, self._gaps_s, self._before = 0.0, 1.0, [], None
        self._missed = [0] * self.targets

    @property
    def age_ticks(self) -> int:
        """How long the count has gone on."""
        return 0 if self.last_tick is None else self.last_tick - self._begun_tick

    @property
    def last_gap_hz(self) -> float:
        """Speed by the last gap alone."""
        return 1.0 / (self.targets * self._gap_s)

    def _kept(self) -> Before:
        """What the next edge will change, so that it can be taken back."""
        return Before(
            slot=self.slot,
            used_slot=self.used_slot,
            last_tick=self.last_tick,
            used_tick=self.used_tick,
            gap_s=self._gap_s,
            last_share=self._last_share,
            trouble=self._trouble,
            missing=self.missing,
            extra=self.extra,
            gaps_s=self._gaps_s,
            missed=list(self._missed),
            bank=self.bank.kept(),
        )

    def _give_back(self, before: Before) -> None:
        """Count as if the edges since had not been."""
        self.slot, self.used_slot = before.slot, before.used_slot
        self.last_tick, self.used_tick = before.last_tick, before.used_tick
        self._gap_s, self._last_share, self._trouble = before.gap_s, before.last_share, before.trouble
        self.missing, self.extra = before.missing, before.extra
        self._gaps_s, self._missed = before.gaps_s, before.missed
        self.bank.give_back(before.bank)
        self._before = None

    def _followed(self, slot: int) -> int:
        """Which of the followed targets a slot is."""
        return slot // self.stride % self.bank.targets

    @property
    def gone(self) -> int:
        """How many targets came in none of the last turns."""
        return sum(turns >= EMPTY_TURNS for turns in self._missed)

    def is_gone(self, slot: int) -> bool:
        """Whether the target of a slot came in none of the last turns."""
        return self._missed[slot % self.targets] >= EMPTY_TURNS

    def may_be_gone(self, slot: int) -> bool:
        """Whether the target of a slot did not come in the turn before: that it stays away again is no news."""
        return self._missed[slot % self.targets] > 0

    def _speed_hz(self) -> float:
        return max(self.bank.speed_hz, 0.1 * self.last_gap_hz) if self._bank_started else self.last_gap_hz
