"""How is a slip that was found told in the log, and on the screen?"""

from collections.abc import Iterable

from kerfbeat.diagnose.live_slip import Alarm
from kerfbeat.present.snapshot import SlipNow

__all__ = ["begin_mark", "end_mark", "slips_now"]


def begin_mark(alarm: Alarm, *, tick_hz: float) -> str:
    """Value of the mark `slip` where slip beyond creep was found."""
    return (
        f"start; between={alarm.up}-{alarm.down}; since={int(alarm.now.since_s * tick_hz)}; "
        f"percent={alarm.now.percent:.2f}; against={alarm.now.baseline}"
    )


def end_mark(ended: Alarm) -> str:
    """Value of the mark `slip` where it ended."""
    return f"stop; between={ended.up}-{ended.down}; most_percent={ended.now.peak_percent:.2f}"


def slips_now(alarms: Iterable[Alarm], *, now_s: float) -> tuple[SlipNow, ...]:
    """What slips; `now_s` is the board's time."""
    return tuple(
        SlipNow(
            what=each.what,
            since_s=max(now_s - each.now.since_s, 0.0),
            percent=each.now.percent,
            peak_percent=each.now.peak_percent,
            against=each.now.baseline,
        )
        for each in alarms
    )
