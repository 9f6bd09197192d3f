"""What is known of a machine by its calibration, and how is the user told what of that is refused?"""

from pathlib import Path
from typing import TYPE_CHECKING

from kerfbeat.cli._echo import echo
from kerfbeat.cli._show import warn

if TYPE_CHECKING:
    from kerfbeat.calibration import Known
    from kerfbeat.capture.log import PulseLog
    from kerfbeat.machine import Machine

__all__ = ["known_beside", "known_if_any", "known_in", "known_in_warned", "warned"]


def known_beside(machine_path: Path, machine: "Machine") -> "Known":
    """What is stored beside a machine file and holds for it; what does not is warned of."""
    from kerfbeat.calibration import calibration_path, known, load_calibration

    return warned(known(load_calibration(calibration_path(machine_path)), machine))


def known_if_any(machine_path: Path | None, machine: "Machine") -> "Known | None":
    """What is stored beside the machine file, said on standard error; None without a file or if nothing holds."""
    if machine_path is None:
        return None
    held = known_beside(machine_path, machine)
    for line in held.described():
        echo(line, err=True)
    return held if held.results else None


def known_in(log: "PulseLog") -> "Known":
    """What a log carries of its machine's calibration, as it was then, and holds; `refused` says what does not."""
    from kerfbeat.calibration import known, parse_calibration

    text = log.calibration_text
    calibration = None if text is None else parse_calibration(text, source=f"{log.source}, its calibration")
    return known(calibration, log.machine)


def known_in_warned(log: "PulseLog") -> "Known":
    """The same; what does not hold is warned of at once."""
    return warned(known_in(log))


def warned(held: "Known") -> "Known":
    """Warn of every stored result that does not hold; returns `held`."""
    for line in held.refused:
        warn(line)
    return held
