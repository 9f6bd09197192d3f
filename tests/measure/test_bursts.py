"""Are bursts of noise told from a wheel that starts and stops?"""

import numpy as np
import pytest

from kerfbeat.measure.bursts import in_bursts


def slow_wheel(rng, burst_every=4):
    """A gap of 600 000 ticks, and after every few of them ten edges within 20 000; and which are which."""
    wheel = np.arange(1, 200) * 600_000
    bursts = [at + 250_000 + np.sort(rng.choice(20_000, 10, replace=False)) for at in wheel[::burst_every]]
    return np.sort(np.concatenate((wheel, *bursts))), wheel


@pytest.mark.parametrize("seed", range(10))
def test_bursts_are_found_whole_and_nothing_else(seed):
    ticks, wheel = slow_wheel(np.random.default_rng(seed))
    mask = in_bursts(ticks)
    assert not mask[np.isin(ticks, wheel)].any()
    # Random edges lie farther than 8 usual gaps from the others once in 250 times.
    assert (~mask & ~np.isin(ticks, wheel)).sum() <= 0.02 * len(ticks)


def test_one_burst_in_a_long_record_is_found():
    ticks, wheel = slow_wheel(np.random.default_rng(1), burst_every=150)
    assert in_bursts(ticks).sum() == len(ticks) - len(wheel)


@pytest.mark.parametrize("seed", range(10))
def test_jogs_between_pauses_are_a_wheels(seed):
    # Ten pulses or so, of targets 10 degrees of 90 off, then ten seconds of rest: clusters of a wheel.
    rng = np.random.default_rng(seed)
    gaps = [np.append(rng.uniform(0.78, 1.22, rng.integers(8, 30)) * 190, 10_000.0) for _ in range(10)]
    ticks = np.cumsum(np.concatenate(gaps)).astype(np.int64)
    assert not in_bursts(ticks).any()


@pytest.mark.parametrize("count", range(5))
def test_a_few_edges_are_no_burst(count):
    assert not in_bursts(np.arange(1, count + 1) * 1000).any()
