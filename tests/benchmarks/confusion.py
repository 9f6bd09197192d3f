"""Which cause does `slip` name for which fault, over machines, faults and nuisances drawn at random?

    python tests/benchmarks/confusion.py [RUNS] [FIRST]

Each seed draws a machine, a fault (or none), its size, and a few things that only look bad (lumps, wobble, missing
pulses, a late mark, a wrong pulley, a restart ...), plays it, and asks for the verdict.  Printed are the counts of each
answer for each fault, and every answer that is wrong with what was drawn.  A second or so a run.
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

__all__ = ["RIGHT", "drawn", "verdict_for"]

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
SAID_OF_ONE = {"no more than full load", "overload or belt", "stall, current limit or belt"}
# What may be answered: the fault itself where its sensors are there; else nothing that is not known.
RIGHT = {
    "healthy": {"healthy"}, "idle": {"idle only"}, "belt slip": {"belt slip"}, "blade slip": {"blade slip"},
    "overload": {"overload"}, "joint": {"blade joint", "healthy"},
    "belt slip and joint": {"belt slip and blade joint", "belt slip"},
}  # fmt: skip


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


def allowed(name, fault):
    """The right answers on this machine's sensors."""
    seen = set(parse_machine(MACHINES[name]).sensors)
    right = set(RIGHT[fault])
    if len(seen) == 1:
        # one channel: a fall of speed, never its cause; the motor alone feels no belt
        of_motor = {"overload"} if "motor" in seen else set()
        return {"idle only"} if fault == "idle" else SAID_OF_ONE | of_motor | {"healthy"}
    if "motor" not in seen:
        if fault == "overload":
            right = SAID_OF_ONE
        if fault in ("healthy", "joint"):
            right |= SAID_OF_ONE - {"stall, current limit or belt"}
        if "belt slip" in fault:  # the first belt lies before the first sensor
            right = SAID_OF_ONE | {"healthy", "blade joint", "belt slip", "overload or belt"}
    if fault == "blade slip" and "blade" not in seen:
        right = {"healthy"} | (SAID_OF_ONE if "motor" not in seen else set())
    if seen == {"motor", "blade"} and fault in ("belt slip", "blade slip", "belt slip and joint"):
        right = {"belt or blade slip"}
    return right


def verdict_for(seed, folder):
    """Machine, fault, settings, the verdict's cause, and whether that is right."""
    name, fault, scenario, settings = drawn(seed)
    path = Path(folder) / f"{seed}.csv"
    simulate_log(scenario, parse_machine(MACHINES[name]), path, seed=seed, settings=settings)
    found = slip_of(read_log(path)).verdict
    path.unlink()
    return name, fault, settings, found.cause, found.cause in allowed(name, fault)


def main(runs, first):
    """Play and print."""
    counts, wrong = Counter(), []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + runs):
            try:
                name, fault, settings, cause, right = verdict_for(seed, folder)
            except KerfbeatError as problem:  # a setting that this machine has not
                sys.stdout.write(f"{seed}: {drawn(seed)}: {type(problem).__name__}: {problem}\n")
                continue
            counts[fault, cause, right] += 1
            if not right:
                wrong.append(f"{seed}: {name}: {fault} called {cause}: {settings}")
                sys.stdout.write(wrong[-1] + "\n")
                sys.stdout.flush()
    for (fault, cause, right), number in sorted(counts.items()):
        sys.stdout.write(f"{fault:<22} {cause:<32} {number:>4} {'' if right else 'WRONG'}\n")
    sys.stdout.write(f"{runs} runs, {len(wrong)} wrong\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3])) if len(sys.argv) > 2 else main(300, 1)
