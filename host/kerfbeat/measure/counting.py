"""Which target is this edge, as edges come one by one?

Each edge is the next target, a later one (pulses are missing before it), or none at all (noise, bounce).  What the
filters foresee decides (`kerfbeat.measure.follow`).  Not every edge is given to them: of very many targets, or at high
speed, only some are, and for those between a look at the phase does.  Where nothing fits the count begins anew.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.crowd import BURST, CLOSE_S, DROWNED, Crowd
from kerfbeat.measure.follow import ANGLE_SHARE, PhaseBank
from kerfbeat.measure.spacing import match_pattern, pattern_angles

__all__ = ["PulseCount", "followed_every"]

Floats = NDArray[np.float64]

MOST_FOLLOWED = 12  # targets in a turn whose angles are learnt; of more, every second, third ... is followed
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
BELIEVED_S = 0.1  # a count younger than that tells no speed
STRAY = 0.1  # trouble that a whole burst of noise is
MOST_REFUSED = 3  # edges refused in a row before the count begins anew with them
MOST_TROUBLE = (
    4.0  # edges refused or missing lately, each forgotten by a tenth with every edge taken: the count locked on wrongly
)
FORGETTING = 0.9
PAUSE_GAPS = 4.6  # more than any missing pulses make
START_RATIO = (0.3, 3.2)  # of successive gaps when a shaft starts; the second is 1 / 2.41 of the first
EVEN_GAPS, EVEN_RATIO = 3, 1.3  # so many gaps in a row, the longest over the shortest below that: a shaft that runs
ASTRAY_SPEED = 1.25  # steadily; if the filters' speed is off theirs by that, they were led astray, and begin anew
NOISY, CONFIRMED = 0.1, 3  # share of refused edges from which a new count is believed after so many targets only
FORESEEN = 0.3  # a burst's first edge is no target, unless so many were foreseen within CLOSE_S of its time
MOST_RISE_PER_S = 1.0  # of its speed: a quick inverter takes a motor from half to full speed in a second; brakes and
# jams are not limited.  From memory; the third edge that asks for more is believed (MOST_REFUSED)
SUDDEN = 0.1  # of the gap: and the edge comes early by so much, far beyond jitter
SETTLED_TURNS = 2  # and the count is so old
EMPTY_TURNS, EMPTY_CHANCE = 3, 0.9  # a target missed in so many turns running is gone: missing it again is likely
FIRST_SLOTS = 3
STARTING = 4  # strides in which a shaft with many targets is counted by its gaps alone
NONE, ASTRAY = 0, -1


def followed_every(targets: int) -> int:
    """Which of very many targets are given to the filters: every first, second, third ..."""
    return next(d for d in range(1, targets + 1) if targets % d == 0 and targets // d <= MOST_FOLLOWED)


class PulseCount:
    """The unbroken count of one channel's pulses, and the filters that follow it.

    `slot` numbers the targets since the count began.  `last_tick` is the last target's; None before the first.
    `used_tick`, `used_slot` are of the last edge given to the filters.  `running` from the second target on.
    `begun` counts how often it began: slots of different counts do not compare.
    """

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
        self._missed = [0] * self.bank.targets  # in how many turns running each target did not come
        self._before: tuple[Any, ...] | None = None  # what was, before the last edge if that was unexpected
        self._likely_per_s = self._nearness = math.nan
        self._first_tick: int | None = None
        self._bank_started = False

    @property
    def speaks(self) -> bool:
        """Whether the filters know a speed; a burst of noise is over before it is believed."""
        known = self.running and self._bank_started and self._crowd.noise < DROWNED
        known = known and (self._crowd.noise < NOISY or self.slot >= CONFIRMED)
        return known and self.age_ticks >= BELIEVED_S * self.tick_hz

    @property
    def age_ticks(self) -> int:
        """How long the count has gone on."""
        return 0 if self.last_tick is None else self.last_tick - self._begun_tick

    @property
    def last_gap_hz(self) -> float:
        """Speed by the last gap alone."""
        return 1.0 / (self.targets * self._gap_s)

    def break_off(self, from_tick: int | None) -> None:
        """The count is broken; it begins anew with the next edge, or with the one given."""
        self.begun += 1
        self.last_tick = from_tick
        self._begun_tick = from_tick or 0
        self.running = self.matched = self._bank_started = False
        self.slot = self.used_slot = self._hidden = self._refused = self._match_at = 0
        self._trouble, self._last_share, self._gaps_s, self._before = 0.0, 1.0, [], None
        self._missed = [0] * self.bank.targets

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

    def _speed_hz(self) -> float:
        return max(self.bank.speed_hz, 0.1 * self.last_gap_hz) if self._bank_started else self.last_gap_hz

    def _kept(self) -> tuple[Any, ...]:
        """What an edge changes, so that it can be taken back."""
        own = (self.slot, self.used_slot, self.last_tick, self.used_tick, self._gap_s, self._last_share, self._trouble)
        return (*own, self.missing, self.extra, self._gaps_s, list(self._missed), self.bank.kept())

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
        (self.slot, self.used_slot, self.last_tick, self.used_tick, self._gap_s, self._last_share, self._trouble,
         self.missing, self.extra, self._gaps_s, self._missed, bank) = self._before  # fmt: skip
        self.bank.give_back(bank)
        self._before, self._crowd.in_burst = None, True
        self.extra += 1 + self._crowd.run
        self._crowd.refused()
        return True

    def _hides_nothing(self, gap_s: float, foreseen: bool) -> bool:
        """Whether an edge in a crowd, or far too early, is none of the shaft's, though it might be the next target."""
        if self._crowd.run >= BURST and not foreseen:
            return True
        return self._nearness > PLAIN and (self._crowd.crowded or self._too_sudden(gap_s))

    def _too_sudden(self, gap_s: float) -> bool:
        """Whether a shaft that ran steadily would have to gain speed faster than one that is driven can."""
        if self.stride > 1 or self.slot < SETTLED_TURNS * self.targets or self.bank.ramping > CALM:
            return False
        share = self.bank.share(self._followed(self.slot), self._followed(self.slot + 1))
        due_s = share / (self.targets * self._speed_hz())
        early_s = due_s - gap_s
        return early_s > SUDDEN * due_s and 2.0 * early_s / gap_s**2 > MOST_RISE_PER_S

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

    def _followed(self, slot: int) -> int:
        """Which of the followed targets a slot is."""
        return slot // self.stride % self.bank.targets

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
        return sum(self.is_gone(self.slot + base + k) for k in range(missing)) if self.stride == 1 else 0

    def _miss_chance(self, base: int, missing: int) -> float:
        """How likely these targets are missing, by chance or since they are gone."""
        news = missing - self._gone(base, missing)
        return MISS_CHANCE[news - 1] if news else EMPTY_CHANCE

    def is_gone(self, slot: int) -> bool:
        """Whether the target of a slot came in none of the last turns."""
        return self._missed[self._followed(slot)] >= EMPTY_TURNS

    def _accept(self, tick: int, gap_s: float, passed: int) -> None:
        due = self._is_due(tick, self.slot + passed)
        for skipped in range(self.slot + 1 + self._hidden, self.slot + passed) if self.stride == 1 else ():
            self._missed[self._followed(skipped)] += 1
        self.slot += passed
        self._missed[self._followed(self.slot)] = 0
        self._gaps_s = [*self._gaps_s[1 - EVEN_GAPS :], gap_s]
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
        if not self._bank_started or (self.stride == 1 and self._led_astray()):
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

    def _led_astray(self) -> bool:
        """Whether gaps as even as a steady shaft's say another speed than the filters, which noise may have misled."""
        shortest, longest = min(self._gaps_s), max(self._gaps_s)
        if len(self._gaps_s) < EVEN_GAPS or longest > EVEN_RATIO * shortest:
            return False
        speed_hz = len(self._gaps_s) / (self.targets * sum(self._gaps_s))
        if 1.0 / ASTRAY_SPEED < self.bank.speed_hz / speed_hz < ASTRAY_SPEED:
            return False
        self._gap_s = sum(self._gaps_s) / len(self._gaps_s)
        self._trouble = 0.0
        return True

    def _match(self, spacing_turns: Floats) -> None:
        """Turn the known spacing until it fits what has been learnt, and use it from then on."""
        errors, u = self.bank.angles()
        even = np.arange(self.targets) / self.targets
        match = match_pattern(even + errors, u_turns=u, spacing_turns=spacing_turns)
        if match.certain and match.fits:
            known = pattern_angles(spacing_turns, rotation=match.rotation) - even
            self.bank.fix_angles(known - known.mean() + errors.mean())
            self.matched = True
