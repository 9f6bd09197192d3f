"""Are missing and extra pulses found and counted, and is nothing else called missing or extra?

Every record comes from the generator in conftest.py, which knows which edges are true.  Rates asserted here are
requirements (what a user can be told), not measured values; each is checked over all seeds together.
"""

import math

import numpy as np
import pytest

from kerfbeat.errors import MeasureError
from kerfbeat.measure.pulses import clean_pulses

SEEDS = range(12)
TICK_HZ = 16e6
JITTER_S = 10e-6


def wheels(bench):
    """Name -> maker of a wheel from a random generator: steady, wandering, run-up, cut under load, stop."""
    return {
        "motor, steady": lambda rng: bench.steady(24.0, 60.0, bench.uneven(rng, 1)),
        "4 targets, steady": lambda rng: bench.steady(1.3, 300.0, bench.uneven(rng, 4)),
        "60 targets, steady": lambda rng: bench.steady(1.3, 60.0, bench.uneven(rng, 60)),
        "4 targets, wandering": lambda rng: bench.wandering(
            rng, 1.3, 300.0, bench.uneven(rng, 4), sd=0.02, correlation_s=2.0
        ),
        "4 targets, run-up, cut, stop": lambda rng: bench.profile(
            [(0, 0), (2, 1.3), (60, 1.3), (60.5, 1.2), (90, 1.2), (90.3, 1.3), (120, 1.3), (121.5, 0)],
            bench.uneven(rng, 4),
        ),
        "motor, run-up, cut, stop": lambda rng: bench.profile(
            [(0, 0), (2, 24), (20, 24), (20.5, 22), (30, 22), (30.3, 24), (40, 24), (41.5, 0)], bench.uneven(rng, 1)
        ),
        "4 targets, twice on and off": lambda rng: bench.profile(
            [(0, 0), (2, 1.3), (20, 1.3), (20.5, 0), (30, 0), (32, 1.3), (50, 1.3), (53, 0)], bench.uneven(rng, 4)
        ),
    }


WHEELS = [
    "motor, steady",
    "4 targets, steady",
    "60 targets, steady",
    "4 targets, wandering",
    "4 targets, run-up, cut, stop",
    "motor, run-up, cut, stop",
    "4 targets, twice on and off",
]


def record(bench, name, seed, *, miss=0.0, extra=0.0, bounce=0.0, bursts=0):
    """Ticks seen, ticks of the true edges among them, targets, pulses missed, pulses too many."""
    rng = np.random.default_rng(seed)
    wheel = wheels(bench)[name](rng)
    times, _ = wheel.edges()
    times = times + rng.normal(0, JITTER_S, len(times))
    seen = rng.random(len(times)) >= miss
    seen[[0, -1]] = True  # before the first and after the last edge nothing can be called missing
    true = times[seen]
    false = [rng.uniform(times[0], times[-1], rng.poisson(extra * len(times)))]
    false += [
        rng.uniform(times[0], times[-1]) + np.cumsum(rng.exponential(1e-3, rng.integers(5, 60))) for _ in range(bursts)
    ]
    doubled = true[rng.random(len(true)) < bounce]
    false.append(doubled + rng.uniform(50e-6, 500e-6, len(doubled)))
    added = np.concatenate(false)
    added = added[added < times[-1]]
    return (
        bench.ticks_of(np.concatenate((true, added))),
        bench.ticks_of(true),
        len(wheel.angles_turns),
        int((~seen).sum()),
        len(added),
    )


@pytest.mark.parametrize("name", WHEELS)
def test_nothing_is_wrong_with_a_clean_record(bench, name):
    for seed in SEEDS:
        ticks, _, targets, _, _ = record(bench, name, seed)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        assert (clean.missing, clean.extra, clean.irregular) == (0, 0, 0)
        assert np.array_equal(clean.ticks, ticks)
        assert clean.per_turn == targets
        assert len(clean.run_starts) - 1 == (2 if "twice" in name else 1)


@pytest.mark.parametrize("name", WHEELS)
def test_missing_pulses_are_counted_while_the_speed_changes(bench, name):
    missed = found = 0
    for seed in SEEDS:
        ticks, _, targets, miss, _ = record(bench, name, seed, miss=0.003)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        missed, found = missed + miss, found + clean.missing
        assert clean.extra == 0
        assert clean.skips.sum() == clean.missing
    assert missed >= 5
    assert abs(found - missed) <= 0.02 * missed + 0.5


