"""How does the host keep a board talking, through unplugging, resets and bad lines?

One thread owns the port: it reads, pings, asks again what was not answered, and opens the port anew when it is gone.
Everything that happens comes out of `BoardLink.events`, in order.  The host's clock is `time.perf_counter`: monotonic,
not set by anybody, finer than a microsecond on every system, and on Linux disciplined in rate by the time service.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from types import TracebackType
from typing import Self

from kerfbeat.capture import messages as m
from kerfbeat.capture.events import Event, LineCounts, LinkDown
from kerfbeat.capture.greeting import Greeted, Trace, greet, rounds_for
from kerfbeat.capture.port_names import identity_of, where_now
from kerfbeat.capture.ports import Port, PortAbsentError, is_simulated, open_port
from kerfbeat.capture.stream import Stream
from kerfbeat.capture.wire import Decoder, Frame, encode_message
from kerfbeat.capture.wire_numbers import BAUD_FAST, INPUTS
from kerfbeat.errors import LinkError
from kerfbeat.machine import Sensor

__all__ = ["BoardLink"]

PATIENCE_S = 6.0  # for the first hello: a reset, an old boot loader of two seconds, and each baud rate twice
AGAIN_PATIENCE_S = 3.0  # for a hello after the port came back, before it is opened once more
REOPEN_EVERY_S = 0.5
# The clock is known the better the more round trips there were, so many at first; then about two a second, at a step
# that does not keep pace with the board's 100 ms and 1 s and so meets every state of the line.
FIRST_PINGS = 20
FIRST_PING_EVERY_S = 0.053
PING_EVERY_S = 0.487
ASK_EVERY_S = 0.5
QUIET_S = 1.5  # the board says something each 100 ms, and its status each second: ask what is the matter
SILENT_S = 3.0  # now the link counts as down
HELD_UP_S = 1.0  # a turn takes 20 ms: after so long a one this computer slept, and the silence was its own
STOP_WAIT_S = 5.0


class _Question:
    """One request of the caller and what became of it."""

    def __init__(self, request: m.ToBoard) -> None:
        self.request = request
        self.sequence: int | None = None  # until it is sent
        self.answer: m.ConfigData | m.Result | None = None
        self.settled = threading.Event()


class BoardLink:
    """A live board.  Opening it finds the baud rate and the board; LinkError says why that failed.

    url : a device (`/dev/ttyUSB0`, `COM3`) or a URL that pyserial knows.
    sensors : which channel is on which input; None listens to all inputs and calls them `input 1` to `input 3`.
    baud : only this one; None tries the fast and the slow one.
    trace : is called with host seconds, direction and frame for every frame.
    locate : says under which url the board is to be looked for after it was unplugged; by default the same device is
        found again by its identity, also under another name.
    """

    def __init__(
        self,
        url: str,
        *,
        sensors: Mapping[str, Sensor] | None,
        baud: int | None = None,
        trace: Trace | None = None,
        locate: Callable[[], str] | None = None,
        clock: Callable[[], float] = time.perf_counter,
        utc_now: Callable[[], datetime] = lambda: datetime.now(UTC),
        patience_s: float = PATIENCE_S,
    ) -> None:
        channels = {index: f"input {index + 1}" for index in range(INPUTS)}
        if sensors is not None:
            channels = {each.input - 1: name for name, each in sensors.items()}
        self.url = url
        self.channels = tuple(channels.values())
        self._wanted_baud = baud
        self._found_baud: int | None = None
        self._trace = trace
        self._clock = clock
        self._stream = Stream(channels, utc_now=utc_now, simulated=is_simulated(url))
        self._decoder = Decoder()
        self._sequence = 0
        self._events: queue.SimpleQueue[Event | BaseException] = queue.SimpleQueue()
        self._question: _Question | None = None
        self._stop = threading.Event()
        self._port: Port | None = None
        self._down_reason = ""
        self._heard_s = self._asked_s = self._ping_s = 0.0  # last frame, last request; next ping
        self._turned_s = 0.0  # end of the last turn
        self._pings_sent = 0
        identity = identity_of(url)
        self._locate = locate or (lambda: where_now(url, identity))
        self._connect(url, patience_s=patience_s)
        self._thread = threading.Thread(target=self._run, name="board link", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def hello(self) -> m.Hello:
        """What the board last said of itself."""
        assert self._stream.hello is not None  # the link does not come into being without one
        return self._stream.hello

    @property
    def firmware(self) -> str:
        """Its version, and whether the board is a simulated one."""
        return self._stream.firmware

    @property
    def down_reason(self) -> str | None:
        """Why there is no board now; None while there is one."""
        return self._down_reason if self._port is None else None

    @property
    def line_counts(self) -> LineCounts:
        """What the line did to the frames so far."""
        return self._stream.line_counts(self._decoder)

    def events(self, timeout_s: float) -> list[Event]:
        """What has happened since the last call; waits up to `timeout_s` for a first event."""
        found: list[Event] = []
        try:
            item = self._events.get(timeout=timeout_s) if timeout_s > 0 else self._events.get_nowait()
            while True:
                if isinstance(item, BaseException):
                    if not found:
                        raise item
                    self._events.put(item)
                    return found
                found.append(item)
                item = self._events.get_nowait()
        except queue.Empty:
            return found

    def ask(self, request: m.ToBoard, *, wait_s: float) -> m.ConfigData | m.Result | None:
        """The board's answer to a request about its settings; None if none came in time, or the link went down.

        One caller at a time.  A request of up to 18 bytes on the line fits beside what the link itself asks.
        """
        question = _Question(request)
        self._question = question
        question.settled.wait(wait_s)
        self._question = None
        return question.answer

    def close(self) -> None:
        """Stop streaming and give the port back; `events(0)` still gives what came until now."""
        self._stop.set()
        self._thread.join(STOP_WAIT_S)

    # The thread

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                if self._port is None:
                    self._reopen()
                else:
                    self._listen(self._port)
            self._put(self._stream.finish(self._clock()))
            if self._port is not None:
                self._say_goodbye(self._port)
        except BaseException as error:  # noqa: BLE001  handed to whoever asks for events, not lost with the thread
            self._events.put(error)

    def _put(self, events: list[Event]) -> None:
        for event in events:
            self._events.put(event)

    def _connect(self, url: str, *, patience_s: float) -> None:
        """Open the port and greet the board; LinkError if either fails."""
        port = open_port(url, baud=self._wanted_baud or self._found_baud or BAUD_FAST)
        try:
            greeted = greet(
                port,
                rounds=rounds_for(url, self._wanted_baud or self._found_baud, patience_s=patience_s),
                clock=self._clock,
                trace=self._trace,
                stopped=self._stop.is_set,
            )
        except BaseException:
            port.close()
            raise
        self._port = port
        self._found_baud = greeted.baud
        self.url = url
        self._welcome(greeted)

    def _welcome(self, greeted: Greeted) -> None:
        greeted.decoder.count_on(self._decoder)
        self._decoder = greeted.decoder
        hello = greeted.hello.message
        if greeted.asked_host_s is not None and isinstance(hello, m.Hello) and hello.asked is not None:
            self._stream.asked_hello(hello.asked, greeted.asked_host_s)
        self._put(self._take(greeted.hello, greeted.read_host_s))
        self._put(self._stream.up(self._clock(), url=self.url, baud=greeted.baud))
        if self._stream.complete_ticks is not None:  # ticks go on as before: what came before the hello fits, too
            for frame, read_host_s in greeted.before:
                self._put(self._take(frame, read_host_s))
        for frame, read_host_s in greeted.after:
            self._put(self._take(frame, read_host_s))
        now_s = self._clock()
        self._heard_s = self._turned_s = now_s
        self._asked_s = now_s - ASK_EVERY_S
        self._pings_sent = 0
        self._ping_s = now_s

    def _reopen(self) -> None:
        url = self._locate()
        try:
            self._connect(url, patience_s=AGAIN_PATIENCE_S)
        except LinkError as error:
            if not isinstance(error, PortAbsentError):  # absent is what unplugged means; this is another obstacle
                self._found_baud = None  # look for it anew: another board may have come
                if str(error) != self._down_reason:
                    self._down_reason = str(error)
                    self._events.put(LinkDown(reason=self._down_reason, host_s=self._clock()))
            self._stop.wait(REOPEN_EVERY_S)

    def _listen(self, port: Port) -> None:
        """One turn: read, and see to what is due."""
        try:
            chunk = port.read_some()
            now_s = self._clock()
            if now_s - self._turned_s > HELD_UP_S:
                self._heard_s = now_s  # opening the port anew would reset common boards
            self._turned_s = now_s
            for frame in self._decoder.feed(chunk, now_s):
                self._heard_s = now_s
                if self._trace:
                    self._trace(now_s, "from board", frame)
                self._put(self._take(frame, now_s))
                if isinstance(frame.message, m.ConfigData | m.Result):
                    self._settle(frame.message)
                if isinstance(frame.message, m.Hello) and frame.message.asked is None:
                    self._pings_sent = 0  # a new segment needs clock readings of its own
            self._see_to(port, now_s)
        except LinkError as error:
            self._down_reason = str(error)
            self._put(self._stream.down(self._clock(), self._down_reason))
            self._port = None
            port.close()
            question = self._question
            if question is not None:
                question.settled.set()

    def _take(self, frame: Frame, read_host_s: float) -> list[Event]:
        return self._stream.take(frame, read_host_s, self._decoder)

    def _settle(self, answer: m.ConfigData | m.Result) -> None:
        question = self._question
        if question is not None and question.sequence == answer.asked:
            question.answer = answer
            question.settled.set()

    def _see_to(self, port: Port, now_s: float) -> None:
        quiet_s = now_s - self._heard_s
        if quiet_s > SILENT_S:
            raise LinkError(f"{self.url}: the board has fallen silent; check its supply and cable")
        question = self._question
        if question is not None and not self._stream.hello_wanted:
            if question.sequence is None:
                question.sequence, _ = self._send(port, question.request)
            return  # nothing beside it: a board that is writing its memory hears little
        if now_s - self._asked_s >= ASK_EVERY_S:
            if self._stream.hello_wanted or quiet_s > QUIET_S:
                self._asked_s = now_s
                self._stream.asked_hello(*self._send(port, m.AskHello()))
            elif self._stream.streaming_wanted:
                self._asked_s = now_s
                self._stream.streaming_wanted = False
                self._send(port, m.Stream(on=True))
        if now_s >= self._ping_s and self._stream.complete_ticks is not None and not self._stream.is_down:
            self._pings_sent += 1
            self._ping_s = now_s + (FIRST_PING_EVERY_S if self._pings_sent < FIRST_PINGS else PING_EVERY_S)
            self._stream.pinged(*self._send(port, m.Ping()))

    def _send(self, port: Port, message: m.ToBoard) -> tuple[int, float]:
        """Send a request; its sequence, and the time just before its first byte was handed to the system."""
        sequence = self._sequence
        self._sequence = (sequence + 1) % 256
        data = encode_message(message, sequence)
        sent_host_s = self._clock()
        port.write(data)
        if self._trace:
            self._trace(sent_host_s, "to board", Frame(sequence, message))
        return sequence, sent_host_s

    def _say_goodbye(self, port: Port) -> None:
        with contextlib.suppress(LinkError):  # the port may be gone by now, which is all the same
            self._send(port, m.Stream(on=False))
        port.close()
