"""When did a shaft stall in a cut?

Told where the operator marked a cut and changed nothing else, and the shaft, at speed before, turned slower than any
motor pulls, or stood.  A button pressed in the cut looks the same: so what it pulled just before goes with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.diagnose.pace import Pace
from kerfbeat.diagnose.parts import Part
from kerfbeat.diagnose.running import MARK_S, PAUSE_S, STALLING, Running
from kerfbeat.diagnose.tracks import Track

__all__ = ["Stall", "stalls_of"]

SILENT_BLOCKS = 2.0  # a block that is late by so many of its lengths does not come


@dataclass(frozen=True, kw_only=True, slots=True)
class Stall:
    """A stall, or a stop, in a cut.

    last : index of the last block at speed before.   start_s : when it was too slow, or still.
    end_s : when it was at speed again, or the cut was over.
    """

    last: int
    start_s: float
    end_s: float


def stalls_of(tracks: Sequence[Track], pace: Pace, running: Running, parts: Sequence[Part]) -> list[Stall]:
    """Stalls of the channel whose blocks these are; the first of each cut.

    tracks : of all channels: where another one turns on, this one's sensor is silent, not its shaft.
    """
    begin_s, end_s = pace.begin_s, pace.end_s
    found = []
    for number, part in enumerate(parts):
        mine = np.flatnonzero(running.part == number)
        if not part.cutting or not running.at_speed[mine].any():
            continue
        mine = mine[int(np.argmax(running.at_speed[mine])) :]
        quiet_s = np.append(begin_s[mine[1:]], part.end_s) - end_s[mine]
        slow = running.relative[mine] < STALLING
        for k in np.flatnonzero(slow | (quiet_s > PAUSE_S + SILENT_BLOCKS * pace.length_s[mine])).tolist():
            start_s = float(begin_s[mine[k]] if slow[k] else end_s[mine[k]])
            if start_s > part.end_s - MARK_S:
                break  # a button pressed after the cut, whose end was marked late
            if slow[k] or not _heard(tracks, part, start_s, start_s + float(quiet_s[k])):
                later = mine[k + 1 :][running.at_speed[mine[k + 1 :]]]
                after = parts[number + 1].setting if number + 1 < len(parts) else part.setting
                if not len(later) and after != part.setting:
                    break  # stopped to be set otherwise
                found.append(
                    Stall(
                        last=int(mine[: k + 1][running.at_speed[mine[: k + 1]]][-1]),
                        start_s=start_s,
                        end_s=float(begin_s[later[0]]) if len(later) else part.end_s,
                    )
                )
                break
    return found


def _heard(tracks: Sequence[Track], part: Part, start_s: float, end_s: float) -> bool:
    """Whether, while one channel was silent, pulses were lost or another shaft turned on for the late half of it."""
    middle_s = 0.5 * (start_s + end_s)
    for track in tracks:
        if track.segment != part.segment:
            continue
        if any(one < end_s and other > start_s for one, other in track.lost_s.tolist()):
            return True
        if any(run.seconds[0] < middle_s and run.seconds[-1] > end_s - MARK_S for run in track.runs):
            return True
    return False