@pytest.mark.parametrize("share", [0.0, 0.03, 0.06, 0.11])
@pytest.mark.parametrize("miss", [0.05, 0.1])
def test_one_pulse_in_twenty_missing_changes_no_number(bench, share, miss):
    # Of near even targets and of uneven ones; also where, by chance, every fifth is missed for some turns.
    wrong = pulses = missed = found = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        times, _ = bench.steady(1.3, 60.0, bench.uneven(rng, 4, share=share)).edges()
        kept = np.flatnonzero(rng.random(len(times)) >= miss)
        ticks = bench.ticks_of(times[kept] + rng.normal(0, JITTER_S, len(kept)))
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
        number = kept[np.searchsorted(ticks, clean.ticks)]
        for first, last in clean.runs():
            wrong += int((np.diff(clean.numbers(first, last)) != np.diff(number[first:last])).sum())
        pulses, missed, found = pulses + len(kept), missed + int(np.ptp(kept)) + 1 - len(kept), found + clean.missing
    assert wrong <= 1e-3 * pulses
    assert 0.97 * missed <= found <= missed


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("cause", ["stray", "bounce", "bursts"])
def test_extra_pulses_are_counted_and_taken_out(bench, name, cause):
    added = found = left_in = taken_out = 0
    damage = {"stray": {"extra": 0.003}, "bounce": {"bounce": 0.02}, "bursts": {"bursts": 2}}[cause]
    missing = 0
    for seed in SEEDS:
        ticks, true, targets, _, extra = record(bench, name, seed, **damage)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        added, found, missing = added + extra, found + clean.extra, missing + clean.missing
        left_in += len(np.setdiff1d(clean.ticks, true))
        taken_out += len(np.setdiff1d(true, clean.ticks))
    assert abs(found - added) <= 0.02 * added + 1
    # A false edge that stands for a true one is nearer than a quarter of a gap; it must be rare.
    assert left_in <= 0.08 * added
    assert taken_out <= 0.08 * added
    assert missing <= (3 if cause == "bursts" else 0)  # a burst may hide the edges before standstill


@pytest.mark.parametrize("name", WHEELS)
def test_a_sensor_that_doubles_every_edge_is_seen_through(bench, name):
    for seed in SEEDS:
        ticks, true, targets, _, extra = record(bench, name, seed, bounce=1.0)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        assert clean.extra == extra
        assert np.array_equal(clean.ticks, true)


@pytest.mark.parametrize("targets", [3, 4, 5])
def test_a_target_that_fell_off_is_recognised(bench, targets):
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        angles = bench.uneven(rng, targets)
        times, _ = bench.steady(1.3, 100.0, np.delete(angles, 1)).edges()
        clean = clean_pulses(
            bench.ticks_of(times + rng.normal(0, JITTER_S, len(times))), tick_hz=TICK_HZ, targets=targets
        )
        assert clean.per_turn == targets - 1
        assert clean.missing == pytest.approx(130, abs=2)  # one a turn, 1.3 turns a second for 100 s
        assert len(clean.run_starts) == 2


def gone_after(bench, seed, targets, *, gone_s, wheel, gained=False, back_s=math.inf):
    """Ticks with one target unseen (or a false edge beside one) from gone_s until back_s; pulse numbers; how many."""
    rng = np.random.default_rng(seed)
    angles = bench.uneven(rng, targets, share=0.05 if gained else 0.11)  # very uneven: either edge may be the false one
    if gained:
        angles = np.sort(np.append(angles, angles[1] + 0.3 / targets))
    times, target = wheel(angles).edges()
    changed = (target == (2 if gained else 1)) & ((times >= gone_s) & (times < back_s)) != gained
    if gained:
        changed &= target == 2
    number = np.cumsum(target != 2) - 1 if gained else np.arange(len(times))
    seen = times[~changed]
    affected = int(((target == 2) & ~changed).sum()) if gained else int(changed.sum())
    return bench.ticks_of(seen + rng.normal(0, JITTER_S, len(seen))), number[~changed], affected


