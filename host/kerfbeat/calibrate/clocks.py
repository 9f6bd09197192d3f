"""What do logs say of the clocks of the boards that recorded them?"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbeat.calibrate.clock import ClockResult, calibrate_clock
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import CalibrateError

__all__ = ["clocks_of"]


def clocks_of(logs: Sequence[PulseLog]) -> list[tuple[str, ClockResult]]:
    """The clock of every board, from the segment of it that knows it best.

    Raises CalibrateError if no segment can tell, with the reason of the last.
    """
    best: dict[str, ClockResult] = {}
    reason = ""
    for log in logs:
        for segment in log.segments:
            if segment.board_id == "imported":
                reason = f"{log.source}: was imported; its times are another instrument's, whose clock nobody compared."
                continue
            try:
                result = calibrate_clock(segment.syncs, tick_hz=segment.tick_hz, with_growth=True)
            except CalibrateError as problem:
                reason = f"{log.source}: {problem}"
                continue
            before = best.get(segment.board_id)
            if before is None or result.against_host.u95 < before.against_host.u95:
                best[segment.board_id] = result
    if not best:
        raise CalibrateError(reason or "there is no segment to look at.")
    return sorted(best.items())
