"""How is the emulated board started, told what to do, and asked what happened?"""

from __future__ import annotations

import json
import queue
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

BINARY_HEAD = b"KERFEDG1"
BOARD_HZ = 16_000_000


def pack_edges(cycles: NDArray[np.int64], inputs: NDArray[np.int64], levels: NDArray[np.int64]) -> bytes:
    """Edges in the board's binary form, sorted by cycle; input 1 to 3, level 0 or 1."""
    order = np.argsort(cycles, kind="stable")
    words = (np.asarray(cycles) * 8 + np.asarray(inputs) * 2 + np.asarray(levels))[order].astype("<u8")
    return BINARY_HEAD + words.tobytes()


class EmulatedBoard:
    """One running board: the flashed program, its port, its pins.

    Levels rest high, as behind a pull-up; a pulse is a fall and a rise, and its time is that of the fall.
    """

    def __init__(self, program: Path, elf: Path, folder: Path, options: Sequence[str] = ()) -> None:
        self.folder = folder
        self.eeprom_file = folder / "eeprom.bin"
        self.truth_file = folder / "truth.bin"
        self.link = folder / "port"
        self._played = 0
        clock_file = folder / "clock"
        np.zeros(1).tofile(clock_file)
        self._clock = np.memmap(clock_file, dtype=np.float64, mode="r", shape=(1,))
        self.events: list[str] = []
        self._answers: queue.Queue[str] = queue.Queue()
        command = [str(program), "--elf", str(elf), "--pty", str(self.link), "--truth", str(self.truth_file),
                   "--clock", str(clock_file)]
        self._process = subprocess.Popen(
            [*command, "--eeprom", str(self.eeprom_file), *options],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        try:
            self.path = self._answer().removeprefix("ready ")
        except BaseException:
            self.stop()
            raise

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("event "):
                self.events.append(line.removeprefix("event ").strip())
            else:
                self._answers.put(line.strip())
        self._answers.put("error: the board has stopped")

    def _answer(self) -> str:
        answer = self._answers.get(timeout=30)
        if answer.startswith("error"):
            raise RuntimeError(f"{answer} {self._stderr()}")
        return answer

    def _stderr(self) -> str:
        if self._process.poll() is None or self._process.stderr is None:
            return ""
        return self._process.stderr.read()

    @property
    def url(self) -> str:
        """Port to open: a name that stays when the port is plugged in anew."""
        return str(self.link)

    def tell(self, command: str) -> str:
        """One command of firmware/bench/README.md; its answer without the "ok"."""
        assert self._process.stdin is not None
        self._process.stdin.write(command + "\n")
        self._process.stdin.flush()
        return self._answer().removeprefix("ok").strip()

    def clock_s(self) -> float:
        """Seconds that the board has reached; the host's clock where the board does not run in real time."""
        return float(self._clock[0])

    def cycle(self) -> int:
        return int(self.tell("cycle"))

    def stats(self) -> dict[str, Any]:
        result: dict[str, Any] = json.loads(self.tell("stats"))
        return result

    @property
    def mcu(self) -> str:
        """The chip it is, as the ELF says."""
        return str(self.stats()["mcu"])

    def reset(self) -> int:
        """Pulls the reset pin; the cycle at which it happened."""
        return int(self.tell("reset"))

    def inject(
        self, cycles: Any, inputs: Any, levels: Any, *, after_cycles: int = 16_000, absolute: bool = False,
    ) -> int:
        """Plays edges whose cycles count from `after_cycles` after now, or from the start; the cycle 0 stands for."""
        self._played += 1
        path = self.folder / f"edges{self._played}.bin"
        path.write_bytes(pack_edges(*(np.asarray(a, dtype=np.int64) for a in (cycles, inputs, levels))))
        return int(self.tell(f"play {path} {0 if absolute else f'+{after_cycles}'}"))

    def inject_pulses(
        self, cycles: Any, inputs: Any, *, width_cycles: int = 400, after_cycles: int = 16_000, absolute: bool = False,
    ) -> int:
        """Pulses, low for `width_cycles` each; otherwise as `inject`."""
        falls = np.asarray(cycles, dtype=np.int64)
        which = np.broadcast_to(np.asarray(inputs, dtype=np.int64), falls.shape)
        return self.inject(
            np.concatenate([falls, falls + width_cycles]), np.concatenate([which, which]),
            np.concatenate([np.zeros_like(falls), np.ones_like(falls)]), after_cycles=after_cycles, absolute=absolute,
        )

    def playing(self) -> bool:
        return self.tell("playing") == "1"

    def truth(self, *, level: int | None = 0) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Cycle and input (1 to 3) of every edge to `level` (falls, unless told otherwise) really injected so far."""
        if self._process.poll() is None:
            self.tell("flush")
        words = np.frombuffer(self.truth_file.read_bytes()[len(BINARY_HEAD):], dtype="<u8").astype(np.int64)
        if level is not None:
            words = words[(words & 1) == level]
        return words >> 3, (words >> 1) & 3

    def eeprom(self) -> bytes:
        return bytes.fromhex(self.tell("eeprom"))

    def stop(self) -> None:
        """Ends the board; its truth and EEPROM files are complete afterwards."""
        if self._process.poll() is None:
            assert self._process.stdin is not None
            try:
                self._process.stdin.close()
                self._process.wait(timeout=10)
            except (BrokenPipeError, subprocess.TimeoutExpired):
                self._process.kill()
                self._process.wait()
        self._reader.join(timeout=10)
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()
