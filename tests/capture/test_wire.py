"""Do bytes become the right frames, whatever happens on the way?"""

import random
import re
from binascii import crc_hqx
from itertools import pairwise
from pathlib import Path

import crccheck
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.capture import messages, wire, wire_numbers

SOME = [
    messages.Hello(
        firmware=(1, 2, 3), board_kind=wire_numbers.BOARD_ATMEGA328P, board_id=0xDEADBEEF, tick_hz=16_000_000,
        reset_cause=wire_numbers.RESET_POWER, ticks=2**63 - 1, config_generation=2**32 - 1, asked=None,
    ),
    messages.Hello(
        firmware=(0, 0, 0), board_kind=0, board_id=0, tick_hz=1, reset_cause=0, ticks=0, config_generation=0, asked=255,
    ),
    messages.Batch(base_ticks=0, complete_ticks=0, edge_ticks=((), (), ()), counts=(0, 0, 0), lost=(0, 0, 0)),
    messages.Batch(
        base_ticks=2**32 - 2, complete_ticks=2**32 + 20, edge_ticks=((2**32 - 1, 2**32, 2**32 + 1), (), (2**32 + 30,)),
        counts=(2**32 - 1, 0, 1), lost=(0, 2**32, 127),
    ),
    messages.Batch(
        base_ticks=2**62, complete_ticks=2**63 - 1, edge_ticks=((2**62, 2**63 - 1), (2**62 + 127, 2**62 + 255), ()),
        counts=(2, 2, 0), lost=(128, 16384, 0),
    ),
    messages.Status(
        ticks=1 << 40, flags=wire_numbers.FLAG_STREAMING, supply_mv=4987, host_frames_damaged=65535,
        inputs=(
            messages.StatusInput(overruns=2**32 - 1, floods=65535, shortest_ticks=2**32 - 2),
            messages.StatusInput(overruns=0, floods=0, shortest_ticks=None),
            messages.StatusInput(overruns=0, floods=0, shortest_ticks=0),
        ),
    ),
    messages.Masked(input_index=2, from_ticks=5, until_ticks=5),
    messages.Pong(asked=0, ping_ticks=2**63 - 2, answer_ticks=2**63 - 1),
    messages.ConfigData(asked=7, generation=1, length=40, offset=8, data=bytes(range(32))),
    messages.Result(asked=255, request=wire_numbers.CONFIG_COMMIT, code=wire_numbers.NOT_SAVED),
    messages.AskHello(),
    messages.Ping(),
    messages.Stream(on=True),
    messages.Stream(on=False),
    messages.ConfigRead(offset=65535, count=255),
    messages.ConfigWrite(offset=0, data=b"\0\xff\0"),
    messages.ConfigCommit(length=64, crc=0),
]  # fmt: skip


def counters(decoder: wire.Decoder) -> dict[str, int]:
    return {name: value for name, value in vars(decoder).items() if isinstance(value, int) and name[0] != "_"}


def c_defines(text: str) -> dict[str, int]:
    found = re.findall(r"^#define\s+(WIRE_\w+)\s+(0x[0-9A-Fa-f]+|\d+)u?\b", text, flags=re.MULTILINE)
    return {name: int(value, 0) for name, value in found if name != "WIRE_H"}


def test_constants_equal_those_of_the_firmware_both_ways(repository: Path) -> None:
    text = (repository / "firmware/core/wire.h").read_text()
    every_name = set(re.findall(r"^#define\s+(WIRE_\w+)", text, flags=re.MULTILINE)) - {"WIRE_H"}
    assert set(c_defines(text)) == every_name  # no define is written in a way this test cannot read
    assert c_defines(text) == wire_numbers.constants()


def test_a_number_changed_on_one_side_is_noticed(repository: Path) -> None:
    text = (repository / "firmware/core/wire.h").read_text()
    assert c_defines(text.replace("WIRE_PING 0x42u", "WIRE_PING 0x4Fu")) != wire_numbers.constants()
    assert c_defines(text + "\n#define WIRE_NEW 1u\n") != wire_numbers.constants()


