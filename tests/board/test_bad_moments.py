"""What if the board starts anew at a bad moment: amid the host's words and edges, or amid a write of its settings?"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable

import numpy as np
import pytest
from board_driver import EmulatedBoard
from board_kinds import on_every_board
from board_panel import settings
from board_session import CONFIG_WRITE_MOST, WirePort, choose_slow_line, read_settings, wait_for

from kerfbeat.capture.messages import (
    AskHello,
    ConfigCommit,
    ConfigWrite,
    Hello,
    Message,
    Ping,
    Pong,
    Result,
    Stream,
)
from kerfbeat.capture.wire import crc16
from kerfbeat.capture.wire_numbers import OK

pytestmark = [pytest.mark.board, on_every_board]

LONG = os.environ.get("KERFBEAT_LONG") == "1"
PONG_MOST_TICKS = 800_000  # 50 ms: the answer to a ping waits behind a frame on the slow line at most

Starter = Callable[..., EmulatedBoard]
Note = Callable[[str], None]


def start_anew(board: EmulatedBoard, how: str) -> None:
    if how == "power":
        board.tell("power off")
        board.tell("power on")
    else:
        board.tell(how)


def keep_edges_coming(board: EmulatedBoard, rng: np.random.Generator) -> None:
    if not board.playing():
        cycles = np.arange(4000) * 5000 + rng.integers(0, 2000, 4000)
        board.inject_pulses(cycles, np.tile([1, 2, 3, 1], 1000))


def heard_since_greeting(hear: Callable[[], list[Message]]) -> list[Message]:
    """What has come since the board said of itself that it has started; waits for that."""
    messages: list[Message] = []

    def look() -> bool:
        messages.extend(hear())
        while messages and not (isinstance(messages[0], Hello) and messages[0].asked is None):
            del messages[0]
        return bool(messages)

    wait_for(look, "the board greets")
    return messages


@pytest.mark.parametrize("baud", [500_000, 115_200])
@pytest.mark.parametrize("how", ["reset", "dip", "power", "hang"])
def test_it_starts_amid_the_hosts_words_and_edges(start_board: Starter, how: str, baud: int) -> None:
    rng = np.random.default_rng([len(how), baud])
    board = start_board("--speed", "4")
    if baud == 115_200:
        choose_slow_line(board)
    count = (12 if how == "hang" else 60) if LONG else 2

    def talk(port: WirePort) -> list[Message]:
        for _ in range(2):
            word = rng.choice(4, p=[0.6, 0.2, 0.14, 0.06])
            port.send([Ping(), AskHello(), Stream(on=True), Stream(on=False)][word])
        return port.receive()

    with WirePort(board, baud=baud) as port:
        for _ in range(count):
            keep_edges_coming(board, rng)
            for _ in range(3):
                talk(port)
            time.sleep(rng.uniform(0.0, 0.004))
            start_anew(board, how)
            heard = heard_since_greeting(lambda: talk(port))
            for _ in range(5):
                heard += talk(port)
            for pong in (each for each in heard if isinstance(each, Pong)):
                assert 0 < pong.answer_ticks - pong.ping_ticks < PONG_MOST_TICKS
    stats = board.stats()
    assert stats["faults"] == 0
    assert stats["uart"]["ignored_writes"] == 0
    assert max(vector["longest_cycles"] for vector in stats["isr"].values()) <= 120
    if how != "hang":  # a program that hangs does not hear what is said
        assert stats["uart"]["overrun"] == 0
        assert stats["resets"]["watchdog"] == 0


def test_it_starts_amid_a_write_of_its_settings(start_board: Starter, measured: Note) -> None:
    rng, seeded = random.Random(5), np.random.default_rng(5)
    board = start_board("--speed", "8")
    kept = {"old": 0, "new": 0}
    with WirePort(board) as port:
        old = read_settings(port)
        for _ in range(250 if LONG else 8):
            keep_edges_coming(board, seeded)
            new = settings(targets=rng.randrange(1, 60), circumference_um=rng.randrange(200_000, 5_000_000))
            requests: list[Message] = [
                ConfigWrite(offset=at, data=new[at : at + CONFIG_WRITE_MOST])
                for at in range(0, len(new), CONFIG_WRITE_MOST)
            ]
            requests.append(ConfigCommit(length=len(new), crc=crc16(new)))
            last = rng.choice([rng.randrange(len(requests)), len(requests) - 1])
            for request in requests[:last]:
                assert port.ask(request, Result).code == OK
            port.send(requests[last])
            time.sleep(rng.uniform(0.0, 0.006))
            start_anew(board, rng.choice(["reset", "dip", "hang"]))
            heard_since_greeting(port.receive)
            now = read_settings(port)
            assert now in (old, new)
            kept["new" if now == new else "old"] += 1
            old = now
    measured(f"{board.mcu}, starts amid a write of settings: {kept['old']} old, {kept['new']} new, no mixture")
    assert kept["old"] > 0
    assert kept["new"] > 0 or not LONG
