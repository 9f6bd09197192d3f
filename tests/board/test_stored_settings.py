"""Do the board's settings survive damage, and a supply that fails while they are written?"""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Callable

import pytest
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board
from board_session import M, WirePort, read_settings, stage_settings, wait_for, write_settings

from kerfbeat.capture.messages import AskHello, ConfigCommit, ConfigWrite, Hello, Result, Status
from kerfbeat.capture.wire import crc16
from kerfbeat.capture.wire_numbers import FLAG_CONFIG_DEFAULTS, FLAG_CONFIG_ONE_COPY, OK

pytestmark = pytest.mark.board

LONG = os.environ.get("KERFBEAT_LONG") == "1"
BOARD_ID = slice(1, 5)  # in the configuration
SLOT_BYTES, SLOT_SPACING = 186, 256  # PROTOCOL.md section 8
SPEED = "20"

Starter = Callable[..., EmulatedBoard]


def with_id(settings: bytes, board_id: int) -> bytes:
    changed = bytearray(settings)
    changed[BOARD_ID] = board_id.to_bytes(4, "little")
    return bytes(changed)


def next_of(port: WirePort, kind: type[M]) -> M:
    """The next message of that kind that no request asked for."""
    found: list[M] = []

    def look() -> bool:
        found.extend(each for each in port.receive() if isinstance(each, kind) and getattr(each, "asked", None) is None)
        return bool(found)

    wait_for(look, f"a {kind.__name__} comes")
    return found[-1]


def status(port: WirePort) -> Status:
    return next_of(port, Status)


def restart(board: EmulatedBoard) -> None:
    board.tell("power off")
    board.tell("power on")


def test_a_board_that_was_never_told_anything_says_so(start_board: Starter) -> None:
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        assert port.ask(AskHello(), Hello).config_generation == 0
        assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == FLAG_CONFIG_DEFAULTS
        assert read_settings(port) == read_settings(port)


@on_every_board
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
        assert len(board.eeprom()) == PROMISES[board.mcu].eeprom_bytes
        assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == 0


def test_a_wrong_commit_changes_nothing(start_board: Starter) -> None:
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        settings = read_settings(port)
        wanted = with_id(settings, 77)
        stage_settings(port, wanted)
        for wrong in (
            ConfigCommit(length=len(wanted), crc=crc16(wanted) ^ 1),
            ConfigCommit(length=len(wanted) - 1, crc=crc16(wanted)),
        ):
            assert port.ask(wrong, Result).code != OK
        assert read_settings(port) == settings
        restart(board)
        assert read_settings(port) == settings


@pytest.fixture
def two_copies(start_board: Starter) -> EmulatedBoard:
    """A board with an older configuration (id 1) and the one in force (id 2)."""
    board = start_board("--speed", SPEED)
    with WirePort(board) as port:
        for board_id in (1, 2):
            assert write_settings(port, with_id(read_settings(port), board_id)) == OK
    return board


def test_every_damaged_bit_is_noticed(two_copies: EmulatedBoard) -> None:
    # each bit of each used byte of each copy; the short run takes every 47th
    board = two_copies
    good = board.eeprom()
    used = [*range(SLOT_BYTES), *range(SLOT_SPACING, SLOT_SPACING + SLOT_BYTES)]
    assert all(byte == 0xFF for address, byte in enumerate(good) if address not in used)
    with WirePort(board) as port:
        for count, (address, bit) in enumerate((a, b) for a in used for b in range(8)):
            if not LONG and count % 47 != 0:
                continue
            board.tell("power off")
            board.tell(f"eeprom {address} {good[address] ^ (1 << bit):02x}")
            board.tell("power on")
            hello = next_of(port, Hello)       # said at each start
            assert hello.board_id == (1 if address >= SLOT_SPACING else 2)      # the other copy's
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


