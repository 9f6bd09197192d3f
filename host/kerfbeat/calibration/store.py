"""How is a calibration kept in a file beside the machine's, and read again?

`saw.toml` has `saw.calibration.toml`.  A new result replaces an old one, which moves to the history; the machine's own
file is never touched.  The file is TOML, so that a person can read it, and comments written into it stay.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from kerfbeat.board_identity import identity_name, read_identity
from kerfbeat.calibration.results import Calibration, Result, fingerprint
from kerfbeat.errors import CalibrationError
from kerfbeat.whole_file import write_whole

__all__ = ["LARGEST_FILE_BYTES", "calibration_path", "load_calibration", "parse_calibration", "save_calibration"]

VERSION = 1
LARGEST_FILE_BYTES = 4 * 1024 * 1024  # years of weekly runs
HEAD = (
    "What kerfbeat found out about this machine by measuring it.  Written by: kerfbeat calibrate",
    "u is a standard uncertainty; the 95 % half-width is 1.96 u.  Results that were replaced follow as history.",
)
KEYS = ("quantity", "of", "value", "u", "unit", "date", "sources", "conditions", "belongs_to", "fingerprint")


def calibration_path(machine_path: str | Path) -> Path:
    """Where a machine's calibration lies: `saw.toml` -> `saw.calibration.toml`, in the same folder."""
    path = Path(machine_path)
    stem = path.name[: -len(path.suffix)] if path.suffix else path.name
    return path.with_name(f"{stem}.calibration.toml")


def _fail(source: str, where: str, what: str) -> CalibrationError:
    said = "".join(c if c.isprintable() else "?" for c in what)  # it may quote what a damaged file holds
    return CalibrationError(f"{source}: {where}: {said}; move the file away and calibrate again, or mend it.")


def _numbers(source: str, where: str, value: object) -> tuple[float, ...]:
    values: list[Any] = value if isinstance(value, list) else [value]
    if not values or not all(isinstance(each, int | float) and not isinstance(each, bool) for each in values):
        raise _fail(source, where, "not a number or a list of numbers")
    return tuple(float(each) for each in values)


def _words(source: str, where: str, value: object) -> Mapping[str, str]:
    if not isinstance(value, dict) or not all(isinstance(each, str) for each in value.values()):
        raise _fail(source, where, "not a table of texts")
    return dict(value)


def _result(source: str, where: str, table: object) -> Result:
    if not isinstance(table, dict):
        raise _fail(source, where, "not a table")
    for key in KEYS:
        if key not in table:
            raise _fail(source, where, f"{key} is missing")
    unknown = sorted(set(table) - set(KEYS))
    if unknown:
        raise _fail(source, where, f"{unknown[0]} is not known to this version")
    date, sources = table["date"], table["sources"]
    if not isinstance(date, datetime):
        raise _fail(source, f"{where}.date", "not a date and time such as 2027-03-12T09:30:00Z")
    if not isinstance(sources, list) or not all(isinstance(each, str) for each in sources):
        raise _fail(source, f"{where}.sources", "not a list of names")
    parts = _words(source, f"{where}.belongs_to", table["belongs_to"])
    if table["fingerprint"] != fingerprint(parts):
        raise _fail(source, f"{where}.fingerprint", "does not fit belongs_to, so one of the two was changed by hand")
    for key in ("quantity", "of", "unit"):
        if not isinstance(table[key], str):
            raise _fail(source, f"{where}.{key}", "not a text")
    of = table["of"]
    if table["quantity"] == "clock offset":
        try:
            of = identity_name(read_identity(of))
        except ValueError as problem:
            raise _fail(source, f"{where}.of", str(problem)) from problem
    try:
        return Result(
            quantity=table["quantity"],
            of=of,
            value=_numbers(source, f"{where}.value", table["value"]),
            u=_numbers(source, f"{where}.u", table["u"]),
            unit=table["unit"],
            date=date,
            sources=tuple(sources),
            conditions=_words(source, f"{where}.conditions", table["conditions"]),
            belongs_to=parts,
        )
    except CalibrationError as problem:
        if str(problem).startswith(f"{source}: "):
            raise
        raise _fail(source, where, str(problem)) from problem


