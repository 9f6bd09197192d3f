"""What does one simulated machine say of every interval that calibration states: did it hold the truth?

Whole logs, from the simulated machine through the same functions that the commands call; `kerfbeat.simulate` shares no
code with the estimators.  Every machine is drawn anew from its seed.  What the estimators take from a stated prior
(`kerfbeat.calibrate.sweep_model`) is drawn from that very prior, since for such parts coverage is a matter of it: the
slip law's growth q, the display's last digit, the inverter's own frequency, and how one ratio describes the belts at
several speeds.
"""

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from kerfbeat.calibrate.clocks import clocks_of
from kerfbeat.calibrate.diameter import Counted, Reference, find_diameter
from kerfbeat.calibrate.drive import calibrate_drive
from kerfbeat.calibrate.learn import learn_targets
from kerfbeat.calibrate.points import steady_points_of
from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.machine import Machine, demo_machine, demo_text, parse_machine
from kerfbeat.simulate import simulate_log
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.targets import target_angles_turns

MOTOR, BLADE = "[sensor.motor]\ntargets = 1\n", "[sensor.blade]\ntargets = 1\n"
SAW = demo_machine("saw")
WHEEL_ONLY = parse_machine(demo_text("saw").replace(MOTOR, "").replace(BLADE, ""))
THREE_SHAFTS = parse_machine(demo_text("saw").replace(BLADE, "") + "\n[sensor.driven]\ntargets = 1\n")
SHOWN_HZ = (20, 26, 32, 38, 44, 50)
BASE_HZ = 50.0
LENGTH_SD_M = 1e-3  # how well the blade is measured
PRESSED_SD_S = 0.1, 0.2  # of one press of a stopwatch, from a quick hand to a slow one (common practice)
# The priors of the sweep, said again: a change of one side alone shows in the coverage.
GROWTH_SD, CREEP_SD, INVERTER_HALF_WIDTH, DISPLAY_STEP_HZ = 0.5, 1e-4, 1e-4, 0.1

CALLED_RIGHT = "right setup called right"
CLOCK = "clock, against the host's"


def bounds(what: str) -> tuple[float, float]:
    """Between which shares it must lie: of 95 % intervals that hold the truth, and of right setups called so.

    A minute of a clock that wanders little is held more often: it might wander unseen.
    """
    return {CALLED_RIGHT: (0.99, 1.0), CLOCK: (0.93, 0.99)}.get(what, (0.93, 0.97))


Held = Mapping[str, list[bool]]


def _wander(random: np.random.Generator) -> str:
    return f"{10 ** random.uniform(-4.5, -3):.3g}"


def _played(folder: Path, machine: Machine, seed: int, settings: Mapping[str, str]) -> tuple[PulseLog, dict]:
    path = folder / f"{seed}.csv"
    path.unlink(missing_ok=True)
    truth = simulate_log("steady", machine, path, seed=seed, settings={"gear": "high"} | settings)
    log = read_log(path)
    path.unlink()
    return log, truth


def targets_clock_and_wheel(folder: Path, seed: int) -> Held:
    """A minute of one saw."""
    random = np.random.default_rng([seed, 1])
    drag = f"{math.exp(random.normal(math.log(0.08), 0.4)):.3g}"
    settings = {"duration_s": "60", "wander": _wander(random), "idle_drag": drag}
    log, truth = _played(folder, SAW, seed, settings)
    found = learn_targets([log], "wheel").spacing
    angles = target_angles_turns(SAW.sensors["wheel"], Parameters(), seed=seed)
    # The count began at any target: the true pattern, turned to where it fits best.
    turns = [np.roll(np.diff(np.append(angles, angles[0] + 1.0)), -k) for k in range(4)]
    true_turns = min(turns, key=lambda each: np.abs(each - found.spacing_turns).sum())
    ((_, board),) = clocks_of([log])
    true_ppm = 1e6 * ((1 + 1e-6 * truth["clock"]["mean_ppm"]) / (1 + 1e-6 * truth["clock"]["host_ppm"]) - 1)
    measured_m = truth["blade_length_m"] + LENGTH_SD_M * random.standard_normal()
    wheel, _ = find_diameter([log], blade_length_m=measured_m, u_length_m=LENGTH_SD_M, counted=None, reference=None)
    rate = truth["mean_hz"]["blade"] / truth["mean_hz"]["wheel"]
    true_m = truth["blade_length_m"] * rate / math.pi - SAW.wheel.blade_thickness_m
    return {
        "target spacing": (np.abs(found.spacing_turns - true_turns) <= found.u95_turns).tolist(),
        CLOCK: [abs(board.against_host.value - true_ppm) <= board.against_host.u95],
        "wheel diameter": [abs(wheel.diameter_m.value - true_m) <= wheel.diameter_m.u95],
    }


