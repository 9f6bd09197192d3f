"""Detection delay against false alarms of the slip detector, beside the best any test could do.

    python tests/benchmarks/slip_curve.py [HOURS] [STEPS] [PLOT]

Healthy cutting is that of tests/diagnose/test_slip_detector.py (seeds 0 on; steps: seeds 500 on), at 10 pulses/s.  The
detector as it stands (0.5 % a second allowed, 1.5 ms) gives no alarm at all there, at no threshold: ripples of healthy
belts end below what is allowed.  So what is allowed is lowered too, until alarms come and the curve is one.
"""

import runpy
import sys
from pathlib import Path

import numpy as np

from kerfbeat.diagnose.onset import delay_bound_s

MODEL = runpy.run_path(str(Path(__file__).parent.parent / "diagnose" / "test_slip_detector.py"))
EVERY_S, STEP = 0.1, 0.01
POINTS = [
    *((0.005, each) for each in (0.0001, 0.0005, 0.001, 0.0015, 0.002)),
    *((0.003, each) for each in (0.00002, 0.0001, 0.0002, 0.0005)),
    *((0.002, each) for each in (0.0001, 0.00015, 0.0002, 0.0003, 0.0004, 0.0006, 0.001)),
]  # allowed slip beyond creep, threshold in seconds
MANY = 200  # alarms after which a point counts no further hours: its rate is known to 7 %
PART = 36_000  # steps: an hour


def _false_alarms(hours: int) -> tuple[dict[tuple[float, float], tuple[int, float]], float]:
    """Alarms and the hours looked at, by point; and the standard deviation of one step's slip."""
    false = dict.fromkeys(POINTS, (0, 0.0))
    squares, count = 0.0, 0
    for seed in range(hours // 20):
        excess = MODEL["healthy"](20, every_s=EVERY_S, seed=seed)
        squares, count = squares + float(excess @ excess), count + len(excess)
        for point in POINTS:
            for part in np.split(excess, range(PART, len(excess), PART)):
                alarms, looked = false[point]
                if alarms >= MANY:
                    break
                reference, threshold_s = point
                more = len(MODEL["alarms"](part, every_s=EVERY_S, threshold_s=threshold_s, reference=reference))
                false[point] = alarms + more, looked + len(part) * EVERY_S / 3600
    return false, (squares / count) ** 0.5 / EVERY_S


def _delays_s(steps: int) -> dict[tuple[float, float], list[float]]:
    """Delay of every step's first alarm, by point."""
    delays: dict[tuple[float, float], list[float]] = {point: [] for point in POINTS}
    for seed in range(steps):
        at_s = 100.0 + np.random.default_rng(seed).uniform(0, 1)
        excess = MODEL["healthy"](0.05, every_s=EVERY_S, seed=500 + seed, step=STEP, step_at_s=at_s)
        # one second before the step: an alarm that is already on then would not be one of the step
        excess = excess[int((at_s - 1.0) / EVERY_S) :]
        begin_s = int((at_s - 1.0) / EVERY_S) * EVERY_S
        for point in POINTS:
            reference, threshold_s = point
            found = MODEL["alarms"](excess, every_s=EVERY_S, threshold_s=threshold_s, reference=reference)
            ends_s = [begin_s + (each.alarm + 1) * EVERY_S for each in found]
            first_s = next((each for each in ends_s if each > at_s), None)
            if first_s is not None:
                delays[point].append(first_s - at_s)
    return delays


def main(hours: int, steps: int, plot: str | None = None) -> None:
    """Print one line for each point, and draw them."""
    false, sd = _false_alarms(hours)
    delays = _delays_s(steps)
    sys.stdout.write(f"{hours} h, {steps} steps of {100 * STEP:g} %; sd of one {EVERY_S:g} s slip {100 * sd:.3f} %\n")
    sys.stdout.write(
        "allowed %   threshold ms   false alarms   in h   per 1000 h   median delay s   95 % below s   bound s\n"
    )
    drawn = []
    for point in POINTS:
        (alarms, looked), each = false[point], np.array(delays[point])
        # None seen: 0.7 of an alarm is the median of what then may be.
        bound_s = delay_bound_s(step=STEP, sd=sd, every_s=EVERY_S, mean_false_s=3600.0 * looked / max(alarms, 0.7))
        sys.stdout.write(
            f"{100 * point[0]:9.2f} {1e3 * point[1]:14.2f} {alarms:14d} {looked:6.0f} {1000 * alarms / looked:12.1f} "
            f"{np.median(each):16.2f} {np.percentile(each, 95):14.2f} {bound_s:17.2f}\n"
        )
        drawn.append((point[0], 1000 * max(alarms, 0.7) / looked, float(np.median(each)), bound_s, alarms))
    if plot is not None:
        _draw(drawn, plot)


def _draw(drawn: list[tuple[float, float, float, float, int]], plot: str) -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(7, 4.5), layout="constrained")
    for reference in dict.fromkeys(each[0] for each in drawn):
        mine = [each for each in drawn if each[0] == reference]
        (line,) = axes.plot(
            [e[1] for e in mine], [e[2] for e in mine], "o-", fillstyle="none", label=f"{100 * reference:g} % allowed"
        )
        some = [each for each in mine if each[4]]
        axes.plot([e[1] for e in some], [e[2] for e in some], "o", color=line.get_color())
    every = sorted(drawn, key=lambda each: each[1])
    axes.plot([e[1] for e in every], [e[3] for e in every], "k--", label="no test can be faster (white noise)")
    axes.axvline(3.0, color="grey", linewidth=0.8)
    axes.set(xscale="log", xlabel="false alarms in 1000 h (open: none seen)", ylabel="median delay of a 1 % step, s")
    axes.set_ylim(bottom=0)
    axes.legend()
    figure.savefig(plot, dpi=120)


if __name__ == "__main__":
    words = [*sys.argv[1:], *("1000", "300")[len(sys.argv) - 1 :]]
    main(int(words[0]), int(words[1]), *words[2:3])
