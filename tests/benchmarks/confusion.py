"""Which cause does `slip` name for which fault, over machines, faults and nuisances drawn at random?

    python tests/benchmarks/confusion.py [RUNS] [FIRST]

Each seed draws a machine, a fault (or none), its size, and a few things that only look bad (lumps, wobble, missing
pulses, a late mark, a wrong pulley, a restart ...), plays it, and asks for the verdict.  An answer is "exact" if it
names the fault, all of it and nothing else; "cannot tell" if its words leave the fault open, or name one of two and say
that the other was not watched; else it is wrong, whatever the sensors could have shown.  "Healthy as far as watched" is
honest only if it lists as not watched what hides the fault.  Printed are the three counts of each fault with the
answers, and every answer that is wrong with what was drawn.  A second or so a run.
"""

import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from kerfbeat.capture.log import read_log
from kerfbeat.diagnose.slip import slip_of
from kerfbeat.errors import KerfbeatError
from kerfbeat.machine import demo_text, parse_machine
from kerfbeat.simulate import simulate_log

__all__ = ["COLUMNS", "drawn", "judged", "verdict_for"]

SAW, GRINDER = demo_text("saw"), demo_text("grinder")


def _with_sensors(text, **targets):
    """A machine with these sensors and no others."""
    bare = re.sub(r"\[sensor\.[a-z]+\]\n(?:[^\[\n][^\n]*\n)*\n?", "", text)
    place = {"wheel": 1, "motor": 2, "driven": 3, "blade": 1 if "wheel" not in targets else 3}
    return bare + "".join(f"\n[sensor.{name}]\ntargets = {n}\ninput = {place[name]}\n" for name, n in targets.items())


MACHINES = {
    "saw: wheel 4, motor, blade": _with_sensors(SAW, wheel=4, motor=1, blade=1),
    "saw: wheel 24, motor, blade": _with_sensors(SAW, wheel=24, motor=1, blade=1),
    "saw: wheel 4, motor, driven 2": _with_sensors(SAW, wheel=4, motor=1, driven=2),
    "saw: wheel 6, motor": _with_sensors(SAW, wheel=6, motor=1),
    "saw: motor, blade": _with_sensors(SAW, motor=1, blade=1),
    "saw: driven, blade": _with_sensors(SAW, driven=2, blade=1),
    "saw: wheel, blade": _with_sensors(SAW, wheel=4, blade=1),
    "grinder: wheel 6, motor, blade": _with_sensors(GRINDER, wheel=6, motor=1, blade=1),
    "grinder: wheel 6, motor, driven 2": _with_sensors(GRINDER, wheel=6, motor=1, driven=2),
    "grinder: wheel 6, driven 2": _with_sensors(GRINDER, wheel=6, driven=2),
    "saw: wheel alone": _with_sensors(SAW, wheel=4),
    "saw: motor alone": _with_sensors(SAW, motor=1),
}
FAULTS = ("healthy", "idle", "belt slip", "blade slip", "overload", "joint", "belt slip and joint")
NUISANCE = {
    "belt_lump": (0.0005, 0.003), "wheel_wobble": (0.0005, 0.002), "driver_runout": (0.0005, 0.003),
    "driven_runout": (0.0005, 0.003), "blade_joint": (0.0005, 0.003), "missing": (0.001, 0.02), "bounce": (0.001, 0.01),
    "extra_hz": (0.005, 0.03), "warm_motor": (-0.2, 0.2), "flux_droop": (0.0, 0.2),
    "pitch_error": (-0.03, 0.03), "jitter_s": (2e-6, 30e-6), "mark_delay_s": (0.0, 2.0), "chatter": (0.02, 0.3),
    "target_error_deg": (0.2, 1.0), "creep": (0.003, 0.01), "reset_at_s": (20.0, 60.0), "slip_compensation": (0.2, 1.0),
    "fall_at_s": (20.0, 60.0), "clock_warm_ppm": (0.0, 200.0), "hz_error": (-0.05, 0.05), "idle_drag": (0.02, 0.15),
}  # fmt: skip
EXACT = {
    "healthy": "healthy", "idle": "idle only", "belt slip": "belt slip", "blade slip": "blade slip",
    "overload": "overload", "joint": "blade joint", "belt slip and joint": "belt slip and blade joint",
}  # fmt: skip
# What each answer leaves open by its own words, beside the fault that it names.
OPEN = {
    "no more than full load": {"healthy", "belt slip", "blade slip", "joint", "belt slip and joint"},
    "overload or belt": {"overload", "belt slip", "belt slip and joint"},
    "overload or belt and blade joint": {"belt slip and joint"},
    "stall, current limit or belt": {"overload", "belt slip", "belt slip and joint"},
    "stall or switched off": {"overload"},
    "full load or overload": {"healthy", "overload"},
    "belt or blade slip": {"belt slip", "blade slip", "belt slip and joint"},
    "belt or blade slip and blade joint": {"belt slip and joint"},
    "unknown": set(EXACT),
}
# Without these being watched a fault cannot be seen; imposed is the slip of the first belt.
FIRST_BELTS, BLADE, JOINT = {"first belt", "step pulleys"}, {"the blade on its wheel"}, {"the blade's joint"}
HIDES = {
    ("healthy as far as watched", "belt slip"): [FIRST_BELTS],
    ("healthy as far as watched", "blade slip"): [BLADE],
    ("healthy as far as watched", "joint"): [JOINT],
    ("belt slip", "belt slip and joint"): [JOINT],
    ("healthy as far as watched", "belt slip and joint"): [FIRST_BELTS, JOINT],
    ("blade joint", "belt slip and joint"): [FIRST_BELTS],
}
COLUMNS = ("exact", "cannot tell", "wrong")


