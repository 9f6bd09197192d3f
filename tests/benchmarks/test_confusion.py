"""Does the verdict name faults, on machines drawn at random, without ever naming a wrong one?

The seeded short part of confusion.py; DEVELOPERS.md says by which seeds the verdict was mended, these among them.
"""

import importlib.util
import os
from collections import Counter
from pathlib import Path

# by its path: were this folder among those that modules are looked for in, coverage.py would be taken for a library
_SPEC = importlib.util.spec_from_file_location("confusion", Path(__file__).with_name("confusion.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
confusion = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(confusion)

FIRST = 5001
RUNS = 200 if os.environ.get("KERFBEAT_LONG") else 24  # 10 s


def test_no_cause_is_wrong(tmp_path):
    """Of 953 runs 3 were wrong and 505 exact: of 24 not two are wrong, and more than 7 exact (binomial, 99.5 %)."""
    counts, wrong = Counter(), []
    for seed in range(FIRST, FIRST + RUNS):
        name, fault, settings, verdict = confusion.verdict_for(seed, tmp_path)
        column = confusion.judged(verdict, fault)
        counts[column] += 1
        if column == "wrong":
            wrong.append((seed, name, fault, verdict.cause, settings))
    runs = counts.total()
    assert counts["wrong"] <= max(1, 0.01 * runs), wrong
    assert counts["exact"] > 0.3 * runs
    assert set(counts) <= set(confusion.COLUMNS)
