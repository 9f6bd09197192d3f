"""Does the flashed program do what PROTOCOL.md says, to a client that knows only the page?"""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board
from crccheck.crc import Crc16Ibm3740
from page_client import (
    ASK_HELLO,
    BATCH,
    CONFIG_COMMIT,
    CONFIG_DATA,
    CONFIG_READ,
    CONFIG_WRITE,
    HELLO,
    MASKED,
    PING,
    PONG,
    RESULT,
    STATUS,
    STREAM,
    Client,
    make_frame,
)

pytestmark = pytest.mark.board

Starter = Callable[..., EmulatedBoard]
WRAP = 1 << 16
DONE, WRONG_LENGTH, WRONG_VALUE, UNKNOWN_TYPE = range(4)
LENGTH = 179
DEFAULTS = bytes.fromhex("02 00000000 00 05 05 05 0C 14 00 00 00 00 00 00000000 00000000 FFFFFFFF").ljust(LENGTH, b"\0")


def play_out(board: EmulatedBoard, client: Client) -> None:
    """Listens until every edge has been injected and a batch is complete beyond the last."""
    while board.playing():
        client.listen()
    end = board.cycle() - tick_zero_cycle(board)
    while not client.batches() or client.batches()[-1].complete < end:
        client.listen()


def tick_zero_cycle(board: EmulatedBoard) -> int:
    """The board's counter starts within its first wrap."""
    return int(board.stats()["counter_zero_cycle"]) % WRAP


@on_every_board
def test_hello_after_reset_and_when_asked(start_board: Starter, board_name: str) -> None:
    board = start_board()
    with Client(board.url) as client:
        answer = client.ask(ASK_HELLO, 0x5A, answer=HELLO)
        assert (answer["protocol"], answer["tick_hz"], answer["inputs"]) == (1, 16_000_000, 3)
        assert (answer["answered"], answer["config_generation"], answer["board_id"]) == (1, 0, 0)
        assert answer["board_kind"] == PROMISES[board_name].kind
        board.reset()
        unasked = client.wait_for(HELLO)
        assert (unasked["answered"], unasked["asked"]) == (0, 0)
        assert unasked["reset_cause"] == 0x02
        assert 0 < unasked["tick"] < 16_000          # within a millisecond of the clock's start
        kind, sequence, _ = client.frames[-1]
        assert (kind, sequence) == (HELLO, 0)
        status = client.wait_for(STATUS)             # comes without streaming
        assert status["flags"] == 0x01               # nothing stored yet
        assert 14_000_000 < status["tick"] < 17_600_000
        assert not any(kind == BATCH for kind, _, _ in client.frames)


@on_every_board
def test_lone_edges(start_board: Starter, board_name: str) -> None:
    """What is left of each input's latency when nothing is in the way (BOARD_LATENCIES_TICKS)."""
    board = start_board("--speed", "4")
    with Client(board.url) as client:
        client.ask(STREAM, 1, b"\1")
        board.inject_pulses(np.arange(300) * 81_013, np.arange(300) % 3 + 1)
        play_out(board, client)
    cycles, inputs = board.truth()
    for number in (1, 2, 3):
        late = np.concatenate([batch.edges[number - 1] for batch in client.batches()]) - (
            cycles[inputs == number] - tick_zero_cycle(board)
        )
        assert late.size == 100
        if PROMISES[board_name].tolerance_ticks[number] == 1:
            assert np.all(late == 4)                 # the noise canceller; data sheet, "Input Capture Unit"
        else:
            # awake an instruction has to be finished; asleep 4 or 5 cycles more (data sheet, "Interrupt Response Time")
            assert late.min() >= 0
            assert np.percentile(late, 75) <= 8


def test_batches_promise_and_keep(start_board: Starter) -> None:
    board = start_board("--speed", "4")
    with Client(board.url) as client:
        client.ask(STREAM, 1, b"\1")
        rng = np.random.default_rng(3)
        cycles = np.cumsum(rng.integers(200, 12_000, 5000))
        board.inject_pulses(cycles, rng.integers(1, 4, 5000), width_cycles=80)
        play_out(board, client)
    batches = client.batches()
    assert client.damaged == 0
    assert all(later.base == earlier.complete for earlier, later in pairwise(batches))
    sequences = [sequence for _, sequence, _ in client.frames]
    assert all((later - earlier) % 256 == 1 for earlier, later in pairwise(sequences))
    injected, inputs = board.truth()
    zero = tick_zero_cycle(board)
    for index in range(3):
        count = batches[0].count[index] - len(batches[0].edges[index])
        truth = injected[inputs == index + 1] - zero
        told = 0
        for batch in batches:
            count += len(batch.edges[index])
            assert batch.count[index] == count
            assert batch.lost[index] == 0
            told += len(batch.edges[index])
            assert np.count_nonzero(truth + 160 <= batch.complete) <= told
        assert told == truth.size


