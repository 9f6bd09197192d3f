"""Does the board know why it started, when a boot loader has cleared the register that says so?

A loader is played by a few instructions in front of the program: it keeps the causes, clears the register, and leaves
a value in r2.  An old loader that lets the watchdog run is played by the emulated board itself (tests/board).
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from board_driver import EmulatedBoard
from page_client import ASK_HELLO, HELLO, Client

pytestmark = pytest.mark.board

LOADER = """
#include <avr/io.h>
void loader(void) __attribute__((naked, used, section(".init0")));
void loader(void)
{{
    __asm__ volatile("in r2, %0" : : "I"(_SFR_IO_ADDR(MCUSR)));
    __asm__ volatile("clr r1\\n\\tout %0, r1" : : "I"(_SFR_IO_ADDR(MCUSR)));
    {hand_over}
}}
"""
POWER, PIN, BROWN_OUT, WATCHDOG, UNKNOWN = 0x01, 0x02, 0x04, 0x08, 0x00


@pytest.mark.parametrize(("hand_over", "after_power", "after_pin"), [
    ("", POWER, PIN),                                                           # hands the causes over in r2
    ('__asm__ volatile("ldi r16, 0x92\\n\\tmov r2, r16");', UNKNOWN, UNKNOWN),    # leaves something else there
    ('__asm__ volatile("clr r2");', UNKNOWN, UNKNOWN),                          # leaves nothing there
], ids=["hands over", "leaves rubbish", "leaves nothing"])
def test_reset_cause_after_a_loader(
    make: Callable[..., subprocess.CompletedProcess[str]], bench_program: Path, tmp_path: Path, hand_over: str,
    after_power: int, after_pin: int,
) -> None:
    source = tmp_path / "loader.c"
    source.write_text(LOADER.format(hand_over=hand_over))
    done = make(f"EXTRA={source}", f"BUILD={tmp_path}/build", f"{tmp_path}/build/atmega328p.elf")
    assert done.returncode == 0, done.stderr
    board = EmulatedBoard(bench_program, tmp_path / "build" / "atmega328p.elf", tmp_path)
    try:
        with Client(board.url) as client:
            assert client.ask(ASK_HELLO, 1, answer=HELLO)["reset_cause"] & ~BROWN_OUT == after_power
            board.reset()
            assert client.wait_for(HELLO)["reset_cause"] == after_pin
            board.tell("hang")
            assert client.wait_for(HELLO)["reset_cause"] == WATCHDOG            # started anew without the loader
    finally:
        board.stop()
