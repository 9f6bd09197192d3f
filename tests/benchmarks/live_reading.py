"""How true, how wide and how soon is the live reading in everything a machine does?

    python tests/benchmarks/live_reading.py [--runs 30] [--tuned] [--only WORD] [--unknown] [--shafts]

Seeded wheels of several speeds and target counts idle, start cuts, stall, run down, brake, start.  Each is read twenty
times a second from a little before the event to a little after it.  By kind of event it prints

    held       share of the 95 % intervals that hold the true speed of that moment
    blind      share of the readings to which nothing could have told of the event yet: no edge came since it began, nor
               was one due.  (An event that takes the speed down at once is missed by all of them that are not wide
               enough for it while nothing happens, so "held" cannot come to 100 %.)
    informed   as "held", without the blind ones
    far off    share of the informed ones that miss the true speed by more than a tenth of it
    width      half-width in per cent of the idle speed: median and 95 % quantile
    ref.       the same of a Kalman filter that is told the angles, the timing and how much the speed wanders on this
               shaft in this kind of event (with hindsight, the least whose intervals hold 95 %)
    ?          seconds of an event in which the big digits show no number

Angles of the targets are stored, or with --unknown learnt in twelve turns before the event.

The estimator's rates were chosen on the seeds below HELD_OUT; what is reported is of those from there on, so that it
owes nothing to the choice.  With --tuned the others are played, for whoever chooses anew.
"""

import argparse
import math
import runpy
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.live import LiveSpeed
from kerfbeat.present.readout import UNSETTLED

WHEELS = runpy.run_path(str(Path(__file__).parent.parent / "measure" / "conftest.py"))
Floats = NDArray[np.float64]
TICK_HZ = 16e6
EVERY_S = 0.05
BEFORE_S = 1.0  # at least, from the first edge to the event: a quick motor, too, is being read when it comes
SHAFTS = ((0.2, 4), (0.4, 1), (0.4, 4), (0.4, 12), (0.8, 4), (1.3, 1), (1.3, 4), (1.3, 24), (3.0, 2), (24.0, 1))
HELD_OUT = 10_000
FAR = 0.1
K95 = 1.96
WANDERS = np.geomspace(1e-5, 3.0, 50)  # relative sd of the reference's speed after a second
PLATE_SLIP = (0.015, 0.07)  # fall at full load, of the speed: motor's slip and belt's creep


@dataclass(frozen=True, kw_only=True)
class Event:
    """Speeds over the idle speed at times in s; looked at from `look_s` until `until_s`."""

    at_s: Floats
    speed: Floats
    begin_s: float
    look_s: float
    until_s: float


def _event(course: Callable[[Floats], Floats], *, begin_s: float, last_s: float) -> Event:
    """Idle until `begin_s`, then the course for `last_s`."""
    after = np.arange(0.0, last_s, 0.005)
    speed = np.maximum(course(after), 0.0)
    at_s = np.concatenate(([0.0], begin_s + after))
    return Event(
        at_s=at_s,
        speed=np.concatenate(([1.0], speed)),
        begin_s=begin_s,
        look_s=begin_s - 0.5,
        until_s=begin_s + last_s,
    )


def _load_step(chance: np.random.Generator, t: Floats, fall: float, *, entry_s: float) -> Floats:
    """A load that comes within `entry_s`, on a drive of inertia with a time constant of 0.05 to 0.3 s."""
    tau = chance.uniform(0.05, 0.3)
    target = fall * np.clip(t / entry_s, 0.0, 1.0)
    lagged, keep = np.empty_like(t), np.exp(-0.005 / tau)
    low = 0.0
    for k, each in enumerate(target):
        low = keep * low + (1.0 - keep) * each
        lagged[k] = low
    return 1.0 - lagged


def idle(chance: np.random.Generator, begin_s: float) -> Event:
    """Nothing happens."""
    return _event(np.ones_like, begin_s=begin_s, last_s=8.0)


def cut(chance: np.random.Generator, begin_s: float) -> Event:
    """A cut of a fifth of full load to a little more than full, entered in 0.05 to 2 s, with a wander of its own."""
    fall = chance.uniform(*PLATE_SLIP) * chance.uniform(0.2, 1.2)
    entry_s = chance.choice([0.05, 0.5, 2.0])
    waves = chance.uniform(0.1, 0.5, 3) * fall * 0.2
    rates = chance.uniform(0.2, 2.0, 3)

    def course(t: Floats) -> Floats:
        ripple = (waves[:, None] * np.sin(2 * np.pi * rates[:, None] * t)).sum(axis=0) * np.clip(t / entry_s, 0, 1)
        return _load_step(chance, t, fall, entry_s=entry_s) + ripple

    return _event(course, begin_s=begin_s, last_s=8.0)


def cut_ends(chance: np.random.Generator, begin_s: float) -> Event:
    """The load goes at once, and the speed comes back."""
    fall = chance.uniform(*PLATE_SLIP) * chance.uniform(0.2, 1.2)
    return _event(lambda t: 1.0 + fall * (1.0 - _load_step(chance, t, 1.0, entry_s=0.05)), begin_s=begin_s, last_s=6.0)


