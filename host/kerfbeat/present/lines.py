"""How is the live reading written to a pipe, one line for each new estimate?

A line has four parts, two spaces between: time, speed in the user's unit, speed in the other unit, and what it does
and what slips or has come off.
"""

import threading
from collections.abc import Callable
from datetime import datetime

from kerfbeat.present.feed import Feed
from kerfbeat.present.listen import Take, pass_on
from kerfbeat.present.numbers import SPEED_UNITS, other_unit, speed_in
from kerfbeat.present.snapshot import STATE_WORDS, Snapshot
from kerfbeat.present.text import harmless

__all__ = ["LinePacer", "reading_line", "write_lines"]

TAKE_S = 0.1  # longest wait for events: how soon a signal to end, and a link gone silent, is seen
LOOK_S = 0.1  # how soon a change of state is seen where lines are thinned
SILENT_EVERY_S = 1.0  # lines while there is no new estimate: silence is told too, but not ten times a second


def reading_line(now: Snapshot, unit: str, *, at: datetime) -> str:
    """One line, such as

    2026-01-05T13:00:00.250+01:00  81.34 ± 0.12 m/min  266.9 ± 0.4 ft/min  turning
    """
    units = (unit, other_unit(unit))
    blade = now.blade
    if blade.speed_m_per_s is not None:
        parts = [speed_in(blade.speed_m_per_s, name) for name in units]
    elif blade.slower_than_m_per_s is not None:
        parts = [f"< {SPEED_UNITS[name](blade.slower_than_m_per_s):.3g} {name}" for name in units]
    else:
        parts = [f"- {name}" for name in units]
    words = STATE_WORDS[blade.state]
    if blade.state == "no link":
        words = f"{words}: {harmless(now.link.words)}"
    words = "; ".join([words, *(f"{slip.words} (against {slip.against})" for slip in now.slips), *now.gone])
    return "  ".join([at.isoformat(timespec="milliseconds"), *parts, words])


class LinePacer:
    """Decides when the next line is due.

    every_s : least time between lines while there are new estimates; 0 writes one for each.
    """

    def __init__(self, every_s: float = 0.0) -> None:
        self._every_s = every_s
        self._last_s: float | None = None
        self._looked_s = float("-inf")
        self._estimates = 0
        self._state: tuple[str, ...] = ("",)

    def worth_looking(self, now_s: float) -> bool:
        """Whether a line may be due by the time alone, so that no snapshot is taken in vain."""
        if now_s - self._looked_s < min(self._every_s, LOOK_S):
            return False
        self._looked_s = now_s
        return True

    def due(self, now: Snapshot) -> bool:
        """Whether a line is due for this snapshot; says yes once."""
        waited_s = float("inf") if self._last_s is None else now.at_s - self._last_s
        fresh = now.estimates != self._estimates and waited_s >= self._every_s
        state = (now.blade.state, *(slip.what for slip in now.slips), *now.gone)
        changed = state != self._state
        stale = waited_s >= max(SILENT_EVERY_S, self._every_s)
        if not (fresh or changed or stale):
            return False
        self._last_s, self._estimates, self._state = now.at_s, now.estimates, state
        return True


def write_lines(
    feed: Feed, take: Take, *, unit: str, every_s: float, stopped: threading.Event, write: Callable[[str], None]
) -> None:
    """Take events and write lines until `stopped` is set."""
    pacer = LinePacer(every_s)
    while not stopped.is_set():
        pass_on(feed, take(TAKE_S))
        if not pacer.worth_looking(feed.now_s()):
            continue
        now = feed.snapshot()
        if pacer.due(now):
            write(reading_line(now, unit, at=datetime.now().astimezone()))
    pass_on(feed, take(0.0))  # what a busy computer has not come to yet belongs to a running log
