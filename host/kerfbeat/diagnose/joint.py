"""Does the wheel slow down each time the blade comes round, as a bad joint makes it, and by how much?

A stiff or thick joint drags in the guides: the wheel dips once a pass, whether it cuts or not, and what it falls behind
the motor looks like a belt that slips.  But a belt that slips does not know where the blade is.  So what the lag owes
to the place of the blade is fitted by a Fourier series, robustly (Huber, Ann. Math. Stat. 35 (1964) 73), once for the
even passes and once for the odd ones: only what both halves show alike belongs to the blade.  Its mean over a pass is
zero, so that taking it out leaves every slip that lasts a pass as it was.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose.lag import Steps, place_at
from kerfbeat.diagnose.shafts import Band, blade_pass_band
from kerfbeat.diagnose.tracks import Track
from kerfbeat.machine import Machine
from kerfbeat.measure.uncertainty import robust_sd

__all__ = ["FAULTY_DEPTH", "Joint", "joint_of", "joint_watched"]

Floats = NDArray[np.float64]

LEAST_PASSES = 6  # three of each half
MOST_HARMONICS, LEAST_HARMONICS = 10, 3  # a joint is a short dip: of a tenth of a pass or so
STEPS_PER_UNKNOWN = 3.0  # in each half
# Correlation of the two halves from which both show the same: by the blade's own mark, and the best of the many places
# tried where only its length is known.  Chance gives 0 +- 0.25; real joints 0.52 and more
# (test_verdict_names_the_cause).
ALIKE_BY_MARK, ALIKE_BY_LENGTH = 0.5, 0.7
LEAST_IDLE, EXPLAINED = 20, 0.5  # steps of idle running, and the part of their variance that the joint must explain
FAULTY_DEPTH = 0.005  # as much as a belt may not slip beyond its creep either; common practice, no published source
LEAST_DEPTH = 0.002  # a dip that nobody need be told of
HUBER, ROUNDS = 1.345, 12  # efficiency 95 % for normal errors
GRID = 100  # places of a pass
# Passes over a whole stretch: how finely the blade's length is sought where no mark is on it; a dip is 0.12 wide.
COARSE, FINE = 0.1, 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class Joint:
    """What the wheel does once a pass of the blade.

    lag_s : (n,) what each step owes to it, NaN where the blade's place is not known.   depth : of the dip, a part of
    the speed.   passes : seen.   alike : correlation of even and odd passes.   by_mark : the blade's own mark tells
    its place; else its length does.
    """

    lag_s: Floats
    depth: float
    passes: int
    alike: float
    by_mark: bool


def joint_of(
    machine: Machine, tracks: Sequence[Track], steps: Steps, slip: Floats, *, load: Floats, idle: NDArray[np.bool_]
) -> Joint | None:
    """Find what repeats with the blade in (n,) slip; None where nothing does, or the blade's place is not known.

    load : (n,) what creep is in proportion to, of any unit.   idle : (n,) where it runs idle: there a belt that slips
        is quiet and a joint is not, so that the joint must be seen in it.
    """
    found = _repeating(machine, tracks, steps, slip, load)
    if found is None:
        return None
    where = np.isfinite(slip) & idle
    if np.count_nonzero(where) < LEAST_IDLE:
        where = np.isfinite(slip)
    where &= np.isfinite(found.lag_s)
    before = (slip * steps.length_s)[where]
    after = before - found.lag_s[where]
    explained = 1.0 - float(np.var(after)) / max(float(np.var(before)), np.finfo(float).tiny)
    return found if explained > EXPLAINED else None


def _repeating(
    machine: Machine, tracks: Sequence[Track], steps: Steps, slip: Floats, load: Floats
) -> Joint | None:
    """What repeats with the blade, wherever it does."""
    use = np.isfinite(slip)
    marked = _marked(tracks, steps, slip)
    if marked is not None:
        return _joint(steps, slip, load, _carried_on(steps, *marked), by_mark=True)
    band, whole = blade_pass_band(machine), _by_wheel(tracks, steps)
    if band is None:
        return None
    # Where the count was broken the blade's place is lost, so that each stretch is looked at by itself.
    found = []
    for block in np.unique(steps.block[use]).tolist():
        place = tuple(np.where(steps.block == block, each, np.nan) for each in whole)
        if (one := _by_length(steps, slip, load, (place[0], place[1]), band=band)) is not None:
            found.append(one)
    if not found:
        return None
    longest = max(found, key=lambda each: each.passes)
    lag_s = np.full(len(slip), np.nan)
    for each in found:
        lag_s = np.where(np.isfinite(each.lag_s), each.lag_s, lag_s)
    return replace(longest, lag_s=lag_s, passes=sum(each.passes for each in found))


def _by_length(steps: Steps, slip: Floats, load: Floats, place: tuple[Floats, Floats], *, band: Band) -> Joint | None:
    """What repeats with the blade in an unbroken stretch, where only its length is known, to half a per cent."""
    start, end = place
    if not np.isfinite(start).any():
        return None
    turns = float(np.nanmax(end) - np.nanmin(start))

    def best(rates: Floats) -> tuple[float, Joint | None]:
        tried = [(rate, _joint(steps, slip, load, (start * rate, end * rate), by_mark=False)) for rate in rates]
        return max(tried, key=lambda pair: 0.0 if pair[1] is None else float(np.nansum(pair[1].lag_s ** 2)))

    rate, found = best(np.linspace(band.low, band.high, max(3, math.ceil((band.high - band.low) * turns / COARSE))))
    if found is None:
        return None
    return best(rate + np.arange(-COARSE, 1.5 * COARSE, FINE) / turns)[1]


def joint_watched(machine: Machine, tracks: Sequence[Track], steps: Steps, slip: Floats) -> bool:
    """Whether a joint would show: passes enough, and steps enough in each."""
    band, marked = blade_pass_band(machine), _marked(tracks, steps, slip)
    if marked is None and band is None:
        return False
    start, end = marked if marked is not None else _by_wheel(tracks, steps)
    use = np.isfinite(slip) & np.isfinite(start)
    turns = float((end - start)[use].sum())
    passes = turns if marked is not None or band is None else band.middle * turns
    return passes >= LEAST_PASSES and _harmonics(int(np.count_nonzero(use)), passes) >= LEAST_HARMONICS


def _marked(tracks: Sequence[Track], steps: Steps, slip: Floats) -> tuple[Floats, Floats] | None:
    """Places of the blade by its own mark; None where it was not seen most of the time."""
    use = np.isfinite(slip)
    marked = place_at([track for track in tracks if track.channel == "blade"], steps)
    return marked if np.count_nonzero(use & np.isfinite(marked[0])) > 0.5 * np.count_nonzero(use) else None


def _by_wheel(tracks: Sequence[Track], steps: Steps) -> tuple[Floats, Floats]:
    """Places of the wheel."""
    return _carried_on(steps, *place_at([track for track in tracks if track.channel == "wheel"], steps))


def _harmonics(count: int, passes: float) -> int:
    """How many waves of a pass so many steps can tell, half of them by itself."""
    return int(min(MOST_HARMONICS, count / passes, count / (4 * STEPS_PER_UNKNOWN)))


def _carried_on(steps: Steps, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """The same places, before the first pulse that tells them and after the last by the turns of the driven shaft."""
    start, end = start.copy(), end.copy()
    for block in np.unique(steps.block).tolist():
        mine = np.flatnonzero(steps.block == block)
        known = mine[np.isfinite(start[mine])]
        if len(known) < 2:
            continue
        first, last = known[0], known[-1]
        turns = np.concatenate(([0.0], np.cumsum(steps.down_turns[mine])))
        a, b = np.searchsorted(mine, (first, last))
        rate = (end[last] - start[first]) / (turns[b + 1] - turns[a])
        place = start[first] + rate * (turns - turns[a])
        place[b + 1 :] += end[last] - place[b + 1]
        outside = (mine < first) | (mine > last)
        start[mine[outside]], end[mine[outside]] = place[:-1][outside], place[1:][outside]
    return start, end


def _joint(
    steps: Steps, slip: Floats, load: Floats, place: tuple[Floats, Floats], *, by_mark: bool
) -> Joint | None:
    start, end = place
    use = np.isfinite(slip) & np.isfinite(start)
    if not use.any():
        return None
    passes = float((end - start)[use].sum())
    if passes < LEAST_PASSES:
        return None
    harmonics = _harmonics(int(np.count_nonzero(use)), passes)
    if harmonics < LEAST_HARMONICS:
        return None
    begin, finish = start[use], end[use]
    columns = _waves(finish, harmonics) - _waves(begin, harmonics)
    length_s, number = steps.length_s[use], np.floor(0.5 * (begin + finish)).astype(np.int64)
    whole, lag = np.column_stack((columns, load[use] * length_s)), (slip * steps.length_s)[use]

    def fitted(some: NDArray[np.bool_]) -> Floats:
        return _fitted(whole[some], lag[some], length_s[some], number[some])[: 2 * harmonics]

    odd = number % 2 == 1
    grid = _slopes(np.arange(GRID) / GRID, harmonics) / (float(steps.length_s[use].sum()) / passes)
    halves = [grid @ fitted(half) for half in (odd, ~odd) if half.any()]
    if len(halves) < 2 or min(float(np.ptp(each)) for each in halves) <= 0.0:
        return None
    alike = float(np.corrcoef(halves[0], halves[1])[0, 1])
    found = fitted(np.ones(len(lag), dtype=bool))
    depth = float((grid @ found).max())
    if alike < (ALIKE_BY_MARK if by_mark else ALIKE_BY_LENGTH) or depth < LEAST_DEPTH:
        return None
    lag_s = np.full(len(slip), np.nan)
    lag_s[use] = columns @ found
    return Joint(lag_s=lag_s, depth=depth, passes=int(passes), alike=alike, by_mark=by_mark)


def _waves(place: Floats, harmonics: int) -> Floats:
    angle = 2 * np.pi * place[:, None] * np.arange(1, harmonics + 1)
    return np.concatenate((np.cos(angle), np.sin(angle)), axis=1)


def _slopes(place: Floats, harmonics: int) -> Floats:
    """Derivative of the waves by the place."""
    order = 2 * np.pi * np.arange(1, harmonics + 1)
    angle = place[:, None] * order
    return np.concatenate((-order * np.sin(angle), order * np.cos(angle)), axis=1)


def _fitted(columns: Floats, lag: Floats, length_s: Floats, number: NDArray[np.int64]) -> Floats:
    """Amplitudes of the columns, by Huber's robust regression, beside a slip of its own in each numbered pass."""
    group = np.unique(number, return_inverse=True)[1]
    both = np.column_stack((columns, lag))
    weight: NDArray[np.floating] = np.ones(len(lag))
    found = np.zeros(columns.shape[1])
    for _ in range(ROUNDS):
        squares = np.bincount(group, weight * length_s**2)
        level = np.column_stack([np.bincount(group, weight * each * length_s) / squares for each in both.T])
        rest = both - length_s[:, None] * level[group]
        root = np.sqrt(weight)
        found = np.linalg.lstsq(rest[:, :-1] * root[:, None], rest[:, -1] * root, rcond=1e-6)[0]
        off = rest[:, -1] - rest[:, :-1] @ found
        scale = robust_sd(off)
        if scale <= 0.0:
            break
        weight = np.asarray(np.minimum(1.0, HUBER * scale / np.maximum(np.abs(off), 1e-12)), dtype=np.float64)
    return np.asarray(found)