def drive(folder: Path, seed: int, machine: Machine) -> Held:
    """Six steady runs of one saw, its knob turned by hand between them."""
    random = np.random.default_rng([seed, 2])
    growth, drag = random.normal(0, GROWTH_SD), math.exp(random.normal(math.log(0.08), 0.4))
    inverter = INVERTER_HALF_WIDTH * random.uniform(-1, 1)
    settings = {"duration_s": "15", "wander": _wander(random)}
    logs, ratios = [], {"wheel": [], "driven": []}
    for place, hz in enumerate(SHOWN_HZ):
        x = hz / BASE_HZ
        law = math.exp(-growth) + (1 - math.exp(-growth)) * x
        creep = CREEP_SD * random.standard_normal()
        now = {
            "hz": str(hz),
            "hz_error": f"{DISPLAY_STEP_HZ * random.uniform(-0.5, 0.5) + inverter * hz:.6g}",
            # Half of the simulated drag is constant and half grows with speed: so that slip follows the law.
            "idle_drag": f"{drag * law / (0.5 + 0.5 * x):.6g}",
            "pitch_error": f"{creep:.6g}",  # a larger driver makes the ratio smaller by that part
        }
        log, truth = _played(folder, machine, 10 * seed + place, settings | now)
        logs.append(log)
        for channel, known in ratios.items():
            if channel in truth["channels"]:
                known.append(truth["mean_hz"]["motor"] / truth["mean_hz"][truth["channels"][channel]["track"]])
                known[-1] *= 1 + creep
    still = {"duration_s": "2", "hz": f"{BASE_HZ:g}", "hz_error": "0", "idle_drag": f"{drag:.6g}"}
    _, calm = _played(folder, machine, 10 * seed, still)
    true_slip_rpm = 120 * BASE_HZ / machine.motor.poles - 60 * calm["mean_hz"]["motor"]
    points, _ = steady_points_of(logs)
    found = calibrate_drive(points, machine)
    slip = found.slip_rpm
    held = {CALLED_RIGHT: [found.as_described], "motor slip": [abs(slip.value - true_slip_rpm) <= slip.u95]}
    for each in found.ratios:
        name = "total ratio" if each.channel == "wheel" else "first ratio"
        held[name] = [abs(each.ratio.value - np.mean(ratios[each.channel])) <= each.ratio.u95]
    return held


def by_hand(folder: Path, seed: int) -> Held:
    """A wheel sensor alone: blade passes counted with a stopwatch, and a tachometer held to the blade."""
    random = np.random.default_rng([seed, 3])
    passes = int(random.integers(10, 41))
    settings = {"duration_s": f"{20 + 3.0 * passes}", "wander": _wander(random), "hz": f"{random.uniform(45, 60):.1f}"}
    log, truth = _played(folder, WHEEL_ONLY, seed, settings)
    seconds, turns = np.array(truth["trace"]["seconds"]), np.array(truth["trace"]["blade_turns"])
    begun = turns[0] + random.uniform(2.0, turns[-1] - turns[0] - passes - 1.0)  # the mark stands anywhere
    start_s, end_s = np.interp([begun, begun + passes], turns, seconds)
    pressed_sd_s = random.uniform(*PRESSED_SD_S)  # of one person; that everybody is late on average drops out
    timed_s = end_s - start_s + pressed_sd_s * (random.standard_normal() - random.standard_normal())
    length_m, thickness_m = truth["blade_length_m"], SAW.wheel.blade_thickness_m
    counted, _ = find_diameter(
        [log],
        blade_length_m=length_m + LENGTH_SD_M * random.standard_normal(),
        u_length_m=LENGTH_SD_M,
        counted=Counted(passes=passes, seconds=round(timed_s, 1)),
        reference=None,
    )
    # Read off its display some seconds into the run, as the mean of the last few.
    u_part, at_s = 10 ** random.uniform(-3, -2), random.uniform(10.0, seconds[-1] - 5.0)
    now_hz = np.diff(np.interp([at_s - 2.0, at_s + 2.0], seconds, turns))[0] / 4.0
    read_m_per_s = length_m * now_hz * (1 + u_part * random.standard_normal())
    held_to, _ = find_diameter(
        [log],
        blade_length_m=None,
        u_length_m=0.0,
        counted=None,
        reference=Reference(m_per_s=read_m_per_s, u_m_per_s=u_part * read_m_per_s),
    )
    true_m = length_m * truth["mean_hz"]["blade"] / truth["mean_hz"]["wheel"] / math.pi - thickness_m
    return {
        "wheel diameter by stopwatch": [abs(counted.diameter_m.value - true_m) <= counted.diameter_m.u95],
        "wheel diameter by reference": [abs(held_to.diameter_m.value - true_m) <= held_to.diameter_m.u95],
    }


CAMPAIGNS = {
    "blade by hand": by_hand,
    "steady run": targets_clock_and_wheel,
    "wheel sensor alone": lambda folder, seed: drive(folder, seed, WHEEL_ONLY),
    "sensors on three shafts": lambda folder, seed: drive(folder, seed, THREE_SHAFTS),
}
