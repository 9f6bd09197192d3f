"""Which stored results hold for this machine as it is described today, and what do they say?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from kerfbeat.calibration.parts import belongs_to, setting_name
from kerfbeat.calibration.results import Calibration, Result, fingerprint
from kerfbeat.errors import CalibrationError
from kerfbeat.machine import Machine, Setting

__all__ = ["NOTHING_KNOWN", "Known", "aged_clock_u_ppm", "known"]

# How a stored clock correction ages.  A ceramic resonator moves by some 0.3 % over a range of 100 K and by 0.3 % in ten
# years; a workshop's seasons and a closed box are taken as 0.05 % (half-widths, rectangular).  Common practice, no
# published source.
CLOCK_SEASONS_PPM = 500.0
CLOCK_AGEING_PPM_PER_YEAR = 300.0
YEAR_S = 365.25 * 86400.0


def aged_clock_u_ppm(u_ppm: float, *, age_s: float) -> float:
    """Standard uncertainty of a clock correction that was measured so long ago with the uncertainty `u_ppm`."""
    ageing_ppm = math.hypot(CLOCK_SEASONS_PPM, CLOCK_AGEING_PPM_PER_YEAR * abs(age_s) / YEAR_S) / math.sqrt(3.0)
    return math.hypot(u_ppm, ageing_ppm)


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """What calibration knows of a machine.  Values come as (value, standard uncertainty) or None.

    refused : one line for every stored result that is not used, with the reason.
    """

    calibration: Calibration | None
    results: Mapping[tuple[str, str], Result]
    refused: tuple[str, ...] = ()

    def _scalar(self, quantity: str, of: str = "") -> tuple[float, float] | None:
        result = self.results.get((quantity, of))
        return None if result is None else (result.value[0], result.u[0])

    @property
    def spacing_turns(self) -> Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]:
        """Of every channel that has one: spacing from each target to the next, and its uncertainty, in turns."""
        return {
            of: (tuple(each / 360.0 for each in result.value), tuple(each / 360.0 for each in result.u))
            for (quantity, of), result in self.results.items()
            if quantity == "target spacing"
        }

    @property
    def wheel_diameter_m(self) -> tuple[float, float] | None:
        """Effective diameter of the wheel, without the blade."""
        return self._scalar("wheel diameter")

    @property
    def motor_slip_hz(self) -> tuple[float, float] | None:
        """Slip at no load and base frequency, in turns per second."""
        slip_rpm = self._scalar("motor slip")
        return None if slip_rpm is None else (slip_rpm[0] / 60.0, slip_rpm[1] / 60.0)

    def total_ratio(self, setting: Setting) -> tuple[float, float] | None:
        """Motor turns per wheel turn at a belt position and gear, belt creep included."""
        return self._scalar("total ratio", setting_name(setting))

    def clock_ppm(self, board: str, *, at: datetime) -> tuple[float, float] | None:
        """Stored correction of a board's clock with the uncertainty it has come to by the time `at`."""
        result = self.results.get(("clock offset", board))
        if result is None:
            return None
        return result.value[0], aged_clock_u_ppm(result.u[0], age_s=(at - result.date).total_seconds())

    def described(self, *quantities: str) -> tuple[str, ...]:
        """One line for every result in use, or for those of some quantities: what, when, from where."""
        return tuple(
            f"{result.name}: calibrated {result.date:%Y-%m-%d}"
            + (f" from {', '.join(result.sources)}" if result.sources else "")
            for result in self.results.values()
            if not quantities or result.quantity in quantities
        )


NOTHING_KNOWN = Known(calibration=None, results={})


def known(calibration: Calibration | None, machine: Machine) -> Known:
    """Say what holds: a result is refused if any part of the description it depends on has changed since."""
    held: dict[tuple[str, str], Result] = {}
    refused: list[str] = []
    for result in calibration.results if calibration is not None else ():
        try:
            today = belongs_to(machine, result.quantity, result.of)
        except CalibrationError as problem:
            refused.append(f"{result.name} ({result.date:%Y-%m-%d}) is not used: {problem}; calibrate again.")
            continue
        today = {key: today.get(key, "not described") for key in result.belongs_to}
        if fingerprint(today) == fingerprint(result.belongs_to):
            held[result.key] = result
        else:
            refused.append(_refusal(result, today))
    return Known(calibration=calibration, results=held, refused=tuple(refused))


def _refusal(result: Result, today: Mapping[str, str]) -> str:
    changed = "; ".join(
        f"{key} was {then} and is {today[key]}" for key, then in sorted(result.belongs_to.items()) if then != today[key]
    )
    return (
        f"{result.name} ({result.date:%Y-%m-%d}) is not used: the description has changed since ({changed}); "
        "calibrate again, or put the old value back."
    )
