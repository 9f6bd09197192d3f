r"""How is a pulse log written as text?

A log opens in a spreadsheet: comment lines that start with `# `, then CSV rows `kind,channel,ticks,value`.  Every row
is one line whatever a name or a note holds: control characters are written as `\n`, `\x07` and the like.  A value
always starts with a key (`note=...`), so no cell starts with a sign that a spreadsheet takes for a formula.

Marks are `hz=50`, `gear=low`, `belt=low`, `cut=start` and `cut=stop`, which hold until marked again, and `note=...`:
what the operator did.  Two say what the program saw while it listened, and hold nothing: `slip=start;
between=motor-wheel; since=TICK; percent=2.13; against=idle running so far` where slip beyond creep was found (`since`:
where it most likely began), and `slip=stop; between=motor-wheel; most_percent=3.20` where it had ended.  `log=end`
closes a log.
"""

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from kerfbeat.errors import LogError

__all__ = [
    "COLUMNS",
    "VERSION",
    "Header",
    "escape",
    "fields_text",
    "header_lines",
    "parse_fields",
    "parse_header",
    "row",
    "split_row",
    "unescape",
]

VERSION = 1
TITLE = "# kerfbeat log "
COLUMNS = "kind,channel,ticks,value"
STARTED = "# started ="
MACHINE = "# machine|"
CALIBRATION = "# calibration|"
EXPLANATION = (
    "# One row an event. ticks: the board's clock, which starts anew at each segment row; tick_hz says its rate.",
    "# pulse: an edge. lost: pulses that are missing from ticks until ... mark: what the operator did.",
    "# sync: the board's clock beside the host's. A torn last line is what a power cut leaves: it is ignored.",
)
YEARS = (1970, 9000)  # a clock that was never set begins at the first; dates cannot be told far beyond the last
KEY = re.compile(r"[a-z][a-z0-9_]*")
ESCAPED = re.compile(r"\\(\\|n|r|t|x[0-9a-f]{2}|u[0-9a-f]{4}|U[0-9a-f]{8})")
SHORT = {"\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
LONG = {short[1]: plain for plain, short in SHORT.items()}


def escape(text: str, *, also: str = "") -> str:
    """`text` in one line of printable characters; `unescape` gives it back.  `also`: more characters to escape."""

    def one(character: str) -> str:
        short = SHORT.get(character)
        if short is not None:
            return short
        if character.isprintable() and character not in also:
            return character
        code = ord(character)
        return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"

    return "".join(map(one, text))


def unescape(text: str) -> str:
    """The inverse of `escape`; a backslash that escapes nothing stays as it is."""

    def one(found: re.Match[str]) -> str:
        code = found.group(1)
        plain = LONG.get(code)
        if plain is not None:
            return plain
        number = int(code[1:], 16)
        return chr(number) if number < 0x110000 else found.group(0)

    return ESCAPED.sub(one, text) if "\\" in text else text


def row(kind: str, channel: str, ticks: int, value: str) -> str:
    """One row, its line end included."""
    if "," in value or '"' in value:
        value = '"' + value.replace('"', '""') + '"'
    return f"{kind},{channel},{ticks},{value}\n"


def split_row(line: str) -> list[str]:
    """Cells of one row."""
    return next(csv.reader(io.StringIO(line)), [])


def fields_text(fields: Mapping[str, str]) -> str:
    """`key=value; key=value` with the values escaped, blanks at their ends too."""
    return "; ".join(f"{key}={_field(value)}" for key, value in fields.items())


def _field(value: str) -> str:
    text = escape(value, also=";")
    if text.startswith(" "):
        text = "\\x20" + text[1:]
    return text[:-1] + "\\x20" if text.endswith(" ") else text


def parse_fields(text: str) -> dict[str, str]:
    """The inverse of `fields_text`; a part without `=` is left out, and missed by whoever needs it."""
    parts = (part.strip(" ").partition("=") for part in text.split(";"))
    return {key: unescape(value) for key, equals, value in parts if equals}


@dataclass(frozen=True, kw_only=True, slots=True)
class Header:
    """What stands above the rows."""

    start_utc: datetime
    machine_text: str
    calibration_text: str | None


def _verbatim(prefix: str, text: str, what: str) -> list[str]:
    """`text` line by line behind `prefix`; only line ends of another system are changed."""
    text = text.replace("\r\n", "\n")
    for character in text:
        if (ord(character) < 0x20 and character not in "\n\t") or "\ud800" <= character <= "\udfff":
            raise LogError(f"the {what} holds the control character {character!r}; remove it there")
    return [f"{prefix} {line}" for line in text.split("\n")]


def _words(prefix: str, lines: list[str]) -> list[str]:
    """What stands behind `prefix`; an editor may have cut the blank from an empty line."""
    return [line.removeprefix(prefix).removeprefix(" ") for line in lines if line.startswith(prefix)]


def header_lines(header: Header, board: Mapping[str, str]) -> list[str]:
    """Lines of the header without their ends, the column names last; `board` is told for the human reader."""
    lines = [f"{TITLE}{VERSION}", f"{STARTED} {header.start_utc.astimezone(UTC).isoformat()}"]
    lines += [f"# {key} = {escape(value)}" for key, value in board.items()]
    lines += EXPLANATION
    lines += _verbatim(MACHINE, header.machine_text, "machine file")
    if header.calibration_text is not None:
        lines += _verbatim(CALIBRATION, header.calibration_text, "calibration file")
    lines.append(COLUMNS)
    return lines


def parse_header(lines: list[str]) -> Header:
    """Read the comment lines above the column names (`lines` without ends).

    Raises LogError, without the name of the file, when the header is of another version or lacks a part.
    """
    version = lines[0].removeprefix(TITLE).strip()
    if version != str(VERSION):
        raise LogError(
            f"is a log of version {version[:20]!r} and this program reads version {VERSION}; update kerfbeat"
        )
    started, machine, calibration = (_words(prefix, lines) for prefix in (STARTED, MACHINE, CALIBRATION))
    if not machine or not started:
        raise LogError("the header lacks the machine or the start time; use the file as it was recorded")
    try:
        start_utc = datetime.fromisoformat(started[0].strip())
    except ValueError:
        raise LogError(f"the start time {started[0][:40]!r} in the header is not a date and time") from None
    if start_utc.tzinfo is None:
        raise LogError(f"the start time {started[0][:40]!r} in the header has no time zone")
    if not YEARS[0] <= start_utc.year <= YEARS[1]:
        raise LogError(f"the start time {started[0][:40]!r} in the header is not in the years {YEARS[0]} to {YEARS[1]}")
    return Header(
        start_utc=start_utc.astimezone(UTC),
        machine_text="\n".join(machine),
        calibration_text="\n".join(calibration) if calibration else None,
    )
