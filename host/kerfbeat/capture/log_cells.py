"""What does one row of a log say, cell by cell, and what is wrong with it?"""

import math
import re

from kerfbeat.capture import log_format
from kerfbeat.capture.events import TICK_LIMIT

__all__ = ["BadRow", "cells_of", "needed", "number", "seconds", "tick_rate", "whole"]

TICK_HZ = (1.0, 1e12)  # from a logger of whole seconds to imported picoseconds; beyond it numbers overflow
ROUNDED = re.compile(r"[\d., ]+([eE]\+?\d+)?")


class BadRow(Exception):  # noqa: N818  whoever reads the row makes it an error that names the line
    """What is wrong with one row, and what to do."""


def cells_of(raw: bytes) -> tuple[str, str, str, str]:
    """The four cells of a row, all empty for a comment or a blank line."""
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        raise BadRow("is not UTF-8 text; the file is damaged there, or was saved in another encoding") from None
    if "\0" in text or "\r" in text:
        raise BadRow("holds control characters; the file is damaged there")
    cells = log_format.split_row(text)
    if text.startswith("#") or not any(cells):
        return "", "", "", ""
    if any(cells[4:]):
        raise BadRow(f"has {len(cells)} cells where 4 belong: {log_format.COLUMNS}")
    kind, channel, ticks, value = [*cells, "", "", ""][:4]
    return kind, channel, ticks, value


def needed(fields: dict[str, str], key: str) -> str:
    """The field of that key; BadRow if there is none."""
    if key not in fields:
        raise BadRow(f"the value lacks {key}=...")
    return fields[key]


def whole(text: str) -> int:
    """A tick or a count; BadRow for anything but a whole number below TICK_LIMIT."""
    if text.isascii() and text.isdigit() and len(text) < 20 and int(text) < TICK_LIMIT:
        return int(text)
    hint = " (a spreadsheet rounds long numbers: use the file as it was recorded)" if ROUNDED.fullmatch(text) else ""
    raise BadRow(f"{text[:30]!r} is not a whole number from 0 to 2**63 - 1{hint}")


def number(text: str) -> float:
    """Any number; NaN for a text that is none."""
    try:
        return float(text)
    except ValueError:
        return math.nan


def seconds(text: str) -> float:
    """A finite number of seconds; BadRow for anything else."""
    value = number(text)
    if not math.isfinite(value):
        raise BadRow(f"{text[:30]!r} is not a number of seconds")
    return value


def tick_rate(text: str) -> float:
    """A board's ticks a second, within TICK_HZ; BadRow for anything else."""
    value = seconds(text)
    if value <= 0:
        raise BadRow(f"tick_hz={text[:30]} must be above 0")
    if not TICK_HZ[0] <= value <= TICK_HZ[1]:
        raise BadRow(f"tick_hz={text[:30]} cannot be; write from {TICK_HZ[0]:.0f} to {TICK_HZ[1]:.0e} ticks a second")
    return value
