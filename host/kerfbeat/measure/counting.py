"""Which target is this edge, as edges come one by one?

Each edge is the next target, a later one (pulses are missing before it), or none at all (noise, bounce), as
`kerfbeat.measure.which_target` judges it.  Where nothing fits the count begins anew.
"""

import math

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.crowd import BOUNCE_S, BURST, CLOSE_S, DROWNED
from kerfbeat.measure.spacing import match_pattern, pattern_angles
from kerfbeat.measure.which_target import NONE, PLAIN, WhichTarget

__all__ = ["PulseCount"]

Floats = NDArray[np.float64]

BELIEVED_S = 0.1  # a count younger than that tells no speed
STRAY = 0.1  # trouble that a whole burst of noise is
MOST_REFUSED = 3  # edges refused in a row before the count begins anew with them
MOST_TROUBLE = (
    4.0  # edges refused or missing lately, each forgotten by a tenth with every edge taken: the count locked on wrongly
)
FORGETTING = 0.9
PAUSE_GAPS = 4.6  # more than any missing pulses make
EVEN_GAPS, EVEN_RATIO = 3, 1.3  # so many gaps in a row, the longest over the shortest below that: a shaft that runs
ASTRAY_SPEED = 1.25  # steadily; if the filters' speed is off theirs by that, they were led astray, and begin anew
LONG_TURNS = 4  # a count so old is not led astray by pulses that stay away: they are missing
NOISY, CONFIRMED = 0.1, 3  # share of refused edges from which a new count is believed after so many targets only
FORESEEN = 0.3  # a burst's first edge is no target, unless so many were foreseen within CLOSE_S of its time


