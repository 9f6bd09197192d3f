"""How many pulses a second does the decoder take?"""

import random
import time

from registry import benchmark

from kerfbeat.capture import wire
from kerfbeat.capture.messages import Batch

PULSES = 1_000_000
PER_BATCH = 30  # what the frames of a busy line hold
GAP_TICKS = 1600  # 10,000 pulses/s in all
CHUNK_BYTES = 1024  # what one read of a port brings


def _stream() -> bytes:
    chance = random.Random(1)
    frames = bytearray()
    base, counts, sequence = 0, [0, 0, 0], 0
    for _ in range(PULSES // PER_BATCH):
        edges: list[int] = []
        tick = base
        for _ in range(PER_BATCH):
            tick += GAP_TICKS + chance.randrange(-200, 200)
            edges.append(tick)
        counts[0] += len(edges)
        batch = Batch(
            base_ticks=base,
            complete_ticks=tick,
            edge_ticks=(tuple(edges), (), ()),
            counts=tuple(counts),
            lost=(0, 0, 0),
        )
        frames += wire.encode_message(batch, sequence)
        base, sequence = tick, (sequence + 1) & 0xFF
    return bytes(frames)


@benchmark("decoder: bytes to edges", unit="pulses/s", at_least=1e6)
def decoder() -> float:
    """Decode one stream in the pieces that a port delivers."""
    stream = _stream()
    pieces = [stream[at : at + CHUNK_BYTES] for at in range(0, len(stream), CHUNK_BYTES)]
    best = 0.0
    for _ in range(3):
        decode, pulses = wire.Decoder(), 0
        began = time.perf_counter()
        for piece in pieces:
            for frame in decode.feed(piece):
                message = frame.message
                if isinstance(message, Batch):
                    pulses += sum(map(len, message.edge_ticks))
        took_s = time.perf_counter() - began
        assert pulses == PULSES // PER_BATCH * PER_BATCH
        best = max(best, pulses / took_s)
    return best
