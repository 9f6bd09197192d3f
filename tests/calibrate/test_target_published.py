"""Does the spacing agree with a published method, and is it at least as good?

The judge is `bladesight` 0.17.0 (MIT), its implementation of Bayesian geometry compensation: Diamond, Heyns &
Oberholster, Mechanical Systems and Signal Processing 81 (2016) 402-418.  Both get the same pulses.  Its precision and
prior width are those of its `determine_mpr_speed_for_zero_crossings` (with the bare function's own defaults, made for
fast shafts, it loses its footing at 25 rpm).
Run with -s to see the two side by side.
"""

import sys

import numpy as np
import pytest
from bladesight.ias.geometry_compensation import perform_bayesian_geometry_compensation

from kerfbeat.calibrate.passes import Block
from kerfbeat.calibrate.targets import estimate_spacing

ANGLES = np.array([0.0, 90.9, 179.3, 270.6]) / 360
AGREE_DEG = 0.2  # what the method is said to reach


@pytest.mark.parametrize(
    ("name", "rpm", "wander"),
    [("steady", 100, 0.0), ("wandering 1 %", 25, 0.01), ("wandering 1 %", 100, 0.01), ("wandering 1 %", 1000, 0.01)],
)
def test_side_by_side(wandering, name, rpm, wander):
    turns, runs = 50, 20
    machine = wandering(rpm=rpm, turns=turns, angles_turns=ANGLES, wander=wander)
    seconds = machine.seconds(runs, seed=rpm)
    ours, theirs = [], []
    for r in range(runs):
        run = Block(seconds=seconds[:, r], numbers=np.arange(machine.passes))
        ours.append(360 * (estimate_spacing([run], targets=4).spacing_turns - machine.spacing_turns))
        rad = perform_bayesian_geometry_compensation(seconds[:, r], N=4, M=turns, beta=1e10, sigma=10.0)
        theirs.append(np.degrees(rad) - 360 * machine.spacing_turns)
    ours_deg, theirs_deg = (np.sqrt(np.mean(np.square(each))) for each in (ours, theirs))
    apart_deg = np.abs(np.subtract(ours, theirs)).max()
    sys.stdout.write(
        f"\n{name}, {rpm} rpm: rms error here {ours_deg:.4f} deg, published method {theirs_deg:.4f} deg, "
        f"farthest apart {apart_deg:.4f} deg"
    )
    assert apart_deg < AGREE_DEG
    assert ours_deg < 1.05 * theirs_deg
