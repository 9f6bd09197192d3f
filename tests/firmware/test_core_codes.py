"""Are the firmware's CRC and COBS those of independent packages, for any bytes?"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from pathlib import Path

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

FRAME_MAX = 128
NOTHING, BYTE, END, BROKEN = range(4)  # enum frame_cobs_step

few_values = st.lists(st.sampled_from([0, 0, 1, 0xFE, 0xFF]), max_size=FRAME_MAX - 2).map(bytes)
payloads = st.binary(max_size=FRAME_MAX - 2) | few_values


class Cobs(ctypes.Structure):
    _fields_ = (("left", ctypes.c_uint8), ("zero_due", ctypes.c_bool))


@pytest.fixture(scope="module")
def core(built: Callable[[str], Path]) -> ctypes.CDLL:
    library = ctypes.CDLL(str(built("avr/build/host/libcore.so")))
    library.frame_crc.argtypes = [ctypes.c_uint16, ctypes.c_uint8]
    library.frame_crc.restype = ctypes.c_uint16
    library.frame_close.argtypes = [ctypes.c_char_p, ctypes.c_uint8]
    library.frame_close.restype = ctypes.c_uint8
    library.frame_cobs_feed.argtypes = [ctypes.POINTER(Cobs), ctypes.c_uint8, ctypes.POINTER(ctypes.c_uint8)]
    return library


def decode(core: ctypes.CDLL, line: bytes) -> bytes | None:
    """What the bytes decode to, their delimiter included; None if they are broken."""
    state, out, found = Cobs(), ctypes.c_uint8(), bytearray()
    for byte in line:
        step = core.frame_cobs_feed(ctypes.byref(state), byte, ctypes.byref(out))
        if step == BYTE:
            found.append(out.value)
        elif step in {END, BROKEN}:
            return bytes(found) if step == END else None
    raise AssertionError("no delimiter")


@given(data=st.binary(max_size=600))
def test_crc(core: ctypes.CDLL, data: bytes) -> None:
    crc = 0xFFFF
    for byte in data:
        crc = core.frame_crc(crc, byte)
    assert crc == Crc16Ibm3740.calc(data)


@given(data=payloads)
def test_a_frame_is_cobs_of_bytes_and_crc(core: ctypes.CDLL, data: bytes) -> None:
    line = ctypes.create_string_buffer(b"\x55" + data, FRAME_MAX + 8)
    length = core.frame_close(line, len(data))
    assert line.raw[:length] == cobs.encode(data + Crc16Ibm3740.calc(data).to_bytes(2, "little")) + b"\0"


@given(data=st.binary(max_size=700) | st.binary(min_size=250, max_size=260).map(lambda b: b.replace(b"\0", b"\1")))
def test_decoding_of_any_length(core: ctypes.CDLL, data: bytes) -> None:
    assert decode(core, cobs.encode(data) + b"\0") == data


@given(line=st.binary(min_size=1, max_size=300).map(lambda b: b.replace(b"\0", b"\1")))
def test_what_the_package_refuses_is_refused(core: ctypes.CDLL, line: bytes) -> None:
    try:
        expected = cobs.decode(line)
    except cobs.DecodeError:
        expected = None
    assert decode(core, line + b"\0") == expected
