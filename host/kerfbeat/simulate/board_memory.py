"""What does the simulated board remember of its settings?  The firmware's rules, without its damage."""

from __future__ import annotations

from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.wire import crc16

__all__ = ["BOARD_ID", "CONFIG_BYTES", "BoardMemory"]

BOARD_ID = 0x51A70000
VERSION = 1
CONFIG_BYTES = 11  # version, board id (4), baud, mode of each input (3), flood_edges, mask_ms
DEFAULT = bytes([VERSION, *BOARD_ID.to_bytes(4, "little"), 0, 5, 5, 5, 12, 20])


class BoardMemory:
    """The configuration in force, and the one that the host is staging; gone when the port is closed."""

    def __init__(self) -> None:
        self.generation = 0  # 0: the defaults are in force
        self._config = DEFAULT
        self._staged = bytearray(DEFAULT)

    @property
    def board_id(self) -> int:
        """The board's identity."""
        return int.from_bytes(self._config[1:5], "little")

    def read(self, offset: int, count: int) -> bytes | None:
        """Bytes of the configuration in force; None if there are not so many."""
        end = offset + count
        return self._config[offset:end] if count > 0 and end <= CONFIG_BYTES else None

    def stage(self, offset: int, data: bytes) -> int:
        """Take bytes of a new configuration; a RESULT code."""
        end = offset + len(data)
        if not data or end > CONFIG_BYTES:
            return n.BAD_LENGTH
        self._staged[offset:end] = data
        return n.OK

    def commit(self, length: int, crc: int) -> int:
        """Put the staged configuration in force if it is whole and sound; a RESULT code."""
        staged = bytes(self._staged)
        if length != CONFIG_BYTES:
            return n.BAD_LENGTH
        if crc16(staged) != crc or not _sound(staged):
            return n.BAD_VALUE
        self._config = staged
        self.generation += 1
        return n.OK


def _sound(config: bytes) -> bool:
    """Whether every value is in the range that the firmware accepts."""
    return (
        config[0] == VERSION
        and config[5] <= 1
        and all(mode <= 7 for mode in config[6:9])
        and 2 <= config[9] <= 24
        and 5 <= config[10] <= 250
    )
