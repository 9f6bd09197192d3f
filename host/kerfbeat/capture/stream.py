"""What do the board's frames say happened?

Takes decoded frames with the host's time and gives events.  No port, no clock of its own: a file of frames, a test
and a live link drive it alike.

Beside the CRC, numbers must be plausible: a frame that was damaged and passed by chance (1 in 65,536) must not shift
a count.  A frame that contradicts what is known is dropped and counted, and what it held becomes a loss like any other.
"""

from collections.abc import Callable, Mapping
from datetime import datetime

from kerfbeat.board_identity import identity_name
from kerfbeat.capture import messages as m
from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.accounts import Account
from kerfbeat.capture.events import Event, LineCounts, LinkDown, LinkUp, SegmentStarted, Sync
from kerfbeat.capture.health import health_of, reset_words
from kerfbeat.capture.wire import Decoder, Frame

__all__ = ["Stream", "board_name"]

CLOCK_SHARE = 0.01  # a ceramic resonator is off by up to 0.5 %; twice that is no clock any more
SLACK_S = 1.0  # how late a frame may be read after it came in, and still be believed
REFUSED_BEFORE_RESTART = 5  # batches refused in a row: then it is our picture that is wrong, so begin a new segment
PINGS_REMEMBERED = 32


def board_name(hello: m.Hello) -> str:
    """The board's identity as it stands in logs."""
    return identity_name(hello.board_id)


