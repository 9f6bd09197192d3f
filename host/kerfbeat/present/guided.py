"""How is a person led through a whole calibration at the machine?

One recording from first to last, with the marks set as the person confirms each setting.  A setting counts as held
from when the speed is steady; nothing here knows a terminal, a port or any arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from kerfbeat.calibrate.diameter import Counted, Reference
from kerfbeat.calibrate.plan import Step, planned_minutes
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.errors import KerfbeatError, UnitError
from kerfbeat.machine import Machine, Setting
from kerfbeat.present.entry import beyond_inverter, hz_of, passes_and_time, speed_and_error
from kerfbeat.present.feed import Feed
from kerfbeat.present.numbers import SPEED_UNITS, both_speeds, short_number, speed_in
from kerfbeat.present.snapshot import Snapshot

__all__ = ["CAUTIONS", "Companion", "Guide", "Told"]

Answer = TypeVar("Answer")

CAUTIONS = (
    "Run the machine idle, no work in it, all guards closed, and stand where its operator stands.",
    "Change gear or belt only with the machine switched off and locked out; an inverter's terminals stay live for the "
    "minutes that its label states.",
    "Kerfbeat is an indicator, not a safety device: a reading of no pulses never means that it is safe to reach in.",
)
PATIENCE_S = 45.0  # for pulses, and for a speed to become steady
LOOK_S = 0.25
TYPING_S = 20.0  # from looking at a stopwatch or an instrument to Enter
SURE_S = 3.0  # of steady running before it is judged whether the speed fits: an inverter may still be on its way
STEADY = ("turning",)
VAGUE = 0.2  # of the speed: a half-width above this says that only a few pulses have come
SKIP, AGAIN = "s", "r"
UNSTEADY = "That did not become steady. Look at the machine and the sensors, and try again, or skip it (s)."


class Companion(Protocol):
    """Who talks with the person."""

    def ask(self, question: str) -> str:
        """One line of answer; "" for Enter alone."""

    def say(self, line: str) -> None:
        """Tell something."""

    def show(self, line: str) -> None:
        """Show how far it is, written over by the next."""

    def wait(self, seconds: float) -> None:
        """Let the recording go on for a while."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What the person told beside the marks: how else the blade's speed is known."""

    counted: Counted | None = None
    reference: Reference | None = None
    points: int = 0


