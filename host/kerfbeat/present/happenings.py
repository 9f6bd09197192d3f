"""What did the operator do, and what went wrong, along the log's own time?

Seconds count from the log's beginning, by the corrected clock; the time between two segments, which nobody saw, is
left out, as in the results.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.machine import Setting
from kerfbeat.measure.pieces import clock_of
from kerfbeat.present.entry import hz_of

__all__ = ["Happenings", "happenings_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Happenings:
    """All times in seconds from the log's beginning.

    settings : (from, to, setting) without gaps.  cuts : (from, to).  notes : (at, text).
    losses : by channel (from, to).  restarts : (at, cause) of every segment but the first.
    """

    settings: tuple[tuple[float, float, Setting], ...]
    cuts: tuple[tuple[float, float], ...]
    notes: tuple[tuple[float, str], ...]
    losses: Mapping[str, tuple[tuple[float, float], ...]]
    restarts: tuple[tuple[float, str], ...]


def happenings_of(log: PulseLog) -> Happenings:
    """Sort the marks, losses and segments of a log into time."""
    setting, since_s = Setting(), 0.0
    settings: list[tuple[float, float, Setting]] = []
    cuts: list[tuple[float, float]] = []
    notes: list[tuple[float, str]] = []
    restarts: list[tuple[float, str]] = []
    losses: dict[str, list[tuple[float, float]]] = {channel: [] for channel in log.machine.sensors}
    cut_from_s: float | None = None
    offset_s = 0.0
    for number, segment in enumerate(log.segments):
        factor = clock_of(segment).factor
        at_s = partial(_at_s, segment, offset_s, segment.tick_hz * factor)
        if number:
            restarts.append((offset_s, segment.cause))
        for mark in sorted(segment.marks, key=lambda mark: mark.ticks):
            now_s = at_s(mark.ticks)
            if mark.key == "note":
                notes.append((now_s, mark.value))
            elif mark.key == "cut":
                if mark.value == "start" and cut_from_s is None:
                    cut_from_s = now_s
                elif mark.value == "stop" and cut_from_s is not None:
                    cuts.append((cut_from_s, now_s))
                    cut_from_s = None
            elif mark.key in ("hz", "gear", "belt"):
                changed = _changed(setting, mark.key, mark.value)
                if changed != setting:
                    if now_s > since_s:
                        settings.append((since_s, now_s, setting))
                    setting, since_s = changed, now_s
        for loss in segment.losses:
            losses[loss.channel].append((at_s(loss.start_ticks), at_s(loss.end_ticks)))
        offset_s += segment.duration_s / factor
    settings.append((since_s, offset_s, setting))
    if cut_from_s is not None:
        cuts.append((cut_from_s, offset_s))
    return Happenings(
        settings=tuple(settings),
        cuts=tuple(cuts),
        notes=tuple(notes),
        losses={channel: tuple(found) for channel, found in losses.items()},
        restarts=tuple(restarts),
    )


def _at_s(segment: Segment, offset_s: float, true_tick_hz: float, ticks: int) -> float:
    return offset_s + (ticks - segment.start_ticks) / true_tick_hz


def _changed(setting: Setting, key: str, value: str) -> Setting:
    if key == "hz":
        return replace(setting, hz=hz_of(value))
    return replace(setting, gear=value) if key == "gear" else replace(setting, belt=value)