@pytest.mark.parametrize("gone_s", [8.0, 50.0, 90.0])
@pytest.mark.parametrize("targets", [3, 4, 5, 8])
@pytest.mark.parametrize("changing", [False, True])
def test_a_target_that_falls_off_on_the_way_changes_no_turn(bench, targets, gone_s, changing):
    points = [(0, 1.3), (30, 1.3), (30.5, 1.2), (70, 1.2), (70.5, 1.3), (100, 1.3)]
    for seed in SEEDS:
        ticks, number, gone = gone_after(
            bench,
            seed,
            targets,
            gone_s=gone_s,
            wheel=lambda angles: bench.profile(points if changing else [(0, 1.3), (100, 1.3)], angles),
        )
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        assert clean.per_turn == targets
        assert abs(clean.missing - gone) <= 1  # the very last pass cannot be missed
        assert clean.extra == 0
        for first, last in clean.runs():
            assert np.array_equal(clean.numbers(first, last), number[first:last] - number[first])
        assert len(clean.run_starts) == 2


def test_a_target_that_is_seen_again_is_told(bench):
    for seed in SEEDS:
        ticks, number, gone = gone_after(
            bench, seed, 4, gone_s=40.0, back_s=80.0, wheel=lambda angles: bench.steady(1.3, 120.0, angles)
        )
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
        assert [seen for _, seen in clean.changes] == [3, 4]
        assert [tick / 16e6 for tick, _ in clean.changes] == pytest.approx([40.0, 80.0], abs=2.0)
        assert clean.missing == gone
        assert np.array_equal(clean.numbers(0, len(clean.ticks)), number)


def test_a_false_edge_in_every_turn_from_some_time_on_changes_no_turn(bench):
    for seed in SEEDS:
        ticks, _, false = gone_after(
            bench, seed, 4, gone_s=50.0, gained=True, wheel=lambda angles: bench.steady(1.3, 100.0, angles)
        )
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
        assert clean.per_turn == 4
        assert abs(clean.extra - false) <= 1
        assert clean.missing == 0
        assert len(clean.run_starts) == 2
        gaps = np.diff(clean.ticks) / 16e6 * 1.3 * 4
        assert np.abs(gaps - 1.0).max() < 0.3


def test_a_false_edge_beside_very_uneven_targets_displaces_no_true_one(bench):
    # Nearer to where even targets would stand than the true one is: only the turns before tell which is which.
    for seed in range(12):
        rng = np.random.default_rng(seed)
        angles = np.array([0.02, 0.25 + 0.08, 0.52, 0.77]) + rng.uniform(-0.005, 0.005, 4)
        times, target = bench.steady(1.3, 100.0, np.sort(np.append(angles, 0.26))).edges()
        seen = times[(target != 1) | (times >= 50.0)]
        true = bench.ticks_of(times[target != 1])
        clean = clean_pulses(bench.ticks_of(seen), tick_hz=TICK_HZ, targets=4)
        assert len(np.setdiff1d(clean.ticks, true)) <= 1
        assert len(np.setdiff1d(true, clean.ticks)) <= 1
        assert clean.missing == 0


def test_a_loss_where_a_target_falls_off_breaks_the_count(bench):
    ticks, _, _ = gone_after(bench, 2, 4, gone_s=50.0, wheel=lambda angles: bench.steady(1.3, 100.0, angles))
    start, end = int(49.0 * 16e6), int(52.0 * 16e6)
    kept = ticks[(ticks <= start) | (ticks > end)]
    clean = clean_pulses(kept, tick_hz=TICK_HZ, targets=4, losses=[(start, end)])
    assert clean.run_starts.tolist() == [0, int(np.searchsorted(kept, start, side="right")), len(kept)]
    assert clean.missing == pytest.approx(1.3 * 48, abs=1.5)


def test_a_missing_tooth_of_many_is_counted_every_turn(bench):
    rng = np.random.default_rng(1)
    times, target = bench.steady(2.0, 60.0, bench.uneven(rng, 60, share=0.05)).edges()
    kept = target != 17
    clean = clean_pulses(bench.ticks_of(times[kept]), tick_hz=TICK_HZ, targets=60)
    assert clean.missing == pytest.approx(120, abs=2)
    assert clean.per_turn == 60
    # All at the same place: pulse numbers of what is missing are equal modulo 60.
    numbers = clean.numbers(0, len(clean.ticks))
    assert len(np.unique(numbers[clean.skip_at] % 60)) == 1


@pytest.mark.parametrize("targets", [1, 4])
def test_a_false_edge_in_every_turn_is_recognised(bench, targets):
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        even = bench.uneven(rng, targets)
        angles = np.sort(np.append(even, (even[0] + 0.3 / targets) % 1))
        times, _ = bench.steady(1.3, 100.0, angles).edges()
        clean = clean_pulses(
            bench.ticks_of(times + rng.normal(0, JITTER_S, len(times))), tick_hz=TICK_HZ, targets=targets
        )
        assert clean.per_turn == targets + 1
        assert clean.extra == pytest.approx(130, abs=2)


