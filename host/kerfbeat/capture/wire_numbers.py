"""What numbers do host and board agree on?

The source is `firmware/core/wire.h`; a test compares both ways, so that a name or value that stands on one side only
fails.  Names are the C names without their `WIRE_`.
"""

PROTOCOL = 1

DELIMITER = 0x00
FRAME_MAX = 128
OVERHEAD = 4
CRC_INIT = 0xFFFF
CRC_POLY = 0x1021
CRC_CHECK = 0x29B1

INPUTS = 3
TICK_HZ = 16_000_000
BAUD_FAST = 500_000
BAUD_SLOW = 115_200

HELLO = 0x01
BATCH = 0x02
STATUS = 0x03
MASKED = 0x04
PONG = 0x05
CONFIG_DATA = 0x06
RESULT = 0x07

ASK_HELLO = 0x41
PING = 0x42
STREAM = 0x43
CONFIG_READ = 0x44
CONFIG_WRITE = 0x45
CONFIG_COMMIT = 0x46

CONFIG_READ_MAX = 115

OK = 0x00
BAD_LENGTH = 0x01
BAD_VALUE = 0x02
UNKNOWN_TYPE = 0x03
NOT_SAVED = 0x04

BOARD_ATMEGA328P = 0x01
BOARD_ATMEGA2560 = 0x02
RESET_POWER = 0x01
RESET_PIN = 0x02
RESET_BROWN_OUT = 0x04
RESET_WATCHDOG = 0x08

FLAG_CONFIG_DEFAULTS = 0x01
FLAG_CONFIG_ONE_COPY = 0x02
FLAG_STREAMING = 0x04

BATCH_AFTER_PULSE_MS = 20
BATCH_IDLE_MS = 100
STATUS_MS = 1000

INTERVAL_NONE = 0xFFFF_FFFF


def constants() -> dict[str, int]:
    """Every number above under its full C name."""
    return {f"WIRE_{name}": value for name, value in globals().items() if name.isupper()}


__all__ = [name for name in list(globals()) if name.isupper()] + ["constants"]
