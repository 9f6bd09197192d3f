"""What did the operator enter for hertz, gear or belt, or for the blade's speed known otherwise?"""

import math
import re
from collections.abc import Sequence

from kerfbeat.errors import MachineError, UnitError
from kerfbeat.machine import Inverter
from kerfbeat.units import parse_duration_s, parse_speed_m_per_s

__all__ = ["beyond_inverter", "choice_of", "hz_of", "passes_and_time", "speed_and_error"]

MOST_HZ = 1000.0

PASSES = re.compile(r"(\d{1,6})\s*(?:pass(?:es)?\b)?\s*(?:in\b)?\s*(.*)", re.IGNORECASE | re.ASCII)
SPEEDS = re.compile(r"([\d.]+)\s*([a-z/]*)[\s,;]+([\d.]+)\s*([a-z/]+)", re.IGNORECASE | re.ASCII)


def hz_of(text: str) -> float:
    """The inverter's frequency: "45", "45.5 Hz" or "45,5".

    Raises UnitError if it is no number, or one that no inverter gives.
    """
    number = text.strip().lower().removesuffix("hz").strip().replace(",", ".")
    try:
        hz = float(number)
    except ValueError:
        hz = math.nan
    if hz > MOST_HZ:
        raise UnitError(f'"{text}" is beyond {MOST_HZ:g} Hz; write the hertz that the inverter shows, such as 45.5')
    if not hz >= 0.0:
        raise UnitError(f'"{text}" is no frequency; write the hertz that the inverter shows, such as 45.5')
    return hz


def beyond_inverter(hz: float | None, inverter: Inverter | None) -> str | None:
    """What to tell of a frequency that the described inverter does not give; None if it may be right."""
    words = None if hz is None or inverter is None else inverter.beyond(hz)
    return None if words is None else f"{words}; mistyped, or is the machine file out of date?"


def choice_of(text: str, choices: Sequence[str], *, what: str) -> str:
    """The gear or belt position meant: its name, the beginning of its name, or its number in the list from 1.

    Raises MachineError if none or several are meant.
    """
    wanted = text.strip().casefold()
    exact = [choice for choice in choices if choice.casefold() == wanted]
    near = exact or [choice for choice in choices if wanted and choice.casefold().startswith(wanted)]
    if len(near) == 1:
        return near[0]
    if not near and wanted.isdecimal() and 1 <= int(wanted) <= len(choices):
        return choices[int(wanted) - 1]
    if not choices:
        raise MachineError(f"this machine has no {what} to choose")
    raise MachineError(f'there is no {what} "{text}"; choose {", ".join(choices)}')


def passes_and_time(text: str) -> tuple[int, float]:
    """Blade passes counted by eye and their time in s: "40 252s", "40 passes in 4.2 min".

    Raises UnitError if it is not both, each above zero.
    """
    match = PASSES.fullmatch(text.strip())
    if match is None or int(match[1]) == 0 or not match[2]:
        raise UnitError(f'"{text}" is not a number of passes and their time; write both, such as 40 252s')
    seconds = parse_duration_s(match[2])
    if seconds <= 0.0:
        raise UnitError(f'"{match[2]}" cannot be; write how long the passes took, such as 252s')
    return int(match[1]), seconds


def speed_and_error(text: str) -> tuple[float, float]:
    """A speed and its uncertainty in m/s: "41.2m/min 0.2m/min"; one unit behind both is enough.

    Raises UnitError if it is not both, each above zero.
    """
    match = SPEEDS.fullmatch(text.strip())
    if match is None:
        raise UnitError(f'"{text}" is not a speed and its uncertainty; write both, such as 41.2m/min 0.2m/min')
    speed, error = (parse_speed_m_per_s(f"{each} {unit}") for each, unit in (
        (match[1], match[2] or match[4]), (match[3], match[4])
    ))  # fmt: skip
    if not (speed > 0.0 and error > 0.0):
        raise UnitError(f'"{text}" cannot be; write a speed and its uncertainty, both above zero')
    return speed, error