def test_crc_gives_the_published_check_value() -> None:
    # Catalogue of parametrised CRC algorithms (G. Cook), CRC-16/IBM-3740: check 0x29B1.
    assert wire.crc16(b"123456789") == 0x29B1 == wire_numbers.CRC_CHECK
    # Same catalogue, what a wrong variant would give: XMODEM, KERMIT, IBM-SDLC, ARC, MODBUS, SPI-FUJITSU.
    assert wire.crc16(b"123456789") not in {0x31C3, 0x2189, 0x906E, 0xBB3D, 0x4B37, 0xE5CC}


@given(st.binary(max_size=300))
def test_crc_agrees_with_an_independent_library(data: bytes) -> None:
    assert wire.crc16(data) == crccheck.crc.Crc16Ibm3740.calc(data)


def test_an_appended_zero_does_not_pass_the_crc() -> None:
    body = bytes([wire_numbers.PING, 0])
    low_first = body + wire.crc16(body).to_bytes(2, "little")
    high_first = body + wire.crc16(body).to_bytes(2, "big")
    assert crc_hqx(high_first + b"\0", 0xFFFF) == 0 == crc_hqx(high_first, 0xFFFF)  # why it is not high byte first
    decoder = wire.Decoder()
    assert decoder.feed(cobs.encode(low_first + b"\0") + b"\0") == []
    assert decoder.bad_crc == 1


# Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999; encyclopedia examples.
PUBLISHED_STUFFING = [
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    ("00" + bytes(range(1, 255)).hex(), "01ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
    ("4500002c4c79000040064f37", "024501042c4c79010540064f37"),
]


@pytest.mark.parametrize(("plain", "stuffed"), PUBLISHED_STUFFING)
def test_stuffing_library_gives_the_published_examples(plain: str, stuffed: str) -> None:
    assert cobs.encode(bytes.fromhex(plain)).hex() == stuffed
    assert cobs.decode(bytes.fromhex(stuffed)).hex() == plain


@pytest.mark.parametrize("message", SOME, ids=lambda m: type(m).__name__)
def test_every_message_survives_the_round_trip(message: messages.Message) -> None:
    decoder = wire.Decoder()
    (frame,) = decoder.feed(wire.encode_message(message, 255))
    assert frame.message == message
    assert frame.sequence == 255
    assert counters(decoder) == {**dict.fromkeys(counters(decoder), 0), "frames": 1}


@pytest.mark.parametrize("message", SOME, ids=lambda m: type(m).__name__)
def test_one_byte_too_many_or_too_few_is_malformed(message: messages.Message) -> None:
    payload = message.pack()
    wrong = [payload[:-1]] if payload else []
    if len(payload) < 124:
        wrong.append(payload + b"\0")
    if isinstance(message, (messages.ConfigWrite, messages.ConfigData)):  # these end in as many bytes as there are
        wrong = [payload[: 1 if isinstance(message, messages.ConfigWrite) else 8]]
    for each in wrong:
        decoder = wire.Decoder()
        assert decoder.feed(wire.encode(message.TYPE, 0, each)) == []
        assert decoder.malformed == 1


@pytest.mark.parametrize(
    ("frame_type", "payload"),
    [
        (0x00, b""),
        (0xFF, b""),
        (wire_numbers.STREAM, b"\2"),
        (wire_numbers.MASKED, b"\3" + bytes(16)),  # a fourth input
        (wire_numbers.MASKED, b"\0" + (6).to_bytes(8, "little") + (5).to_bytes(8, "little")),  # ends before it starts
        (wire_numbers.PONG, b"\0" + (6).to_bytes(8, "little") + (5).to_bytes(8, "little")),  # answered before asked
        (wire_numbers.BATCH, b"\xff" * 8 + bytes(1 + 18)),  # base past 2**63
        (wire_numbers.BATCH, bytes(8) + b"\xff" * 115),  # a number without end
        (wire_numbers.BATCH, bytes(8) + b"\0" + b"\0\0\0\0" + b"\0" + b"\2\1\0" + bytes(12)),  # two edges at one tick
        (wire_numbers.MASKED, bytes.fromhex("02cffc41ffffffffffee00420000000000")),  # a board in development sent this
        (wire_numbers.CONFIG_DATA, b"\0" + bytes(4) + b"\1\0" + b"\1\0" + b"x"),  # reaches past its end
    ],
)
def test_impossible_contents_are_malformed(frame_type: int, payload: bytes) -> None:
    decoder = wire.Decoder()
    assert decoder.feed(wire.encode(frame_type, 0, payload)) == []
    assert decoder.malformed == 1


def test_a_batch_with_one_edge_at_its_base_is_whole() -> None:
    batch = messages.Batch(base_ticks=5, complete_ticks=5, edge_ticks=((5,), (), ()), counts=(1, 0, 0), lost=(0, 0, 0))
    (frame,) = wire.Decoder().feed(wire.encode_message(batch, 0))
    assert frame.message == batch


def test_hello_of_another_version_tells_its_versions_only() -> None:
    (frame,) = wire.Decoder().feed(wire.encode(wire_numbers.HELLO, 0, b"\x02\x03\x01\x00and whatever follows"))
    assert frame.message == messages.OtherHello(protocol=2, firmware=(3, 1, 0))


def test_too_long_a_payload_is_refused_and_the_longest_passes() -> None:
    longest = messages.ConfigWrite(offset=0, data=bytes(122))
    (frame,) = wire.Decoder().feed(wire.encode_message(longest, 0))
    assert frame.message == longest
    with pytest.raises(ValueError, match="124"):
        wire.encode_message(messages.ConfigWrite(offset=0, data=bytes(123)), 0)


pieces = st.lists(
    st.one_of(
        st.builds(wire.encode_message, st.sampled_from(SOME), st.integers(0, 255)),
        st.binary(max_size=40),
        st.binary(min_size=120, max_size=300).map(lambda data: data.replace(b"\0", b"\1")),
        st.just(b"\0"),
    ),
    max_size=12,
)


@given(pieces, st.lists(st.integers(0, 2000), max_size=30))
def test_any_split_gives_the_same_frames_and_counts(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    whole, bytewise, cut = wire.Decoder(), wire.Decoder(), wire.Decoder()
    expected = whole.feed(stream)
    assert [f for i in range(len(stream)) for f in bytewise.feed(stream[i : i + 1])] == expected
    edges = sorted({0, len(stream), *(c for c in cuts if c < len(stream))})
    assert [f for a, b in pairwise(edges) for f in cut.feed(stream[a:b])] == expected
    assert counters(whole) == counters(bytewise) == counters(cut)


@given(st.sampled_from(SOME), st.integers(0, 255), st.data())
def test_no_single_damaged_bit_of_a_frame_passes(message: messages.Message, sequence: int, data: st.DataObject) -> None:
    # A CRC with more than one term notices every single-bit error of what it covers (stuffing bytes excepted).
    body = bytearray(cobs.decode(wire.encode_message(message, sequence)[:-1]))
    bit = data.draw(st.integers(0, 8 * len(body) - 1))
    body[bit // 8] ^= 1 << bit % 8
    decoder = wire.Decoder()
    assert decoder.feed(cobs.encode(bytes(body)) + b"\0") == []
    assert decoder.bad_crc == 1


@given(st.binary(max_size=3000))
def test_random_bytes_never_raise(data: bytes) -> None:
    wire.Decoder().feed(data)


def test_random_payloads_with_a_good_crc_never_raise() -> None:
    rng = random.Random(5)
    decoder = wire.Decoder()
    for _ in range(20_000):
        payload = rng.randbytes(rng.randrange(125))
        decoder.feed(wire.encode(rng.choice([1, 2, 3, 4, 5, 6, 7, *range(0x41, 0x47)]), 0, payload))
    assert decoder.frames + decoder.malformed == 20_000
    assert decoder.malformed > 10_000


def test_garbage_before_and_between_frames_costs_only_itself() -> None:
    decoder = wire.Decoder()
    good = wire.encode_message(messages.Ping(), 9)
    frames = decoder.feed(b"avr boot loader says hi\0" + good + b"\xff\xff\0" + good[:3] + b"\0" + good)
    assert [f.message for f in frames] == [messages.Ping(), messages.Ping()]
    assert decoder.noise_bytes == 23 + 2 + 3


def test_a_stream_without_delimiters_does_not_grow() -> None:
    decoder = wire.Decoder()
    for _ in range(1000):
        decoder.feed(b"\x55" * 4096)
        assert len(decoder._unfinished) <= 129
    assert decoder.noise_bytes == 4096 * 1000
    assert [f.message for f in decoder.feed(b"\0" + wire.encode_message(messages.Ping(), 0))] == [messages.Ping()]


def test_missing_frames_are_counted_across_the_wrap() -> None:
    decoder = wire.Decoder()
    sequences = [254, 255, 0, 3, 3]  # nothing, nothing, two missing, 255 missing
    missing = []
    for sequence in sequences:
        decoder.feed(wire.encode_message(messages.Ping(), sequence))
        missing.append(decoder.frames_missing)
    assert missing == [0, 0, 0, 2, 257]


def test_a_hello_after_reset_begins_the_sequence_anew() -> None:
    decoder = wire.Decoder()
    decoder.feed(wire.encode_message(messages.Ping(), 77))
    assert len(decoder.feed(wire.encode_message(SOME[0], 0))) == 1
    assert decoder.frames_missing == 0


def test_a_frame_is_timed_by_the_delimiter_sent_in_front_of_it() -> None:
    pong = wire.encode_message(messages.Pong(asked=1, ping_ticks=2, answer_ticks=3), 0)
    decoder = wire.Decoder()
    decoder.feed(wire.encode_message(messages.Ping(), 0), 1.0)
    decoder.feed(b"\0", 2.0)
    decoder.feed(pong[:3], 3.0)
    (with_delimiter,) = decoder.feed(pong[3:], 4.0)
    decoder.feed(pong[:3], 5.0)
    (without,) = decoder.feed(pong[3:], 6.0)
    assert (with_delimiter.started_host_s, without.started_host_s) == (2.0, 5.0)


CORPUS = Path(__file__).parent.parent / "data" / "wire"


@pytest.mark.parametrize("name", ["steady.bin", "flood.bin", "wrong_baud.bin"])
def test_recorded_bytes_give_the_same_frames_in_pieces_of_any_size(name: str) -> None:
    data = (CORPUS / name).read_bytes()
    whole = wire.Decoder()
    expected = whole.feed(data)
    assert whole.frames > 30
    assert whole.malformed == 0
    for size in (1, 2, 3, 7, 64, 129, 130, 1000):
        decoder = wire.Decoder()
        assert [f for at in range(0, len(data), size) for f in decoder.feed(data[at : at + size])] == expected
        assert counters(decoder) == counters(whole)


def test_recorded_bytes_that_are_damaged_cost_only_the_frames_they_lie_in() -> None:
    data = (CORPUS / "steady.bin").read_bytes()
    good = {frame.message for frame in wire.Decoder().feed(data)}
    rng = random.Random(11)
    for _ in range(300):
        damaged = bytearray(data)
        hits = rng.sample(range(len(data)), 10)
        for at in hits:
            damaged[at] ^= rng.randrange(1, 256)
        frames = wire.Decoder().feed(bytes(damaged))
        assert {frame.message for frame in frames} <= good
        assert len(frames) >= len(good) - 2 * len(hits)  # a damaged delimiter costs two


def test_recorded_batches_account_for_every_pulse() -> None:
    """From the board's own counts: what came is what it says it saw."""
    frames = wire.Decoder().feed((CORPUS / "steady.bin").read_bytes())
    batches = [frame.message for frame in frames if isinstance(frame.message, messages.Batch)]
    assert all(after.base_ticks == before.complete_ticks for before, after in pairwise(batches))
    for index, period in ((0, 40_000), (1, 60_000)):
        edges = [tick for batch in batches[1:] for tick in batch.edge_ticks[index]]
        assert len(edges) == batches[-1].counts[index] - batches[0].counts[index]
        steps = [after - before for before, after in pairwise(edges)]
        assert max(abs(step - period) for step in steps) <= 160  # 10 us: the external interrupts' latency varies