def drawn(seed):
    """Name of the machine, fault, scenario, settings of one seed."""
    random = np.random.default_rng(seed)
    name, fault = str(random.choice(list(MACHINES))), str(random.choice(FAULTS))
    settings = {"cut_load": float(random.uniform(0.2, 0.9))}
    for key in random.choice(list(NUISANCE), size=int(random.integers(0, 5)), replace=False).tolist():
        settings[key] = float(random.uniform(*NUISANCE[key]))
    saw = name.startswith("saw")
    settings["hz"] = float(random.integers(30, 71))
    if saw:
        settings["gear"] = str(random.choice(["low", "high"]))
    # above its nameplate frequency the motor has less torque: the heavier of two cuts (1.6 times) stays below it
    share = (50.0 if saw else 60.0) / settings["hz"]
    if share < 1.0:
        settings["cut_load"] = min(settings["cut_load"], share / 1.6)
    scenario = {"healthy": "cut", "joint": "cut", "overload": "overload", "blade slip": "blade-slip"}.get(
        fault, "belt-slip"
    )
    if fault == "idle":
        scenario = str(random.choice(["steady", "start-stop", "gear-change", "lost-target"]))
    if scenario in ("belt-slip", "blade-slip"):
        settings["slip"] = float(random.uniform(0.015, 0.06))
    if "joint" in fault:
        settings["blade_joint"] = float(random.uniform(0.006, 0.02))
    return name, fault, scenario, settings


def _lists(verdict, fault, hides):
    """Whether a verdict lists, as not watched, all that hides a fault, or a cut or a slip that it could not judge."""
    unwatched = set(verdict.unwatched)
    doubts = ("the cut from", "whether ") if "belt slip" in fault else ("the cut from",)
    return all(each & unwatched for each in hides) or any(each.startswith(doubts) for each in unwatched)


def judged(verdict, fault):
    """Which of COLUMNS a verdict belongs to."""
    if verdict.cause == EXACT[fault]:
        return "exact"
    if verdict.cause == "healthy as far as watched" and fault == "healthy":
        return "cannot tell"
    hides = HIDES.get((verdict.cause, fault))
    if hides is None and fault in OPEN.get(verdict.cause, ()):
        hides = [JOINT] if "joint" in fault and "joint" not in verdict.cause else []
    return "wrong" if hides is None or not _lists(verdict, fault, hides) else "cannot tell"


def verdict_for(seed, folder):
    """Machine, fault, settings, and the verdict."""
    name, fault, scenario, settings = drawn(seed)
    path = Path(folder) / f"{seed}.csv"
    simulate_log(scenario, parse_machine(MACHINES[name]), path, seed=seed, settings=settings)
    found = slip_of(read_log(path)).verdict
    path.unlink()
    return name, fault, settings, found


def main(runs, first):
    """Play and print."""
    counts, said = Counter(), Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + runs):
            try:
                name, fault, settings, verdict = verdict_for(seed, folder)
            except KerfbeatError as problem:  # a setting that this machine has not
                sys.stdout.write(f"{seed}: {drawn(seed)}: {type(problem).__name__}: {problem}\n")
                continue
            column = judged(verdict, fault)
            counts[fault, column] += 1
            said[fault, column, verdict.cause] += 1
            if column == "wrong":
                sys.stdout.write(f"{seed}: {name}: {fault} called {verdict.cause}: {settings}\n")
                sys.stdout.flush()
    sys.stdout.write(f"{'played':<22}{''.join(f'{each:>13}' for each in COLUMNS)}  said\n")
    for fault in EXACT:
        numbers = "".join(f"{counts[fault, column]:>13}" for column in COLUMNS)
        answers = ", ".join(
            f"{cause}{' (WRONG)' if column == 'wrong' else ''} {number}"
            for (which, column, cause), number in sorted(said.items(), key=lambda pair: -pair[1])
            if which == fault
        )
        sys.stdout.write(f"{fault:<22}{numbers}  {answers}\n")
    totals = "".join(f"{sum(counts[fault, column] for fault in EXACT):>13}" for column in COLUMNS)
    sys.stdout.write(f"{'all':<22}{totals}\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3])) if len(sys.argv) > 2 else main(300, 1)
