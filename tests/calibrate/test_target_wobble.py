"""Is it spacing or wobble?  One channel cannot tell; a second can."""

import numpy as np
import pytest

from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.targets import estimate_spacing
from kerfbeat.calibrate.wobble import split_wobble
from kerfbeat.errors import CalibrateError

ANGLES = np.array([0.0, 90.9, 179.3, 270.6]) / 360
RATIO = 24.37  # motor turns per wheel turn


def pulses(*, turns, wobble, seed, motor_targets=1, noise_s=5e-6, rpm=100.0):
    """A wheel whose place is n t + (a / 2 pi) sin(2 pi n t), so its speed wobbles by the part a once a turn, and the
    motor geared to it: pass times of both by inverting that phase."""
    random = np.random.default_rng(seed)
    t = np.linspace(0, turns / (rpm / 60) * 1.02, 400_000)
    drift = np.cumsum(random.standard_normal(len(t))) * 2e-8  # slow wander of the speed
    place = np.cumsum((1 + drift) * (t[1] * rpm / 60))
    place = place + wobble / (2 * np.pi) * np.sin(2 * np.pi * place + 0.7)
    k = np.arange(turns * 4 - 8)
    wheel_s = np.interp(k // 4 + ANGLES[k % 4] + 0.2, place, t)
    m = np.arange(int((turns - 1) * RATIO * motor_targets))
    motor_s = np.interp((m / motor_targets + 0.3) / RATIO, place, t)
    return (
        Block(seconds=wheel_s + noise_s * random.standard_normal(len(k)), numbers=k),
        Block(seconds=motor_s + noise_s * random.standard_normal(len(m)), numbers=m),
    )


TRUE = np.diff(np.append(ANGLES, 1.0))


def test_one_channel_reports_wobble_as_spacing():
    wheel, _ = pulses(turns=200, wobble=0.01, seed=1)
    spacing = estimate_spacing([wheel], targets=4)
    assert np.abs(spacing.spacing_turns - TRUE).max() > 50 * spacing.u95_turns.max()


def test_second_channel_tells_them_apart():
    wheel, motor = pulses(turns=200, wobble=0.01, seed=1)
    split = split_wobble([wheel], [motor], targets=4, reference_spacing_turns=np.ones(1))
    assert np.all(np.abs(split.spacing.spacing_turns - TRUE) < 1.5 * split.spacing.u95_turns)
    assert split.wobbles
    # What the wobble does to each spacing, from its definition: place lags its mean by (a / 2 pi) sin.
    lead = 0.01 / (2 * np.pi) * np.sin(2 * np.pi * (np.append(ANGLES, 1.0) + 0.2) + 0.7)
    expected = -np.diff(lead)
    np.testing.assert_allclose(split.wobble_turns, expected, atol=0.05 * np.abs(expected).max())


def test_no_wobble_is_called_where_there_is_none():
    called = 0
    for seed in range(20):
        wheel, motor = pulses(turns=60, wobble=0.0, seed=seed)
        split = split_wobble([wheel], [motor], targets=4, reference_spacing_turns=np.ones(1))
        called += split.wobbles
        assert np.all(np.abs(split.wobble_turns) < 5 * split.u_turns)
    assert called == 0


def test_slow_channel_cannot_tell():
    """Three pulses between two targets at least."""
    wheel, motor = pulses(turns=60, wobble=0.0, seed=1)
    slow = Block(seconds=motor.seconds[::10], numbers=np.arange(len(motor.seconds[::10])))
    with pytest.raises(CalibrateError, match="faster shaft"):
        split_wobble([wheel], [slow], targets=4, reference_spacing_turns=np.ones(1))