def overload(chance: np.random.Generator, begin_s: float) -> Event:
    """A fall of 10 to 30 % within half a second to three seconds; it stays there."""
    fall, entry_s = chance.uniform(0.1, 0.3), chance.uniform(0.5, 3.0)
    return _event(lambda t: _load_step(chance, t, fall, entry_s=entry_s), begin_s=begin_s, last_s=8.0)


def stall(chance: np.random.Generator, begin_s: float) -> Event:
    """Into a jam: to standstill in 0.3 to 2 s."""
    stop_s = chance.uniform(0.3, 2.0)
    return _event(lambda t: 1.0 - t / stop_s, begin_s=begin_s, last_s=stop_s + 1.0)


def run_down(chance: np.random.Generator, begin_s: float) -> Event:
    """Switched off: rubbing and bearings stop it in 3 to 20 s."""
    stop_s = chance.uniform(3.0, 20.0)
    return _event(lambda t: 1.0 - t / stop_s, begin_s=begin_s, last_s=stop_s + 1.0)


def start(chance: np.random.Generator, begin_s: float) -> Event:
    """From rest up the inverter's ramp of 0.5 to 8 s."""
    rise_s = chance.uniform(0.5, 8.0)
    t = np.array([0.0, 1.0, 1.0 + rise_s, rise_s + 10.0])
    return Event(at_s=t, speed=np.array([0.0, 0.0, 1.0, 1.0]), begin_s=1.0, look_s=1.0, until_s=rise_s + 9.0)


def faster(chance: np.random.Generator, begin_s: float) -> Event:
    """The inverter's frequency is turned up or down by 3 to 30 %, along its ramp."""
    change = chance.choice([-1.0, 1.0]) * chance.uniform(0.03, 0.3)
    rise_s = abs(change) * chance.uniform(1.0, 10.0)
    return _event(lambda t: 1.0 + change * np.clip(t / rise_s, 0.0, 1.0), begin_s=begin_s, last_s=rise_s + 5.0)


