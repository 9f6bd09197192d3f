"""Detection delay against false alarms of the slip detector, beside the best any test could do.

    python tests/benchmarks/slip_curve.py [HOURS] [STEPS]

Healthy cutting is that of tests/diagnose/test_slip_detector.py (seeds 0 on; steps: seeds 500 on), at 10 pulses/s.
"""

import runpy
import sys
from pathlib import Path

import numpy as np

from kerfbeat.diagnose.onset import delay_bound_s

MODEL = runpy.run_path(str(Path(__file__).parent.parent / "diagnose" / "test_slip_detector.py"))
EVERY_S, STEP = 0.1, 0.01
THRESHOLDS_S = (0.0001, 0.0002, 0.0003, 0.0004, 0.0006, 0.0008, 0.001, 0.0015, 0.002)


def main(hours: int, steps: int) -> None:
    """Print one line for each threshold."""
    false = dict.fromkeys(THRESHOLDS_S, 0)
    squares, count = 0.0, 0
    for seed in range(hours // 20):
        excess = MODEL["healthy"](20, every_s=EVERY_S, seed=seed)
        squares, count = squares + float(excess @ excess), count + len(excess)
        for threshold_s in THRESHOLDS_S:
            false[threshold_s] += len(MODEL["alarms"](excess, every_s=EVERY_S, threshold_s=threshold_s))
    sd = (squares / count) ** 0.5 / EVERY_S
    delays: dict[float, list[float]] = {threshold_s: [] for threshold_s in THRESHOLDS_S}
    for seed in range(steps):
        at_s = 100.0 + np.random.default_rng(seed).uniform(0, 1)
        excess = MODEL["healthy"](0.05, every_s=EVERY_S, seed=500 + seed, step=STEP, step_at_s=at_s)
        for threshold_s in THRESHOLDS_S:
            found = MODEL["alarms"](excess, every_s=EVERY_S, threshold_s=threshold_s)
            first = next(each for each in found if (each.alarm + 1) * EVERY_S > at_s)
            delays[threshold_s].append((first.alarm + 1) * EVERY_S - at_s)
    sys.stdout.write(f"{hours} h, {steps} steps of {100 * STEP:g} %; sd of one {EVERY_S:g} s slip {100 * sd:.3f} %\n")
    sys.stdout.write(
        "threshold ms   false alarms   per 1000 h   median delay s   95 % of delays below s   bound s (white)\n"
    )
    for threshold_s in THRESHOLDS_S:
        per_hour = false[threshold_s] / hours
        gamma_s = 3600.0 / max(per_hour, 0.7 / hours)  # none seen: 0.7 is the median of what then may be
        bound_s = delay_bound_s(step=STEP, sd=sd, every_s=EVERY_S, mean_false_s=gamma_s)
        each = np.array(delays[threshold_s])
        sys.stdout.write(
            f"{1e3 * threshold_s:12.2f} {false[threshold_s]:14d} {1000 * per_hour:12.1f} {np.median(each):16.3f} "
            f"{np.percentile(each, 95):24.3f} {bound_s:12.3f}\n"
        )


if __name__ == "__main__":
    main(*(int(each) for each in [*sys.argv[1:3], *("1000", "300")[len(sys.argv) - 1 :]]))
