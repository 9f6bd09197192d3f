"""Do a board's settings become the bytes of the contract, and only those that can be?"""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.capture import board_settings as settings
from kerfbeat.capture.board_settings import (
    CLOCK_NEVER,
    INPUT_WORDS,
    LENGTH,
    BoardSettings,
    date_of,
    day_number,
    mode_of,
)
from kerfbeat.errors import SettingsError

# Every field put down by hand from the table of PROTOCOL.md section 8, low byte first.
SAW = BoardSettings(
    board_id=0x11223344, baud=1, modes=(5, 7, 2), flood_edges=24, mask_ms=250, unit=1, wheel_input=1, fast_input=2,
    wheel_targets=4, fast_targets=1, circumference_um=1_039_553, clock_ppb=-1_234_567, clock_u95_ppb=30_000,
    clock_day=9801, settings_day=9827, ratios_millionths=(60_000_000, 26_000_000), slowest_mm_min=15_000,
    fastest_mm_min=90_000, slip_limit_1e4=300, angles_65536=(0, 16602, 33005, 48970),
)  # fmt: skip
SAW_BYTES = bytes.fromhex(
    "02"  # 0 version
    "44332211"  # 1 board_id
    "01"  # 5 baud
    "050702"  # 6 modes
    "18fa"  # 9 flood_edges 24, mask_ms 250
    "0101020401"  # 11 unit, wheel_input, fast_input, wheel_targets, fast_targets
    "c1dc0f00"  # 16 circumference 1,039,553 = 0x0fdcc1
    "7929edff"  # 20 clock -1,234,567: 2^32 less it is 0xffed2979
    "30750000"  # 24 its half-width 30,000 = 0x7530
    "49266326"  # 28 days 9801 = 0x2649 and 9827 = 0x2663
    "00879303" "80ba8c01" "00000000" "00000000"  # 32 ratios 0x03938700, 0x018cba80
    "983a0000" "905f0100"  # 48 limits 15,000 = 0x3a98 and 90,000 = 0x15f90
    "2c01"  # 56 slip 300 = 0x12c
    "04" "0000" "da40" "ed80" "4abf"  # 58 angles 16602 = 0x40da, 33005 = 0x80ed, 48970 = 0xbf4a
    + 56 * "0000"
)  # fmt: skip


def test_a_board_that_was_never_told_anything() -> None:
    """The defaults of the table: 0, but for those said here."""
    expected = bytearray(179)
    expected[0] = 2
    expected[6:11] = bytes([5, 5, 5, 12, 20])
    expected[24:28] = b"\xff\xff\xff\xff"
    assert BoardSettings().pack() == expected


def test_bytes_are_those_of_the_table() -> None:
    assert len(SAW_BYTES) == LENGTH == 179
    assert SAW.pack() == SAW_BYTES
    assert BoardSettings.unpack(SAW_BYTES) == SAW


def test_limits_are_those_of_the_firmware(repository: Path) -> None:
    """Each number of core/config.h that says what a setting may be; a new one there fails until it stands here."""
    text = (repository / "firmware/core/config.h").read_text(encoding="utf-8")
    found = dict(re.findall(r"^#define CONFIG_(\w+)\s+(0x[0-9A-Fa-f]+|\d+)u?l?\b", text, flags=re.MULTILINE))
    not_of_a_value = re.compile(r"OLD_|SLOTS|SLOT_SPACING|HEADER_BYTES|FIXED_BYTES|MODE_ALL")
    assert {name: int(number, 0) for name, number in found.items() if not not_of_a_value.match(name)} == {
        "VERSION": settings.VERSION,
        "ANGLES_MAX": settings.MOST_TARGETS,
        "TARGETS_MAX": settings.MOST_TARGETS,
        "MODE_ENABLED": settings.MODE_ON,
        "MODE_RISING": settings.MODE_RISING,
        "MODE_PULL_UP": settings.MODE_PULL_UP,
        "FLOOD_EDGES_MIN": settings.FLOOD_EDGES[0],
        "FLOOD_EDGES_MAX": settings.FLOOD_EDGES[1],
        "MASK_MS_MIN": settings.MASK_MS[0],
        "MASK_MS_MAX": settings.MASK_MS[1],
        "CIRCUMFERENCE_MIN_UM": settings.CIRCUMFERENCE_UM[0],
        "CIRCUMFERENCE_MAX_UM": settings.CIRCUMFERENCE_UM[1],
        "CLOCK_PPB_MAX": settings.MOST_CLOCK_PPB,
        "SLIP_LIMIT_MAX": settings.MOST_SLIP_1E4,
        "UNIT_FT_PER_MIN": settings.UNITS.index("ft/min"),
        "UNIT_M_PER_MIN": settings.UNITS.index("m/min"),
        "BAUD_FAST": settings.BAUDS.index(500_000),
        "BAUD_SLOW": settings.BAUDS.index(115_200),
    }


