"""How are a board's settings read and written over the link, so that a failure never leaves the user in doubt?

A board writes new settings beside those in force and changes over at the very end, so that whatever fails leaves the
old ones or the new ones.  Each error here says which of the two, or how to see it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from kerfbeat.capture import messages as m
from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.board_settings import LENGTH, VERSION, BoardSettings
from kerfbeat.capture.events import Health
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.wire import crc16
from kerfbeat.errors import LinkError, SettingsError

__all__ = ["StoredSettings", "either_words", "health_of", "read_settings", "write_settings"]

Answer = TypeVar("Answer", m.ConfigData, m.Result)

HEAD_BYTES = 11  # as many as the oldest layout has, so that any board can answer
READ_BYTES = 32  # a frame is on the line for 1 ms, which batches can wait
WRITE_BYTES = 8  # 16 bytes on the line: with what the link asks by itself less than the 31 that a board keeps
ANSWER_S = 0.6  # an EEPROM takes 3.4 ms a byte, and the line may be busy; "after half a second" ask again
COMMIT_S = 3.0  # the whole layout at 3.4 ms a byte is 0.65 s, and the board goes on timing pulses meanwhile
TRIES = 4
BUSY_WAIT_S = 0.2  # while another commit is on its way
STATUS_WAIT_S = 2.5  # a status comes each second


@dataclass(frozen=True, kw_only=True, slots=True)
class StoredSettings:
    """What a board keeps, and how often it was written: 0 means that its defaults are in force."""

    settings: BoardSettings
    generation: int


def either_words(url: str) -> str:
    """What is certain after a failure in the midst of a change."""
    return (
        "the board holds the old settings or the new ones, never a mixture; see which: "
        f"kerfbeat configure --port {url}"
    )


def health_of(link: BoardLink, *, clock: Callable[[], float] = time.monotonic) -> Health | None:
    """The board's next status, which tells of damaged settings; None if none comes."""
    end_s = clock() + STATUS_WAIT_S
    while (left_s := end_s - clock()) > 0:
        for event in link.events(min(left_s, 0.1)):
            if isinstance(event, Health):
                return event
    return None


def read_settings(link: BoardLink) -> StoredSettings:
    """What is in force on the board.

    Raises LinkError if it does not answer or keeps another layout, and says what to do.
    """
    for _ in range(TRIES):
        first = _read(link, 0, HEAD_BYTES)
        _require_layout(link, first)
        pieces = [first]
        at = HEAD_BYTES
        while at < LENGTH:
            pieces.append(_read(link, at, min(READ_BYTES, LENGTH - at)))
            at += len(pieces[-1].data)
        if {(piece.generation, piece.length) for piece in pieces} == {(first.generation, LENGTH)}:
            break
    else:
        raise LinkError(f"{link.url}: the board's settings change while they are read; end what else writes to it")
    try:
        settings = BoardSettings.unpack(b"".join(piece.data for piece in pieces))
    except SettingsError as problem:
        raise LinkError(f"{link.url}: {problem}; its firmware is not of this program's release: {_FLASH}") from problem
    return StoredSettings(settings=settings, generation=first.generation)


def write_settings(link: BoardLink, settings: BoardSettings, *, before: StoredSettings) -> StoredSettings:
    """Write the settings, read them back, and return what the board holds now, the same.

    before : what was read last.
    Raises LinkError that says whether the old ones stand.
    """
    _require_kind(link)
    wanted = settings.pack()
    old = "the old settings stand; try again"
    for at in range(0, LENGTH, WRITE_BYTES):
        code = _result(link, m.ConfigWrite(offset=at, data=wanted[at : at + WRITE_BYTES]), otherwise=old).code
        if code != n.OK:
            raise LinkError(f"{link.url}: {_refused(code)}; {old}")
    answer = link.ask(m.ConfigCommit(length=LENGTH, crc=crc16(wanted)), wait_s=COMMIT_S)
    if answer is not None and not _is_ok(answer):
        code = answer.code if isinstance(answer, m.Result) else n.UNKNOWN_TYPE
        raise LinkError(f"{link.url}: {_refused(code)}; {old}")
    try:
        now = read_settings(link)
    except LinkError as problem:
        raise LinkError(f"{problem}; {either_words(link.url)}") from problem
    if now.settings == settings and now.generation != before.generation:
        return now
    if answer is None and now == before:
        raise LinkError(f"{link.url}: the board did not say that it took the new settings, and has not; {old}")
    raise LinkError(
        f"{link.url}: what is read back is not what was written; run this again, and keep other programs from the board"
    )


def _is_ok(answer: m.ConfigData | m.Result) -> bool:
    return isinstance(answer, m.Result) and answer.code == n.OK


_FLASH = "flash the firmware that came with this program (make -C firmware flash PORT=...), then try again"


def _require_layout(link: BoardLink, first: m.ConfigData) -> None:
    version = first.data[0]
    if version == VERSION and first.length == LENGTH:
        return
    said = (
        f"{link.url}: the board (firmware {link.firmware}) keeps settings of version {version}, this program writes "
        f"version {VERSION}"
    )
    if version <= VERSION:
        raise LinkError(f"{said}: the board is older; {_FLASH}")
    raise LinkError(f"{said}: this program is older; update kerfbeat")


def _require_kind(link: BoardLink) -> None:
    kind = link.hello.board_kind
    if kind not in [number for name, number in n.constants().items() if name.startswith("WIRE_BOARD_")]:
        raise LinkError(
            f"{link.url}: the board says that it is of kind {kind}, which this program does not know, so nothing is "
            "written to it; update kerfbeat"
        )


def _read(link: BoardLink, offset: int, count: int) -> m.ConfigData:
    for _ in range(TRIES):
        answer = link.ask(m.ConfigRead(offset=offset, count=count), wait_s=ANSWER_S)
        if isinstance(answer, m.ConfigData) and (answer.offset, len(answer.data)) == (offset, count):
            return answer
        if isinstance(answer, m.Result):
            raise LinkError(f"{link.url}: {_refused(answer.code)} when its settings were asked for; {_FLASH}")
    raise LinkError(f"{link.url}: {_why_silent(link)}")


def _result(link: BoardLink, request: m.ConfigWrite, *, otherwise: str) -> m.Result:
    for _ in range(TRIES):
        answer = link.ask(request, wait_s=ANSWER_S)
        if isinstance(answer, m.Result):
            if answer.code != n.NOT_SAVED:
                return answer
            time.sleep(BUSY_WAIT_S)  # what an interrupted program had asked for may still be on its way
    if isinstance(answer, m.Result):
        return answer
    raise LinkError(f"{link.url}: {_why_silent(link)}; {otherwise}")


def _why_silent(link: BoardLink) -> str:
    if link.down_reason is not None:
        return f"the link broke: {link.down_reason.removeprefix(f'{link.url}: ')}"
    return "the board does not answer about its settings; check the cable"


def _refused(code: int) -> str:
    match code:
        case n.BAD_LENGTH:
            return f"the board refuses the length of these settings (code {code})"
        case n.BAD_VALUE:
            return f"the board refuses a value, or was reset meanwhile (code {code})"
        case n.NOT_SAVED:
            return f"the board's memory does not hold what is written (code {code})"
        case _:
            return f"the board does not know this request (code {code})"
