"""Which supply frequencies does a table list?"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine

__all__ = ["MOST_FREQUENCIES", "fine_hz", "frequencies_hz", "listed_hz"]

Array = NDArray[np.float64]

MOST_FREQUENCIES = 2000
WANTED_ROWS = 14  # a table for people: about this many frequencies in each gear
NICE_STEPS_HZ = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def limits_hz(machine: Machine) -> tuple[float, float] | None:
    """Lowest and highest frequency the machine can be set to; None if it has no inverter."""
    if machine.inverter is None:
        return None
    return max(machine.inverter.minimum_hz, 0.01 * machine.inverter.maximum_hz), machine.inverter.maximum_hz


def listed_hz(machine: Machine) -> Array:
    """Round frequencies between the inverter's limits, with both limits and the motor's base frequency.

    Without an inverter the motor's base frequency alone.
    """
    limits = limits_hz(machine)
    base = [machine.motor.base_hz] if machine.motor is not None else []
    if limits is None:
        return np.array(base)
    low, high = limits
    step = next((step for step in NICE_STEPS_HZ if (high - low) / step <= WANTED_ROWS), NICE_STEPS_HZ[-1])
    between = [step * k for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return np.unique(np.round([low, *between, *(hz for hz in base if low < hz < high), high], 6))


def fine_hz(machine: Machine, *, count: int = 400) -> Array:
    """Evenly spaced frequencies between the limits, for a curve; without an inverter the base frequency alone."""
    limits = limits_hz(machine)
    return listed_hz(machine) if limits is None else np.linspace(*limits, count)


def frequencies_hz(text: str) -> Array:
    """Read frequencies as typed: `45`, `20,35,50` or `20:80:0.5` (from, to, step).

    Raises DriveError with a right example for anything else.
    """
    hint = "write them as 45, as 20,35,50 or as 20:80:0.5 (from:to:step)"
    found: list[float] = []
    for part in text.split(","):
        numbers = [_number(piece, hint) for piece in part.split(":")]
        if len(numbers) == 1:
            found.append(numbers[0])
            continue
        if len(numbers) != 3:
            raise DriveError(f'"{part.strip()}" is no list of frequencies; {hint}.')
        low, high, step = numbers
        if low > high:
            raise DriveError(f'"{part.strip()}": {low:g} Hz is above {high:g} Hz; write the lower limit first.')
        if (high - low) / step > MOST_FREQUENCIES:
            raise DriveError(f'"{part.strip()}" is more than {MOST_FREQUENCIES} frequencies; take a larger step.')
        found += [low + step * k for k in range(math.floor((high - low) / step + 1e-9) + 1)]
    return np.unique(np.round(found, 9))


def _number(text: str, hint: str) -> float:
    match = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*(?:hz)?\s*", text, re.IGNORECASE | re.ASCII)
    value = float(match[1]) if match is not None else math.nan
    if not 0.0 < value <= 1000.0:
        raise DriveError(f'"{text.strip()[:20]}" is no frequency above 0 and up to 1000 Hz; {hint}.')
    return value
