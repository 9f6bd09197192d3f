"""Is the board well, and do its inputs see clean pulses?

`bring_up` listens for a while and gives plain results: facts, and findings that say what to mend.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture.events import Event, Health, LineCounts, LinkDown, LinkUp, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.health import reset_words
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log_data import Syncs

__all__ = ["BringUp", "InputCheck", "Watching", "bring_up"]

# An interval so much shorter than its neighbours is an extra pulse: targets are never spaced so unevenly, and no shaft
# changes speed so fast.
SHORT_SHARE = 0.2
NEIGHBOURS = 17  # intervals, itself in the middle: a few passings even where each comes as four pulses
DOUBLED_SHARE = 0.5  # extra pulses per true pulse: from here on it is bounce at every passing, below it is noise
LEAST_SUPPLY_V = 4.5  # the ATmega328P needs 4.5 V to run at 16 MHz (data sheet, speed grades)
DAMAGED_SHARE = 0.001  # of the frames: a sound line loses none in minutes


@dataclass(frozen=True, kw_only=True, slots=True)
class InputCheck:
    """What one input saw.  Intervals in seconds by the board's nominal clock, None with fewer than two pulses.

    `extra` counts pulses that follow another far too soon; `extra_after_s` is the middle one of those distances.
    """

    pulses: int
    lost: int
    lost_unknown: bool
    overruns: int
    floods: int
    shortest_s: float | None
    median_s: float | None
    longest_s: float | None
    extra: int
    extra_after_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BringUp:
    """Everything that was seen.

    `round_trip_s` is the shortest exchange; `resets` and `interruptions` are those after the link was opened.
    """

    board_id: str
    firmware: str
    tick_hz: float
    url: str
    baud: int | None
    reset_cause: str
    stored_settings: str | None
    supply_v: float | None
    watched_s: float
    line: LineCounts
    host_frames_damaged: int
    resets: int
    interruptions: int
    round_trip_s: float | None
    syncs: Syncs
    inputs: Mapping[str, InputCheck]
    findings: tuple[str, ...]


class Watching:
    """Takes the events of a link and sums them up by channel."""

    def __init__(self, channels: Sequence[str]) -> None:
        self._edges: dict[str, list[NDArray[np.int64]]] = {channel: [] for channel in channels}
        self._intervals: dict[str, list[NDArray[np.int64]]] = {channel: [] for channel in channels}
        self._pulses = dict.fromkeys(channels, 0)
        self._lost = dict.fromkeys(channels, 0)
        self._unknown = dict.fromkeys(channels, False)
        self._tick_hz = 1.0
        self._segments = 0
        self._downs = 0
        self._up: LinkUp | None = None
        self._health: Health | None = None
        self._syncs: list[Sync] = []

    def take(self, event: Event) -> None:
        """Sum up one event."""
        match event:
            case Pulses():
                for channel, edges in event.edge_ticks.items():
                    if len(edges):
                        self._pulses[channel] += len(edges)
                        self._edges[channel].append(edges)
            case Lost():
                self._cut(event.channel)  # intervals do not reach over a loss
                self._lost[event.channel] += event.pulses or 0
                self._unknown[event.channel] |= event.pulses is None
            case SegmentStarted():
                for channel in self._edges:
                    self._cut(channel)
                self._segments += 1
                self._tick_hz = event.tick_hz
                self._syncs.clear()  # ticks compare in one segment only
            case Sync():
                self._syncs.append(event)
            case Health():
                self._health = event
            case LinkUp():
                self._up = event
            case LinkDown():
                self._downs += 1

    def result(self, *, reset_cause: str, watched_s: float, line: LineCounts) -> BringUp:
        """What was seen so far; at least the link's first event must have been taken."""
        assert self._up is not None
        inputs = {channel: self._input(channel) for channel in self._edges}
        syncs = Syncs.of(
            [(sync.sent_host_s, sync.received_host_s, sync.ping_ticks, sync.answer_ticks) for sync in self._syncs]
        )
        trips_s = syncs.received_host_s - syncs.sent_host_s - (syncs.answer_ticks - syncs.ping_ticks) / self._tick_hz
        health = self._health
        resets = max(0, self._segments - 1)
        return BringUp(
            board_id=self._up.board_id,
            firmware=self._up.firmware,
            tick_hz=self._up.tick_hz,
            url=self._up.url,
            baud=self._up.baud,
            reset_cause=reset_cause,
            stored_settings=health.stored_settings if health else None,
            supply_v=health.supply_v if health else None,
            watched_s=watched_s,
            line=line,
            host_frames_damaged=health.host_frames_damaged if health else 0,
            resets=resets,
            interruptions=self._downs,
            round_trip_s=float(trips_s.min()) if len(trips_s) else None,
            syncs=syncs,
            inputs=inputs,
            findings=tuple(
                [*_board_findings(health, line, resets, self._downs, watched_s)]
                + [said for channel, each in inputs.items() for said in _input_findings(channel, each)]
            ),
        )

    def _cut(self, channel: str) -> None:
        if self._edges[channel]:
            edges = np.concatenate(self._edges[channel])
            self._intervals[channel].append(edges[1:] - edges[:-1])
            self._edges[channel] = []

    def _input(self, channel: str) -> InputCheck:
        self._cut(channel)
        runs = [run for run in self._intervals[channel] if len(run)]
        ticks = np.concatenate(runs) if runs else np.empty(0, np.int64)
        short = np.concatenate([_short(run) for run in runs]) if runs else np.empty(0, np.bool_)
        health = self._health.inputs.get(channel) if self._health else None
        known = len(ticks) > 0
        return InputCheck(
            pulses=self._pulses[channel],
            lost=self._lost[channel],
            lost_unknown=self._unknown[channel],
            overruns=health.overruns if health else 0,
            floods=health.floods if health else 0,
            shortest_s=float(ticks.min()) / self._tick_hz if known else None,
            median_s=float(np.median(ticks)) / self._tick_hz if known else None,
            longest_s=float(ticks.max()) / self._tick_hz if known else None,
            extra=int(short.sum()),
            extra_after_s=float(np.median(ticks[short])) / self._tick_hz if short.any() else None,
        )


