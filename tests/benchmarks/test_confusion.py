"""Does the verdict name faults, on machines drawn at random, without ever naming a wrong one?

The seeded short part of confusion.py, of seeds that nothing was mended by.
"""

import os
from collections import Counter

from confusion import COLUMNS, judged, verdict_for

FIRST = 5001
RUNS = 200 if os.environ.get("KERFBEAT_LONG") else 24  # 10 s


def test_no_cause_is_wrong(tmp_path):
    """Of 953 runs 3 were wrong and 505 exact: of 24 not two are wrong, and more than 7 exact (binomial, 99.5 %)."""
    counts, wrong = Counter(), []
    for seed in range(FIRST, FIRST + RUNS):
        name, fault, settings, verdict = verdict_for(seed, tmp_path)
        column = judged(verdict, fault)
        counts[column] += 1
        if column == "wrong":
            wrong.append((seed, name, fault, verdict.cause, settings))
    runs = counts.total()
    assert counts["wrong"] <= max(1, 0.01 * runs), wrong
    assert counts["exact"] > 0.3 * runs
    assert set(counts) <= set(COLUMNS)
