"""Do the board's settings survive damage, and a supply that fails while they are written?"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
from board_driver import EmulatedBoard
from board_session import WirePort, read_settings, wait_for, write_settings

from kerfbeat.capture.wire import AskHello, ConfigCommit, ConfigWrite, Hello, Result, Status, crc16
from kerfbeat.capture.wire_numbers import FLAG_CONFIG_DEFAULTS, FLAG_CONFIG_ONE_COPY, OK

pytestmark = pytest.mark.board

LONG = os.environ.get("KERFBEAT_LONG") == "1"
BOARD_ID = slice(1, 5)  # in the configuration
SPEED = "20"

Starter = Callable[..., EmulatedBoard]


def with_id(settings: bytes, board_id: int) -> bytes:
    changed = bytearray(settings)
    changed[BOARD_ID] = board_id.to_bytes(4, "little")
    return bytes(changed)


def status(port: WirePort) -> Status:
    """The next status."""
    found: list[Status] = []

    def look() -> bool:
        found.extend(each for each in port.receive() if isinstance(each, Status))
        return bool(found)

    wait_for(look, "a status comes")
    return found[-1]


def restart(board: EmulatedBoard) -> None:
    board.tell("power off")
    board.tell("power on")


def test_a_board_that_was_never_told_anything_says_so(start_board: Starter) -> None:
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        assert port.ask(AskHello(), Hello).config_generation == 0
        assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == FLAG_CONFIG_DEFAULTS
        assert read_settings(port) == read_settings(port)


def test_settings_stay_without_power(start_board: Starter) -> None:
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        for generation, board_id in enumerate((0x12345678, 0xFFFFFFFF, 0x00000001), start=1):
            wanted = with_id(read_settings(port), board_id)
            assert write_settings(port, wanted) == OK
            assert read_settings(port) == wanted
            restart(board)
            hello = port.ask(AskHello(), Hello)
            assert (hello.board_id, hello.config_generation) == (board_id, generation)
            assert read_settings(port) == wanted
        assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == 0


def test_a_wrong_commit_changes_nothing(start_board: Starter) -> None:
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        settings = read_settings(port)
        wanted = with_id(settings, 77)
        before = board.eeprom()
        for offset in range(0, len(wanted), 8):
            port.ask(ConfigWrite(offset=offset, data=wanted[offset : offset + 8]), Result)
        for wrong in (
            ConfigCommit(length=len(wanted), crc=crc16(wanted) ^ 1),
            ConfigCommit(length=len(wanted) - 1, crc=crc16(wanted)),
        ):
            assert port.ask(wrong, Result).code != OK
        assert read_settings(port) == settings
        restart(board)
        assert read_settings(port) == settings
        assert board.eeprom() == before


@pytest.fixture
def two_copies(start_board: Starter) -> EmulatedBoard:
    """A board with an older configuration (id 1) and the one in force (id 2)."""
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        for board_id in (1, 2):
            assert write_settings(port, with_id(read_settings(port), board_id)) == OK
    return board


def test_every_damaged_bit_is_noticed(two_copies: EmulatedBoard) -> None:
    # each bit of each used byte of each copy; the short run takes every seventh
    board = two_copies
    good = board.eeprom()
    used = [address for address, byte in enumerate(good) if byte != 0xFF]
    with WirePort(board) as port:
        for count, (address, bit) in enumerate((a, b) for a in used for b in range(8)):
            if not LONG and count % 7 != 0:
                continue
            board.tell("power off")
            board.tell(f"eeprom {address} {good[address] ^ (1 << bit):02x}")
            board.tell("power on")
            hello = port.ask(AskHello(), Hello)
            assert hello.board_id in (1, 2)
            assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == FLAG_CONFIG_ONE_COPY
            board.tell(f"eeprom {address} {good[address]:02x}")


def test_both_copies_damaged_means_defaults_and_says_so(two_copies: EmulatedBoard) -> None:
    board = two_copies
    board.tell("power off")
    board.tell("eeprom 0 " + "5a" * 1024)
    board.tell("power on")
    with WirePort(board) as port:
        hello = port.ask(AskHello(), Hello)
        assert (hello.board_id, hello.config_generation) == (0, 0)
        assert status(port).flags & FLAG_CONFIG_DEFAULTS


def commit_or_cut(board: EmulatedBoard, port: WirePort, settings: bytes) -> int | None:
    """Stages and commits; the RESULT code, or None if the supply failed first."""
    for offset in range(0, len(settings), 8):
        assert port.ask(ConfigWrite(offset=offset, data=settings[offset : offset + 8]), Result).code == OK
    board.events.clear()
    asked = port.send(ConfigCommit(length=len(settings), crc=crc16(settings)))
    codes: list[int] = []

    def done() -> bool:
        codes.extend(each.code for each in port.receive() if isinstance(each, Result) and each.asked == asked)
        return bool(codes) or any(event.startswith("cut") for event in board.events)

    wait_for(done, "the settings are written, or the supply has failed")
    return codes[0] if codes else None


@pytest.mark.parametrize("how", ["old", "erased", "half", "new"])
def test_the_supply_fails_while_settings_are_written(two_copies: EmulatedBoard, how: str) -> None:
    # at every byte of the writing: afterwards the settings are the old ones or the new ones, never a mixture
    board = two_copies
    outcomes = set()
    with WirePort(board) as port:
        old = read_settings(port)
        for number in range(1, 40):
            new = with_id(old, 0xA5A50000 + number)
            board.tell(f"cut {number} {how}")
            code = commit_or_cut(board, port, new)
            if code is None:
                board.tell("power on")
            hello = port.ask(AskHello(), Hello)
            settings = read_settings(port)
            assert settings in (old, new)
            assert hello.board_id == int.from_bytes(settings[BOARD_ID], "little")
            outcomes.add(settings == new)
            if code is not None:
                assert code == OK
                assert settings == new
                break
            old = settings
        else:
            pytest.fail("a commit writes more than 39 bytes")
    assert outcomes == {True, False}
