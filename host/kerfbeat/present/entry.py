"""What did the operator enter for hertz, gear or belt?"""

import math
from collections.abc import Sequence

from kerfbeat.errors import MachineError, UnitError
from kerfbeat.machine import Inverter

__all__ = ["beyond_inverter", "choice_of", "hz_of"]

MOST_HZ = 1000.0


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