def _short(interval_ticks: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which intervals are far shorter than those around them?

    Where every passing comes as several pulses most intervals are short, so the yardstick is the second longest of the
    neighbourhood: one long one, where the shaft stood still, does not count.
    """
    reach = NEIGHBOURS // 2
    padded = np.pad(interval_ticks, reach, mode="reflect" if len(interval_ticks) > reach else "edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS)
    usual = np.partition(around, -2, axis=1)[:, -2]
    return np.asarray(interval_ticks < SHORT_SHARE * usual)


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


def _board_findings(
    health: Health | None, line: LineCounts, resets: int, interruptions: int, watched_s: float
) -> list[str]:
    found = []
    if health is None and watched_s > 2:
        found.append("the board sent no status; check the line from the board, or flash its firmware again")
    if health is not None and health.supply_v is not None and health.supply_v < LEAST_SUPPLY_V:
        found.append(f"supply is {health.supply_v:.2f} V, {LEAST_SUPPLY_V} V is the least; try another cable or supply")
    if health is not None and health.stored_settings == "defaults in force":
        found.append(
            "no stored settings (new board, or both copies damaged): the defaults are in force; kerfbeat configure "
            "--machine M stores some"
        )
    if health is not None and health.stored_settings == "one copy damaged":
        found.append(
            "one copy of the stored settings is damaged, or its writing was cut off; the other is in force; kerfbeat "
            "configure --again writes it anew"
        )
    if resets:
        found.append(f"the board was reset {_times(resets)} meanwhile; check its supply and the sensors' current")
    if interruptions:
        found.append(f"the link broke {_times(interruptions)} meanwhile; check plug and cable")
    damaged = line.bad_crc + line.malformed + line.implausible
    if damaged > DAMAGED_SHARE * line.frames or line.frames_missing:
        found.append(
            f"{damaged} frames came damaged and {line.frames_missing} not at all; use a shorter or shielded cable, "
            "away from the inverter's leads"
        )
    if health is not None and health.host_frames_damaged:
        found.append(f"{health.host_frames_damaged} requests reached the board damaged; check the cable")
    return found


def _input_findings(channel: str, each: InputCheck) -> list[str]:
    found = []
    if each.floods:
        found.append(
            f"{channel}: fired too fast to be served, {each.floods} times; check for a loose wire or a missing pull-up"
        )
    if each.overruns:
        found.append(f"{channel}: {each.overruns} pulses found no room; fewer targets, or the fast baud rate")
    if each.pulses == 0:
        found.append(f"{channel}: no pulses; if its shaft turns, check gap, wiring and that this is the right input")
    if each.extra:
        true = max(1, each.pulses - each.extra)
        after_ms = 1e3 * (each.extra_after_s or 0.0)
        if each.extra >= DOUBLED_SHARE * true:
            found.append(
                f"{channel}: most pulses are doubled, {after_ms:.3g} ms apart: the sensor bounces, or sees both edges "
                "of a target; widen the gap, or use a sensor with hysteresis"
            )
        else:
            found.append(
                f"{channel}: {each.extra} of {each.pulses} pulses follow another far too soon ({after_ms:.3g} ms), "
                "most likely noise; shield the sensor's cable and lead it away from the inverter's"
            )
    return found


def bring_up(
    link: BoardLink,
    *,
    watch_s: float,
    progress: Callable[[float], None] | None = None,
    beside: Callable[[Event], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> BringUp:
    """Listen to `link` for `watch_s` seconds and sum up; `progress` is told the seconds done now and then.

    beside : gets every event, too.
    """
    watching = Watching(link.channels)

    def take(event: Event) -> None:
        watching.take(event)
        if beside:
            beside(event)

    start_s = clock()
    while (done_s := clock() - start_s) < watch_s:
        for event in link.events(min(0.1, watch_s - done_s)):
            take(event)
        if progress:
            progress(min(clock() - start_s, watch_s))
    for event in link.events(0):
        take(event)
    return watching.result(
        reset_cause=reset_words(link.hello.reset_cause), watched_s=clock() - start_s, line=link.line_counts
    )
