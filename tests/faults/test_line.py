"""Whatever happens to the bytes on the line: is every good frame kept, and never a pulse invented?"""

import os
import random
from collections.abc import Callable

import numpy as np
import pytest

from kerfbeat.capture import messages, wire

from .line_traffic import BATCH_TICKS, CHANNELS, Heard, Traffic, in_pieces, listen, traffic

LONG = bool(os.environ.get("KERFBEAT_LONG"))
RUNS = 200 if LONG else 4
BATCHES = 1500  # half a minute
CRC_CHANCE = 2.0**-16


@pytest.fixture(scope="module")
def said() -> Traffic:
    return traffic(BATCHES)


def flipped(data: bytes, rate: float, rng: np.random.Generator) -> bytes:
    """Each bit damaged with that chance."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    return np.packbits(bits ^ (rng.random(len(bits)) < rate)).tobytes()


def dropped_and_doubled(data: bytes, rate: float, rng: np.random.Generator) -> bytes:
    """Each byte left out, or sent twice, with that chance."""
    times = np.ones(len(data), np.int64)
    chance = rng.random(len(data))
    times[chance < rate] = 0
    times[chance > 1.0 - rate] = 2
    return np.repeat(np.frombuffer(data, np.uint8), times).tobytes()


def burst(data: bytes, count: int, rng: np.random.Generator) -> bytes:
    """A few places where noise was added or took the place of what was said."""
    out = bytearray(data)
    for _ in range(count):
        at, length = int(rng.integers(len(out))), int(rng.integers(1, 400))
        out[at : at + (length if rng.random() < 0.5 else 0)] = rng.bytes(length)
    return bytes(out)


def assert_nothing_invented(said: Traffic, heard: Heard) -> tuple[int, int]:
    """Pulses that came, and pulses told as lost; every true pulse up to the last batch heard is one or the other."""
    came_in_all = lost_in_all = 0
    for channel in CHANNELS.values():
        came, true = heard.edges(channel), np.array(said.edges[channel])
        assert np.isin(came, true).all(), f"{channel}: a pulse that never was"
        assert (np.diff(came) > 0).all()
        losses = heard.losses(channel)
        for loss in losses:  # a loss and a pulse never lie in one another, and its count is right
            inside = (true > loss.start_ticks) & (true <= loss.end_ticks)
            assert not np.isin(true[inside], came).any()
            assert loss.pulses == inside.sum()
        known = true[true <= (heard.stream.complete_ticks or 0)]
        first = heard.events and next((e.start_ticks for e in heard.events if hasattr(e, "start_utc")), 0)
        known = known[known > (first or 0)]
        lost = sum(loss.pulses or 0 for loss in losses)
        assert len(came) + lost == len(known)
        came_in_all, lost_in_all = came_in_all + len(came), lost_in_all + lost
    return came_in_all, lost_in_all


@pytest.mark.parametrize("rate", [1e-6, 1e-5, 1e-4, 1e-3, 1e-2])
def test_flipped_bits(said: Traffic, rate: float) -> None:
    for seed in range(RUNS):
        data = said.data
        damaged = flipped(data, rate, np.random.default_rng(seed))
        heard = listen(in_pieces(said, damaged))
        # A frame is good if neither it nor the delimiter in front of it was hit.
        at, good = 0, 0
        for frame in said.frames:
            begin = max(0, at - 1)
            good += damaged[begin : at + len(frame)] == data[begin : at + len(frame)]
            at += len(frame)
        assert heard.decoder.frames >= good
        assert heard.decoder.frames - good <= 1 + 0.001 * len(said.frames)  # a lost zero behind a whole frame, say
        if heard.stream.hello is not None:
            assert_nothing_invented(said, heard)


@pytest.mark.parametrize("rate", [1e-5, 1e-4, 1e-3])
def test_dropped_and_doubled_bytes(said: Traffic, rate: float) -> None:
    hello = said.frames[0]
    for seed in range(RUNS):
        damaged = hello + dropped_and_doubled(said.data[len(hello) :], rate, np.random.default_rng(seed))
        heard = listen(in_pieces(said, damaged))
        came, lost = assert_nothing_invented(said, heard)
        hits = 2 * rate * len(said.data)
        assert lost / (came + lost) < 3 * (hits + 3 * hits**0.5 + 3) / len(said.frames)


def test_bursts_of_noise(said: Traffic) -> None:
    for seed in range(RUNS):
        damaged = said.frames[0] + burst(said.data[len(said.frames[0]) :], 20, np.random.default_rng(seed))
        heard = listen(in_pieces(said, damaged))
        came, lost = assert_nothing_invented(said, heard)
        assert came > 0.85 * (came + lost)  # 20 bursts of up to 400 bytes cost at most 20 * 8 of 1500 frames


def test_another_baud_for_a_while(said: Traffic) -> None:
    # The host listens at 115,200 to a board at 500,000: 0.23 as many bytes, none of them right.
    for seed in range(RUNS):
        rng = np.random.default_rng(seed)
        begin = int(rng.integers(100, 1000))
        pieces = list(zip(said.frames, [host_s + 0.05 for host_s in said.read_host_s], strict=True))
        for k in range(begin, begin + BATCHES // 8):
            pieces[k] = (rng.bytes(len(pieces[k][0]) * 115_200 // 500_000), pieces[k][1])
        came, lost = assert_nothing_invented(said, listen(pieces))
        assert lost == pytest.approx((came + lost) / 8, rel=0.02)


def test_no_pulse_in_ten_million_bytes_of_noise(said: Traffic) -> None:
    for seed in range(RUNS // 4 or 1):
        rng = np.random.default_rng(seed)
        frames, host_s = said.frames[:50], said.read_host_s[:50]
        heard = listen(
            [*zip(frames, host_s, strict=True), *((rng.bytes(10_000), 1.0 + 0.1 * k) for k in range(1000))]
        )
        sound = listen(list(zip(frames, host_s, strict=True)))
        for channel in CHANNELS.values():
            assert heard.edges(channel).tolist() == sound.edges(channel).tolist()
        assert heard.decoder.noise_bytes > 9_000_000


def test_damage_passes_the_check_as_seldom_as_calculated(said: Traffic) -> None:
    # Random content passes 16 bits of CRC once in 65,536.  Poisson: within 4 standard deviations of that.
    rng = random.Random(1)
    tries = 8_000_000 if LONG else 400_000
    passed = 0
    for _ in range(tries):
        body = rng.randbytes(24)
        passed += wire.crc16(body[:-2]) == body[-2] | body[-1] << 8
    expected = tries * CRC_CHANCE
    assert abs(passed - expected) < 4.0 * expected**0.5


def test_damage_that_passes_the_check_is_caught_by_its_numbers(said: Traffic, say: Callable[[str], None]) -> None:
    """A batch is damaged and given the right CRC, as one in 65,536 has by chance.

    What its numbers cannot show is an edge shifted inside its own batch.  Everything else costs this batch, or, where
    its end was shifted within what the clock allows, the few that come until the board has been asked.
    """
    rng = random.Random(3)
    tries, after = (20_000 if LONG else 1200), 12
    untouched = shifted = 0
    for _ in range(tries):
        at = rng.randrange(20, 48)  # no status among them
        whole = wire.Decoder().feed(said.frames[at])[0]
        assert isinstance(whole.message, messages.Batch)
        right = whole.message.pack()
        payload = bytearray(right)
        while bytes(payload) == right:
            for _ in range(rng.choice((1, 1, 2, 8))):
                payload[rng.randrange(len(payload))] ^= 1 << rng.randrange(8)
        frames = list(said.frames[: at + after])
        frames[at] = wire.encode(whole.message.TYPE, whole.sequence, bytes(payload))
        heard = listen(list(zip(frames, [host_s + 0.05 for host_s in said.read_host_s[: len(frames)]], strict=True)))
        wrong = 0
        for channel in CHANNELS.values():
            came, true = heard.edges(channel), np.array(said.edges[channel])
            assert all((np.diff(ticks) > 0).all() for ticks in heard.segments(channel))
            false = came[~np.isin(came, true)]
            wrong += len(false)
            assert len(false) <= 16  # edges of one batch
            late = true[(true > whole.message.complete_ticks + 7 * BATCH_TICKS) & (true <= came[-1])]
            assert np.isin(late, came).all()  # 7 batches later all is well
        shifted += wrong > 0
        untouched += wrong == 0
    say(f"of {tries} batches with a right CRC over damage: {untouched} invented nothing, {shifted} shifted edges")
    # Half of the damage lies in deltas, of which a small shift cannot be seen by any count.
    assert untouched > 0.5 * tries
