"""What would a board send, and when exactly did its edges happen?

A stand-in for a board on a pseudo-terminal: it answers the handshake and pings, and sends batches as the firmware
does (20 ms after the first pulse, 100 ms when idle).  Its edges happen at times of this host's clock, so that the way
from an edge to a printed line can be timed.  Use it where the emulated board's own load would spoil the measurement.
"""

import os
import threading
import time
import tty
from collections.abc import Iterator

from kerfbeat.capture import wire
from kerfbeat.capture import wire_numbers as numbers
from kerfbeat.capture.messages import AskHello, Batch, Hello, Message, Ping, Pong, Status, StatusInput, Stream

TICK_HZ = 16_000_000
AFTER_PULSE_S = numbers.BATCH_AFTER_PULSE_MS / 1000
IDLE_S = numbers.BATCH_IDLE_MS / 1000
STATUS_S = numbers.STATUS_MS / 1000
POLL_S = 0.0005
MOST_EDGES = 20  # four bytes each in a payload of 124


class PacedBoard:
    """Runs in a thread; `edge_times_s` grows by each edge, on the clock of `time.perf_counter`."""

    def __init__(self, gaps_s: Iterator[float]) -> None:
        self._gaps_s = gaps_s
        self._board, terminal = os.openpty()
        tty.setraw(terminal)
        os.set_blocking(self._board, False)
        self.name = os.ttyname(terminal)
        self.edge_times_s: list[float] = []
        self._terminal = terminal
        self._start_s = time.perf_counter()
        self._sequence = 0
        self._streaming = False
        self._base = self._counted = 0
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "PacedBoard":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join()
        os.close(self._board)
        os.close(self._terminal)

    def _ticks(self, at_s: float) -> int:
        return int((at_s - self._start_s) * TICK_HZ)

    def _send(self, message: Message) -> None:
        # A delimiter in front as well, as the firmware sends: the receiver times a pong's first byte by it.
        frame = b"\0" + wire.encode_message(message, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFF
        try:
            os.write(self._board, frame)
        except BlockingIOError:
            return  # nobody reads: the line is full

    def _run(self) -> None:
        decoder = wire.Decoder()
        next_edge_s = time.perf_counter() + 0.5
        waiting: list[int] = []
        first_s = last_batch_s = last_status_s = time.perf_counter()
        self._send(self._hello(None))
        while not self._stopped.is_set():
            now_s = time.perf_counter()
            for frame in decoder.feed(self._read()):
                self._answer(frame.sequence, frame.message, now_s)
            if not self._streaming:
                next_edge_s = now_s + 0.5
            while next_edge_s <= now_s:
                if not waiting:
                    first_s = next_edge_s
                waiting.append(self._ticks(next_edge_s))
                self.edge_times_s.append(next_edge_s)
                next_edge_s += next(self._gaps_s)
            due = (waiting and now_s - first_s >= AFTER_PULSE_S) or now_s - last_batch_s >= IDLE_S
            if self._streaming and due:
                self._batch(waiting, self._ticks(now_s))
                waiting, last_batch_s = [], now_s
            if self._streaming and now_s - last_status_s >= STATUS_S:
                self._status(self._ticks(now_s))
                last_status_s = now_s
            time.sleep(POLL_S)

    def _read(self) -> bytes:
        try:
            return os.read(self._board, 4096)
        except (BlockingIOError, OSError):
            return b""

    def _hello(self, asked: int | None) -> Hello:
        return Hello(
            firmware=(0, 0, 0), board_kind=numbers.BOARD_ATMEGA328P, board_id=0xBEA7, tick_hz=TICK_HZ, reset_cause=0,
            ticks=self._ticks(time.perf_counter()), config_generation=0, asked=asked,
        )  # fmt: skip

    def _answer(self, sequence: int, message: Message, now_s: float) -> None:
        if isinstance(message, AskHello):
            self._send(self._hello(sequence))
        elif isinstance(message, Ping):
            ticks = self._ticks(now_s)
            self._send(Pong(asked=sequence, ping_ticks=ticks, answer_ticks=ticks))
        elif isinstance(message, Stream):
            self._streaming = bool(message.on)
            self._base = self._ticks(now_s)

    def _batch(self, edges: list[int], complete: int) -> None:
        while len(edges) > MOST_EDGES:  # this computer was busy elsewhere: what has gathered fits no single frame
            self._one_batch(edges[:MOST_EDGES], edges[MOST_EDGES - 1])
            edges = edges[MOST_EDGES:]
        self._one_batch(edges, complete)

    def _one_batch(self, edges: list[int], complete: int) -> None:
        self._counted += len(edges)
        self._send(
            Batch(
                base_ticks=self._base, complete_ticks=complete, edge_ticks=(tuple(edges), (), ()),
                counts=(self._counted, 0, 0), lost=(0, 0, 0),
            )
        )  # fmt: skip
        self._base = complete

    def _status(self, ticks: int) -> None:
        idle = StatusInput(overruns=0, floods=0, shortest_ticks=None)
        self._send(
            Status(
                ticks=ticks, flags=numbers.FLAG_STREAMING, supply_mv=5000, host_frames_damaged=0,
                inputs=(idle, idle, idle),
            )
        )  # fmt: skip
