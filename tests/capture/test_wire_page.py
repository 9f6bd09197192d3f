"""Are the frames in PROTOCOL.md true?  Each is decoded, field by field, and encoded again."""

import re

import pytest

from kerfbeat.capture import wire
from kerfbeat.capture.messages import Batch, Status
from kerfbeat.capture.wire import Decoder, encode_message

KINDS = {
    "HELLO", "BATCH", "STATUS", "MASKED", "PONG", "CONFIG_DATA", "RESULT",
    "ASK_HELLO", "PING", "STREAM", "CONFIG_READ", "CONFIG_WRITE", "CONFIG_COMMIT",
}  # fmt: skip


@pytest.fixture(scope="module")
def examples(repository):
    """(title, bytes on the line, [(bytes, field, value)]) of each example."""
    page = (repository / "firmware/PROTOCOL.md").read_text(encoding="utf-8")
    found = []
    for title, body in re.findall(r"```frame ([^\n]+)\n(.*?)```", page, re.DOTALL):
        line, rows = b"", []
        for text in body.strip().splitlines():
            if text.startswith("line "):
                line += bytes.fromhex(text.removeprefix("line "))
            else:
                cells = [cell.strip() for cell in text.split("|")]
                rows.append((bytes.fromhex(cells[0]), cells[1], cells[2]))
        found.append((title, line, rows))
    return found


def decoded(line):
    decoder = Decoder()
    (frame,) = decoder.feed(line)
    assert (decoder.bad_crc, decoder.malformed) == (0, 0)
    return frame


def values(rows, field):
    """Numbers that stand beside a field, in order."""
    return [int(value, 0) for _, name, value in rows if name == field]


def test_every_kind_of_frame_has_an_example(examples):
    assert {title.split(",")[0] for title, _, _ in examples} == KINDS
    assert {f"WIRE_{kind}" for kind in KINDS} <= set(wire.constants())


def test_the_rows_are_the_frame_byte_for_byte(examples):
    for title, line, rows in examples:
        frame = decoded(line)
        raw = b"".join(part for part, _, _ in rows)
        assert raw[:2] == bytes([frame.type, frame.sequence]), title
        assert raw[-2:] == wire.crc16(raw[:-2]).to_bytes(2, "little"), title
        assert raw[2:-2] == frame.message.pack(), title


def test_the_frame_encoded_again_is_the_line(examples):
    for title, line, _ in examples:
        frame = decoded(line)
        leading = len(line) - len(line.lstrip(b"\0"))  # zeros in front of a frame mean nothing
        assert encode_message(frame.message, frame.sequence) == line[leading:], title


# Field of the page, attribute of the host's message; the batch and the status have tests of their own.
FIELDS = {
    "HELLO": {"board_kind": "board_kind", "board_id": "board_id", "tick_hz": "tick_hz", "reset_cause": "reset_cause",
              "tick": "ticks", "config_generation": "config_generation"},
    "BATCH": {"base": "base_ticks"},
    "STATUS": {"tick": "ticks", "flags": "flags", "supply_mv": "supply_mv", "rx_bad": "host_frames_damaged"},
    "MASKED": {"input": "input_index", "from": "from_ticks", "until": "until_ticks"},
    "PONG": {"asked": "asked", "ping_tick": "ping_ticks", "answer_tick": "answer_ticks"},
    "CONFIG_DATA": {"asked": "asked", "generation": "generation", "length": "length", "offset": "offset"},
    "RESULT": {"asked": "asked", "code": "code"},
    "ASK_HELLO": {},
    "PING": {},
    "STREAM": {"on": "on"},
    "CONFIG_READ": {"offset": "offset", "count": "count"},
    "CONFIG_WRITE": {"offset": "offset"},
    "CONFIG_COMMIT": {"length": "length", "crc": "crc"},
}  # fmt: skip


def test_the_type_and_the_plain_fields_say_what_the_host_reads(examples):
    for title, line, rows in examples:
        frame = decoded(line)
        assert wire.constants()[f"WIRE_{rows[0][2]}"] == frame.type, title
        assert values(rows, "sequence") == [frame.sequence], title
        for field, attribute in FIELDS[title.split(",")[0]].items():
            assert values(rows, field) == [int(getattr(frame.message, attribute))], (title, field)


def test_the_value_beside_fixed_width_bytes_is_theirs(examples):
    checked = 0
    for title, _, rows in examples:
        for part, field, value in rows:
            if re.fullmatch(r"0x[0-9a-f]+|[0-9]+", value) and field != "span" and not field.endswith("delta"):
                assert int.from_bytes(part, "little") == int(value, 0), (title, field)
                checked += 1
    assert checked > 100  # there are about 120 such rows; a page whose rows are no longer found must not pass


def test_batches_hold_the_edges_the_remarks_tell(examples, repository):
    page = (repository / "firmware/PROTOCOL.md").read_text(encoding="utf-8")
    told = [int(tick) for tick in re.findall(r"edge at (\d+)", page)]
    batches = [decoded(line).message for title, line, _ in examples if title.startswith("BATCH")]
    assert len(batches) == 3
    assert [int(tick) for batch in batches for ticks in batch.edge_ticks for tick in ticks] == told
    for batch, (_, _, rows) in zip(batches, [e for e in examples if e[0].startswith("BATCH")], strict=True):
        assert isinstance(batch, Batch)
        assert list(batch.counts) == [values(rows, f"input {i} count")[0] for i in (1, 2, 3)]
        assert list(batch.lost) == [values(rows, f"input {i} lost")[0] for i in (1, 2, 3)]
        assert batch.complete_ticks == batch.base_ticks + values(rows, "span")[0]


def test_status_holds_what_is_told_of_each_input(examples):
    ((_, line, rows),) = [example for example in examples if example[0] == "STATUS"]
    status = decoded(line).message
    assert isinstance(status, Status)
    for number, entry in enumerate(status.inputs, start=1):
        assert entry.overruns == values(rows, f"input {number} overruns")[0]
        assert entry.floods == values(rows, f"input {number} floods")[0]
        told = values(rows, f"input {number} shortest")[0]
        assert entry.shortest_ticks == (None if told == wire.constants()["WIRE_INTERVAL_NONE"] else told)
