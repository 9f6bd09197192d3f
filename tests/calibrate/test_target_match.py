"""Which target is which after a restart, and what does a changed pattern say?"""

import numpy as np
import pytest

from kerfbeat.calibrate.match import count_targets, find_change, match_spacing
from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.targets import estimate_spacing

ANGLES = np.array([0.0, 90.9, 179.3, 270.6]) / 360


def learnt(angles_deg, wandering, *, seed, first=0, turns=40, rpm=100, without=None):
    """Spacing as estimated from a run that begins at target `first`, `without` one that is never seen."""
    angles = np.sort(np.asarray(angles_deg) % 360.0) / 360
    machine = wandering(rpm=rpm, turns=turns + 2, angles_turns=angles, wander=0.003)
    seconds = machine.seconds(1, seed=seed)[:, 0]
    numbers = np.arange(len(seconds))
    keep = numbers >= first
    if without is not None:
        keep &= numbers % len(angles) != without
    count = len(angles) - (without is not None)
    seconds = seconds[keep]
    return estimate_spacing([Block(seconds=seconds, numbers=np.arange(len(seconds)))], targets=count)


DEG = (0.0, 90.9, 179.3, 270.6)


@pytest.mark.parametrize("first", range(4))
def test_restart_at_any_target(wandering, first):
    stored = learnt(DEG, wandering, seed=1, turns=200)
    match = match_spacing(learnt(DEG, wandering, seed=2, first=first), stored)
    assert match.first == first
    assert match.sure
    assert match.by_first.sum() + match.another == pytest.approx(1.0)


def test_confidence_is_honest(wandering):
    """Over patterns of every difficulty: the best way is the true one as often as its probability says."""
    random = np.random.default_rng(1)
    said, right = [], []
    for k in range(60):
        spread_deg = 10 ** random.uniform(-2.5, -0.5)
        deg = np.arange(4) * 90.0 + np.concatenate(([0.0], random.normal(0, spread_deg, 3)))
        first = int(random.integers(4))
        stored = learnt(deg, wandering, seed=2 * k, turns=60)
        match = match_spacing(learnt(deg, wandering, seed=2 * k + 1, first=first), stored)
        said.append(match.probability)
        right.append(match.first == first)
        assert right[-1] or not match.sure
    said = np.array(said)
    assert (said > 0.99).sum() > 12
    assert (said < 0.8).sum() > 12
    # Each case is a coin of its own probability; the sum of many is known within 3 of its standard deviations.
    assert abs(np.sum(right) - said.sum()) < 3 * np.sqrt((said * (1 - said)).sum()) + 1


def test_near_symmetric_pattern_is_not_guessed(wandering):
    """Two half turns alike to 0.001 degree: which half is which stays open, and costs next to nothing."""
    deg = (0.0, 92.0, 180.0, 272.001)
    stored = learnt(deg, wandering, seed=1, turns=200)
    match = match_spacing(learnt(deg, wandering, seed=2), stored)
    assert not match.sure
    assert {match.first, *match.rivals} == {0, 2}
    assert match.probability < 0.9
    assert match.doubt < 2e-4


def test_even_pattern_leaves_all_ways_open(wandering):
    even = (0.0, 90.0, 180.0, 270.0)
    match = match_spacing(learnt(even, wandering, seed=2), learnt(even, wandering, seed=1, turns=200))
    assert not match.sure
    assert len(match.rivals) == 3
    assert match.another < 0.1


def test_another_wheel_is_not_matched(wandering):
    stored = learnt(DEG, wandering, seed=1, turns=200)
    match = match_spacing(learnt((0.0, 88.0, 181.5, 268.0), wandering, seed=2), stored)
    assert match.another > 0.999
    assert not match.sure
    assert find_change(learnt((0.0, 88.0, 181.5, 268.0), wandering, seed=2), stored).kind == "another"


@pytest.mark.parametrize("gone", range(4))
@pytest.mark.parametrize("first", [0, 2])
def test_fallen_target_is_named(wandering, gone, first):
    stored = learnt(DEG, wandering, seed=1, turns=200)
    change = find_change(learnt(DEG, wandering, seed=3, first=first, without=gone), stored)
    assert change.kind == "fallen"
    assert change.target == gone
    assert change.probability > 0.99


@pytest.mark.parametrize(("at_deg", "after"), [(30.0, 0), (150.0, 1), (200.0, 2), (300.0, 3), (359.0, 3), (5.0, 0)])
@pytest.mark.parametrize("first", range(5))
def test_spurious_edge_is_placed(wandering, at_deg, after, first):
    """A screw head that the sensor sees too: said after which target it comes, and how far."""
    stored = learnt(DEG, wandering, seed=1, turns=200)
    change = find_change(learnt((*DEG, at_deg), wandering, seed=4, first=first), stored)
    assert change.kind == "spurious"
    assert change.target == after
    assert change.at_turns * 360 == pytest.approx(at_deg - DEG[after], abs=0.3)
    assert change.probability > 0.99


@pytest.mark.parametrize("moved", range(1, 4))
@pytest.mark.parametrize("first", [0, 3])
def test_moved_target_is_named(wandering, moved, first):
    stored = learnt(DEG, wandering, seed=1, turns=200)
    deg = list(DEG)
    deg[moved] += 2.0
    change = find_change(learnt(deg, wandering, seed=5, first=first), stored)
    assert (change.kind, change.target) == ("moved", moved)
    assert change.at_turns * 360 == pytest.approx(2.0, abs=0.3)


def test_unchanged_pattern_is_said_to_be_the_same(wandering):
    stored = learnt(DEG, wandering, seed=1, turns=200)
    for seed in range(10, 20):
        change = find_change(learnt(DEG, wandering, seed=seed, first=seed % 4), stored)
        assert change.kind == "same"
        assert change.probability > 0.99
        assert change.match.first == seed % 4


@pytest.mark.parametrize(("targets", "described"), [(4, 4), (3, 4), (5, 4), (8, 4), (6, 6), (2, 1)])
def test_count_of_targets_is_recognised(wandering, targets, described):
    """Targets placed to a degree repeat once a turn, however many the file says there are."""
    off_deg = np.array([0.0, 1.1, -0.7, 0.9, -1.2, 0.5, 0.8, -0.6])[:targets]
    angles = (np.arange(targets) * 360 / targets + off_deg) / 360
    machine = wandering(rpm=100, turns=60, angles_turns=angles, wander=0.003)
    seconds = machine.seconds(1, seed=2)[:, 0]
    best = count_targets([Block(seconds=seconds, numbers=np.arange(len(seconds)))], described=described)[0]
    assert best.targets == targets
    assert best.probability > 0.9  # the rest goes to its multiples, by the weight of more constants
    assert (best.apart > 0.002) == (described % targets != 0)


def test_even_targets_do_not_betray_their_count(wandering):
    """Perfectly even targets repeat at every count: what is found divides the described count."""
    machine = wandering(rpm=100, turns=60, angles_turns=np.arange(4) / 4, wander=0.003)
    seconds = machine.seconds(1, seed=2)[:, 0]
    best = count_targets([Block(seconds=seconds, numbers=np.arange(len(seconds)))], described=4)[0]
    assert 4 % best.targets == 0
    assert best.apart < 1e-9
