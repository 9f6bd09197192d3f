"""What does calibration do to the speed that is read from target to target?"""

import numpy as np
import pytest

from kerfbeat.calibrate.learn import stored_spacing
from kerfbeat.calibrate.match import match_spacing
from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.targets import estimate_spacing
from kerfbeat.measure.live import LiveSpeed

TICK_HZ = 16e6
RPM, NOISE = 100.0, 0.0005  # 0.05 % of true speed noise
TARGETS = 6


def pulses(random, angles, *, turns, first=0):
    """Pass times of a wheel whose mean speed from target to target is true within 0.05 %, freshly drawn each time."""
    spacing = np.diff(np.append(angles, 1.0 + angles[0]))
    gaps_turns = np.roll(np.tile(spacing, turns), -first)
    speed_hz = RPM / 60 * (1 + NOISE * random.standard_normal(len(gaps_turns)))
    return np.concatenate(([0.0], np.cumsum(gaps_turns / speed_hz))) + 0.5


@pytest.mark.parametrize("seed", range(5))
def test_spread_from_target_to_target_falls_tenfold(seed):
    """Targets placed to +-1 degree; learnt in one run, used in another that begins at another target."""
    random = np.random.default_rng(seed)
    angles = (np.arange(TARGETS) * 360 / TARGETS + np.concatenate(([0.0], random.uniform(-1, 1, TARGETS - 1)))) / 360
    learnt_s = pulses(random, angles, turns=300)
    learnt = estimate_spacing([Block(seconds=learnt_s, numbers=np.arange(len(learnt_s)))], targets=TARGETS)
    live_s = pulses(random, angles, turns=100, first=4)
    seen = estimate_spacing([Block(seconds=live_s, numbers=np.arange(len(live_s)))], targets=TARGETS)
    match = match_spacing(seen, stored_spacing(learnt.spacing_turns, learnt.u_turns))
    assert match.sure
    assert match.first == 4
    gap_s = np.diff(live_s)
    before_hz = 1 / TARGETS / gap_s
    turned = np.roll(learnt.spacing_turns, -match.first)
    after_hz = turned[np.arange(len(gap_s)) % TARGETS] / gap_s
    assert np.std(before_hz) > 10 * np.std(after_hz)
    # What is left is the true noise of the speed.
    assert np.std(after_hz) / (RPM / 60) < 1.15 * NOISE


def test_the_live_estimator_takes_the_pattern():
    """With the spacing known, the live reading follows each target; without it, it waits for whole turns."""
    random = np.random.default_rng(3)
    angles = (np.arange(TARGETS) * 360 / TARGETS + np.array([0.0, 0.9, -0.8, 0.6, -0.5, 0.7])) / 360
    spacing = np.diff(np.append(angles, 1.0))
    ticks = np.round(pulses(random, angles, turns=60, first=2) * TICK_HZ).astype(np.int64)
    plain, known = (
        LiveSpeed(targets=TARGETS, tick_hz=TICK_HZ, spacing_turns=each) for each in (None, spacing.tolist())
    )
    errors = {"plain": [], "known": []}
    for tick in ticks.tolist():
        for name, live in (("plain", plain), ("known", known)):
            live.set_clock(0.0, 1.0)
            live.feed([tick], tick)
            reading = live.reading()
            if tick > 20 * TICK_HZ and reading.shaft_hz is not None:
                errors[name].append(reading.shaft_hz.value / (RPM / 60) - 1)
    rms = {name: np.sqrt(np.mean(np.square(values))) for name, values in errors.items()}
    assert rms["known"] < 3 * NOISE
    assert rms["known"] <= 1.1 * rms["plain"]
