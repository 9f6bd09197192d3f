"""What do the rows of a log add up to?"""

import re
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from kerfbeat.capture import log_format
from kerfbeat.capture.events import Lost
from kerfbeat.capture.log_cells import BadRow, cells_of, needed, number, seconds, tick_rate, whole
from kerfbeat.capture.log_data import Mark, Segment, Syncs
from kerfbeat.capture.log_pulses import Piece, PlainPulses
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine

__all__ = ["Rows"]

MARKED_HZ = (0.0, 1000.0)  # what an inverter can show
HOST_S = 3.2e9  # a computer's clock begins when it is switched on; none has run for a century
SYNC = re.compile(  # as the writer writes it
    rb"sync,,(\d{1,18}),sent_s=(\d+\.\d+); received_s=(\d+\.\d+); ping_ticks=(\d{1,18})"
)


class _OpenSegment:
    """A segment whose rows are still coming."""

    def __init__(self, fields: dict[str, str], start_ticks: int) -> None:
        self.board_id = needed(fields, "board")
        self.firmware = fields.get("firmware", "")
        self.cause = fields.get("cause", "")
        self.tick_hz = tick_rate(needed(fields, "tick_hz"))
        self.start_ticks = start_ticks
        self.end_ticks = start_ticks
        self.edges: dict[str, list[NDArray[np.int64]]] = {}
        self.last_edge: dict[str, int] = {}
        self.losses: list[Lost] = []
        self.marks: list[Mark] = []
        self.syncs: list[tuple[float, float, int, int]] = []

    def until(self, ticks: int) -> None:
        """Something is known at `ticks`."""
        self.end_ticks = max(self.end_ticks, ticks)

    def closed(self, machine: Machine) -> Segment:
        """The finished segment."""
        nothing = np.empty(0, dtype=np.int64)
        return Segment(
            board_id=self.board_id,
            firmware=self.firmware,
            tick_hz=self.tick_hz,
            cause=self.cause,
            start_ticks=self.start_ticks,
            end_ticks=self.end_ticks,
            edge_ticks={
                channel: np.concatenate(self.edges.pop(channel)) if channel in self.edges else nothing
                for channel in machine.sensors
            },
            losses=tuple(sorted(self.losses, key=lambda loss: loss.start_ticks)),
            marks=tuple(sorted(self.marks, key=lambda mark: mark.ticks)),
            syncs=Syncs.of(self.syncs),
        )


