"""Do 95 % intervals of everything that is calibrated hold the simulated machine's truth in 93 to 97 % of 2,000 runs?

    python tests/benchmarks/coverage.py [--runs 2000] [--first SEED] [--only WORD]

An hour of one processor.  The runs are those of tests/calibrate/one_machine.py, whose short form is part of the tests.
The clock's intervals may hold up to 99 %, since they must hold one that wanders unseen.
After every tenth of them it tells how it stands.  Ends with status 1 if a share lies outside.
"""

import argparse
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibrate"))

from one_machine import CAMPAIGNS, bounds


def main() -> int:
    """Run the campaigns and print the shares."""
    parser = argparse.ArgumentParser(description="How often do the intervals of calibration hold the truth?")
    parser.add_argument("--runs", type=int, default=2000, metavar="N", help="machines of each kind")
    parser.add_argument("--first", type=int, default=0, metavar="SEED", help="seed of the first")
    parser.add_argument("--only", default="", metavar="WORD", help="kinds whose name holds the word")
    options = parser.parse_args()
    outside = 0
    for name, run in CAMPAIGNS.items():
        if options.only not in name:
            continue
        held: dict[str, list[bool]] = defaultdict(list)
        with tempfile.TemporaryDirectory() as folder:
            for done in range(1, options.runs + 1):
                for quantity, inside in run(Path(folder), options.first + done - 1).items():
                    held[quantity] += inside
                if done % max(options.runs // 10, 1) == 0:
                    for quantity, inside in held.items():
                        share = sum(inside) / len(inside)
                        sys.stdout.write(f"{name}, {done} runs: {quantity}: {100 * share:.2f} % of {len(inside)}\n")
                    sys.stdout.flush()
        for quantity, inside in held.items():
            least, most = bounds(quantity)
            outside += not least <= sum(inside) / len(inside) <= most
    return int(outside > 0)


if __name__ == "__main__":
    raise SystemExit(main())
