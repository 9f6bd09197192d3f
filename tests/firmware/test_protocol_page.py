"""Are the frames shown in PROTOCOL.md real, whole, and understood alike by everybody?"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from page_client import BATCH, FIXED, frames_of, read_batch, read_fields

from kerfbeat.capture import messages, wire, wire_numbers

PAGE = Path(__file__).parents[2] / "firmware" / "PROTOCOL.md"
FRAMES = {frame.name: frame for frame in frames_of(PAGE)}
SETTINGS = "02 2A000000 00 05 05 05 0C 14 01 01 02 04 01 C1DC0F00 00ADF8FF"
NEW_SETTINGS = "02 07000000 01 05 07 00 0C 32 01 00 00"
LENGTH = 179

# What each frame says, once more, in the host's own words.
SAID: dict[str, tuple[int, messages.Message]] = {
    "HELLO": (0, messages.Hello(
        firmware=(1, 1, 0), board_kind=1, board_id=42, tick_hz=16_000_000, reset_cause=1, ticks=1639,
        config_generation=3, asked=None,
    )),
    "BATCH": (17, messages.Batch(
        base_ticks=4_300_000_000, complete_ticks=4_300_192_000,
        edge_ticks=((4_300_000_016, 4_300_160_016), (4_300_000_100,), ()), counts=(105, 2210, 0), lost=(0, 0, 0),
    )),
    "BATCH, nothing happened": (18, messages.Batch(
        base_ticks=4_300_192_000, complete_ticks=4_301_712_000, edge_ticks=((), (), ()), counts=(105, 2210, 0),
        lost=(0, 0, 0),
    )),
    "BATCH, a loss is told": (40, messages.Batch(
        base_ticks=4_303_000_000, complete_ticks=4_303_070_000, edge_ticks=((), (4_303_001_234,), ()),
        counts=(5232, 2211, 0), lost=(84, 0, 0),
    )),
    "STATUS": (20, messages.Status(
        ticks=4_304_000_123, flags=4, supply_mv=5006, host_frames_damaged=1,
        inputs=(
            messages.StatusInput(overruns=84, floods=0, shortest_ticks=1190),
            messages.StatusInput(overruns=0, floods=2, shortest_ticks=640),
            messages.StatusInput(overruns=0, floods=0, shortest_ticks=None),
        ),
    )),
    "MASKED": (21, messages.Masked(input_index=1, from_ticks=4_304_100_000, until_ticks=4_304_420_480)),
    "PONG": (22, messages.Pong(asked=7, ping_ticks=4_305_000_640, answer_ticks=4_305_003_000)),
    "CONFIG_DATA": (23, messages.ConfigData(
        asked=8, generation=3, length=LENGTH, offset=0, data=bytes.fromhex(SETTINGS),
    )),
    "RESULT": (24, messages.Result(asked=3, request=0x43, code=0)),
    "ASK_HELLO": (1, messages.AskHello()),
    "PING": (7, messages.Ping()),
    "STREAM": (3, messages.Stream(on=True)),
    "CONFIG_READ": (8, messages.ConfigRead(offset=0, count=24)),
    "CONFIG_WRITE": (9, messages.ConfigWrite(offset=0, data=bytes.fromhex(NEW_SETTINGS))),
    "CONFIG_COMMIT": (10, messages.ConfigCommit(
        length=LENGTH, crc=Crc16Ibm3740.calc(bytes.fromhex(NEW_SETTINGS).ljust(LENGTH, b"\0")),
    )),
}


def test_every_board_kind_is_told() -> None:
    row = next(line for line in PAGE.read_text().splitlines() if line.startswith("| board_kind |"))
    told = {f"BOARD_{chip.upper()}": int(number) for number, chip in re.findall(r"(\d+): (\w+)", row)}
    assert told == {name: value for name, value in vars(wire_numbers).items() if name.startswith("BOARD_")}


def test_every_type_is_shown() -> None:
    names = [name for name in vars(wire_numbers) if name.isupper()]
    types = {
        name: value for name, value in ((name, getattr(wire_numbers, name)) for name in names)
        if name.split(",")[0] in {frame.split(",")[0] for frame in FRAMES}
    }
    assert {frame.split(",")[0] for frame in FRAMES} == set(types)
    assert sorted(types.values()) == [*range(0x01, 0x08), *range(0x41, 0x47)]
    assert set(FRAMES) == set(SAID)


@pytest.mark.parametrize("name", FRAMES)
def test_line_and_fields_are_the_same_bytes(name: str) -> None:
    frame = FRAMES[name]
    stuffed = frame.line.strip(b"\0")
    assert frame.line == (b"\0" if name == "PONG" else b"") + stuffed + b"\0"
    assert cobs.decode(stuffed) == frame.content
    assert Crc16Ibm3740.calc(frame.content[:-2]) == int.from_bytes(frame.content[-2:], "little")


@pytest.mark.parametrize("name", FRAMES)
def test_values_beside_the_bytes_are_theirs(name: str) -> None:
    """Single numbers in the value column are the little-endian (or LEB128) number of the bytes."""
    for data, field, value in FRAMES[name].fields:
        if value.startswith("0x"):
            assert int(value, 16) == int.from_bytes(data, "little"), field
        elif value.isdecimal():
            number = int.from_bytes(data, "little")
            if field in {"span"} or field.endswith((" delta", " lost")):
                number = sum((byte & 0x7F) << 7 * place for place, byte in enumerate(data))
            assert int(value) == number, field


@pytest.mark.parametrize("name", FRAMES)
def test_the_host_writes_and_reads_it(name: str) -> None:
    sequence, message = SAID[name]
    line = FRAMES[name].line
    assert wire.encode_message(message, sequence) == line.removeprefix(b"\0")
    (frame,) = wire.Decoder().feed(line)
    assert (frame.sequence, frame.message) == (sequence, message)


@pytest.mark.parametrize("name", FRAMES)
def test_the_tables_of_fields_describe_it(name: str) -> None:
    """A client that knows the tables and nothing else finds the fields where they are shown."""
    frame = FRAMES[name]
    kind, payload = frame.content[0], frame.content[2:-2]
    if kind == BATCH:
        batch = read_batch(payload)
        assert (batch.base, batch.complete) == (
            SAID[name][1].base_ticks, SAID[name][1].complete_ticks,  # type: ignore[union-attr]
        )
    elif kind in FIXED:
        shown = [data for data, _, value in frame.fields[2:-1]]
        widths = [width for _, width in FIXED[kind]]
        if name == "HELLO":
            shown[1:2] = [bytes([byte]) for byte in shown[1]]  # the firmware's three numbers stand in one row
        if name == "CONFIG_DATA":
            assert b"".join(shown[4:]) == read_fields(kind, payload)["rest"]
            shown, widths = shown[:4], widths[:4]
        assert [len(data) for data in shown] == widths
