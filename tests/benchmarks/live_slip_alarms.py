"""False alarms of the live slip detector in everyday work, by the hour.

    python tests/benchmarks/live_slip_alarms.py [HOURS] [FIRST_SEED] [--full]

Hours of the simulated scenario `everyday`, in which nothing slips beyond creep, on both demo machines in turn.  Seeds
go up from FIRST_SEED.  Each hour prints its line as soon as it is over.

With --full every edge goes through the live estimator, as `watch` hears it (a minute of processor each hour).  Without,
the detector is given the same places of the shafts from a plain count: no pulse is missing or too many in `everyday`,
so that an edge is the next target unless it comes after a pause, and the targets' angles are those of the whole run
instead of the turns before.  Whether that is the same to the detector, --compare shows on hours and on slips.
"""

import argparse
import runpy
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.machine import demo_machine
from kerfbeat.measure.counting import PAUSE_GAPS
from kerfbeat.measure.live import Place
from kerfbeat.measure.which_target import UPDATE_S
from kerfbeat.simulate import simulate_log

TEST = runpy.run_path(str(Path(__file__).parent.parent / "diagnose" / "test_live_slip.py"))
PLAYER, ACTS_OF = TEST["Player"], TEST["acts_of"]
MACHINES = ("saw", "grinder")
RIPPLES = {"belt_lump": 0.002, "wheel_wobble": 0.001, "jitter_s": 15e-6}
MOST_LIKELY = (3.00, 4.74, 6.30, 7.75)  # one-sided 95 % upper bounds of a Poisson mean of which 0, 1, 2, 3 were seen:
#                                         half the chi-squared quantile of 2 n + 2 degrees of freedom


PORTION_S = 1.0
FEWEST_TURNS = 3


def _angles(ticks: NDArray[np.int64], targets: int) -> NDArray[np.float64]:
    """Places of the targets in a turn, (targets,) from the first edge's on: the middle of all turns."""
    turns = (len(ticks) - 1) // targets
    if turns < FEWEST_TURNS:
        return np.arange(targets) / targets
    edges = ticks[: turns * targets].reshape(turns, targets).astype(np.float64)
    whole = np.diff(ticks[: turns * targets + 1 : targets])
    return np.asarray(np.median((edges - edges[:, :1]) / whole[:, None], axis=0))


def places_of(ticks: NDArray[np.int64], targets: int, tick_hz: float) -> Iterator[Place]:
    """Where a shaft was at its edges, a fiftieth of a second apart at least, as `LiveSpeed` tells it of clean ones."""
    gaps = np.diff(ticks)
    begins = np.flatnonzero(gaps[1:] > PAUSE_GAPS * gaps[:-1]) + 2
    for run, edges in enumerate(np.split(ticks, begins)):
        if len(edges) < 2:
            continue
        angles = _angles(edges, targets)
        slots = np.arange(len(edges))
        turns = slots // targets + angles[slots % targets]
        last = -np.inf
        for slot, tick, turned in zip(slots.tolist(), edges.tolist(), turns.tolist(), strict=True):
            if slot and tick - last >= UPDATE_S * tick_hz:
                last = tick
                yield Place(tick, run, slot, turned, joined=True)


class ThinPlayer(PLAYER):  # type: ignore[misc,valid-type]
    """Plays a log without noise to the live detector, places instead of edges, a second at a time."""

    def _play(self, machine: Any, segment: Any, offset_s: float, portion_s: float) -> None:
        hz = segment.tick_hz
        places = {
            name: list(places_of(segment.edge_ticks[name], machine.sensors[name].targets, hz))
            for name in self.live.watched
        }
        self.live.restart(hz)
        acts, fed = ACTS_OF(segment), dict.fromkeys(places, 0)
        ends = range(segment.start_ticks, segment.end_ticks, int(PORTION_S * hz))
        for end in sorted({*ends, segment.end_ticks, *(act[0] for act in acts)}):
            portion = {}
            for name, all_of_it in places.items():
                until = fed[name]
                while until < len(all_of_it) and all_of_it[until].tick <= end:
                    until += 1
                portion[name], fed[name] = all_of_it[fed[name] : until], until
            self.live.feed(portion, end)
            while acts and acts[0][0] <= end:
                _, is_mark, act = acts.pop(0)
                assert is_mark, "a log without losses is expected"
                self._mark(act)
            self._look(offset_s - segment.start_ticks / hz, end / hz)


def _played(scenario: str, name: str, seed: int, **settings: float) -> PulseLog:
    with TemporaryDirectory() as room:
        path = Path(room) / f"{seed}.csv"
        simulate_log(scenario, demo_machine(name), path, seed=seed, settings={**RIPPLES, **settings})
        return read_log(path)


def _words(player: Any) -> str:
    begun = [(at_s, now) for at_s, _, now in player.told if now is not None]
    return ", ".join(f"alarm {now.alarm_s:.2f} s, {now.peak_percent:.2f} %" for _, now in begun) or "no alarm"


def compare() -> None:
    """The same logs edge by edge, and by places."""
    for scenario, name, seed, settings in (
        ("belt-slip", "saw", 1, {"slip": 0.012}),
        ("belt-slip", "saw", 2, {"slip": 0.015}),
        ("belt-slip", "saw", 3, {}),
        ("blade-slip", "saw", 4, {}),
        ("everyday", "saw", 5, {"duration_s": 600.0}),
        ("everyday", "grinder", 6, {"duration_s": 600.0}),
    ):
        log = _played(scenario, name, seed, **settings)
        sys.stdout.write(f"{scenario:10} {name:8} seed {seed}: edges: {_words(PLAYER(log))}; ")
        sys.stdout.write(f"places: {_words(ThinPlayer(log))}\n")
        sys.stdout.flush()


def main(hours: int, first_seed: int, *, full: bool) -> None:
    """Print what each hour gave, and the rate by machine."""
    alarms = dict.fromkeys(MACHINES, 0)
    looked_h = dict.fromkeys(MACHINES, 0.0)
    for number in range(hours):
        name, seed = MACHINES[number % len(MACHINES)], first_seed + number
        log = _played("everyday", name, seed)
        player = PLAYER(log) if full else ThinPlayer(log)
        alarms[name] += sum(now is not None for _, _, now in player.told)
        looked_h[name] += sum(each.duration_s for each in log.segments) / 3600.0
        sys.stdout.write(f"{name:8} seed {seed}: {_words(player)}\n")
        sys.stdout.flush()
    for name in MACHINES:
        if not looked_h[name]:
            continue
        most = MOST_LIKELY[min(alarms[name], len(MOST_LIKELY) - 1)] / looked_h[name]
        rate = alarms[name] / looked_h[name]
        sys.stdout.write(
            f"{name:8} {alarms[name]} alarms in {looked_h[name]:.1f} h: {rate:.3f} per hour (95 %: below {most:.2f})\n"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="How often does the live slip detector cry wolf?")
    parser.add_argument("hours", type=int, nargs="?", default=4)
    parser.add_argument("first_seed", type=int, nargs="?", default=1)
    parser.add_argument("--full", action="store_true", help="edge by edge through the live estimator")
    parser.add_argument("--compare", action="store_true", help="some logs both ways")
    options = parser.parse_args()
    if options.compare:
        compare()
    else:
        main(options.hours, options.first_seed, full=options.full)
