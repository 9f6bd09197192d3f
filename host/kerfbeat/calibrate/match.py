"""Which target is which, after the count began somewhere else, and is the pattern still the stored one?

After every restart the count begins at an arbitrary target.  The spacing seen is compared with the stored one turned
by every number of targets, and against the chance that it is another pattern; each way gets a probability.  A target
that fell off, one too many, or one that moved is looked for by leaving targets out of either pattern.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from kerfbeat.calibrate.passes import Block, Floats
from kerfbeat.calibrate.targets import Spacing, fit_offsets, gap_matrix

__all__ = ["SURE", "Change", "Count", "Match", "count_targets", "find_change", "match_spacing"]

SURE = 0.999  # probability from which a way of laying the patterns together is taken as known
# How well a pattern repeats from one day to the next: a sensor's switching point depends a little on gap, temperature
# and direction.  0.02 degrees; common practice, no published source.
REPEATS_TURNS = 0.02 / 360
# Prior chance that the pattern is another one, and how far targets of another wheel sit from even, as a part of the
# mean spacing.
ANOTHER, ANOTHER_SPREAD = 0.01, 0.1
MOST_COUNTED = 12  # targets that are tried where fewer are described; each costs a fit
ANOTHER_DOF = 3.0  # heavy tails: a wheel with targets far from even is no proof of the stored pattern


@dataclass(frozen=True, kw_only=True, slots=True)
class Match:
    """How a seen pattern lies on the stored one.

    first : which stored target the seen pattern's target 0 is, in the likeliest way.
    probability : of that way.   by_first : (M,) probability of every way.   another : probability of another pattern.
    doubt : largest relative error of a single spacing if one of the other likely ways were the true one; this is what
        a near-symmetric pattern costs, and it is small where the symmetry is near perfect.
    """

    first: int
    probability: float
    by_first: Floats
    another: float
    doubt: float

    @property
    def sure(self) -> bool:
        """Whether the targets may be taken as known."""
        return self.probability >= SURE

    @property
    def rivals(self) -> tuple[int, ...]:
        """Other ways that cannot be ruled out (one in a thousand or more)."""
        return tuple(int(k) for k in np.flatnonzero(self.by_first >= 1.0 - SURE) if k != self.first)


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """How a pattern differs from the stored one.

    kind : "same", "fallen" (target `target` of the stored pattern is gone), "spurious" (one edge too many, `at_turns`
        after stored target `target`), "moved" (target `target` by `at_turns`), or "another" (nothing of these fits).
    probability : of this explanation among all that were tried.
    """

    kind: Literal["same", "fallen", "spurious", "moved", "another"]
    target: int | None
    at_turns: float
    probability: float
    match: Match | None


class _Pattern(NamedTuple):
    spacing_turns: Floats
    covariance: Floats
    dof: float


def _pattern(spacing: Spacing) -> _Pattern:
    return _Pattern(spacing.spacing_turns, spacing.covariance, spacing.dof)


def _without(pattern: _Pattern, target: int) -> _Pattern:
    """Leave out one target: its two spacings become one.  Target 0 of the rest is the first that is left."""
    m = len(pattern.spacing_turns)
    merge = np.delete(np.eye(m), target, axis=0)
    merge[(target - 1) % m if target > 0 else m - 2, target] = 1.0
    return _Pattern(merge @ pattern.spacing_turns, merge @ pattern.covariance @ merge.T, pattern.dof)


def _log_densities(seen: _Pattern, stored: _Pattern) -> tuple[Floats, float]:
    """Log density of what is seen, for every way of laying it on the stored pattern, and for another pattern."""
    m = len(seen.spacing_turns)
    repeat = REPEATS_TURNS**2 * (2.0 * np.eye(m) - np.roll(np.eye(m), 1, axis=0) - np.roll(np.eye(m), -1, axis=0))
    free = slice(0, m - 1)  # spacings sum to 1: one says nothing of its own

    def density(away: Floats, covariance: Floats, dof: float) -> float:
        variance = (covariance + repeat)[free, free]
        chi2 = float(away[free] @ np.linalg.solve(variance, away[free]))
        return -0.5 * float(np.linalg.slogdet(variance)[1]) - 0.5 * (dof + m - 1) * float(np.log1p(chi2 / dof))

    ways = [
        density(
            seen.spacing_turns - np.roll(stored.spacing_turns, -first),
            seen.covariance + np.roll(stored.covariance, (-first, -first), axis=(0, 1)),
            min(seen.dof, 1e6),
        )
        for first in range(m)
    ]
    wide = (ANOTHER_SPREAD / m) ** 2 * (np.eye(m) - 1.0 / m) + seen.covariance
    return np.array(ways), density(seen.spacing_turns - 1.0 / m, wide, ANOTHER_DOF)


def _match(seen: _Pattern, stored: _Pattern) -> tuple[Match, float]:
    """The match, and the log evidence of the seen pattern given the stored one (whichever way it lies)."""
    m = len(seen.spacing_turns)
    if m == 1:
        return Match(first=0, probability=1.0, by_first=np.ones(1), another=0.0, doubt=0.0), 0.0
    ways, other = _log_densities(seen, stored)
    top = max(float(ways.max()), other)
    by_first = np.exp(ways - top) * (1.0 - ANOTHER) / m
    another = float(np.exp(other - top)) * ANOTHER
    evidence = float(ways.max() + np.log(np.exp(ways - ways.max()).mean()))
    total = float(by_first.sum()) + another
    by_first, another = by_first / total, another / total
    first = int(by_first.argmax())
    mine = np.roll(stored.spacing_turns, -first)
    likely = np.flatnonzero(by_first >= 1.0 - SURE)
    doubt = max((float(np.abs(np.roll(stored.spacing_turns, -k) / mine - 1.0).max()) for k in likely), default=0.0)
    match = Match(first=first, probability=float(by_first[first]), by_first=by_first, another=another, doubt=doubt)
    return match, evidence


def match_spacing(seen: Spacing, stored: Spacing) -> Match:
    """Lay a pattern just seen on the stored one of as many targets.

    Source: Bayes' rule with equal prior chances; Student's t since the spread is estimated.
    """
    return _match(_pattern(seen), _pattern(stored))[0]


def find_change(seen: Spacing, stored: Spacing) -> Change:
    """Say how the pattern seen differs from the stored one: one target fallen, moved or too many, or another wheel."""
    new, old = _pattern(seen), _pattern(stored)
    if seen.targets == stored.targets - 1:
        return _one_of("fallen", [_match(new, _without(old, j)) for j in range(stored.targets)])
    if seen.targets == stored.targets + 1:
        tries = [_match(_without(new, j), old) for j in range(seen.targets)]
        return _placed(_one_of("spurious", tries), tries, seen, stored)
    if seen.targets != stored.targets:
        return Change(kind="another", target=None, at_turns=0.0, probability=1.0, match=None)
    match = match_spacing(seen, stored)
    if match.another < 0.5:
        return Change(kind="same", target=None, at_turns=0.0, probability=1.0 - match.another, match=match)
    if seen.targets < 4:
        # Two of three spacings change when a target moves, and any third fits: that would explain everything.
        return Change(kind="another", target=None, at_turns=0.0, probability=match.another, match=match)
    return _moved(new, old)


def _one_of(kind: Literal["fallen", "spurious"], tries: list[tuple[Match, float]]) -> Change:
    """Which one target explains it, if any does."""
    best = max(range(len(tries)), key=lambda k: tries[k][1])
    match = tries[best][0]
    if match.another > 0.5:
        return Change(kind="another", target=None, at_turns=0.0, probability=match.another, match=None)
    share = np.exp(np.array([evidence for _, evidence in tries]) - tries[best][1])
    probability = float((1.0 - match.another) / share.sum())
    return Change(kind=kind, target=best, at_turns=0.0, probability=probability, match=match)


def _placed(change: Change, tries: list[tuple[Match, float]], seen: Spacing, stored: Spacing) -> Change:
    """Where the edge too many stands, after which stored target."""
    if change.target is None:
        return change
    extra, m = change.target, seen.targets
    before = (extra - 1) % m
    left = before - 1 if before > extra else before  # its number once the extra one is left out
    return replace(
        change, target=(tries[extra][0].first + left) % stored.targets, at_turns=float(seen.spacing_turns[before])
    )


def _moved(new: _Pattern, old: _Pattern) -> Change:
    """Leave each target out of both patterns: where the rest fits, that target has moved."""
    m = len(new.spacing_turns)
    pairs = [(seen, stored) for seen in range(m) for stored in range(m)]
    scores = []
    for seen, stored in pairs:
        ways, other = _log_densities(_without(new, seen), _without(old, stored))
        scores.append(float(ways[_first_left(seen, stored, m)]) - other)
    best = int(np.argmax(scores))
    odds = np.exp(np.clip(scores, -700.0, 700.0)) * (1.0 - ANOTHER) / len(pairs)
    probability = float(odds[best] / (odds.sum() + ANOTHER))
    if probability < 0.5:
        return Change(kind="another", target=None, at_turns=0.0, probability=1.0 - probability, match=None)
    seen, stored = pairs[best]
    # From a neighbour that stayed: how much later the target now comes.
    moved = float(new.spacing_turns[(seen - 1) % m] - old.spacing_turns[(stored - 1) % m])
    return Change(kind="moved", target=stored, at_turns=moved, probability=probability, match=None)


def _first_left(seen: int, stored: int, targets: int) -> int:
    """Which of the stored targets left is the first one left of the seen, if those left out are one and the same."""
    first_seen = 1 if seen == 0 else 0
    first_stored = (first_seen + stored - seen) % targets
    return first_stored - 1 if first_stored > stored else first_stored


@dataclass(frozen=True, kw_only=True, slots=True)
class Count:
    """How likely it is that so many targets pass in a turn, by how the pattern repeats.

    apart : by what part of a spacing the pattern of so many differs from one that repeats as described; a tiny
        difference is more likely a speed that is not quite as modelled than another target.
    """

    targets: int
    probability: float
    apart: float


def count_targets(blocks: list[Block], *, described: int) -> list[Count]:
    """How many targets are there, by how the pattern repeats?  Likeliest first, from 1 to twice as described.

    A count found that divides the described one is no contradiction: even targets repeat oftener than once a turn.

    blocks : unbroken runs of at least two turns, numbers counting pulses.
    Source: Schwarz' criterion (Annals of Statistics 6 (1978) 461), from equal prior chances.
    """
    most = min(max(2 * described, described + 3), max(MOST_COUNTED, described + 2))
    counts = range(1, most + 1)
    passes = sum(len(block.seconds) for block in blocks)
    scores, apart = [], []
    for count in counts:
        fit = fit_offsets(blocks, per_turn=count)
        scores.append(float(fit.log_likelihood[0]) - 0.5 * (count - 1) * np.log(passes))
        spacing = 1.0 / count + gap_matrix(count) @ fit.offset_turns[0] if count > 1 else np.ones(1)
        shared = math.gcd(count, described)
        repeated = np.tile(spacing.reshape(-1, shared).mean(axis=0), count // shared)
        apart.append(count * float(np.abs(spacing - repeated).max()))
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    found = [
        Count(targets=count, probability=float(each), apart=far)
        for count, each, far in zip(counts, weight, apart, strict=True)
    ]
    return sorted(found, key=lambda each: -each.probability)