def parse_calibration(text: str, *, source: str = "calibration") -> Calibration:
    """Read a calibration from the text of its file.

    Raises CalibrationError, one line, naming the place.
    """
    try:
        root: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        said = " ".join(str(problem).split())[:200]
        raise _fail(source, "the file", f"not valid TOML ({said})") from problem
    if "version" not in root:
        raise _fail(source, "version", "is missing, as in an empty or torn file")
    if root["version"] != VERSION:
        raise CalibrationError(
            f"{source}: is of version {root['version']!r}, and this program reads version {VERSION}; "
            "update kerfbeat."
        )
    if not isinstance(root.get("machine"), str):
        raise _fail(source, "machine", "not a text")
    lists = []
    for name in ("result", "history"):
        tables = root.get(name, [])
        if not isinstance(tables, list):
            raise _fail(source, name, "not a list of tables")
        lists.append(tuple(_result(source, f"{name}[{place}]", each) for place, each in enumerate(tables, start=1)))
    try:
        return Calibration(machine=root["machine"], results=lists[0], history=lists[1], text=text)
    except CalibrationError as problem:
        raise _fail(source, "result", str(problem)) from problem


def load_calibration(path: str | Path) -> Calibration | None:
    """Read a calibration file; None if there is none.

    Raises CalibrationError if it is unreadable, too large, not UTF-8 text, or wrong inside.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise CalibrationError(f"{path}: cannot be read ({why}); check path and permissions.") from problem
    if len(raw) > LARGEST_FILE_BYTES:
        raise CalibrationError(f"{path}: more than {LARGEST_FILE_BYTES} bytes; that is no calibration file.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise CalibrationError(f"{path}: not UTF-8 text at byte {problem.start}; restore it from a copy.") from problem
    return parse_calibration(text.replace("\r\n", "\n"), source=path.name)


def _table(result: Result) -> Any:
    import tomlkit

    table = tomlkit.table()
    table["quantity"], table["of"] = result.quantity, result.of
    single = len(result.value) == 1
    table["value"] = result.value[0] if single else list(result.value)
    table["u"] = result.u[0] if single else list(result.u)
    table["unit"] = result.unit
    table["date"] = result.date.astimezone(UTC).replace(microsecond=0)
    table["sources"] = list(result.sources)
    table["conditions"] = dict(result.conditions)
    table["belongs_to"] = dict(result.belongs_to)
    table["fingerprint"] = fingerprint(result.belongs_to)
    return table


def calibration_text(calibration: Calibration) -> str:
    """Text of the file; comments of the text it was read from, at its head, stay."""
    import tomlkit

    document = tomlkit.parse(calibration.text) if calibration.text else tomlkit.document()
    if not calibration.text:
        for line in HEAD:
            document.add(tomlkit.comment(line))
        document["version"] = VERSION
    document["machine"] = calibration.machine
    for name, results in (("result", calibration.results), ("history", calibration.history)):
        if name in document:
            document.remove(name)
        if results:
            tables = tomlkit.aot()
            for result in results:
                tables.append(_table(result))
            document[name] = tables
    return tomlkit.dumps(document)


def save_calibration(path: str | Path, calibration: Calibration) -> None:
    """Write the file whole or not at all: beside it first, then in its place.

    Raises CalibrationError if it cannot be written; the file that was there is then untouched.
    """
    path = Path(path)
    try:
        write_whole(path, calibration_text(calibration).encode("utf-8"))
    except OSError as problem:
        raise CalibrationError(
            f"{path}: cannot be written ({problem.strerror or problem}); check folder and permissions."
        ) from problem
