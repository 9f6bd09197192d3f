"""What of a cut could not be judged, in words?"""

from collections.abc import Sequence

import numpy as np

from kerfbeat.diagnose.cut_speed import Course, Depth
from kerfbeat.diagnose.motor_slip import MotorSlip
from kerfbeat.diagnose.pair_slip import PairSlip
from kerfbeat.diagnose.parts import Part, setting_words
from kerfbeat.diagnose.running import MARK_S
from kerfbeat.diagnose.tracks import Track
from kerfbeat.machine import Machine

__all__ = ["left_out_of", "notes_of"]

LEAST_LEFT_S, LEAST_LEFT = 0.5, 0.1  # time left out that is worth a word: so much, and this part of the cut besides


def left_out_of(
    tracks: Sequence[Track],
    parts: Sequence[Part],
    mine: Sequence[Part],
    *,
    course: Course | None,
    depth: Depth | None,
    edge_s: float,
) -> list[str]:
    """What of a cut was not looked at.

    depth : what was found of its speed.   mine : its parts.   edge_s : left out of its means at either end.
    """
    start_s, end_s = mine[0].start_s, mine[-1].end_s
    said = []
    if mine[0] is parts[0]:
        said.append("it was running when the log began")
    if mine[-1] is parts[-1]:
        said.append("the log ended in it")
    if len({part.segment for part in mine}) > 1:
        said.append("the board restarted in it; what happened meanwhile is not known")
    if len({part.setting for part in mine}) > 1:
        changed = ", then ".join(setting_words(part.setting) for part in mine)
        said.append(f"the setting changed in it ({changed}); each is told against its own idle running")
    lost_s = 0.0
    if course is not None:
        spans = [span for track in tracks if track.channel == course.channel for span in track.lost_s.tolist()]
        lost_s = sum(max(0.0, min(b, end_s) - max(a, start_s)) for a, b in spans)
    if lost_s > 0.0:
        said.append(f"{lost_s:.1f} s in which pulses were lost")
    whole_s = end_s - start_s - 2 * edge_s
    if depth is None:
        said.append(_why_nothing(course, mine, start_s + edge_s, end_s - edge_s))
    else:
        if depth.after:
            said.append("no idle running before it in this setting; told against that after it")
        left_s = whole_s - depth.judged_s - lost_s
        if left_s > LEAST_LEFT_S + LEAST_LEFT * whole_s:
            said.append(f"{left_s:.0f} s of stops, stalls, changes, or without idle running to compare with")
    return said


def _why_nothing(course: Course | None, mine: Sequence[Part], from_s: float, to_s: float) -> str:
    """Why the speed in a cut is not told."""
    if course is None:
        return "too few pulses to tell a speed"
    whole = (course.start_s >= from_s) & (course.end_s <= to_s)
    if not whole.any():
        return "too short: no two pulses lie inside it" if to_s - from_s < MARK_S else "no pulses were counted in it"
    if not (whole & course.running.at_speed).any():
        return "the shaft did not run at speed in it"
    return f"no idle running at {setting_words(mine[0].setting)} to compare with"


def notes_of(
    machine: Machine, turned: Sequence[str], pairs: Sequence[PairSlip], motor: MotorSlip | None, *, marked: bool,
    hertz_marked: bool,
) -> list[str]:
    """What holds for all cuts of a log.

    turned : channels that turned.   marked : whether any cut is; hertz_marked : whether the frequency is, anywhere.
    """
    said = []
    if not marked:
        said.append(
            "no cut is marked, and a fall of speed may as well be a turned knob: told is the whole log against its "
            "least loaded running; mark cuts with cut=start and cut=stop, or the key c"
        )
    if motor is None:
        why = "no motor is described" if machine.motor is None else "no channel on the motor's shaft turned"
        said.append(f"{why}: motor slip and load are not known")
    elif not np.isfinite(motor.slip).any():
        said.append(
            "the motor ran at the marked hertz too shortly: motor slip and load are not known" if hertz_marked else
            "the hertz were not marked: motor slip is not known, load is told as at the nameplate's"
        )
    if not any(pair.usable for pair in pairs):
        lack = "one channel turned" if len(turned) < 2 else "no pair of channels has an idle ratio to compare with"
        said.append(f"{lack}: slip is not known")
    return said
