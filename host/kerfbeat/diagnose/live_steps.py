"""How far does a shaft fall behind the one that drives it, while pulses come?

The steps of `lag`, one by one: at every pulse of the channel with fewer pulses.  Where its targets stand is learnt
against the other shaft, turn by turn; until three turns have shown it, only whole turns can be trusted.
"""

from bisect import bisect_left
from collections import deque
from dataclasses import dataclass

from kerfbeat.measure.live import Place

__all__ = ["LiveSteps", "Step", "Trail"]

KEEP_S = 30.0  # of a shaft's places: longer than the gap between two pulses of a slow one
SPARSE_AFTER = 3  # pulses of each channel by which it is told which comes less often
TURNS_KNOWN = 3  # as many passes of each target as `lag` wants
TURNS_KEPT = 20  # over so many turns the places are averaged at last
MOST_TURNS = 4  # until a target is seen again, where not every one is told


class Trail:
    """Where one shaft was, as (seconds, turns), in one unbroken count."""

    def __init__(self) -> None:
        self.run = -1
        self._seconds: deque[float] = deque()
        self._turns: deque[float] = deque()
        self.rate: float | None = None  # pulses per second of the first few

    def take(self, at_s: float, place: Place) -> None:
        """The next place; another count, or a place that joins nothing, begins anew."""
        if place.run != self.run or not place.joined:
            self.run = place.run
            self._seconds.clear()
            self._turns.clear()
        self._seconds.append(at_s)
        self._turns.append(place.turns)
        while self._seconds[0] < at_s - KEEP_S and len(self._seconds) > 2:
            self._seconds.popleft()
            self._turns.popleft()
        if self.rate is None and len(self._seconds) == SPARSE_AFTER:
            self.rate = (SPARSE_AFTER - 1) / (self._seconds[-1] - self._seconds[0])

    @property
    def until_s(self) -> float:
        """The latest place known."""
        return self._seconds[-1] if self._seconds else -1.0

    def at(self, at_s: float) -> float | None:
        """Turns at a time between two places; None outside."""
        if not self._seconds or not self._seconds[0] <= at_s <= self._seconds[-1]:
            return None
        high = bisect_left(self._seconds, at_s)
        if self._seconds[high] == at_s:
            return self._turns[high]
        part = (at_s - self._seconds[high - 1]) / (self._seconds[high] - self._seconds[high - 1])
        return self._turns[high - 1] + part * (self._turns[high] - self._turns[high - 1])


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One step from pulse to pulse: what both shafts turned in it.

    motor_turns : of the motor; None where it is not watched.   exact : whether own_turns is known better than by even
    targets.   whole : the whole turns that this step ended, as (start_s, own turns, other's turns); None if it ended
    none.   run : number of the own shaft's count.
    """

    start_s: float
    end_s: float
    own_turns: float
    other_turns: float
    motor_turns: float | None
    exact: bool
    run: int
    whole: tuple[float, float, float] | None


class LiveSteps:
    """Makes steps of the sparser channel's places.

    targets : of that channel, per turn.   every : only each so-many-th of its targets is told.
    """

    def __init__(self, *, targets: int, every: int) -> None:
        self._every = every
        self._per_turn = targets // every
        self._targets = targets
        self._run = -1
        self._last: tuple[float, int, float, float | None] | None = None
        self._turn: list[tuple[float, int, float]] = []
        self._forget()

    def _forget(self) -> None:
        self._angles = [0.0] * self._per_turn
        self._passes = [0] * self._per_turn  # that each angle was learnt from
        self._first: int | None = None  # the target that the others are told from

    @property
    def known(self) -> bool:
        """Whether the places of all targets are known."""
        return self._per_turn == 1 or min(self._passes) >= TURNS_KNOWN

    def take(self, at_s: float, place: Place, other: float | None, motor: float | None, *, learn: bool) -> Step | None:
        """The next place with where the other shaft and the motor were; None where it ends no step.

        learn : whether the turn that may end here shows the targets' places well.
        """
        if place.run != self._run:
            self._run, self._last = place.run, None
            self._forget()
        if other is None or not place.joined or (self._last is not None and place.slot <= self._last[1]):
            self._last = None
        last = self._last
        if other is None:
            return None
        self._last = (at_s, place.slot, other, motor)
        if last is None:
            self._turn = [(at_s, place.slot, other)]
            return None
        whole = self._whole_turns(at_s, place.slot, other, learn=learn)
        begun_s, slot, before, motor_before = last
        ends = (self._target(slot), self._target(place.slot))
        return Step(
            start_s=begun_s,
            end_s=at_s,
            own_turns=(place.slot - slot) / self._targets + self._angles[ends[1]] - self._angles[ends[0]],
            other_turns=other - before,
            motor_turns=None if motor is None or motor_before is None else motor - motor_before,
            exact=self._per_turn == 1 or min(self._passes[ends[0]], self._passes[ends[1]]) >= TURNS_KNOWN,
            run=place.run,
            whole=whole,
        )

    def restart(self) -> None:
        """Counts begin anew."""
        self._run, self._last = -1, None

    def _target(self, slot: int) -> int:
        return slot // self._every % self._per_turn

    def _whole_turns(self, at_s: float, slot: int, other: float, *, learn: bool) -> tuple[float, float, float] | None:
        """The whole turns that end at this target, as few as possible; learns where the targets between stand."""
        while slot - self._turn[0][1] > MOST_TURNS * self._targets:
            self._turn.pop(0)
            if not self._turn:
                break
        self._turn.append((at_s, slot, other))
        begun = next(
            (k for k in range(len(self._turn) - 2, -1, -1) if (slot - self._turn[k][1]) % self._targets == 0), None
        )
        if begun is None:
            return None
        first_s, first_slot, first = self._turn[begun]
        turns = (slot - first_slot) // self._targets
        if other <= first:
            return None
        if learn and self._per_turn > 1 and self._first in (None, self._target(slot)):
            self._first = self._target(slot)
            self._learn(self._turn[begun:-1], turns / (other - first))
        del self._turn[:begun]
        return first_s, float(turns), other - first

    def _learn(self, seen: list[tuple[float, int, float]], turns_per_other: float) -> None:
        """Take the places that the last turns show into the means."""
        _, first_slot, first = seen[0]
        for _, slot, other in seen:
            target = self._target(slot)
            off = (other - first) * turns_per_other - (slot - first_slot) / self._targets
            self._passes[target] = min(self._passes[target] + 1, TURNS_KEPT)
            self._angles[target] += (off - self._angles[target]) / self._passes[target]
