"""False alarms of the live slip detector in everyday work, by the hour.

    python tests/benchmarks/live_slip_alarms.py [HOURS] [FIRST_SEED]

Hours of the simulated scenario `everyday`, in which nothing slips beyond creep, on both demo machines in turn, played
edge by edge as `watch` hears them.  Seeds go up from FIRST_SEED.  Each hour prints its line as soon as it is over.
"""

import runpy
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from kerfbeat.capture.log import read_log
from kerfbeat.machine import demo_machine
from kerfbeat.simulate import simulate_log

PLAYER = runpy.run_path(str(Path(__file__).parent.parent / "diagnose" / "test_live_slip.py"))["Player"]
MACHINES = ("saw", "grinder")
RIPPLES = {"belt_lump": 0.002, "wheel_wobble": 0.001, "jitter_s": 15e-6}
NONE_SEEN = 3.0  # alarms: if none came, there are fewer than that in as long a time, 95 times in 100 (Poisson)


def main(hours: int, first_seed: int) -> None:
    """Print what each hour gave, and the rate by machine."""
    alarms = dict.fromkeys(MACHINES, 0)
    looked_h = dict.fromkeys(MACHINES, 0.0)
    with TemporaryDirectory() as room:
        for number in range(hours):
            name, seed = MACHINES[number % len(MACHINES)], first_seed + number
            path = Path(room) / f"{seed}.csv"
            simulate_log("everyday", demo_machine(name), path, seed=seed, settings=RIPPLES)
            log = read_log(path)
            path.unlink()
            begun = [(at_s, now) for at_s, _, now in PLAYER(log).told if now is not None]
            alarms[name] += len(begun)
            looked_h[name] += sum(each.duration_s for each in log.segments) / 3600.0
            at = ", ".join(f"at {at_s:.1f} s: {now.percent:.2f} %" for at_s, now in begun)
            sys.stdout.write(f"{name:8} seed {seed}: {at or 'no alarm'}\n")
            sys.stdout.flush()
    for name in MACHINES:
        if not looked_h[name]:
            continue
        rate = alarms[name] / looked_h[name]
        bound = "" if alarms[name] else f" (95 %: fewer than {NONE_SEEN / looked_h[name]:.2f})"
        sys.stdout.write(f"{name:8} {alarms[name]} alarms in {looked_h[name]:.1f} h: {rate:.2f} per hour{bound}\n")


if __name__ == "__main__":
    words = [*sys.argv[1:], *("4", "1")[len(sys.argv) - 1 :]]
    main(int(words[0]), int(words[1]))
