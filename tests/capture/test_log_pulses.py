"""Does the quick way find the same pulse rows and ticks as a regular expression and int() do?"""

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbeat.capture.log_pulses import MOST_DIGITS, Piece
from kerfbeat.machine import CHANNELS

PLAIN = re.compile(rb"pulse,(wheel|motor|driven|blade),([0-9]{1,16}),")


def by_regular_expression(text: bytes) -> tuple[dict[str, list[tuple[int, int]]], list[int]]:
    found: dict[str, list[tuple[int, int]]] = {}
    others = []
    for index, raw in enumerate(text.split(b"\n")[:-1]):
        plain = PLAIN.fullmatch(raw.removesuffix(b"\r"))
        if plain:
            found.setdefault(plain.group(1).decode(), []).append((index, int(plain.group(2))))
        else:
            others.append(index)
    return found, others


def by_words(text: bytes) -> tuple[dict[str, list[tuple[int, int]]], list[int]]:
    rows, others = Piece(text).plain_pulses(CHANNELS)
    found = {row.channel: list(zip(row.lines.tolist(), row.ticks.tolist(), strict=True)) for row in rows}
    return {channel: pairs for channel, pairs in found.items() if pairs}, others.tolist()


good = st.builds(
    lambda channel, digits: f"pulse,{channel},{digits},".encode(),
    st.sampled_from(CHANNELS),
    st.text("0123456789", min_size=1, max_size=MOST_DIGITS + 2),
)
nearly = st.builds(
    lambda line, at, byte: line[: at % len(line)] + bytes([byte]) + line[at % len(line) + 1 :],
    good,
    st.integers(0, 40),
    st.integers(0, 255).filter(lambda byte: byte != 10),
)
shorter = st.builds(lambda line, size: line[:size], good, st.integers(0, 30))
lines = st.one_of(good, nearly, shorter, st.binary(max_size=12).map(lambda data: data.replace(b"\n", b"")))


@settings(max_examples=400)
@given(st.lists(st.tuples(lines, st.sampled_from([b"\n", b"\r\n"])), max_size=12))
def test_words_agree_with_the_regular_expression(parts: list[tuple[bytes, bytes]]) -> None:
    text = b"".join(line + end for line, end in parts)
    assert by_words(text) == by_regular_expression(text)


def test_every_byte_at_every_place_of_a_row() -> None:
    for row in (b"pulse,wheel,1234567890123456,", b"pulse,driven,7,", b"pulse,blade,12345678,"):
        changed = [
            row[:at] + bytes([byte]) + row[at + 1 :] for at in range(len(row)) for byte in range(256) if byte != 10
        ]
        text = b"\n".join([*changed, b""])
        assert by_words(text) == by_regular_expression(text)


def test_no_line_at_all() -> None:
    assert by_words(b"") == ({}, [])
    assert by_words(b"\n\n") == ({}, [0, 1])