KINDS = (idle, cut, cut_ends, overload, stall, run_down, start, faster)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One reading: idle speed, the true one of the moment, and what was told (None: no speed).

    blind : whether the event has begun but no edge has come since, nor was one due: nothing can tell of it.
    """

    full_hz: float
    true_hz: float
    value_hz: float | None
    u95_hz: float
    blind: bool


def readings(
    make: Callable[..., Event], shaft: tuple[float, int], seed: int, *, unknown: bool
) -> tuple[list[Seen], Any, Floats, Event]:
    """Play one event; also the wheel, its edges as timed, for the reference."""
    speed_hz, targets = shaft
    chance = np.random.default_rng([seed, int(speed_hz * 10), targets])
    turns_before = 12.0 if unknown else 4.0
    event = make(chance, max(turns_before / speed_hz, BEFORE_S) + chance.uniform(0.0, 1.0 / speed_hz))
    angles = WHEELS["uneven"](chance, targets)
    wheel = WHEELS["Wheel"](at_s=event.at_s, speed_hz=event.speed * speed_hz, angles_turns=angles)
    times, which = wheel.edges()
    jitter_s = chance.choice([2e-6, 15e-6, 60e-6])
    edges_s = times + chance.normal(0, jitter_s, len(times))
    ticks = WHEELS["ticks_of"](edges_s + 1.0, TICK_HZ)
    live = LiveSpeed(
        targets=targets, tick_hz=TICK_HZ, spacing_turns=None if unknown else np.diff(np.append(angles, angles[0] + 1))
    )
    live.set_clock(0.0, 0.0)
    steady_s = WHEELS["steady"](speed_hz, event.begin_s + 2.0 / speed_hz, angles).edges()[0]
    due_s = steady_s[steady_s > event.begin_s][0] if event.speed[0] > 0 else 0.0
    seen, done = [], 0
    for number in range(-math.floor(event.look_s / EVERY_S), math.ceil((event.until_s - event.look_s) / EVERY_S)):
        now_s = event.look_s + number * EVERY_S
        complete = int((now_s + 1.0) * TICK_HZ)
        upto = int(np.searchsorted(ticks, complete, side="right"))
        live.feed(ticks[done:upto], complete)
        done = upto
        if number < 0:
            continue
        hz = live.reading().shaft_hz
        true_hz = float(wheel.speed_at(now_s))
        last_s = edges_s[upto - 1] if upto else -np.inf
        blind = bool(event.begin_s <= now_s and last_s <= event.begin_s and now_s <= due_s)
        u95_hz = hz.u95 if hz else 0.0
        seen.append(Seen(full_hz=speed_hz, true_hz=true_hz, value_hz=hz and hz.value, u95_hz=u95_hz, blind=blind))
    return seen, (wheel, times, which), edges_s, event


def reference(
    played: tuple[Any, Floats, NDArray[np.int64]], edges_s: Floats, event: Event, told: list[Seen]
) -> Iterator[tuple[Floats, float]]:
    """Errors over the standard deviations, and standard deviations over the truth, of filters that know the angles.

    (wanders,) each, for every reading that told a speed: two states, phase and speed; the speed walks.
    """
    wheel, _, which = played
    places = wheel.angles_turns[which] + np.cumsum(np.diff(which, prepend=which[:1]) <= 0)
    top_hz = float(wheel.speed_hz.max())
    q = (WANDERS * top_hz) ** 2
    noise = (6e-5 * top_hz) ** 2 + 1e-14
    k, at_s, phase, speed = 0, 0.0, 0.0, np.full(len(q), top_hz)
    phase = np.zeros(len(q))
    pp, ps, ss = np.zeros(len(q)), np.zeros(len(q)), np.full(len(q), top_hz**2)
    begun = False
    for number, each in enumerate(told):
        now_s = event.look_s + number * EVERY_S
        while k < len(edges_s) and edges_s[k] <= now_s:
            if not begun:
                phase, at_s, begun = np.full(len(q), places[k]), edges_s[k], True
                pp = np.full(len(q), noise)
            h = edges_s[k] - at_s
            phase = phase + speed * h
            pp, ps, ss = pp + 2 * h * ps + h * h * ss + q * h**3 / 3, ps + h * ss + q * h * h / 2, ss + q * h
            gain_p, gain_s, off = pp / (pp + noise), ps / (pp + noise), places[k] - phase
            phase, speed = phase + gain_p * off, speed + gain_s * off
            pp, ps, ss = pp - gain_p * pp, ps - gain_s * pp, ss - gain_s * ps
            at_s, k = edges_s[k], k + 1
        if each.value_hz is not None and begun:
            sd = np.sqrt(np.maximum(ss + q * (now_s - at_s), 1e-18))
            yield np.abs(speed - each.true_hz) / sd, sd / top_hz


def _line(name: str, seen: list[Seen], referred: list[Floats], events: int) -> str:
    told = [each for each in seen if each.value_hz is not None]
    true = np.array([each.true_hz for each in told])
    value, u95 = np.array([each.value_hz for each in told]), np.array([each.u95_hz for each in told])
    miss = np.abs(value - true) - u95
    known = ~np.array([each.blind for each in told])
    width = 100.0 * u95 / np.array([each.full_hz for each in told])
    queries = np.sum(u95 > UNSETTLED * value) * EVERY_S / events
    middle, most = np.quantile(width, [0.5, 0.95])
    least, less = np.quantile(100.0 * np.concatenate(referred), [0.5, 0.95])
    return (
        f"{name:24} {100 * np.mean(miss <= 0):6.2f} % {100 * np.mean(~known):6.2f} % "
        f"{100 * np.mean(miss[known] <= 0):6.2f} % "
        f"{100 * np.mean(miss[known] > FAR * true[known]):8.2f} % "
        f"{middle:8.2f} {most:8.1f} {least:8.2f} {less:8.1f} {queries:8.2f}\n"
    )


def _narrowest(both: list[tuple[Floats, Floats]]) -> Floats:
    """Half-widths of the reference, of the least wander that holds 95 %."""
    off, width = (np.array([each[part] for each in both]) for part in (0, 1))
    enough = np.flatnonzero(np.mean(off <= K95, axis=0) >= 0.95)
    return K95 * width[:, int(enough[0]) if enough.size else -1]


def main() -> None:
    """Play the events and print the table."""
    parser = argparse.ArgumentParser(description="How good is the live reading?")
    parser.add_argument("--runs", type=int, default=30, metavar="N", help="events of each kind on each shaft")
    parser.add_argument("--tuned", action="store_true", help="the seeds on which the estimator's rates were chosen")
    parser.add_argument("--only", default="", metavar="WORD", help="kinds whose name holds the word")
    parser.add_argument("--unknown", action="store_true", help="the targets' angles are not stored")
    parser.add_argument("--shafts", action="store_true", help="a line for every shaft, too")
    options = parser.parse_args()
    first = 0 if options.tuned else HELD_OUT
    sys.stdout.write(
        f"{'kind':24} {'held':>8} {'blind':>8} {'informed':>8} {'far off':>10} {'width %':>8} {'95 %':>8} "
        f"{'ref. %':>8} {'95 %':>8} {'? s':>8}\n"
    )
    for make in KINDS:
        if options.only not in make.__name__:
            continue
        everything: list[Seen] = []
        referred: list[Floats] = []
        lines = []
        for speed_hz, targets in SHAFTS:
            seen: list[Seen] = []
            both: list[tuple[Floats, Floats]] = []
            for seed in range(first, first + options.runs):
                told, played, edges_s, event = readings(make, (speed_hz, targets), seed, unknown=options.unknown)
                seen += told
                both += reference(played, edges_s, event, told)
            everything += seen
            referred.append(_narrowest(both))
            lines.append(_line(f"  {60 * speed_hz:.0f} rpm, {targets} targets", seen, referred[-1:], options.runs))
        sys.stdout.write(_line(make.__name__.replace("_", " "), everything, referred, options.runs * len(SHAFTS)))
        sys.stdout.write("".join(lines) if options.shafts else "")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