def test_pings_are_answered_in_their_interval(start_board: Starter) -> None:
    board = start_board()
    with Client(board.url) as client:
        client.ask(STREAM, 1, b"\1")
        board.inject_pulses(np.arange(6000) * 2_500, np.arange(6000) % 3 + 1)    # the line is busy
        for sequence in range(60):
            sent = board.cycle()
            pong = client.ask(PING, sequence, answer=PONG)
            received = board.cycle()
            zero = tick_zero_cycle(board)
            assert sent <= pong["ping_tick"] + zero <= pong["answer_tick"] + zero <= received
            assert pong["answer_tick"] - pong["ping_tick"] < 16_000_000 * 0.006      # two frames, as section 6 says


def test_refusals(start_board: Starter) -> None:
    board = start_board()
    with Client(board.url) as client:
        def code(kind: int, payload: bytes = b"") -> int:
            result = client.ask(kind, 9, payload)
            assert result["request"] == kind
            return int(result["code"])

        assert code(0x47) == UNKNOWN_TYPE
        assert code(0x00) == UNKNOWN_TYPE
        assert code(STREAM) == WRONG_LENGTH
        assert code(STREAM, b"\1\1") == WRONG_LENGTH
        assert code(STREAM, b"\2") == WRONG_VALUE
        assert code(ASK_HELLO, b"\0") == WRONG_LENGTH
        assert code(PING, b"\0") == WRONG_LENGTH
        assert code(CONFIG_READ, b"\0\0") == WRONG_LENGTH
        assert code(CONFIG_READ, b"\0\0\0") == WRONG_VALUE
        assert code(CONFIG_READ, b"\x50\0\x64") == WRONG_VALUE
        assert code(CONFIG_READ, b"\xb4\0\1") == WRONG_VALUE
        assert code(CONFIG_WRITE, b"\0\0") == WRONG_LENGTH
        assert code(CONFIG_WRITE, b"\xb3\0\0") == WRONG_LENGTH
        assert code(CONFIG_COMMIT, b"\xb3\0\0") == WRONG_LENGTH
        assert code(CONFIG_COMMIT, b"\x0b\0\0\0") == WRONG_LENGTH
        assert code(CONFIG_COMMIT, b"\xb3\0\0\0") == WRONG_VALUE
        assert code(STREAM, b"\0") == DONE

        before = client.wait_for(STATUS)["rx_bad"]
        client.write(b"\x03\x41\0")                                  # ends inside a COBS block
        client.write(b"\x05\x41\x01\x01\x01\0")                      # a CRC that is not right
        client.write(make_frame(PING, 1)[:-1] + b"\x42\0")           # a byte too many
        client.write(b"\x7f" * 40 + b"\0")                           # too long
        assert client.wait_for(STATUS)["rx_bad"] == before + 4
        assert board.stats()["eeprom_writes"] == 0


def stage(client: Client, settings: bytes) -> None:
    for at in range(0, LENGTH, 14):
        assert client.ask(CONFIG_WRITE, 2, bytes([at, 0]) + settings[at:at + 14])["code"] == DONE


def commit(client: Client, settings: bytes) -> int:
    crc = Crc16Ibm3740.calc(settings).to_bytes(2, "little")
    return int(client.ask(CONFIG_COMMIT, 3, bytes([LENGTH, 0]) + crc)["code"])


def configure(client: Client, settings: bytes) -> int:
    stage(client, settings)
    return commit(client, settings)


def read_all(client: Client) -> tuple[int, bytes]:
    """Generation and bytes of the configuration in force."""
    first = client.ask(CONFIG_READ, 1, b"\0\0\x73", answer=CONFIG_DATA)
    second = client.ask(CONFIG_READ, 2, b"\x73\0\x40", answer=CONFIG_DATA)
    assert (first["length"], first["offset"], second["offset"]) == (LENGTH, 0, 115)
    assert isinstance(first["rest"], bytes)
    assert isinstance(second["rest"], bytes)
    assert isinstance(first["generation"], int)
    return first["generation"], first["rest"] + second["rest"]


