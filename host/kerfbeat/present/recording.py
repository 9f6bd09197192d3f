"""How is a log recorded from the first event to the last, with marks and progress?"""

import re
import threading
from collections.abc import Callable, Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Protocol

from kerfbeat.capture.events import Event, Pulses
from kerfbeat.errors import KerfbeatError, LogError
from kerfbeat.present.feed import Feed
from kerfbeat.present.logbook import Logbook
from kerfbeat.present.numbers import at_least, both_speeds, counted, elapsed
from kerfbeat.present.snapshot import STATE_WORDS, Snapshot

__all__ = ["make_mark", "progress_line", "record_log", "summary_rows", "summary_warnings"]

TAKE_S = 0.1
KEYS = ("hz", "gear", "belt", "cut", "note")
PAIR = re.compile(r"(\w+)\s*=\s*(.+)")
CUTS = {"start": True, "begin": True, "on": True, "stop": False, "end": False, "off": False}


class Link(Protocol):
    """What is needed of a link to a board."""

    def events(self, timeout_s: float) -> Iterable[Event]:
        """What has happened; waits up to timeout_s for a first event."""

    def close(self) -> None:
        """Stop; `events(0)` still gives what came until now."""


def record_log(
    feed: Feed,
    link: Link,
    path: Path,
    *,
    for_s: float | None,
    stopped: threading.Event,
    marks: Callable[[], Sequence[str]],
    show: Callable[[Snapshot], None],
    say: Callable[[str], None],
) -> Logbook:
    """Record until `stopped` is set or `for_s` seconds of the board's time have passed; close the link.

    marks : gives the lines that the operator has typed since it was last asked.
    show : is called after each turn with what is known; say : with the answer to a mark that is not understood, and
    with what begins and ends to slip or is seen no more.
    Returns the ended log.  Raises LogError if the file exists, KerfbeatError if the disk does not take it.
    """
    feed.begin_log(path)
    first_s: float | None = None
    slipping: frozenset[str] = frozenset()
    gone: tuple[str, ...] = ()
    try:
        while not stopped.is_set():
            for event in link.events(TAKE_S):
                feed.accept(event)
                if first_s is None and isinstance(event, Pulses):
                    first_s = event.received_host_s
            for line in marks():
                try:
                    said = make_mark(feed, line)
                except KerfbeatError as error:
                    said = str(error)
                if said:
                    say(said)
            now = feed.snapshot()
            slipping = _say_slips(now, slipping, say)
            for words in now.gone:
                if words not in gone:
                    say(words)
            gone = now.gone
            show(now)
            if for_s is not None and first_s is not None and now.at_s - first_s >= for_s:
                break
        link.close()
        for event in link.events(0.0):
            feed.accept(event)
    except LogError as error:
        raise KerfbeatError(str(error)) from error
    finally:
        logbook = feed.end_log()
    assert logbook is not None
    return logbook


def _say_slips(now: Snapshot, before: frozenset[str], say: Callable[[str], None]) -> frozenset[str]:
    """Say what began to slip and what ended; gives what slips now."""
    for slip in now.slips:
        if slip.what not in before:
            say(f"{slip.words}, beyond what belongs to the load (against {slip.against})")
    names = frozenset(slip.what for slip in now.slips)
    for what in sorted(before - names):
        say(f"{what}: slips no more")
    return names


def make_mark(feed: Feed, line: str) -> str:
    """Take one typed line: hz=, gear=, belt=, cut= or note=; anything else is a note.  Gives what became of it.

    Raises UnitError or MachineError for a value that cannot be, KerfbeatError for a key that is none.
    """
    text = line.strip()
    pair = PAIR.fullmatch(text)
    if pair is None or pair.group(1).lower() not in KEYS:
        meant = [] if pair is None else get_close_matches(pair.group(1).lower(), KEYS, n=1)
        if pair is not None and meant:
            raise KerfbeatError(f"{text}: no mark; write {meant[0]}={pair.group(2)}, or note=... for a note")
        if text:
            feed.note(text)
        return "kept as a note" if text else ""
    key, value = pair.group(1).lower(), pair.group(2).strip()
    if key == "cut":
        running = CUTS.get(value.lower())
        if running is None:
            raise KerfbeatError(f'cut={value} is not understood; write cut=start or cut=stop')
        if running == feed.cutting:
            raise KerfbeatError(f"cut={value}: {'a cut is running already' if running else 'no cut is running'}")
        feed.mark_cut(running)
    else:
        {"hz": feed.set_hz, "gear": feed.set_gear, "belt": feed.set_belt, "note": feed.note}[key](value)
    return f"{key}={value} marked"


def progress_line(now: Snapshot, unit: str) -> str:
    """Time, speed, state, pulses and losses of a running recording."""
    log, blade = now.log, now.blade
    speed = both_speeds(blade.speed_m_per_s, unit) if blade.speed_m_per_s is not None else STATE_WORDS[blade.state]
    lost = sum(channel.lost for channel in now.channels)
    unknown = any(channel.lost_stretches for channel in now.channels)
    cutting = ", cutting" if now.cutting else ""
    slips = "".join(f", {slip.words.upper()}" for slip in now.slips)
    losses = f", lost {at_least(lost, unknown=unknown)}" if lost or unknown else ""
    time = elapsed(log.seconds if log else 0.0)
    return f"{time}  {speed}{cutting}{slips}  {counted(log.pulses if log else 0, 'pulse')}{losses}"


def summary_rows(logbook: Logbook, now: Snapshot) -> list[list[str]]:
    """Channel, pulses, missing, extra, lost: what went into the log."""
    tally = logbook.tally
    return [
        [
            each.channel,
            str(tally.pulses[each.channel]),
            str(each.missing),
            str(each.extra),
            at_least(tally.lost[each.channel], unknown=tally.lost_stretches[each.channel] > 0),
        ]
        for each in now.channels
    ]


def summary_warnings(logbook: Logbook, now: Snapshot) -> list[str]:
    """What the user should know of a log before it is relied on."""
    tally = logbook.tally
    told = list(now.gone)
    if logbook.rewritten:
        told.append(f"the file was removed or replaced meanwhile; the whole log was written anew: {logbook.path}")
    for channel, pulses in tally.pulses.items():
        stretches, lost = tally.lost_stretches[channel], tally.lost[channel]
        if pulses == 0:
            told.append(f"{channel}: not one pulse came; check the sensor (kerfbeat check)")
        if lost:
            were = "was" if lost == 1 else "were"
            told.append(f"{channel}: {counted(lost, 'pulse')} {were} lost; the log says where")
        if stretches:
            where = counted(stretches, "stretch")
            told.append(f"{channel}: an unknown number of pulses was lost in {where}; the log says where")
    if tally.segments > 1:
        starts = counted(tally.segments - 1, "time")
        told.append(f"the board started anew {starts}; the log has a segment for each start")
    return told
