"""How often is a pause taken for missing pulses, and how many missing pulses change a number, on simulated machines?

    python tests/benchmarks/counting.py [RUNS]

The machine is `kerfbeat.simulate`'s, which knows which pulse is which; seeds 0 on.  A minute for 100 runs of each.
"""

import sys
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

import kerfbeat.simulate.scenario as scenario
from kerfbeat.machine import Machine, demo_text, parse_machine
from kerfbeat.measure.pulses import clean_pulses
from kerfbeat.simulate.plan import Action, Switch
from kerfbeat.simulate.world import World

TICK_HZ = 16e6
GAPS_S = {("blade", "low"): 6.75, ("blade", "high"): 2.93, ("wheel", "low"): 2.55, ("wheel", "high"): 1.11}
PLANNED: list[Action] = []


def _planned(_: scenario.Stage) -> Iterator[Action]:
    yield from PLANNED


scenario.SCENARIOS += (scenario.Scenario(name="planned", summary="as said", duration_s=60.0, actions=_planned),)


def _machine(channel: str, targets: int) -> Machine:
    sensors = demo_text("saw").index("[sensor.")
    limits = demo_text("saw").index("[limits]")
    text = demo_text("saw")[:sensors] + demo_text("saw")[limits:]
    return parse_machine(f"{text}\n[sensor.{channel}]\ntargets = {targets}\n")


def _played(
    channel: str, targets: int, seed: int, settings: dict[str, str | float], actions: list[Action]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Ticks of the pulses that were seen, and the true number of each."""
    PLANNED[:] = actions
    world = World("planned", _machine(channel, targets), seed=seed, settings=settings)
    edges = [stretch.edges[channel] for stretch in world.stretches()]
    seen_s = np.concatenate([each.seconds for each in edges])
    missing_s = np.concatenate([each.missing_s for each in edges])
    numbers = np.argsort(np.argsort(np.concatenate((seen_s, missing_s)), kind="stable"))[: len(seen_s)]
    return np.round(seen_s * TICK_HZ).astype(np.int64), numbers


def pauses(runs: int) -> str:
    """Of silences of 1.5 to 3.5 gaps in which a slow shaft stopped and was started again."""
    seen = missing = doubtful = 0
    for seed in range(runs):
        random = np.random.default_rng([seed, 77])
        (channel, gear), gap_s = list(GAPS_S.items())[seed % 4]
        off_s = gap_s * (int(random.integers(12, 60)) + random.uniform())
        on_s = off_s + gap_s * random.uniform(0.3, 3.0)
        settings = {
            "gear": gear,
            "duration_s": on_s + gap_s * int(random.integers(12, 60)),
            "ramp_hz_per_s": float(random.choice([20, 50, 100])),
            "wander": 10 ** random.uniform(-4.5, -2.3),
            "coast": int(random.integers(0, 2)),
        }
        ticks, _ = _played(channel, 1, seed, settings, [Switch(at_s=off_s, on=False), Switch(at_s=on_s, on=True)])
        gaps = np.diff(ticks)
        if not 1.5 <= gaps.max() / np.median(gaps) <= 3.5:
            continue
        clean = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ)
        seen, missing = seen + 1, missing + (clean.missing > 0)
        doubtful += len(clean.doubtful) > 0
    return f"{seen} pauses of 1.5 to 3.5 gaps: {missing} taken for missing pulses, {doubtful} in doubt"


def misses(runs: int, *, targets: int, missing: float, error_deg: float) -> str:
    """Of pulses that a sensor did not give while the shaft ran."""
    missed = found = wrong = pulses = doubtful = 0
    for seed in range(runs):
        random = np.random.default_rng([seed, 78])
        (channel, gear), gap_s = list(GAPS_S.items())[seed % 4 if targets == 1 else 2 + seed % 2]
        settings = {
            "gear": gear,
            "duration_s": gap_s * int(random.integers(30, 120)),
            "wander": 10 ** random.uniform(-4.5, -2.3),
            "missing": missing,
            "target_error_deg": error_deg,
        }
        ticks, numbers = _played(channel, targets, seed, settings, [])
        clean = clean_pulses(ticks, targets=targets, tick_hz=TICK_HZ)
        true = numbers[np.searchsorted(ticks, clean.ticks)]
        for first, last in clean.runs():
            wrong += int((np.diff(clean.numbers(first, last)) != np.diff(true[first:last])).sum())
        pulses, missed = pulses + len(ticks), missed + int(np.ptp(numbers)) + 1 - len(numbers)
        found, doubtful = found + clean.missing, doubtful + len(clean.doubtful)
    return (
        f"{targets} targets, {error_deg:g} degrees off, {100 * missing:g} % missing: {found} of {missed} told, "
        f"{doubtful} in doubt; {wrong} of {pulses} steps from pulse to pulse miscounted"
    )


def main() -> int:
    """Print both."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    sys.stdout.write(pauses(2 * runs) + "\n")
    for missing in (0.003, 0.01, 0.05):
        sys.stdout.write(misses(runs, targets=1, missing=missing, error_deg=0.5) + "\n")
    for error_deg in (0.5, 3.0, 6.0):
        for missing in (0.003, 0.05, 0.1):
            sys.stdout.write(misses(runs, targets=4, missing=missing, error_deg=error_deg) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