def test_settings_are_read_written_and_obeyed(start_board: Starter) -> None:
    board = start_board()
    with Client(board.url) as client:
        assert read_all(client) == (0, DEFAULTS)
        part = client.ask(CONFIG_READ, 4, b"\5\0\2", answer=CONFIG_DATA)
        assert (part["offset"], part["rest"]) == (5, DEFAULTS[5:7])

        # input 1 counts rises, input 2 falls, input 3 is off; the wheel has three targets on input 1
        settings = bytes.fromhex("02 07000000 00 07 05 04 0C 14 01 01 02 03 01 C1DC0F00").ljust(58, b"\0")
        settings += bytes.fromhex("03 0000 5555 ABAA").ljust(LENGTH - 58, b"\x5A")   # beyond the angles: anything
        assert configure(client, settings) == DONE
        assert read_all(client) == (1, settings)
        client.ask(STREAM, 6, b"\1")
        board.inject_pulses(np.repeat(np.arange(10) * 48_000, 3), np.tile([1, 2, 3], 10), width_cycles=16_000)
        play_out(board, client)
        zero = tick_zero_cycle(board)
        for number, level in ((1, 1), (2, 0)):
            cycles, inputs = board.truth(level=level)
            recorded = np.concatenate([batch.edges[number - 1] for batch in client.batches()])
            assert np.all(np.abs(recorded - (cycles[inputs == number] - zero)) <= 160)
        assert sum(len(batch.edges[2]) for batch in client.batches()) == 0
        assert client.batches()[-1].count[2] == 0

        stage(client, settings)
        for at, bad in (
            (0, 1), (0, 3), (5, 2), (6, 8), (9, 1), (9, 25), (10, 4), (10, 251), (11, 2), (12, 3), (12, 4), (13, 1),
            (14, 0), (14, 61), (15, 0), (15, 61), (19, 2), (23, 0x7F), (57, 0x28), (58, 2), (59, 1), (64, 0x54),
        ):
            assert client.ask(CONFIG_WRITE, 2, bytes([at, 0, bad]))["code"] == DONE
            assert commit(client, settings[:at] + bytes([bad]) + settings[at + 1:]) == WRONG_VALUE, (at, bad)
            assert client.ask(CONFIG_WRITE, 2, bytes([at, 0, settings[at]]))["code"] == DONE
        assert read_all(client) == (1, settings)


def test_the_baud_waits_for_the_next_reset(start_board: Starter) -> None:
    board = start_board()
    with Client(board.url) as client:
        assert configure(client, bytes.fromhex("02 07000000 01 05 05 05 0C 14").ljust(LENGTH, b"\0")) == DONE
        assert client.ask(ASK_HELLO, 4, answer=HELLO)["config_generation"] == 1
    board.reset()
    with Client(board.url, baud=115_200) as client:
        hello = client.ask(ASK_HELLO, 5, answer=HELLO)
        assert (hello["config_generation"], hello["board_id"]) == (1, 7)


def test_requests_wait_for_a_commit(start_board: Starter) -> None:
    board = start_board("--speed", "0.2")            # slow enough for three requests within its 25 ms
    settings = bytes.fromhex("02 08000000 00 05 05 05 0C 14").ljust(LENGTH, b"\0")
    payload = bytes([LENGTH, 0]) + Crc16Ibm3740.calc(settings).to_bytes(2, "little")
    with Client(board.url) as client:
        stage(client, settings)
        client.frames.clear()
        requests = (CONFIG_COMMIT, 3, payload), (PING, 4, b""), (CONFIG_READ, 5, b"\1\0\1")
        client.write(b"".join(make_frame(*request) for request in requests))
        stored = client.wait_for(CONFIG_DATA, 5)
        assert (stored["generation"], stored["rest"]) == (1, b"\x08")
        answers = [(kind, payload[0]) for kind, _, payload in client.frames if kind in {RESULT, PONG, CONFIG_DATA}]
        assert answers == [(RESULT, 3), (PONG, 4), (CONFIG_DATA, 5)]


def test_a_mask_is_told_and_holds_complete_back(start_board: Starter) -> None:
    board = start_board("--speed", "4")
    with Client(board.url) as client:
        client.ask(STREAM, 1, b"\1")
        slow = np.arange(200) * 16_000
        flood = np.arange(4000) * 200 + 800_000          # 50 ms of 80 kHz
        board.inject_pulses(np.concatenate([slow, flood]), np.repeat([1, 2], [200, 4000]), width_cycles=60)
        play_out(board, client)
        deadline = time.monotonic() + 0.3
        while time.monotonic() < deadline:
            client.listen()
    masks = []
    edges: list[int] = []
    reached = 0
    batches = iter(client.batches())
    for kind, _, payload in client.frames:
        if kind == MASKED:
            masks.append((payload[0], *(int.from_bytes(payload[at:at + 8], "little") for at in (1, 9))))
            assert masks[-1][1] in edges                 # the last edge before the mask
            assert reached <= masks[-1][1]               # silence was not told in between
        elif kind == BATCH:
            batch = next(batches)
            edges += batch.edges[1]
            reached = batch.complete
    assert len(masks) >= 2
    assert all(index == 1 and until - since >= 320_000 for index, since, until in masks)
    injected, inputs = board.truth()
    unseen = [
        cycle for cycle in injected[inputs == 2] - tick_zero_cycle(board)
        if not any(abs(edge - cycle) <= 160 for edge in edges)
    ]
    assert unseen
    assert all(any(since < cycle <= until for _, since, until in masks) for cycle in unseen)