@pytest.mark.parametrize("name", ["motor, steady", "4 targets, steady", "60 targets, steady"])
def test_a_loss_breaks_the_count_and_is_not_called_missing(bench, name):
    ticks, _, targets, _, _ = record(bench, name, 3)
    for first in (100, 101, 250):
        start, end = int(ticks[first]), int(ticks[first + 30])
        kept = ticks[(ticks <= start) | (ticks > end)]
        clean = clean_pulses(kept, tick_hz=TICK_HZ, targets=targets, losses=[(start, end)])
        assert (clean.missing, clean.extra) == (0, 0)
        assert clean.run_starts.tolist() == [0, first + 1, len(kept)]
        assert np.array_equal(clean.ticks, kept)


def test_a_loss_of_one_pulse_only_breaks_the_count(bench):
    ticks, _, _, _, _ = record(bench, "4 targets, steady", 5)
    kept = np.delete(ticks, 200)
    clean = clean_pulses(kept, tick_hz=TICK_HZ, targets=4, losses=[(int(ticks[199]), int(ticks[200]))])
    assert clean.missing == 0
    assert clean.run_starts.tolist() == [0, 200, len(kept)]


def test_a_silence_longer_than_any_miss_breaks_the_count(bench):
    ticks, _, _, _, _ = record(bench, "motor, steady", 2)
    kept = np.delete(ticks, np.arange(500, 560))
    clean = clean_pulses(kept, tick_hz=TICK_HZ, targets=1)
    assert clean.missing == 0
    assert clean.run_starts.tolist() == [0, 500, len(kept)]


@pytest.mark.parametrize("targets", [1, 4])
@pytest.mark.parametrize("gone", [1, 2, 3])
def test_half_a_gap_too_much_is_no_missing_pulse(bench, targets, gone):
    # The shaft stood still for half a gap somewhere in a short silence: no whole number of pulses is missing.
    ticks, _, _, _, _ = record(bench, "motor, steady" if targets == 1 else "4 targets, steady", 4)
    gap = int(np.median(np.diff(ticks)))
    later = np.concatenate((ticks[:300], ticks[300 + gone :] + gap // 2))
    clean = clean_pulses(later, tick_hz=TICK_HZ, targets=targets)
    assert clean.missing == 0
    assert clean.run_starts.tolist() == [0, 300, len(later)]


@pytest.mark.parametrize("pause_s", [25.0, 27.3, 33.1, 38.4, 44.9, 60.0])
def test_a_pause_of_a_slow_shaft_is_not_called_missing_pulses(bench, pause_s):
    # A blade's mark every 6.4 s: a pause of a few gaps must not pass for a whole number of unseen marks.
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        at = rng.uniform(60.0, 66.4)
        points = [(0, 0.156), (at, 0.156), (at + 1, 0), (at + 1 + pause_s, 0), (at + 2 + pause_s, 0.156), (200, 0.156)]
        times, _ = bench.profile(points, np.array([0.3])).edges()
        clean = clean_pulses(bench.ticks_of(times + rng.normal(0, JITTER_S, len(times))), tick_hz=TICK_HZ, targets=1)
        assert (clean.missing, clean.extra) == (0, 0)
        assert len(clean.run_starts) == 3


def test_noise_without_a_wheel_is_no_turning(bench):
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        noise = bench.ticks_of(np.cumsum(rng.exponential(0.05, 2000)))
        clean = clean_pulses(noise, tick_hz=TICK_HZ, targets=4)
        assert len(clean.ticks) <= 0.05 * len(noise)
        assert clean.extra >= 0.95 * len(noise)


def with_bursts(bench, rng, times, *, every_s, edges=10, wide_s=0.02):
    """Ticks with a burst now and then, the true ones, and how many of these lie inside a burst."""
    begins = np.cumsum(rng.exponential(every_s, int(2 * times[-1] / every_s)))
    begins = begins[begins < times[-1] - wide_s]
    noise = [begin + np.sort(rng.uniform(0, wide_s, 1 + rng.poisson(edges))) for begin in begins]
    hidden = sum(int(((times > burst[0]) & (times < burst[-1])).sum()) for burst in noise)
    ticks = bench.ticks_of(np.concatenate((times, *noise)))
    return ticks, bench.ticks_of(times), hidden, sum(len(burst) for burst in noise)


@pytest.mark.parametrize(("targets", "speed_hz"), [(4, 0.4), (1, 1.3), (1, 24.0), (4, 1.3)])
def test_bursts_beside_a_slow_sensor_are_taken_out(bench, targets, speed_hz):
    # An inverter's bursts of 10 edges in 20 ms every 2.4 s: on a wheel of 1.6 pulses a second most edges are noise.
    added = extra = left_in = lost = hidden = missing = turns = 0
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        wheel = bench.steady(speed_hz, 120.0, bench.uneven(rng, targets))
        times, _ = wheel.edges()
        ticks, true, inside, noise = with_bursts(bench, rng, times, every_s=2.4)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
        added, extra, hidden, missing = added + noise, extra + clean.extra, hidden + inside, missing + clean.missing
        left_in += len(np.setdiff1d(clean.ticks, true))
        lost += len(np.setdiff1d(true, clean.ticks))
        turns += len(true)
        assert len(clean.run_starts) - 1 <= 2
    assert abs(extra - added) <= 0.02 * added + hidden
    # Targets near a burst may go with it, or a false edge be taken for one within a quarter of a gap.
    assert lost <= 2 * hidden + 0.03 * turns
    assert left_in <= 0.02 * turns
    assert missing <= lost


def test_few_targets_among_much_noise_give_no_turning(bench):
    # A blade's mark every 6.4 s and bursts every 2.4 s: what is left cannot be certain, and must not be believed.
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        times, _ = bench.steady(0.156, 60.0, np.array([0.3])).edges()
        ticks, true, _, _ = with_bursts(bench, rng, times, every_s=2.4)
        clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=1)
        assert len(np.setdiff1d(clean.ticks, true)) <= 1


def test_starts_and_stops_are_no_bursts(bench):
    # Jogs of some turns between long pauses: clusters too, but a wheel's.
    rng = np.random.default_rng(1)
    points = [(0, 0)]
    for k in range(6):
        at = 20.0 * k + 5.0
        points += [(at, 0), (at + 1, 2.0), (at + 4, 2.0), (at + 5, 0)]
    wheel = bench.profile([*points, (130, 0)], bench.uneven(rng, 4))
    times, _ = wheel.edges()
    ticks = bench.ticks_of(times + rng.normal(0, JITTER_S, len(times)))
    clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=4)
    assert len(clean.run_starts) - 1 == 6
    assert clean.extra <= 6
    assert clean.missing == 0


