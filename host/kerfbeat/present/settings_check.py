"""Where do a board's stored settings not fit the machine file and the clock as it runs now?"""

from __future__ import annotations

import math

from kerfbeat.capture.board_settings import BoardSettings
from kerfbeat.drive.board_plan import BoardPlan
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.numbers import plus_minus, two_digits
from kerfbeat.present.settings_words import change_rows

__all__ = ["settings_findings"]

# The display is to be right to 0.05 %; a clock that is off by a fifth of that is not worth a word.
WORTH_PPM = 100.0  # test_a_clock_that_runs_otherwise_than_stored_is_told


def settings_findings(stored: BoardSettings, plan: BoardPlan, clock_off_ppm: Estimate | None) -> list[str]:
    """What to mend on a board that was told its wheel once; [] for one that never was, and has no display to be wrong.

    plan : what it should keep.   clock_off_ppm : true tick rate over the nominal one, less 1, if it was measured now.
    """
    if not stored.wheel_input:
        return []
    found = []
    rows = change_rows(stored, plan.settings, plan.basis)
    if rows:
        said = "; ".join(f"{label} {old} stored, {new} by the file" for label, old, new, _ in rows)
        found.append(
            f"the board's stored settings are not those of the machine file ({said}); kerfbeat configure writes them"
        )
    if clock_off_ppm is not None:
        found += _clock_finding(stored, clock_off_ppm)
    return found


def _clock_finding(stored: BoardSettings, now_ppm: Estimate) -> list[str]:
    high_ppm = stored.clock_ppb / 1e3 - now_ppm.value  # the display multiplies by what it keeps
    u95_ppm = math.hypot(now_ppm.u95, stored.clock_u95_ppb / 1e3 if stored.clock_measured else 0.0)
    if abs(high_ppm) <= max(u95_ppm, WORTH_PPM):
        return []
    kept = f"corrects by {stored.clock_ppb / 1e3:.0f} ppm" if stored.clock_measured else "keeps no correction"
    return [
        f"the board's clock is {plus_minus(now_ppm)} ppm off and it {kept}, so that its display reads "
        f"{two_digits(abs(high_ppm) / 1e4)} % {'high' if high_ppm > 0 else 'low'}; kerfbeat calibrate clock, then "
        "configure"
    ]
