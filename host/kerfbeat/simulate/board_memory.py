"""What does the simulated board remember of its settings?  The firmware's rules, and a file for an EEPROM."""

from __future__ import annotations

from pathlib import Path

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.board_settings import LENGTH, BoardSettings
from kerfbeat.capture.wire import crc16
from kerfbeat.errors import SettingsError, SimulateError

__all__ = ["BOARD_ID", "BoardMemory"]

BOARD_ID = 0x51A70000
DEFAULT = BoardSettings(board_id=BOARD_ID).pack()
GENERATION_BYTES = 4


class BoardMemory:
    """The settings in force, and those that the host is staging.

    path : a file that keeps them when the port is closed; made at the first commit.  None: they are forgotten then.
    Raises SimulateError if there is a file that holds something else, or no such folder.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.generation = 0  # 0: the defaults are in force
        self._config = DEFAULT
        self._path = path
        if path is not None and not path.parent.is_dir():
            raise SimulateError(f"{path}: no such folder; choose another file")
        if path is not None and path.exists():
            kept = path.read_bytes()
            self.generation = int.from_bytes(kept[:GENERATION_BYTES], "little")
            self._config = kept[GENERATION_BYTES:]
            if not _sound(self._config):
                raise SimulateError(f"{path}: holds no settings of a simulated board; choose another file")
        self._staged = bytearray(self._config)

    @property
    def board_id(self) -> int:
        """The board's identity."""
        return int.from_bytes(self._config[1:5], "little")

    def read(self, offset: int, count: int) -> bytes | None:
        """Bytes of the settings in force; None if there are not so many."""
        end = offset + count
        return self._config[offset:end] if count > 0 and end <= LENGTH else None

    def stage(self, offset: int, data: bytes) -> int:
        """Take bytes of new settings; a RESULT code."""
        end = offset + len(data)
        if not data or end > LENGTH:
            return n.BAD_LENGTH
        self._staged[offset:end] = data
        return n.OK

    def commit(self, length: int, crc: int) -> int:
        """Put the staged settings in force if they are whole and sound; a RESULT code."""
        staged = bytes(self._staged)
        if length != LENGTH:
            return n.BAD_LENGTH
        if crc16(staged) != crc or not _sound(staged):
            return n.BAD_VALUE
        self._config = staged
        self.generation += 1
        if self._path is not None:
            self._path.write_bytes(self.generation.to_bytes(GENERATION_BYTES, "little") + staged)
        return n.OK


def _sound(config: bytes) -> bool:
    """Whether every value is in the range that the firmware accepts."""
    try:
        BoardSettings.unpack(config)
    except SettingsError:
        return False
    return True