def test_five_even_pulses_are_a_run(bench):
    # A slow blade: some passes, a pause, and many passes.
    early, late = np.arange(5) * 6.4, 100.0 + np.arange(40) * 2.75
    clean = clean_pulses(bench.ticks_of(np.concatenate((early, late)) + 1.0), tick_hz=TICK_HZ, targets=1)
    assert clean.run_starts.tolist() == [0, 5, 45]
    assert clean.irregular == 0


def test_pulse_numbers_count_missing_pulses(bench):
    ticks, _, _, _, _ = record(bench, "4 targets, steady", 7)
    clean = clean_pulses(np.delete(ticks, [50, 90, 91]), tick_hz=TICK_HZ, targets=4)
    expected = np.delete(np.arange(len(ticks)), [50, 90, 91])
    assert clean.missing == 3
    assert np.array_equal(clean.numbers(0, len(clean.ticks)), expected)
    assert np.array_equal(clean.numbers(60, 100), expected[60:100] - expected[60])
    assert list(clean.runs()) == [(0, len(ticks) - 3)]


@pytest.mark.parametrize("count", range(12))
@pytest.mark.parametrize("targets", [1, 2, 4, 60])
def test_a_few_pulses_are_all_kept(bench, count, targets):
    times, _ = bench.steady(1.0, 20.0, bench.uneven(np.random.default_rng(0), targets)).edges()
    ticks = bench.ticks_of(times[:count])
    clean = clean_pulses(ticks, tick_hz=TICK_HZ, targets=targets)
    assert (clean.missing, clean.extra) == (0, 0)
    assert np.array_equal(clean.ticks, ticks)
    assert len(clean.run_starts) - 1 == (1 if count else 0)


def test_targets_must_be_at_least_one():
    with pytest.raises(MeasureError, match="at least 1"):
        clean_pulses(np.arange(10), tick_hz=TICK_HZ, targets=0)
