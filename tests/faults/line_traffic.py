"""What would a sound board have said, byte for byte, and what is true of it?

Batches every 20 ms with edges of three inputs, a status every second: enough to damage.  The truth is the edges.
"""

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np

from kerfbeat.capture import messages, wire, wire_numbers
from kerfbeat.capture.events import Event, Lost, Pulses, SegmentStarted
from kerfbeat.capture.stream import Stream

TICK_HZ = 16_000_000
BATCH_TICKS = 320_000
PERIODS_TICKS = (80_021, 57_173, 1_600_003)  # primes among one another, so that no two batches look alike
CHANNELS = {0: "wheel", 1: "motor", 2: "blade"}


@dataclass
class Traffic:
    """Frames in order: their bytes on the line, and the host's time when each has been read."""

    frames: list[bytes] = field(default_factory=list)
    read_host_s: list[float] = field(default_factory=list)
    edges: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in CHANNELS.values()})

    @property
    def data(self) -> bytes:
        return b"".join(self.frames)


def traffic(batches: int) -> Traffic:
    """A board that is greeted, streams so many batches, and is pinged by nobody."""
    said = Traffic()
    sequence = 0

    def say(message: messages.Message, ticks: int) -> None:
        nonlocal sequence
        said.frames.append(wire.encode_message(message, sequence))
        said.read_host_s.append(ticks / TICK_HZ)
        sequence = (sequence + 1) % 256

    say(
        messages.Hello(
            firmware=(1, 0, 0), board_kind=1, board_id=7, tick_hz=TICK_HZ, reset_cause=1, ticks=1000,
            config_generation=0, asked=None,
        ),
        1000,
    )  # fmt: skip
    base, counts = 2000, [0, 0, 0]  # streaming begins
    following = [base + period for period in PERIODS_TICKS]
    for number in range(batches):
        complete = base + BATCH_TICKS
        edges: list[tuple[int, ...]] = []
        for index, period in enumerate(PERIODS_TICKS):
            ticks = tuple(range(following[index], complete + 1, period))
            following[index] += period * len(ticks)
            counts[index] += len(ticks)
            said.edges[CHANNELS[index]] += ticks
            edges.append(ticks)
        batch = messages.Batch(
            base_ticks=base, complete_ticks=complete, edge_ticks=tuple(edges), counts=tuple(counts), lost=(0, 0, 0)
        )
        say(batch, complete)
        if number % 50 == 49:
            inputs = (messages.StatusInput(overruns=0, floods=0, shortest_ticks=None),) * 3
            status = messages.Status(
                ticks=complete, flags=wire_numbers.FLAG_STREAMING, supply_mv=5000, host_frames_damaged=0, inputs=inputs
            )
            say(status, complete)
        base = complete
    return said


@dataclass
class Heard:
    """What a host made of it."""

    events: list[Event]
    decoder: wire.Decoder
    stream: Stream
    pieces: int

    def edges(self, channel: str) -> np.ndarray:
        ticks = [event.edge_ticks[channel] for event in self.events if isinstance(event, Pulses)]
        return np.concatenate(ticks) if ticks else np.empty(0, np.int64)

    def segments(self, channel: str) -> list[np.ndarray]:
        """The same, segment by segment."""
        found: list[list[np.ndarray]] = [[]]
        for event in self.events:
            if isinstance(event, SegmentStarted):
                found.append([])
            elif isinstance(event, Pulses):
                found[-1].append(event.edge_ticks[channel])
        return [np.concatenate(ticks) for ticks in found if ticks]

    def losses(self, channel: str) -> list[Lost]:
        return [event for event in self.events if isinstance(event, Lost) and event.channel == channel]


def listen(pieces: list[tuple[bytes, float]]) -> Heard:
    """Decode and follow pieces of the line, each with the host's time; who asks for a hello gets it, as from the board.
    """
    decoder, stream = wire.Decoder(), Stream(CHANNELS)
    events: list[Event] = []
    for data, host_s in pieces:
        for frame in decoder.feed(data, host_s):
            events += stream.take(frame, host_s, decoder)
            if stream.hello is not None and stream.is_down:
                events += stream.up(host_s, url="here", baud=500_000)
        if stream.hello_wanted and stream.hello is not None:
            stream.asked_hello(9, host_s)
            events += stream.take(_answer(host_s), host_s, decoder)
    return Heard(events, decoder, stream, len(pieces))


def _answer(host_s: float) -> wire.Frame:
    hello = messages.Hello(
        firmware=(1, 0, 0), board_kind=1, board_id=7, tick_hz=TICK_HZ, reset_cause=1, ticks=round(host_s * TICK_HZ),
        config_generation=0, asked=9,
    )  # fmt: skip
    return wire.Frame(0, hello)


def in_pieces(said: Traffic, damaged: bytes, *, piece: int = 256) -> list[tuple[bytes, float]]:
    """Cut a damaged copy of the traffic into pieces, with about the times at which they would have come."""
    ends = np.cumsum([len(frame) for frame in said.frames]).tolist()
    scale = ends[-1] / max(1, len(damaged))
    found = []
    for at in range(0, len(damaged), piece):
        place = min(bisect_right(ends, at * scale), len(ends) - 1)
        found.append((damaged[at : at + piece], said.read_host_s[place] + 0.05))
    return found