class Rows:
    """Takes the rows of one log in order and turns them into segments.

    Raises LogError, beginning with the number of the line, for a row that cannot be.
    """

    def __init__(self, machine: Machine, *, lines_before: int) -> None:
        self.ended = False  # a row said that the log was closed
        self._machine = machine
        self._lines_before = lines_before  # lines of the file above the piece at hand
        self._segments: list[Segment] = []
        self._open: _OpenSegment | None = None
        self._handlers = {
            "pulse": self._pulse,
            "sync": self._sync,
            "mark": self._mark,
            "lost": self._lost,
            "segment": self._segment,
        }

    def segments(self) -> tuple[Segment, ...]:
        """All segments, once every row is taken."""
        if self._open is not None:
            self._segments.append(self._open.closed(self._machine))
            self._open = None
        return tuple(self._segments)

    def take(self, piece: Piece, plain: list[PlainPulses], others: NDArray[np.int64]) -> None:
        """Rows of a piece in order: runs of plain pulses, and between them rows that are taken one at a time."""
        done = 0  # lines of the piece whose plain pulses are taken
        for index in others.tolist():
            raw = piece.line(index)
            if self._quick_sync(raw):
                continue
            line = self._lines_before + index + 1
            try:
                kind, channel, ticks, value = cells_of(raw)
                if kind in ("pulse", "segment"):
                    self._take_plain(plain, done, index)
                    done = index
                if kind:
                    self._handlers.get(kind, self._unknown)(channel, ticks, value)
            except (BadRow, LogError) as problem:
                self._fail(str(problem), line=line)
        self._take_plain(plain, done, len(piece))
        self._lines_before += len(piece)

    @staticmethod
    def _fail(said: str, *, line: int) -> NoReturn:
        raise LogError(f"line {line}: {said}")

    def _take_plain(self, plain: list[PlainPulses], start: int, stop: int) -> None:
        """Take the plain pulses of the lines from `start` up to `stop` of the piece at hand."""
        for rows in plain:
            first, last = np.searchsorted(rows.lines, (start, stop)).tolist()
            if first == last:
                continue
            ticks = rows.ticks[first:last]
            wrong = np.flatnonzero(ticks[1:] <= ticks[:-1])
            try:
                self._edges(rows.channel, ticks[:1])
                if len(wrong):
                    first += int(wrong[0]) + 1
                    raise _disorder(rows.channel, int(rows.ticks[first]), int(rows.ticks[first - 1]))
            except BadRow as problem:
                self._fail(str(problem), line=self._lines_before + int(rows.lines[first]) + 1)
            self._edges(rows.channel, ticks[1:])

    def _edges(self, channel: str, ticks: NDArray[np.int64]) -> None:
        """Add edges that are in order among themselves."""
        if len(ticks) == 0:
            return
        segment = self._segment_at_hand("pulse")
        before = segment.last_edge.get(channel)
        if before is not None and ticks[0] <= before:
            raise _disorder(channel, int(ticks[0]), before)
        if ticks[0] < segment.start_ticks:
            raise BadRow(f"the pulse at tick {ticks[0]} lies before the start of its segment, {segment.start_ticks}")
        segment.edges.setdefault(channel, []).append(ticks)
        segment.last_edge[channel] = int(ticks[-1])
        segment.until(int(ticks[-1]))

    def _segment_at_hand(self, kind: str) -> _OpenSegment:
        if self._open is None:
            raise BadRow(f"a {kind} row stands before the first segment row; a row is missing above it")
        return self._open

    def _unknown(self, _channel: str, _ticks: str, _value: str) -> None:
        raise BadRow("the kind of the row is none of pulse, sync, mark, lost, segment; correct or remove the row")

    def _known_channel(self, channel: str) -> str:
        if channel not in self._machine.sensors:
            known = ", ".join(self._machine.sensors)
            raise BadRow(f"channel {channel[:30]!r} is not a sensor of the machine in this log ({known})")
        return channel

    def _pulse(self, channel: str, ticks: str, value: str) -> None:
        if value:
            raise BadRow(f"a pulse has no value, found {value[:30]!r}")
        self._edges(self._known_channel(channel), np.array([whole(ticks)], dtype=np.int64))

    def _quick_sync(self, raw: bytes) -> bool:
        """Take a sync row as the writer writes it; False for any other line."""
        found = SYNC.fullmatch(raw)
        if found is None or self._open is None:
            return False
        answer, sent, received, ping = found.groups()
        exchange = (float(sent), float(received), int(ping), int(answer))
        if not _possible(*exchange):
            return False
        self._open.syncs.append(exchange)
        self._open.until(exchange[3])
        return True

    def _sync(self, _channel: str, ticks: str, value: str) -> None:
        fields = log_format.parse_fields(value)
        sent, received = (seconds(needed(fields, key)) for key in ("sent_s", "received_s"))
        exchange = (sent, received, whole(needed(fields, "ping_ticks")), whole(ticks))
        if not _possible(*exchange):
            raise BadRow(
                f"an exchange sent at {sent:g} s and answered at {received:g} s, ticks {exchange[2]} and {exchange[3]} "
                f"cannot be: both go forward, and a computer's clock from 0 to {HOST_S:.1e} s; remove the row"
            )
        segment = self._segment_at_hand("sync")
        segment.syncs.append(exchange)
        segment.until(exchange[3])

    def _mark(self, _channel: str, ticks: str, value: str) -> None:
        key, equals, text = value.partition("=")
        if not equals or not log_format.KEY.fullmatch(key):
            raise BadRow(f"a mark is written key=value, found {value[:30]!r}")
        if (key, text) == ("log", "end"):
            self.ended = True
            if self._open is not None:
                self._open.until(whole(ticks))
            return
        if self._open is None and not self._segments:
            return  # made before any board answered: there is nothing it could apply to
        if key == "hz" and not MARKED_HZ[0] <= number(text) <= MARKED_HZ[1]:
            raise BadRow(f"hz={text[:30]} is no frequency from 0 to {MARKED_HZ[1]:.0f}; correct or remove the row")
        mark = Mark(ticks=whole(ticks), key=key, value=log_format.unescape(text))
        segment = self._segment_at_hand("mark")
        segment.marks.append(mark)
        segment.until(mark.ticks)

    def _lost(self, channel: str, ticks: str, value: str) -> None:
        fields = log_format.parse_fields(value)
        pulses = needed(fields, "pulses")
        loss = Lost(
            channel=self._known_channel(channel),
            start_ticks=whole(ticks),
            end_ticks=whole(needed(fields, "until")),
            pulses=None if pulses == "unknown" else whole(pulses),
            cause=fields.get("cause", ""),
        )
        segment = self._segment_at_hand("lost")
        segment.losses.append(loss)
        segment.until(loss.end_ticks)

    def _segment(self, _channel: str, ticks: str, value: str) -> None:
        if self._open is not None:
            self._segments.append(self._open.closed(self._machine))
        self._open = _OpenSegment(log_format.parse_fields(value), whole(ticks))
        self.ended = False


def _possible(sent_s: float, received_s: float, ping_ticks: int, answer_ticks: int) -> bool:
    """Whether an exchange can have been made like this."""
    return 0.0 <= sent_s <= received_s <= HOST_S and ping_ticks <= answer_ticks


def _disorder(channel: str, ticks: int, before: int) -> BadRow:
    how = "is repeated" if ticks == before else f"goes back from {before}"
    return BadRow(f"tick {ticks} of {channel} {how}; within a segment the ticks of a channel only grow")