class PulseCount(WhichTarget):
    """The unbroken count of one channel's pulses, and the filters that follow it.

    `slot` numbers the targets since the count began.  `last_tick` is the last target's; None before the first.
    `used_tick`, `used_slot` are of the last edge given to the filters.  `running` from the second target on.
    `begun` counts how often it began: slots of different counts do not compare.
    """

    @property
    def speaks(self) -> bool:
        """Whether the filters know a speed; a burst of noise is over before it is believed."""
        known = self.running and self._bank_started and self._crowd.noise < DROWNED
        known = known and (self._crowd.noise < NOISY or self.slot >= CONFIRMED)
        return known and self.age_ticks >= BELIEVED_S * self.tick_hz

    def used_turns(self) -> float:
        """Turns from the count's first target to the last edge given to the filters, by the angles learnt so far."""
        return self.used_slot / self.targets + self.bank.angle(self._followed(self.used_slot))

    def hide(self, pulses: int) -> None:
        """So many targets passed unseen since the last edge."""
        self._hidden += pulses

    def take(self, tick: int) -> None:
        """The next edge."""
        self._crowd.compare(tick, self._gap_s * self.tick_hz)
        if self.last_tick is None:
            self.break_off(tick)
            return
        gap_s = (tick - self.last_tick) / self.tick_hz
        if gap_s <= 0.0:
            return
        if not self.running:
            self._second(tick, gap_s)
            return
        if gap_s > PAUSE_GAPS * max(self._gap_s * (1 + self._hidden), 1.0 / (self.targets * self._speed_hz())):
            if not self._bounced_once(tick):
                self.break_off(tick)  # after a pause one edge says nothing of the speed
            return
        if self._was_burst(tick):
            return
        self._likely_per_s = self._nearness = math.nan
        base = 1 + self._hidden
        passed, false = self._judge(tick, gap_s, base)
        foreseen = not self._likely_per_s * CLOSE_S < FORESEEN
        if passed == base and self._hides_nothing(gap_s, foreseen):
            passed = NONE
        if passed > NONE:
            self._before = None if foreseen else self._kept()
        if passed > NONE or false:
            missing = max(0, passed - base)
            self._trouble += missing - self._gone(base, missing)
            self.missing += missing
            self.extra += false
            if self._trouble > MOST_TROUBLE:
                self._anew(tick, gap_s, refused=False)
            else:
                self._accept(tick, gap_s, passed)
        elif passed == NONE and self._refuse(tick):
            self.extra += 1
            self._crowd.refused()
        else:
            self._anew(tick, gap_s, refused=passed == NONE)

    def _bounced_once(self, tick: int) -> bool:
        """Whether all that came before the pause was one target's bounce; then the edge after it is the second target.

        Else a contact that bounces at every target would begin the count anew with each.
        """
        if self.age_ticks > BOUNCE_S * self.tick_hz:
            return False
        bounces, begin = self.slot, self._begun_tick
        self.break_off(begin)
        self.extra += bounces
        self._second(tick, (tick - begin) / self.tick_hz)
        return True

    def _was_burst(self, tick: int) -> bool:
        """Whether this edge shows that the last target, unexpected as it was, began a burst of noise; then it is taken
        back.
        """
        if self.last_tick is None or not self._crowd.is_burst((tick - self.last_tick) / self.tick_hz):
            return False
        if self.slot == 1 and self._first_tick is not None:  # the second edge of all
            self.break_off(self._first_tick)
            return True
        if self._before is None:
            return False
        self._give_back(self._before)
        self._crowd.in_burst = True
        self.extra += 1 + self._crowd.run
        self._crowd.refused()
        return True

    def _hides_nothing(self, gap_s: float, foreseen: bool) -> bool:
        """Whether an edge in a crowd, or far too early, is none of the shaft's, though it might be the next target."""
        if self._crowd.run >= BURST and not foreseen:
            return True
        return self._nearness > PLAIN and (self._crowd.crowded or self._too_sudden(gap_s))

    def _refuse(self, tick: int) -> bool:
        """Whether an edge that fits no target may be left out, and the count kept."""
        crowd = self._crowd
        if crowd.persists or self._trouble > MOST_TROUBLE:
            return False
        if crowd.crowded:
            if not crowd.in_burst and self._refused:  # the one refused before was its first
                self._refused -= 1
                self._trouble -= 1.0
            self._trouble += 0.0 if crowd.in_burst else STRAY
            crowd.in_burst = True
            return True
        crowd.in_burst = False
        self._refused += 1
        self._trouble += 1.0
        if self._refused >= MOST_REFUSED:
            return False
        self._refused_tick = tick
        return True

    def _anew(self, tick: int, gap_s: float, *, refused: bool) -> None:
        """Begin with the last two edges that may be targets."""
        self._crowd.refused()
        if refused and self._refused >= MOST_REFUSED:  # those refused agree with this one better than with the count
            self.extra -= self._refused - 1
            begin = self._refused_tick
        else:
            begin = self._crowd.before_tick if refused or self.last_tick is None else self.last_tick
        self.break_off(begin)
        self._second(tick, (tick - begin) / self.tick_hz)

    def _second(self, tick: int, gap_s: float) -> None:
        """Two edges: a first idea of the speed, as good as the targets are even."""
        self.running = True
        self._first_tick = self.last_tick
        self.last_tick, self._gap_s, self.slot = tick, gap_s, 1
        if self.stride == 1:
            self._start_bank(tick)

    def _start_bank(self, tick: int) -> None:
        target = self.slot // self.stride % self.bank.targets
        speed_hz = 1.0 / (self.targets * self._gap_s)
        self.bank.start(speed_hz=speed_hz, gap_s=self._gap_s * self.stride, target=target)
        self.used_tick, self.used_slot = tick, self.slot
        self._bank_started = True

    def _accept(self, tick: int, gap_s: float, passed: int) -> None:
        due = self._is_due(tick, self.slot + passed)
        for skipped in range(self.slot + 1 + self._hidden, self.slot + passed):
            self._missed[skipped % self.targets] += 1
        self.slot += passed
        self._missed[self.slot % self.targets] = 0
        # A target that falls off a wheel of two leaves gaps as even, and twice as long, as those of a slower wheel do.
        even = passed if self.slot > LONG_TURNS * self.targets else 1
        self._gaps_s = [*self._gaps_s[1 - EVEN_GAPS :], gap_s / max(1, even)]
        self._gap_s = gap_s / max(1, passed)
        self.last_tick = tick
        self._refused = self._hidden = 0
        self._crowd.accepted()
        self._trouble *= FORGETTING
        self._last_share = 1.0
        if self.stride == 1 and self._bank_started and passed == 1:
            self._last_share = self.bank.share(self._followed(self.slot - 1), self._followed(self.slot))
        if not due:
            return
        if self._bank_started and self.stride == 1 and (even_gap_s := self._even_gap_s()) is not None:
            self._gap_s, self._trouble, self._bank_started = even_gap_s, 0.0, False
        if not self._bank_started:
            self._start_bank(tick)
            return
        if self._foreseen != tick:
            self._foresee(tick)
        steps = (self.slot - self.used_slot) // self.stride
        self.bank.take(steps=steps, target=self._followed(self.slot))
        if self.stride == 1 and self.bank.speed_hz <= 0.0:  # a false edge made the way to this one seem a turning back
            self._start_bank(tick)
        self.used_tick, self.used_slot, self._longest = tick, self.slot, 0.0
        if self._spacing is not None and not self.matched and self.slot >= self._match_at:
            self._match(self._spacing)
            self._match_at = self.slot + self.targets

    def _even_gap_s(self) -> float | None:
        """The gap of a steady shaft, where gaps as even as its say another speed than the filters, which noise may have
        misled; None where they agree.
        """
        shortest, longest = min(self._gaps_s), max(self._gaps_s)
        if len(self._gaps_s) < EVEN_GAPS or longest > EVEN_RATIO * shortest:
            return None
        speed_hz = len(self._gaps_s) / (self.targets * sum(self._gaps_s))
        if 1.0 / ASTRAY_SPEED < self.bank.speed_hz / speed_hz < ASTRAY_SPEED:
            return None
        return sum(self._gaps_s) / len(self._gaps_s)

    def _match(self, spacing_turns: Floats) -> None:
        """Turn the known spacing until it fits what has been learnt, and use it from then on."""
        errors, u = self.bank.angles()
        even = np.arange(self.targets) / self.targets
        match = match_pattern(even + errors, u_turns=u, spacing_turns=spacing_turns)
        if match.certain and match.fits:
            known = pattern_angles(spacing_turns, rotation=match.rotation) - even
            self.bank.fix_angles(known - known.mean() + errors.mean())
            self.matched = True
