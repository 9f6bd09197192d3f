"""What does the simulated board say on the wire, and when?

It speaks the frames of the flashed firmware: hello, batches, status, masks, answers.  Whoever owns it tells how far
true time has come and gets the bytes that are due, so that a port in real time and a test that does not wait drive it
alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kerfbeat.capture import messages as m
from kerfbeat.capture import wire
from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.board_settings import LENGTH
from kerfbeat.simulate.board_memory import BoardMemory
from kerfbeat.simulate.clock import TICK_HZ
from kerfbeat.simulate.edge_queue import BATCH_EDGES, EdgeQueue
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.world import World

__all__ = ["FIRMWARE", "LineFaults", "SimulatedBoard"]

FIRMWARE = (1, 1, 0)  # whose frames and rules it keeps: `firmware/core/version.h` (a test compares)
BATCH_AGE_S = 0.012  # as the firmware: behind one other frame it is off the line within the promised 20 ms
BATCH_IDLE_S = 0.095
STATUS_S = n.STATUS_MS / 1000
BOOT_S = 0.1  # from reset to hello
ANSWER_S = 80e-6  # until the main loop comes to a request
MASK_S = 0.020
SUPPLY_MV = 4980
RESET_BOOT_S = 0.4  # after a reset in the middle of a run, as in a simulated log


@dataclass(frozen=True, kw_only=True, slots=True)
class LineFaults:
    """What the line does to frames on their way to the host, and an input that fires too fast.

    drop, noise : chance that a frame vanishes, and that a few random bytes come before it.
    flood_at_s, flood_s : from when on, and how long, input 1 is masked since it fires faster than it can be served.
    """

    drop: float = 0.0
    noise: float = 0.0
    flood_at_s: float = math.inf
    flood_s: float = 1.0


class SimulatedBoard:
    """A board on the pins of a simulated machine."""

    def __init__(
        self,
        world: World,
        *,
        faults: LineFaults | None = None,
        baud: int = n.BAUD_FAST,
        memory: BoardMemory | None = None,
    ) -> None:
        self._world = world
        self._faults = faults or LineFaults()
        self._byte_s = 10 / baud
        self._damage = stream(world.seed, "line")
        self._edges = EdgeQueue(world)
        self._now_s = 0.0
        self._line_free_s = 0.0
        self._decoder = wire.Decoder()
        self._memory = memory or BoardMemory()
        self._reset_s = world.parameters.reset_at_s or math.inf
        self._out: list[tuple[float, bytes]] = []
        self._start(BOOT_S, n.RESET_PIN)

    def _start(self, at_s: float, cause: int) -> None:
        """Begin anew, as after a reset; hello comes at this time."""
        self._cause = cause
        self._zero_ticks = self._world.clock.ticks_at(at_s - BOOT_S)
        self._sequence = 0
        self._streaming = False
        self._hello_s = at_s
        self._batch_s = at_s
        self._base_ticks = 0
        self._status_s = at_s + STATUS_S
        self._counts = [0] * n.INPUTS
        self._floods = [0] * n.INPUTS
        self._last_ticks: list[int | None] = [None] * n.INPUTS
        self._shortest_ticks: list[int | None] = [None] * n.INPUTS
        self._mask: tuple[float, float] | None = None
        self._mask_s = self._flood_from(at_s)

    def _flood_from(self, at_s: float) -> float:
        """When the next mask begins, from a time on."""
        start_s = max(self._faults.flood_at_s, at_s)
        return start_s if start_s + MASK_S <= self._faults.flood_at_s + self._faults.flood_s else math.inf

    def ticks(self, true_s: float) -> int:
        """What the board's counter shows."""
        return max(self._world.clock.ticks_at(true_s) - self._zero_ticks, 0)

    def receive(self, data: bytes, at_s: float) -> None:
        """Take bytes from the host, the last of which came in at this true time; answers come out of `speak`."""
        self._advance(at_s)
        if self._hello_s < math.inf:
            return  # it is still starting
        for frame in self._decoder.feed(data):
            self._serve(frame, at_s)

    def speak(self, until_s: float) -> list[tuple[float, bytes]]:
        """Bytes that have left by a true time, with the time at which each piece was whole; each is told once."""
        self._advance(until_s)
        ready = [item for item in self._out if item[0] <= until_s]
        self._out = [item for item in self._out if item[0] > until_s]
        return ready

    def next_s(self) -> float:
        """When it will have more to say, unless it is asked something before."""
        return min([item[0] for item in self._out[:1]] + [self._due_s()])

    def power_up(self, at_s: float) -> None:
        """Come back to life after the plug was out until this true time; the machine has run on."""
        self._advance(at_s)
        self._out.clear()
        self._drop_edges(at_s)
        self._start(at_s + BOOT_S, n.RESET_POWER)

    # Time

    def _due_s(self) -> float:
        """When the next thing happens by itself."""
        due_s = min(self._hello_s, self._status_s, self._reset_s)
        if self._mask is not None:
            due_s = min(due_s, self._mask[1])
        elif self._streaming:
            due_s = min(due_s, self._mask_s)
        if self._streaming:
            due_s = min(due_s, self._batch_s + BATCH_IDLE_S, self._edges.oldest_s + BATCH_AGE_S, self._edges.full_s)
        return due_s

    def _advance(self, until_s: float) -> None:
        self._edges.know(until_s)
        while (due_s := self._due_s()) <= until_s:
            self._now_s = max(self._now_s, due_s)
            if due_s == self._reset_s:
                self._reset_s = math.inf
                self._drop_edges(due_s + RESET_BOOT_S)
                self._start(due_s + RESET_BOOT_S + BOOT_S, n.RESET_POWER)
            elif due_s == self._hello_s:
                self._hello_s = math.inf
                self._send(self._hello(None), due_s)
            elif self._mask is not None and due_s == self._mask[1]:
                self._end_mask(due_s)
            elif self._mask is None and self._streaming and due_s == self._mask_s:
                self._mask = (due_s, due_s + MASK_S)
                self._floods[0] += 1
            elif due_s == self._status_s:
                self._status_s += STATUS_S
                self._send(self._status(due_s), due_s)
            else:
                self._send_batch(due_s)
            self._edges.know(until_s)
        self._now_s = max(self._now_s, until_s)
        if not self._streaming:
            self._drop_edges(until_s)

    def _drop_edges(self, until_s: float) -> None:
        """Nobody listens: edges are counted and forgotten, and what is told begins here."""
        for _, board_input, ticks in self._edges.take(until_s, len(self._edges)):
            self._see(board_input, ticks - self._zero_ticks)
        self._base_ticks = max(self.ticks(until_s) - 1, 0)
        self._batch_s = max(until_s, self._batch_s)

    def _see(self, board_input: int, ticks: int) -> None:
        """Count an edge."""
        self._counts[board_input] += 1
        before, shortest = self._last_ticks[board_input], self._shortest_ticks[board_input]
        if before is not None and (shortest is None or ticks - before < shortest):
            self._shortest_ticks[board_input] = ticks - before
        self._last_ticks[board_input] = ticks

    # Frames to the host

    def _send(self, message: m.Message, at_s: float, *, before: bytes = b"") -> None:
        """Put a frame on the line: it leaves when the line is free, and is whole when its last byte has gone."""
        frame = before + wire.encode_message(message, self._sequence % 256)
        self._sequence += 1
        start_s = max(at_s, self._line_free_s)
        self._line_free_s = start_s + len(frame) * self._byte_s
        parameters = self._world.parameters
        cut_off = parameters.loss_at_s <= start_s < parameters.loss_at_s + parameters.loss_s
        if cut_off or (self._faults.drop and self._damage.random() < self._faults.drop):
            return
        if self._faults.noise and self._damage.random() < self._faults.noise:
            frame = self._damage.bytes(int(self._damage.integers(1, 12))) + frame
        self._out.append((self._line_free_s, frame))

    def _hello(self, asked: int | None) -> m.Hello:
        return m.Hello(
            firmware=FIRMWARE,
            board_kind=n.BOARD_ATMEGA328P,
            board_id=self._memory.board_id,
            tick_hz=int(TICK_HZ),
            reset_cause=self._cause,
            ticks=self.ticks(self._now_s),
            config_generation=self._memory.generation,
            asked=asked,
        )

    def _status(self, at_s: float) -> m.Status:
        inputs = tuple(
            m.StatusInput(overruns=0, floods=floods, shortest_ticks=shortest)
            for floods, shortest in zip(self._floods, self._shortest_ticks, strict=True)
        )
        self._shortest_ticks = [None] * n.INPUTS
        self._last_ticks = [None] * n.INPUTS
        return m.Status(
            ticks=self.ticks(at_s),
            flags=(n.FLAG_STREAMING if self._streaming else 0)
            | (n.FLAG_CONFIG_DEFAULTS if self._memory.generation == 0 else 0),
            supply_mv=SUPPLY_MV,
            host_frames_damaged=self._decoder.bad_crc + self._decoder.malformed,
            inputs=inputs,
        )

    def _send_batch(self, at_s: float) -> None:
        edges: list[list[int]] = [[] for _ in range(n.INPUTS)]
        for edge_s, board_input, raw_ticks in self._edges.take(at_s, BATCH_EDGES):
            if self._mask is not None and board_input == 0 and edge_s >= self._mask[0]:
                continue
            ticks = raw_ticks - self._zero_ticks
            self._see(board_input, ticks)
            edges[board_input].append(ticks)
        # An edge that comes in now may carry this very tick, so the report ends before it.
        complete_ticks = self.ticks(at_s) - 1
        if self._mask is not None:
            complete_ticks = min(complete_ticks, self.ticks(self._mask[0]) - 1)
        complete_ticks = max(complete_ticks, self._base_ticks)
        batch = m.Batch(
            base_ticks=self._base_ticks,
            complete_ticks=complete_ticks,
            edge_ticks=tuple(tuple(each) for each in edges),
            counts=tuple(count % 2**32 for count in self._counts),
            lost=(0,) * n.INPUTS,
        )
        self._base_ticks = complete_ticks
        self._batch_s = at_s
        self._send(batch, at_s)

    def _end_mask(self, at_s: float) -> None:
        """Tell the range in which the input was not looked at; a flood that goes on is masked again."""
        assert self._mask is not None
        from_s, until_s = self._mask
        while self._edges.oldest_s <= until_s:
            self._send_batch(at_s)
        self._mask = None
        self._mask_s = self._flood_from(at_s)
        if self._streaming:
            self._send(m.Masked(input_index=0, from_ticks=self.ticks(from_s), until_ticks=self.ticks(until_s)), at_s)

    # Requests of the host

    def _serve(self, frame: wire.Frame, at_s: float) -> None:
        request, asked = frame.message, frame.sequence
        answer_s = max(at_s + ANSWER_S, self._line_free_s)
        match request:
            case m.AskHello():
                self._send(self._hello(asked), answer_s)
            case m.Ping():
                pong = m.Pong(asked=asked, ping_ticks=self.ticks(at_s), answer_ticks=self.ticks(answer_s))
                self._send(pong, answer_s, before=b"\0")
            case m.Stream():
                if request.on and not self._streaming:
                    self._drop_edges(at_s)
                    self._mask_s = self._flood_from(at_s)
                self._streaming = request.on
                self._result(frame, n.OK, answer_s)
            case m.ConfigRead():
                self._config_read(frame, request, answer_s)
            case m.ConfigWrite():
                self._result(frame, self._memory.stage(request.offset, request.data), answer_s)
            case m.ConfigCommit():
                self._result(frame, self._memory.commit(request.length, request.crc), answer_s)
            case _:
                self._result(frame, n.UNKNOWN_TYPE, answer_s)

    def _result(self, frame: wire.Frame, code: int, at_s: float) -> None:
        self._send(m.Result(asked=frame.sequence, request=frame.message.TYPE, code=code), at_s)

    def _config_read(self, frame: wire.Frame, request: m.ConfigRead, at_s: float) -> None:
        data = self._memory.read(request.offset, request.count)
        if data is None:
            self._result(frame, n.BAD_VALUE, at_s)
            return
        message = m.ConfigData(
            asked=frame.sequence,
            generation=self._memory.generation,
            length=LENGTH,
            offset=request.offset,
            data=data,
        )
        self._send(message, at_s)
