"""How is the guide's first session, from an empty board to a reading, played on the emulated board?"""

from __future__ import annotations

import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from board_driver import EmulatedBoard

PORT = "/dev/ttyUSB0"
HAND_S = 0.5                    # between targets, turned by hand
RUN_S = 60.0 / 290.0            # between targets, running: 75.4 m/min by hand, 1.039553 m x 290 / 4 a minute
WATCH_S = 7.0
# A board whose emulation is starved by other work answers too seldom to be measured: then the command is given again.
LEAST_PACE = 0.8    # of real time
ATTEMPTS = 6


def blocks(guide: str) -> list[tuple[str, list[str]]]:
    """Commands that the guide shows with their output."""
    found = re.findall(r"```console\n\$ (kerfbeat [^\n]*)\n(.*?)```", guide, re.DOTALL)
    return [(command, shown.splitlines()) for command, shown in found]


def machine_file(guide: str) -> str:
    """The description of the machine that the guide starts with."""
    found = re.search(r"```toml\n(.*?)```", guide, re.DOTALL)
    assert found is not None
    return found[1]


def _turn(board: EmulatedBoard, *, every_s: float, seconds: float, doubled: bool = False) -> None:
    """Targets pass: low for 30 ms, by hand a tenth early or late; `doubled`: each seen at both its edges."""
    share = 0.1 if every_s == HAND_S else 0.0
    steps_s = every_s * (1.0 + share * np.random.default_rng(1).uniform(-1.0, 1.0, int(seconds / every_s)))
    falls = np.rint((0.2 + np.cumsum(steps_s)) * 16e6).astype(np.int64)
    if doubled:
        falls = np.concatenate([falls, falls + int(0.031 * 16e6)])
    board.inject_pulses(falls, 1, width_cycles=int((0.0005 if doubled else 0.03) * 16e6))


BEFORE: tuple[Callable[[EmulatedBoard], None], ...] = (
    lambda board: None,
    lambda board: _turn(board, every_s=HAND_S, seconds=12.0),
    lambda board: _turn(board, every_s=HAND_S, seconds=10.0, doubled=True),
    lambda board: None,
    lambda board: _turn(board, every_s=RUN_S, seconds=20.0),
)


def play(
    start: Callable[[], EmulatedBoard], guide: str, folder: Path,
) -> Iterator[tuple[str, list[str], list[str]]]:
    """Each command, what the guide shows, and what is really printed (the port named as in the guide).

    start : starts the board, with the settings memory it had before.
    """
    (folder / "saw.toml").write_text(machine_file(guide), encoding="utf-8")
    for (command, shown), prepare in zip(blocks(guide), BEFORE, strict=True):
        for attempt in range(1, ATTEMPTS + 1):
            board = start()
            try:
                prepare(board)
                words = [board.url if word == PORT else word for word in shlex.split(command)[1:]]
                began_s, board_began_s = time.monotonic(), board.clock_s()
                printed = _printed(words, folder).replace(board.url, PORT).splitlines()
                pace = (board.clock_s() - board_began_s) / (time.monotonic() - began_s)
            finally:
                board.stop()
            if pace > LEAST_PACE or attempt == ATTEMPTS or words[0] == "configure":    # which writes, and only once
                break
        yield command, shown, printed


def _printed(words: list[str], folder: Path) -> str:
    process = subprocess.Popen(
        [sys.executable, "-m", "kerfbeat", *words], cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )
    try:
        out, err = process.communicate(timeout=WATCH_S if words[0] == "watch" else 60.0)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGINT)      # Ctrl-C, as the reader ends it
        out, err = process.communicate(timeout=20.0)
    if process.returncode != 0:
        raise RuntimeError(f"kerfbeat {' '.join(words)} ended with status {process.returncode}: {err}")
    return out if words[0] == "watch" else out + err