class Guide:
    """Leads through the steps; `feed` is being fed meanwhile and records."""

    def __init__(self, machine: Machine, feed: Feed, companion: Companion, steps: Sequence[Step], *, unit: str) -> None:
        self._machine, self._feed, self._companion, self._unit = machine, feed, companion, unit
        self._steps = tuple(steps)
        self._doubted: list[str | None] = []  # gears whose speed was told not to fit

    def introduce(self) -> None:
        """Say what will happen and what to beware of, and wait for the person."""
        say = self._companion.say
        say(f"This takes about {planned_minutes(self._steps):.0f} minutes at the machine. Beware:")
        for caution in CAUTIONS:
            say(f"  {caution}")
        gears = list(dict.fromkeys(step.setting.gear for step in self._steps))
        named = [gear for gear in gears if gear is not None]
        say(
            f"{len(self._steps)} steady stretches"
            + (f" in {len(named)} gears ({', '.join(named)})" if len(named) > 1 else "")
            + "; at each, type what the display shows, or Enter if it is as asked. "
            f"{SKIP} skips one, {AGAIN} repeats the last, Ctrl-C ends; what is recorded by then is kept in its log."
        )
        self._companion.ask("Enter to begin.")

    def lead(self, *, blade: bool = True) -> Told:
        """Go through all steps; returns what was told.

        blade : at the end, ask how else the blade's speed is known, where no sensor sees it.
        """
        points, gear = 0, None
        index = 0
        while index < len(self._steps):
            step = self._steps[index]
            if step.setting.gear != gear:
                gear = step.setting.gear
                self._change_gear(gear)
            answer = self._hold(step)
            if answer == AGAIN:
                index = max(index - 1, 0)
                continue
            points += answer != SKIP
            index += 1
        return self._blade(points) if blade else Told(points=points)

    def _change_gear(self, gear: str | None) -> None:
        if gear is not None:
            self._companion.ask(f"Put the machine into gear {gear} (switched off, locked out), then press Enter.")
            self._feed.set_gear(gear)

    def _hold(self, step: Step) -> str:
        """One stretch: ask for the setting, wait for a steady speed, stay.  Returns the letter if one was typed."""
        setting = step.setting
        while True:
            typed = self._companion.ask(self._question(setting)).strip()
            if typed.lower() in (SKIP, AGAIN):
                return typed.lower()
            try:
                if setting.hz is not None:
                    self._take_hz(typed or f"{setting.hz:g}")
            except KerfbeatError as problem:
                self._companion.say(str(problem))
                continue
            trouble = self._stay(step.dwell_s)
            if not trouble:
                return ""
            self._companion.say(trouble)

    def _take_hz(self, text: str) -> None:
        """Mark the frequency; raises UnitError for what is none, or none that this inverter gives."""
        beyond = beyond_inverter(hz_of(text), self._machine.inverter)
        if beyond is not None:
            raise UnitError(f"{beyond} Look at the display again; s skips this stretch.")
        self._feed.set_hz(text)

    def _question(self, setting: Setting) -> str:
        if setting.hz is None:
            return "Switch on, at any steady speed, then press Enter."
        return f"Set {setting.hz:g} Hz, let it run, and type what the display shows (Enter: {setting.hz:g}):"

    def _stay(self, dwell_s: float) -> str:
        """Wait for a steady speed, then stay so long; what is wrong if it does not become steady or does not fit."""
        waited_s, steady_s, judged = 0.0, 0.0, False
        while steady_s < dwell_s:
            self._companion.wait(LOOK_S)
            now = self._feed.snapshot()
            if self._steady(now):
                steady_s += LOOK_S
                if not judged and steady_s >= SURE_S:
                    judged, misfit = True, self._misfit(now)
                    if misfit:
                        return misfit
                self._companion.show(f"{self._reading(now)}, steady: {steady_s:.0f} of {dwell_s:.0f} s")
            else:
                waited_s += LOOK_S
                self._companion.show(f"{self._reading(now)}: waiting for a steady speed")
                if waited_s > PATIENCE_S:
                    return UNSTEADY
        return ""

    def _misfit(self, now: Snapshot) -> str:
        """What to tell of a speed that the setting cannot give, once a gear; "" if it fits or was told."""
        speed, low, high = now.blade.speed_m_per_s, now.prospect.low_m_per_s, now.prospect.high_m_per_s
        if speed is None or low is None or high is None or now.setting.gear in self._doubted:
            return ""
        if low - speed.u95 <= speed.value <= high + speed.u95:
            return ""
        self._doubted.append(now.setting.gear)
        convert = SPEED_UNITS[self._unit]
        return (
            f"At {setting_words(now.setting)} it should run {short_number(convert(low))} to "
            f"{short_number(convert(high))} {self._unit}, and it runs {speed_in(speed, self._unit)}. Is another gear "
            "or belt position in, or does the display show another frequency? If so, put that right; Enter measures it "
            "all the same, and the results will say what does not fit."
        )

    @staticmethod
    def _steady(now: Snapshot) -> bool:
        """Whether the speed neither rises nor falls, and enough of it was seen to say so."""
        speed = now.blade.speed_m_per_s
        return now.blade.state in STEADY and speed is not None and speed.u95 < VAGUE * speed.value

    def _reading(self, now: Snapshot) -> str:
        speed = now.blade.speed_m_per_s
        return now.blade.state if speed is None else both_speeds(speed, self._unit)

    def _log_s(self) -> float:
        """How far the log is, in its own time."""
        log = self._feed.snapshot().log
        return 0.0 if log is None else log.seconds

    def _blade(self, points: int) -> Told:
        """Where no sensor sees the blade: passes by eye, or another instrument."""
        if "blade" in self._machine.sensors and self._machine.wheel.blade_length_m is not None:
            return Told(points=points)
        since_s = self._log_s()
        if self._machine.wheel.blade_length_m is not None:
            counted = self._understood(
                "No sensor sees the blade. Leave it running as it is and count passes of a mark by eye with a "
                "stopwatch; type passes and time, such as 40 252s (Enter: not now):",
                passes_and_time,
            )
            if counted is not None:
                passes, seconds = counted
                window_s = (max(since_s, self._log_s() - seconds - TYPING_S), self._log_s())
                return Told(counted=Counted(passes=passes, seconds=seconds, window_s=window_s), points=points)
        shown = self._understood(
            "If another instrument shows the blade's speed now, type it and its uncertainty, such as 41.2m/min "
            "0.2m/min (Enter: none):",
            speed_and_error,
        )
        if shown is None:
            return Told(points=points)
        window_s = (max(since_s, self._log_s() - TYPING_S), self._log_s())
        return Told(reference=Reference(m_per_s=shown[0], u_m_per_s=shown[1], window_s=window_s), points=points)

    def _understood(self, question: str, read: Callable[[str], Answer]) -> Answer | None:
        """Ask until the answer is understood; None for Enter alone."""
        while answer := self._companion.ask(question).strip():
            try:
                return read(answer)
            except KerfbeatError as problem:
                self._companion.say(str(problem))
        return None