def saw(generator: random.Random) -> bytes:
    """Settings of some saw, every field other than before, angles and all."""
    targets = generator.randint(1, 60)
    angles = [0, *sorted(generator.sample(range(1, 65536), targets - 1))]
    head = struct.pack(
        "<BIBBBBBBBBBBBIiIHH4IIIHB",
        2, generator.getrandbits(32), 0, 5, 5, 5, generator.randint(2, 24), generator.randint(5, 250),
        generator.randint(0, 1), 1, 2, targets, generator.randint(1, 60), generator.randint(10_000, 20_000_000),
        generator.randint(-50_000_000, 50_000_000), generator.getrandbits(32), generator.getrandbits(16),
        generator.getrandbits(16), *(generator.getrandbits(32) for _ in range(4)), generator.randint(0, 10**6),
        generator.randint(10**6 + 1, 10**9), generator.randint(0, 10_000), targets,
    )
    return head + struct.pack(f"<{targets}H", *angles) + generator.randbytes(2 * (60 - targets))


def write_or_cut(board: EmulatedBoard, port: WirePort, settings: bytes) -> int | None:
    """Stages and commits; the RESULT code of the commit, or None if the supply failed first."""
    requests: list[ConfigWrite | ConfigCommit] = [
        ConfigWrite(offset=offset, data=settings[offset : offset + 14]) for offset in range(0, len(settings), 14)
    ]
    board.events.clear()
    code = None
    for request in (*requests, ConfigCommit(length=len(settings), crc=crc16(settings))):
        asked = port.send(request)
        codes: list[int] = []

        def done(asked: int = asked, codes: list[int] = codes) -> bool:
            codes.extend(each.code for each in port.receive() if isinstance(each, Result) and each.asked == asked)
            return bool(codes) or any(event.startswith("cut") for event in board.events)

        wait_for(done, "the settings are written, or the supply has failed")
        if not codes:
            return None
        code = codes[0]
        assert code == OK
    return code


def test_the_supply_fails_while_settings_are_written(
    two_copies: EmulatedBoard, measured: Callable[[str], None],
) -> None:
    # At each byte of a write in turn, what becomes of that byte drawn by lot: afterwards the settings are the old ones
    # or the new ones, never a mixture.  The core's own test (test_slots.c) goes through every byte in every case.
    board = two_copies
    generator = random.Random(20260101)
    cuts, outcomes = 1000 if LONG else 60, {True: 0, False: 0}
    with WirePort(board) as port:
        old = read_settings(port)
        new = saw(generator)
        before = board.stats()["eeprom_writes"]
        assert write_or_cut(board, port, new) == OK
        writes = board.stats()["eeprom_writes"] - before
        assert 150 < writes <= SLOT_BYTES + 1           # every byte but those that were the same before
        for number in range(cuts):
            old, new = new, saw(generator)
            cut = 1 + number * 61 % writes if number % 4 else generator.randint(writes - 8, writes)  # and its end
            board.tell(f"cut {cut} {generator.choice(['old', 'erased', 'half', 'new'])}")
            code = write_or_cut(board, port, new)
            board.tell("cut 0 old")
            if code is None:
                board.tell("power on")
            settings = read_settings(port)
            assert settings in (old, new)
            assert code is None or settings == new
            assert port.ask(AskHello(), Hello).board_id == int.from_bytes(settings[BOARD_ID], "little")
            outcomes[settings == new] += 1
            new = settings
    assert min(outcomes.values()) > 0
    measured(f"supply cut during {cuts} writes of settings: {outcomes[False]} old, {outcomes[True]} new, no mixture")


def test_settings_of_the_layout_before_count_as_damaged(start_board: Starter) -> None:
    # a slot of eleven bytes as firmware 1.0 wrote it (PROTOCOL.md section 8)
    board = start_board("--speed", SPEED)
    board.tell("power off")
    slot = struct.pack("<BIBIBBBBBB", 11, 7, 1, 70, 0, 5, 7, 5, 20, 30)
    board.tell(f"eeprom 0 {(slot + crc16(slot).to_bytes(2, 'little')).hex()}")
    board.tell("power on")
    with WirePort(board) as port:
        hello = port.ask(AskHello(), Hello)
        assert (hello.board_id, hello.config_generation) == (0, 0)
        assert status(port).flags & FLAG_CONFIG_DEFAULTS
        new = saw(random.Random(1))
        assert write_settings(port, new) == OK
        restart(board)
        assert read_settings(port) == new
        assert status(port).flags & (FLAG_CONFIG_DEFAULTS | FLAG_CONFIG_ONE_COPY) == 0
