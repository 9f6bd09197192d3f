"""Do the intervals of everything that is calibrated hold the simulated machine's truth?

The seeded short part of tests/benchmarks/coverage.py, whose whole is 2000 machines of each kind.
"""

import math
from collections import defaultdict

import pytest
from one_machine import CAMPAIGNS, bounds

RUNS = 24  # half a minute in all
UNLIKELY_SD = 3.5  # a short campaign refutes what is far off; by chance a share lies so far outside once in 4000


@pytest.mark.parametrize("name", CAMPAIGNS)
def test_intervals_hold_the_truth(tmp_path, long, name):
    held = defaultdict(list)
    for seed in range(200 if long else RUNS):
        for what, inside in CAMPAIGNS[name](tmp_path, seed).items():
            held[what] += inside
    assert held
    for what, inside in held.items():
        share, (least, most) = sum(inside) / len(inside), bounds(what)
        slack = UNLIKELY_SD * math.sqrt(least * (1 - least) / len(inside))
        assert least - slack <= share <= most + slack, f"{what}: {100 * share:.1f} % of {len(inside)}"
