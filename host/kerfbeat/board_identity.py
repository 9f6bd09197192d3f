"""How is a board's identity written, so that one board always has one name?"""

import re

__all__ = ["identity_name", "read_identity"]


def identity_name(number: int) -> str:
    """`51A70000`: eight digits, as in logs, calibration files and on every screen."""
    return f"{number:08X}"


def read_identity(text: str) -> int:
    """Read what somebody wrote, in small letters or without leading zeros, too.

    Raises ValueError, whose text says what is wrong and what would be right.
    """
    if not re.fullmatch(r"[0-9A-Fa-f]{1,8}", text):
        raise ValueError(f'"{text}" is no board id; write up to eight hexadecimal digits, such as 1F03')
    return int(text, 16)
