"""What is known of the board's clock while it is being listened to?

First what is stored of this board, if it was calibrated; then what the exchanges of the session tell.
"""

import math
from datetime import UTC, datetime

from kerfbeat.calibration import Known
from kerfbeat.capture.events import SegmentStarted, Sync
from kerfbeat.measure.clock import SyncHistory
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.snapshot import ClockNow

__all__ = ["BoardClock"]

RATE_EVERY_S = 2.0  # how often the exchanges are evaluated anew


class BoardClock:
    """The clock of the board at hand; `ppm` and its standard uncertainty `u_ppm`, None as long as nothing is known."""

    def __init__(self, known: Known | None) -> None:
        self._known = known
        self._syncs: SyncHistory | None = None
        self._rated_host_s = -math.inf
        self.rate: tuple[float, float] | None = None
        self.now = ClockNow()

    def restart(self, event: SegmentStarted) -> None:
        """A board has started, perhaps another one."""
        self._syncs = SyncHistory(event.tick_hz)
        self._rated_host_s = -math.inf
        self.now = ClockNow()
        self.rate = None if self._known is None else self._known.clock_ppm(event.board_id, at=datetime.now(UTC))

    def take(self, event: Sync) -> bool:
        """Take one exchange; whether what is known has changed."""
        if self._syncs is None:
            return False
        self._syncs.add(
            sent_host_s=event.sent_host_s,
            received_host_s=event.received_host_s,
            ping_ticks=event.ping_ticks,
            answer_ticks=event.answer_ticks,
        )
        if event.received_host_s - self._rated_host_s < RATE_EVERY_S:
            return False
        self._rated_host_s = event.received_host_s
        rate = self._syncs.rate()
        if not rate.basis.startswith("measured"):
            return False
        self.rate = rate.ppm, rate.u_ppm
        self.now = ClockNow(off_ppm=Estimate(value=rate.ppm, u95=coverage_factor(math.inf) * rate.u_ppm))
        return True