@st.composite
def any_settings(draw: st.DrawFn) -> BoardSettings:
    u16, u32 = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
    wheel, fast = draw(st.sampled_from([(0, 0), (1, 0), (1, 2), (3, 1), (0, 3)]))
    targets = draw(st.integers(1, 60)) if wheel else 0
    others = draw(st.sets(st.integers(1, 65535), min_size=targets - 1, max_size=targets - 1)) if targets else set()
    modes = [draw(st.integers(0, 7)) | (k in (wheel, fast)) for k in (1, 2, 3)]
    slowest = draw(u32)
    return BoardSettings(
        board_id=draw(u32), baud=draw(st.integers(0, 1)), modes=tuple(modes),
        flood_edges=draw(st.integers(2, 24)), mask_ms=draw(st.integers(5, 250)), unit=draw(st.integers(0, 1)),
        wheel_input=wheel, fast_input=fast, wheel_targets=targets, fast_targets=draw(st.integers(1, 60)) if fast else 0,
        circumference_um=draw(st.just(0) | st.integers(10_000, 20_000_000)),
        clock_ppb=draw(st.integers(-50_000_000, 50_000_000)), clock_u95_ppb=draw(u32),
        clock_day=draw(u16), settings_day=draw(u16),
        ratios_millionths=tuple(draw(st.lists(st.integers(1, 2**32 - 1), max_size=4))), slowest_mm_min=slowest,
        fastest_mm_min=draw(st.just(0) | st.integers(min(slowest + 1, 2**32 - 1), 2**32 - 1)) * (slowest < 2**32 - 1),
        slip_limit_1e4=draw(st.integers(0, 10_000)),
        angles_65536=(0, *sorted(others)) if targets and draw(st.booleans()) else (),
    )  # fmt: skip


@given(made=any_settings())
def test_what_is_packed_is_unpacked(made: BoardSettings) -> None:
    data = made.pack()
    assert len(data) == 179
    assert BoardSettings.unpack(data) == made


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"board_id": 2**32}, "board id"),
        ({"baud": 2}, "line rate"),
        ({"modes": (5, 5)}, "number of input modes"),
        ({"modes": (5, 8, 5)}, "input mode 8"),
        ({"flood_edges": 1}, "2 to 24"),
        ({"flood_edges": 25}, "2 to 24"),
        ({"mask_ms": 4}, "5 to 250"),
        ({"mask_ms": 251}, "5 to 250"),
        ({"unit": 2}, "unit"),
        ({"wheel_input": 4}, "input of the wheel"),
        ({"wheel_targets": 0, "angles_65536": ()}, "targets of the wheel"),
        ({"wheel_targets": 61, "angles_65536": ()}, "targets of the wheel"),
        ({"fast_targets": 0}, "targets of the fast shaft"),
        ({"fast_input": 1}, "cannot be the wheel's and the fast shaft's"),
        ({"modes": (4, 7, 2)}, r"input 1 is switched off, and the wheel .* \(--input 1=on\)"),
        ({"modes": (5, 6, 2)}, "input 2 is switched off, and the fast shaft"),
        ({"circumference_um": -1}, "blade per wheel turn"),
        ({"circumference_um": 9_999}, "10000 to 20000000"),
        ({"circumference_um": 20_000_001}, "10000 to 20000000"),
        ({"clock_ppb": 50_000_001}, "clock correction"),
        ({"clock_ppb": -50_000_001}, "clock correction"),
        ({"slowest_mm_min": 90_000}, "the alarm above 90 m/min is not over that below 90 m/min"),
        ({"settings_day": 2**16}, "day"),
        ({"ratios_millionths": (1, 2, 3, 4, 5)}, "number of ratios"),
        ({"ratios_millionths": (0,)}, "ratio"),
        ({"slip_limit_1e4": 10_001}, "slip limit"),
        ({"angles_65536": (0, 1, 2)}, "3 angles of 4 targets"),
        ({"angles_65536": (1, 2, 3, 4)}, "begin at 0"),
        ({"angles_65536": (0, 2, 2, 4)}, "rise"),
        ({"angles_65536": (0, 2, 3, 65536)}, "within one turn"),
    ],
)
def test_what_cannot_be_is_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        replace(SAW, **wrong)


@pytest.mark.parametrize(
    "data", [b"", SAW_BYTES[:-1], SAW_BYTES + b"\0", b"\x01" + SAW_BYTES[1:], b"\x03" + SAW_BYTES[1:]]
)
def test_another_layout_is_refused(data: bytes) -> None:
    with pytest.raises(SettingsError, match="not this layout"):
        BoardSettings.unpack(data)


def test_bytes_that_cannot_be_are_refused() -> None:
    with pytest.raises(SettingsError, match="number of angles"):
        BoardSettings.unpack(SAW_BYTES[:58] + b"\x3d" + SAW_BYTES[59:])
    with pytest.raises(SettingsError, match="angles of 4 targets"):
        BoardSettings.unpack(SAW_BYTES[:58] + b"\x03" + SAW_BYTES[59:])


def test_days_since_2000() -> None:
    # 26 years with 7 leap days (2000 to 2024) are 9497 days; 27 November is 304 + 26 days after 1 January.
    assert day_number(date(2026, 11, 27)) == 9497 + 330
    assert date_of(9827) == date(2026, 11, 27)
    assert date_of(0) is None
    assert day_number(date(2000, 1, 2)) == 1
    assert date_of(65535) == date(2179, 6, 6)
    for outside in (date(2000, 1, 1), date(1999, 12, 31), date(2179, 6, 7)):
        with pytest.raises(SettingsError, match="clock"):
            day_number(outside)


def test_when_the_display_can_show_a_speed() -> None:
    assert SAW.display_ready
    assert not BoardSettings().display_ready
    assert not replace(SAW, circumference_um=0).display_ready
    assert not BoardSettings(circumference_um=1_039_553).display_ready
    assert SAW.clock_measured
    assert not replace(SAW, clock_u95_ppb=CLOCK_NEVER).clock_measured


def test_words_of_an_input() -> None:
    """Bits of PROTOCOL.md section 8: 1 on, 2 rising, 4 pull-up."""
    assert mode_of(["on"]) == 5
    assert mode_of(["off"]) == 4
    assert mode_of(["rising"]) == 7
    assert mode_of(["rising", "no-pull-up"]) == 3
    assert mode_of(["off", "no-pull-up"]) == 0
    assert len(set(INPUT_WORDS)) == 6
