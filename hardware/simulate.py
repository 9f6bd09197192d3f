"""Do the three front ends work with every part at the end of its range, and beside an inverter?

Runs ngspice on the circuits of circuits/ at the corners that circuits/ranges.csv spans, and prints the table of the
build guide.

    python hardware/simulate.py              the corners, about half a minute
    python hardware/simulate.py --draws 200  as well, that many builds with every part drawn at random

A "group" moves its parts to the ends of their ranges together.  Groups of kind "build" are fixed once an instrument is
built; those of kind "run" change while it works.  What counts for a speed is not a delay but how it wanders: the spread
over "run" within one build.
"""

from __future__ import annotations

import argparse
import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from circuit_runs import Range, corners, deck, number, read_ranges, simulate

FRONT_ENDS = {"hall": "Hall switch", "proximity": "proximity switch", "optical": "reflective optical"}

# ATmega328P, pins, worst case: low up to 0.3, high from 0.6 of the supply (data sheet, DC characteristics; from
# memory).
PIN_LOW, PIN_HIGH = 0.3, 0.6
# Schmitt-trigger gate: the threshold nearest to where its input rests, over all parts (ranges.csv).
GATE_LOW, GATE_HIGH = 0.378 * 0.98, 0.444 * 1.02

# 6,000 ft/min (30.48 m/s) on a wheel of 300 mm with 60 targets, each a quarter of its share of the turn.
TOP_PULSES_HZ = 30.48 / (math.pi * 0.3) * 60
TOP_PULSE_S = 0.25 / TOP_PULSES_HZ

@dataclass(frozen=True, kw_only=True, slots=True)
class Findings:
    """Worst values of one front end over all corners; volts and seconds.

    margins: distance of the gate's input from its nearest threshold at rest; of the pin from the chip's thresholds;
    and of the gate's input while bursts and inverter edges come.
    """

    decks: int
    low_margin_v: float
    high_margin_v: float
    pin_margin_v: float
    delay_s: tuple[float, float]
    wander_s: float
    narrowest_s: float
    noise_low_margin_v: float
    noise_high_margin_v: float
    false_edges: int


def survey(front_end: str) -> Findings:
    """One front end at every corner, quiet, and at the corners that matter with bursts."""
    ranges = read_ranges(front_end)
    short = {"stays": f"{TOP_PULSE_S:.3e}"}
    builds = list(corners(ranges, kind="build"))
    runs = list(corners(ranges, kind="run"))
    quiet = [{**build, **run, **short} for build in builds for run in runs]
    noisy = list(_noisy_corners(ranges))
    with ThreadPoolExecutor(2) as pool:                        # ngspice is a process of its own
        calm = list(pool.map(lambda values: simulate(deck(front_end, values, noisy=False)), quiet))
        rough = list(pool.map(lambda values: simulate(deck(front_end, values, noisy=True)), noisy))
    return _summed(quiet, calm, noisy, rough, per_build=len(runs))


def draws(front_end: str, count: int, *, seed: int) -> Findings:
    """As many builds, each part anywhere in its range, each at two drawn states of supply and heat."""
    ranges, source = read_ranges(front_end), random.Random(seed)
    short = {"stays": f"{TOP_PULSE_S:.3e}"}
    quiet, noisy = [], []
    for _ in range(count):
        build = _drawn(ranges, "build", source)
        states = [_drawn(ranges, "run", source) for _ in range(2)]
        quiet += [{**build, **state, **short} for state in states]
        noisy.append({**build, **states[0]})
    with ThreadPoolExecutor(2) as pool:
        calm = list(pool.map(lambda values: simulate(deck(front_end, values, noisy=False)), quiet))
        rough = list(pool.map(lambda values: simulate(deck(front_end, values, noisy=True)), noisy))
    return _summed(quiet, calm, noisy, rough, per_build=2)


def _drawn(ranges: Iterable[Range], kind: str, source: random.Random) -> dict[str, str]:
    drawn = {}
    for each in ranges:
        if each.kind == kind:
            drawn[each.parameter] = f"{source.uniform(number(each.first), number(each.second)):.6g}"
    if kind == "build":                                        # a gate keeps some distance between its thresholds
        least, most = number(drawn["vt_up"]) - 1.4 / 4.5, number(drawn["vt_up"]) - 0.4 / 4.5
        drawn["vt_down"] = f"{min(max(number(drawn['vt_down']), least), most):.6g}"
    return drawn


