"""Do whole turns hide spacing, and is a known pattern found at whatever target counting begins?"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbeat.errors import MeasureError
from kerfbeat.measure.spacing import find_angles, match_pattern, pattern_angles, places, whole_turns

TICK_HZ = 16e6


@given(
    gaps=st.lists(st.floats(0.2, 5.0), min_size=1, max_size=8),
    turn_ticks=st.integers(10_000, 10_000_000),
    turns=st.integers(2, 6),
)
@settings(max_examples=50, deadline=None)
def test_whole_turns_take_the_same_time_whatever_the_angles(gaps, turn_ticks, turns):
    angles = np.concatenate(([0.0], np.cumsum(gaps)[:-1])) / np.sum(gaps)
    within = np.round(angles * turn_ticks).astype(np.int64)  # whole ticks, so that every turn is rounded alike
    ticks = (np.arange(turns)[:, None] * turn_ticks + within).ravel()
    took = whole_turns(ticks, per_turn=len(gaps))
    assert np.all(took == turn_ticks)


@pytest.mark.parametrize("targets", [1, 2, 3, 4, 7, 60])
def test_angles_come_from_a_run_whose_speed_wanders(bench, targets):
    rng = np.random.default_rng(targets)
    angles = bench.uneven(rng, targets)
    wheel = bench.wandering(rng, 1.3, 300.0, angles, sd=0.01, correlation_s=2.0)
    times, target = wheel.edges()
    ticks = bench.ticks_of(times + rng.normal(0, 20e-6, len(times)))
    found, u = find_angles(ticks, numbers=np.arange(len(ticks)), per_turn=targets)
    true = np.roll(angles, -target[0])
    true = np.where(np.arange(targets) + target[0] >= targets, true + 1.0, true)
    off = found - true
    off -= off.mean()
    # 1 % of wander over a quarter of a turn moves an edge by about 1e-3 turns; 390 turns average that 20-fold.
    assert np.abs(off).max() < 4e-4
    if targets > 1:
        assert np.abs(off / u).max() < 5.0


def test_missing_pulses_do_not_shift_the_angles(bench):
    rng = np.random.default_rng(1)
    angles = bench.uneven(rng, 4)
    times, _ = bench.steady(1.3, 200.0, angles).edges()
    numbers = np.arange(len(times))
    kept = rng.random(len(times)) > 0.03
    found, _ = find_angles(bench.ticks_of(times)[kept], numbers=numbers[kept], per_turn=4)
    gaps = np.diff(found, append=found[0] + 1)
    assert gaps == pytest.approx(np.diff(angles, append=angles[0] + 1), abs=1e-5)


def test_too_short_a_run_has_no_angles():
    with pytest.raises(MeasureError, match="too few"):
        find_angles(np.arange(8) * 1000, numbers=np.arange(8), per_turn=4)


@pytest.mark.parametrize("rotation", range(5))
def test_a_pattern_is_found_at_every_rotation(rotation):
    spacing = np.array([0.18, 0.21, 0.20, 0.19, 0.22])
    seen = pattern_angles(spacing, rotation=rotation) + 0.3
    match = match_pattern(seen, u_turns=np.full(5, 1e-4), spacing_turns=spacing)
    assert (match.rotation, match.certain, match.fits) == (rotation, True, True)


def test_an_even_pattern_cannot_be_told_from_its_rotations():
    spacing = np.full(4, 0.25)
    match = match_pattern(pattern_angles(spacing), u_turns=np.full(4, 1e-3), spacing_turns=spacing)
    assert match.fits
    assert not match.certain


def test_another_wheel_does_not_fit():
    seen = pattern_angles(np.array([0.3, 0.2, 0.26, 0.24]))
    match = match_pattern(seen, u_turns=np.full(4, 1e-3), spacing_turns=np.array([0.25, 0.25, 0.20, 0.30]))
    assert not match.fits


def test_places_count_turns_and_angles():
    # By hand: pulse 0, 1, 2 in turn 0; pulse 3 begins turn 1.
    angles = np.array([0.0, 0.4, 0.7])
    assert places(np.array([0, 1, 2, 3, 8]), angles_turns=angles) == pytest.approx([0.0, 0.4, 0.7, 1.0, 2.7])


def test_a_pattern_of_another_wheel_is_refused():
    with pytest.raises(MeasureError, match="cannot be matched"):
        match_pattern(np.zeros(3), u_turns=np.ones(3), spacing_turns=np.full(4, 0.25))
    with pytest.raises(MeasureError, match="whole turn"):
        match_pattern(np.zeros(2), u_turns=np.ones(2), spacing_turns=np.array([0.5, 0.6]))
