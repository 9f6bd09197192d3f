"""Is the board heard, and how well does the line carry its frames?"""

from kerfbeat.capture.events import Event, Health, LineCounts, LinkDown, LinkUp, Pulses
from kerfbeat.present.numbers import lasting
from kerfbeat.present.snapshot import LinkNow

__all__ = ["LINK_SILENT_S", "LineWatch"]

LINK_SILENT_S = 0.5  # five idle batches of the board: the link is not heard
NO_COUNTS = LineCounts(frames=0, bad_crc=0, malformed=0, implausible=0, noise_bytes=0, frames_missing=0)


class LineWatch:
    """Looks on at a link's events; all times are the host's."""

    def __init__(self, *, at_host_s: float) -> None:
        self._heard_host_s = at_host_s
        self._down: str | None = None
        self._line = NO_COUNTS

    def take(self, event: Event) -> None:
        """Take the next event."""
        match event:
            case Pulses():
                self._heard_host_s = event.received_host_s
            case Health():
                self._line = event.line
            case LinkDown():
                self._down = event.reason
            case LinkUp():
                self._down = None
                self._heard_host_s = event.host_s

    def unheard_s(self, at_host_s: float) -> float:
        """How long nothing has come, at most as long as it takes until the board counts as not heard."""
        return min(max(at_host_s - self._heard_host_s, 0.0), LINK_SILENT_S)

    def now(self, at_host_s: float, *, begun: bool) -> LinkNow:
        """The link at this moment; `begun`: whether a board has told itself yet."""
        silent_s = at_host_s - self._heard_host_s
        words = self._down or ""
        if not words and begun and silent_s > LINK_SILENT_S:
            words = f"nothing heard for {lasting(silent_s)}" if silent_s >= 1.0 else "nothing heard"
        damaged = self._line.bad_crc + self._line.malformed + self._line.implausible
        return LinkNow(
            up=not words, words=words, silent_s=silent_s, damaged=damaged, missing=self._line.frames_missing
        )