def _noisy_corners(ranges: Sequence[Range]) -> Iterable[dict[str, str]]:
    """Bursts hurt most where the filter is fastest; the length of the cable and everything else goes both ways.

    Margins are counted from the gate's worst thresholds, so its own corner need not be asked; heat, which makes
    diodes conduct and leak sooner, is always there.
    """
    fixed = {"vt_up", "vt_down"}
    fastest = {each.parameter: each.first for each in ranges if each.group == "filter"}
    fastest |= {each.parameter: each.second for each in ranges if each.group == "heat"}
    others = [each for each in ranges if each.group not in {"filter", "gate", "heat"}]
    as_build = [Range(**{**_fields(each), "kind": "build"}) for each in others]
    for values in corners(as_build, kind="build"):
        for length_m in ("1", "10"):
            yield {k: v for k, v in {**fastest, **values, "length_m": length_m}.items() if k not in fixed}


def _fields(each: Range) -> dict[str, str]:
    return {name: getattr(each, name) for name in Range.__dataclass_fields__}


def _summed(
    quiet: Sequence[Mapping[str, str]], calm: Sequence[Mapping[str, float]],
    noisy: Sequence[Mapping[str, str]], rough: Sequence[Mapping[str, float]], *, per_build: int,
) -> Findings:  # fmt: skip
    delays_s = [found["falls_s"] for found in calm]
    builds = [delays_s[at : at + per_build] for at in range(0, len(delays_s), per_build)]
    supplies_v = [number(values["vcc_v"]) for values in quiet]
    loud_v = [number(values["vcc_v"]) for values in noisy]
    return Findings(
        decks=len(calm) + len(rough),
        low_margin_v=min(GATE_LOW * vcc - found["low_v"] for vcc, found in zip(supplies_v, calm, strict=True)),
        high_margin_v=min(found["high_v"] - GATE_HIGH * vcc for vcc, found in zip(supplies_v, calm, strict=True)),
        pin_margin_v=min(
            min(PIN_LOW * vcc - found["pin_low_v"], found["pin_high_v"] - PIN_HIGH * vcc)
            for vcc, found in zip(supplies_v, calm, strict=True)
        ),
        delay_s=(min(delays_s), max(delays_s)),
        wander_s=max(max(each) - min(each) for each in builds),
        narrowest_s=min(found["rises_s"] - found["falls_s"] for found in calm),
        noise_low_margin_v=min(GATE_LOW * vcc - found["low_v"] for vcc, found in zip(loud_v, rough, strict=True)),
        noise_high_margin_v=min(found["high_v"] - GATE_HIGH * vcc for vcc, found in zip(loud_v, rough, strict=True)),
        false_edges=sum(
            (found["pin_high_v"] < PIN_HIGH * vcc) + (found["pin_low_v"] > PIN_LOW * vcc)
            for vcc, found in zip(loud_v, rough, strict=True)
        ),
    )


ROWS: tuple[tuple[str, Callable[[Findings], str]], ...] = (
    ("target at rest: gate's input below its threshold by at least", lambda f: f"{f.low_margin_v:.2f} V"),
    ("no target: gate's input above its threshold by at least", lambda f: f"{f.high_margin_v:.2f} V"),
    ("pin beyond the chip's 0.3 and 0.6 of its supply by at least", lambda f: f"{f.pin_margin_v:.2f} V"),
    ("delay from target to pin, any build", lambda f: f"{f.delay_s[0] * 1e6:.0f} to {f.delay_s[1] * 1e6:.0f} µs"),
    ("how far that wanders within one build", lambda f: f"{f.wander_s * 1e6:.1f} µs"),
    (f"pulse at the pin at top speed, where {TOP_PULSE_S * 1e6:.0f} µs come in, at least",
     lambda f: f"{f.narrowest_s * 1e6:.0f} µs"),
    ("left of the margin under bursts and edges, target there", lambda f: f"{f.noise_low_margin_v:.2f} V"),
    ("left of the margin under bursts and edges, no target", lambda f: f"{f.noise_high_margin_v:.2f} V"),
    ("false edges", lambda f: f"{f.false_edges}"),
    ("simulations", lambda f: f"{f.decks}"),
)


def table(found: Mapping[str, Findings]) -> str:
    """The table of the build guide."""
    names = " | ".join(FRONT_ENDS[name] for name in found)
    lines = [f"| worst of all corners | {names} |", "|---|" + "---|" * len(found)]
    lines += [f"| {name} | " + " | ".join(show(each) for each in found.values()) + " |" for name, show in ROWS]
    return "\n".join(lines)


def main() -> None:
    """Print the table; with --draws a second one."""
    parser = argparse.ArgumentParser(description="Simulates the sensor circuits at the ends of their parts' ranges.")
    parser.add_argument("--draws", type=int, default=0, help="as well so many builds with every part drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="of the draws")
    asked = parser.parse_args()
    print(table({name: survey(name) for name in FRONT_ENDS}))
    if asked.draws:
        print(f"\n{asked.draws} builds drawn with seed {asked.seed}:\n")
        print(table({name: draws(name, asked.draws, seed=asked.seed) for name in FRONT_ENDS}))


if __name__ == "__main__":
    main()
