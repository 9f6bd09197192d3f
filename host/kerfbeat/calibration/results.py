"""What is one calibrated quantity, and what do all of a machine's together say?"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from kerfbeat.errors import CalibrationError

__all__ = ["QUANTITIES", "Calibration", "Result", "fingerprint"]

# What can be stored, in which unit, and whose it is ("of").
QUANTITIES: Mapping[str, str] = {
    "target spacing": "degree",  # of a channel: from each target to the next
    "clock offset": "ppm",  # of a board: true rate of its ticks over the stated one, less 1
    "wheel diameter": "m",  # without the blade; what v = pi (D + t) n needs to give the blade's true speed
    "total ratio": "1",  # of a setting: turns of the motor per turn of the wheel, belt creep included
    "first ratio": "1",  # of a setting: turns of the motor per turn of the shaft that the channel `driven` watches
    "motor slip": "rpm",  # at no load and base frequency
}
LARGEST_LIST = 1000  # targets


@dataclass(frozen=True, kw_only=True, slots=True)
class Result:
    """One quantity: its value with standard uncertainty, where it comes from, and the description it belongs to.

    of : whose it is: a channel, a board, a setting; "" where the machine has only one.
    value, u : one number each, or one for every target.   u : standard uncertainty; 1.96 u is the 95 % half-width.
    sources : logs (names) it was found from.   conditions : whatever else a reader should know, in words.
    belongs_to : parts of the description it depends on, as key -> value; its fingerprint is made of them.
    """

    quantity: str
    of: str
    value: tuple[float, ...]
    u: tuple[float, ...]
    unit: str
    date: datetime
    sources: tuple[str, ...]
    conditions: Mapping[str, str]
    belongs_to: Mapping[str, str]

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES:
            raise CalibrationError(f'"{self.quantity}" is no calibrated quantity; known: {", ".join(QUANTITIES)}')
        if self.unit != QUANTITIES[self.quantity]:
            raise CalibrationError(
                f'{self.name}: the unit is "{self.unit}"; this version keeps it in {QUANTITIES[self.quantity]}'
            )
        if not 1 <= len(self.value) <= LARGEST_LIST or len(self.value) != len(self.u):
            raise CalibrationError(f"{self.name}: {len(self.value)} values with {len(self.u)} uncertainties cannot be")
        if not all(math.isfinite(each) for each in (*self.value, *self.u)) or min(self.u) < 0:
            raise CalibrationError(f"{self.name}: values must be finite numbers and uncertainties 0 or more")
        if self.date.tzinfo is None:
            raise CalibrationError(f"{self.name}: the date {self.date} has no time zone")

    @property
    def name(self) -> str:
        """Quantity and whose it is, for messages."""
        return f"{self.quantity} of {self.of}" if self.of else self.quantity

    @property
    def key(self) -> tuple[str, str]:
        """What a newer result replaces."""
        return self.quantity, self.of


def fingerprint(parts: Mapping[str, str]) -> str:
    """Short fingerprint of the parts of a description that a result depends on; 12 hexadecimal digits."""
    text = json.dumps(dict(sorted(parts.items())), ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


@dataclass(frozen=True, kw_only=True, slots=True)
class Calibration:
    """All results of one machine: those in force, newest last, and those they replaced.

    text : the file it was read from, so that a log can carry it and comments survive; "" if it is new.
    """

    machine: str
    results: tuple[Result, ...] = ()
    history: tuple[Result, ...] = ()
    text: str = field(default="", repr=False, compare=False)

    def __post_init__(self) -> None:
        keys = [result.key for result in self.results]
        if len(set(keys)) < len(keys):
            twice = next(result.name for result in self.results if keys.count(result.key) > 1)
            raise CalibrationError(f"{twice} is in force twice; keep the newer one and move the other to history")

    def result(self, quantity: str, of: str = "") -> Result | None:
        """The result in force; None if there is none."""
        return next((each for each in self.results if each.key == (quantity, of)), None)

    def with_results(self, *new: Result) -> Calibration:
        """Put new results in force; those they replace go to the history."""
        replaced = {result.key for result in new}
        kept = tuple(result for result in self.results if result.key not in replaced)
        gone = tuple(result for result in self.results if result.key in replaced)
        return replace(self, results=kept + new, history=self.history + gone)