class Stream:
    """Frames in, events out.

    `channels` maps the board's input index to the channel on it; other inputs are not looked at.
    `simulated` says that the board is no real one, which goes into the log with its firmware's version.
    `hello_wanted` and `streaming_wanted` say what the owner of the port should ask the board for.
    """

    def __init__(
        self,
        channels: Mapping[int, str],
        *,
        utc_now: Callable[[], datetime] | None = None,
        simulated: bool = False,
    ) -> None:
        self.hello: m.Hello | None = None  # of the board at hand
        self.hello_wanted = True
        self.streaming_wanted = False
        self.implausible = 0
        self._channels = dict(channels)
        self._utc_now = utc_now
        self._simulated = simulated
        self._cause = ""  # of the segment that begins with the next batch
        self._account: Account | None = None  # of the segment whose batches are coming in
        self._complete_host_s = 0.0  # when its last batch was read
        self._early_masks: list[m.Masked] = []
        self._refused = 0  # batches in a row
        self._restarted = False  # the board was reset, and its hello has not come yet
        self._down = True
        self._ceiling = (0.0, 0)  # host time, and a tick the board had not passed then
        self._read_host_s = (0.0, 0.0)  # when this frame was read, and the piece before it
        self._pings: dict[int, float] = {}
        self._hello_asked: tuple[int, float] | None = None  # sequence and time of the last request

    @property
    def firmware(self) -> str:
        """Version of the firmware on the board at hand, `1.0.2`; `1.0.2 (simulated)` where it only stands for it."""
        version = ".".join(map(str, self._the_hello().firmware))
        return f"{version} (simulated)" if self._simulated else version

    @property
    def is_down(self) -> bool:
        """True until a board has answered, and again after the port was lost."""
        return self._down

    @property
    def complete_ticks(self) -> int | None:
        """Up to where the current segment is known; None while there is none."""
        return None if self._account is None else self._account.complete_ticks

    def pinged(self, sequence: int, sent_host_s: float) -> None:
        """Tell that a ping with this sequence began to go out at `sent_host_s`."""
        self._pings.pop(sequence, None)
        self._pings[sequence] = sent_host_s
        while len(self._pings) > PINGS_REMEMBERED:
            del self._pings[next(iter(self._pings))]

    def asked_hello(self, sequence: int, sent_host_s: float) -> None:
        """Tell that the board was asked for its hello at `sent_host_s`."""
        self._hello_asked = (sequence, sent_host_s)

    def up(self, host_s: float, *, url: str, baud: int | None) -> list[Event]:
        """A board has answered on the port (its hello was taken already)."""
        hello = self._the_hello()
        self._down = False
        return [
            LinkUp(
                board_id=board_name(hello),
                firmware=self.firmware,
                tick_hz=float(hello.tick_hz),
                url=url,
                baud=baud,
                host_s=host_s,
            )
        ]

    def down(self, host_s: float, reason: str) -> list[Event]:
        """The port is gone, or silent."""
        if self._down:
            return []
        self._down = True
        self.hello_wanted = True
        self._pings.clear()
        if self._account is not None:
            self._account.gap_cause = "link down"
        return [LinkDown(reason=reason, host_s=host_s)]

    def finish(self, host_s: float) -> list[Event]:
        """The session ends: if the link is down, what came since is lost."""
        return self._lose_rest(host_s, "link down") if self._down else []

    def take(self, frame: Frame, received_host_s: float, decoder: Decoder) -> list[Event]:
        """Events of one frame; `decoder` is asked for its counters only."""
        if received_host_s != self._read_host_s[0]:
            self._read_host_s = (received_host_s, self._read_host_s[0])
        message = frame.message
        if isinstance(message, m.Hello):
            return self._hello(message, received_host_s)
        if self.hello is None or self._down:
            self.hello_wanted = True
            return []
        match message:
            case m.Batch():
                return self._batch(message, received_host_s)
            case m.Pong():
                return self._pong(message, frame.started_host_s)
            case m.Status():
                return self._status(message, received_host_s, decoder)
            case m.Masked():
                return self._masked(message, received_host_s)
            case _:
                return []

    def line_counts(self, decoder: Decoder) -> LineCounts:
        """Counters of the line so far."""
        return LineCounts(
            frames=decoder.frames,
            bad_crc=decoder.bad_crc,
            malformed=decoder.malformed,
            implausible=self.implausible,
            noise_bytes=decoder.noise_bytes,
            frames_missing=decoder.frames_missing,
        )

    def _the_hello(self) -> m.Hello:
        assert self.hello is not None, "a board has to say hello first"
        return self.hello

    # Hello: the same segment, or a new one?

    def _hello(self, hello: m.Hello, host_s: float) -> list[Event]:
        before, self.hello = self.hello, hello
        self.hello_wanted = False
        self.streaming_wanted = True
        cause = self._why_new(before, hello, host_s)
        if cause is None:
            return []
        lost = self._lose_rest(host_s, "link down" if self._down else cause)
        self._account = None
        self._early_masks.clear()
        self._pings.clear()
        self._refused = 0
        self._restarted = False
        self._cause = cause
        # Sent after everything of the piece before was read, so the board had not passed this tick then.
        self._ceiling = (self._read_host_s[1] or host_s, hello.ticks)
        return lost

    def _why_new(self, before: m.Hello | None, hello: m.Hello, host_s: float) -> str | None:
        """Cause of a new segment; None if ticks go on as before."""
        if before is None:
            return "recording began"
        if before.board_id != hello.board_id or before.tick_hz != hello.tick_hz:
            return "another board"
        reset = f"board reset ({reset_words(hello.reset_cause)})"
        if hello.asked is None or self._restarted:
            return reset
        if self._account is None:
            return self._cause
        if hello.ticks < self._least_ticks(hello, host_s):
            return reset
        if hello.ticks > self._latest_ticks(host_s):
            return "ticks ran ahead (the computer slept, or the board was reset unseen)"
        if self._refused >= REFUSED_BEFORE_RESTART:
            return "counts or ticks of the board jumped"
        return None

    def _least_ticks(self, hello: m.Hello, host_s: float) -> float:
        """What the board's counter must have reached when it said hello, if it was not reset."""
        assert self._account is not None
        since_s = host_s - SLACK_S  # the hello may have waited so long to be read
        if self._hello_asked is not None and self._hello_asked[0] == hello.asked:
            since_s = self._hello_asked[1]
        elapsed_s = max(0.0, since_s - self._complete_host_s) * (1 - CLOCK_SHARE)
        return self._account.complete_ticks + elapsed_s * hello.tick_hz

    def _lose_rest(self, host_s: float, cause: str) -> list[Event]:
        """Between what is known of the segment and now, nobody can know."""
        if self._account is None:
            return []
        elapsed_s = max(0.0, host_s - self._complete_host_s)
        end_ticks = self._account.complete_ticks + round(elapsed_s * self._the_hello().tick_hz)
        return self._account.lose_until(end_ticks, cause)

    # What comes while a segment is open

    def _latest_ticks(self, host_s: float) -> float:
        """What the board's counter cannot have passed by now."""
        ceiling_host_s, ceiling_ticks = self._ceiling
        elapsed_s = max(0.0, host_s - ceiling_host_s) * (1 + CLOCK_SHARE) + SLACK_S
        return ceiling_ticks + elapsed_s * self._the_hello().tick_hz

    def _batch(self, batch: m.Batch, host_s: float) -> list[Event]:
        if self._restarted:
            return []
        account = self._account or Account(batch, self._channels)
        missing = account.missing(batch, latest_ticks=self._latest_ticks(host_s))
        if missing is None:
            self.implausible += 1
            self._refused += 1
            self.hello_wanted = True
            return []
        begun = self._begin(account) if self._account is None else []
        self._refused = 0
        self._complete_host_s = host_s
        return begun + account.take(batch, missing, host_s)

    def _begin(self, account: Account) -> list[Event]:
        self._account = account
        hello = self._the_hello()
        started = SegmentStarted(
            board_id=board_name(hello),
            firmware=self.firmware,
            tick_hz=float(hello.tick_hz),
            cause=self._cause,
            start_ticks=account.complete_ticks,
            start_utc=self._utc_now() if self._utc_now else None,
        )
        masked = [event for each in self._early_masks for event in account.mask(each)]
        self._early_masks.clear()
        return [started, *masked]

    def _masked(self, masked: m.Masked, host_s: float) -> list[Event]:
        if masked.until_ticks > self._latest_ticks(host_s):
            self.implausible += 1
            return []
        if self._account is None:
            self._early_masks.append(masked)
            return []
        return self._account.mask(masked)

    def _pong(self, pong: m.Pong, received_host_s: float) -> list[Event]:
        sent_host_s = self._pings.pop(pong.asked, None)
        if sent_host_s is None or self._account is None:
            return []
        trip_ticks = (received_host_s - sent_host_s) * self._the_hello().tick_hz
        on_board_ticks = pong.answer_ticks - pong.ping_ticks
        if (
            received_host_s < sent_host_s
            or on_board_ticks > (1 + CLOCK_SHARE) * trip_ticks
            or pong.ping_ticks > self._latest_ticks(received_host_s)
        ):
            self.implausible += 1
            return []
        if pong.ping_ticks < self._ceiling[1]:  # the board was asked after that tick: it began anew, and its hello went
            self.implausible += 1  # missing, as behind the torn end of what a full buffer held; ask for it
            self.hello_wanted = True
            return []
        self._ceiling = (sent_host_s, pong.ping_ticks)
        return [
            Sync(
                sent_host_s=sent_host_s,
                received_host_s=received_host_s,
                ping_ticks=pong.ping_ticks,
                answer_ticks=pong.answer_ticks,
            )
        ]

    def _status(self, status: m.Status, host_s: float, decoder: Decoder) -> list[Event]:
        if not status.flags & n.FLAG_STREAMING:
            self.streaming_wanted = True
            if self._account is not None:  # it did stream, so it was reset since; its hello went missing
                self._restarted = self.hello_wanted = True
        line = self.line_counts(decoder)
        return [health_of(status, channels=self._channels, line=line, received_host_s=host_s)]
