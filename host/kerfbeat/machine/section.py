"""How is one table of a machine file read, key by key, with an error that names the place?"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from typing import Any, NoReturn, TypeVar, cast

from kerfbeat.errors import MachineError, UnitError
from kerfbeat.units import parse_quantity

__all__ = ["REQUIRED", "Section", "printable", "shown"]

Built = TypeVar("Built")
REQUIRED: Any = object()


class Section:
    """One table of the file: refuses keys it should not hold, then hands out the others by kind."""

    def __init__(self, table: object, *, source: str, path: str, example: str) -> None:
        self.source, self.path = source, path
        if not isinstance(table, dict):
            self.fail("", f"{shown(table)} is not a table; write {example}")
        self.table: dict[str, Any] = table

    def join(self, key: str) -> str:
        """Path of a key, from the top of the file."""
        return ".".join(part for part in (self.path, key) if part)

    def inner(self, key: str, table: object, *, example: str) -> Section:
        """Open a table inside this one; `example` is what to write if it is no table."""
        return Section(table, source=self.source, path=self.join(key), example=example)

    def need(self, key: str, *, example: str) -> Section:
        """Open a table inside this one that must be there."""
        return self.inner(key, self.get(key, REQUIRED, example=example), example=example)

    def part(self, key: str, read: Callable[[Section], Built], *, example: str) -> Built | None:
        """Read an optional table inside this one; None if it is absent."""
        table = self.get(key)
        return None if table is None else read(self.inner(key, table, example=example))

    def fail(self, key: str, why: str) -> NoReturn:
        """Raise MachineError for a key of this table."""
        stop = "" if why.endswith((".", "?")) else "."
        raise MachineError(": ".join(part for part in (self.source, self.join(key), why + stop) if part))

    def expect(self, *keys: str) -> None:
        """Refuse every other key, with the nearest known one as a guess."""
        for key in self.table:
            if key not in keys:
                near = difflib.get_close_matches(key.lower(), keys, n=1, cutoff=0.5)
                guess = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(keys)}"
                self.fail(printable(key), f"unknown key; {guess}")

    def get(self, key: str, default: Any = None, *, example: str = "") -> Any:
        """Hand out a key as it stands; with default REQUIRED it must be there."""
        value = self.table.get(key, default)
        if value is REQUIRED:
            self.fail(key, f"missing; write {example}")
        return value

    def quantity(self, key: str, kind: str, default: Any = None, *, example: str = "") -> Any:
        """Hand out a quantity in SI units; `kind` as in `kerfbeat.units.KINDS`."""
        value = self.get(key, default, example=f'{key} = "{example}"')
        return value if value is default else self.measure(key, value, kind)

    def measure(self, key: str, value: object, kind: str) -> float:
        """Read a text with its unit."""
        try:
            return parse_quantity(cast(str, value), kind)
        except UnitError as problem:
            self.fail(key, str(problem))

    def number(self, key: str, default: Any = None, *, example: str = "") -> Any:
        """Hand out a plain number."""
        value = self.get(key, default, example=f"{key} = {example}")
        return value if value is default else self.as_number(key, value, example=example)

    def as_number(self, key: str, value: object, *, example: str) -> float:
        """Read a plain, finite number."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fail(key, f"{shown(value)} is not a plain number; write one such as {example}, without quotes")
        if not abs(value) <= 1e15:  # not a number, infinite, or an integer too long for a float
            self.fail(key, f"{shown(value)} is not a usable number; write one such as {example}")
        return float(value)

    def whole(self, key: str, default: Any = None, *, example: str = "") -> Any:
        """Hand out a whole number."""
        value = self.number(key, default, example=example)
        if value is default:
            return value
        if value != int(value):
            self.fail(key, f"{value:g} is not a whole number; write one such as {example}")
        return int(value)

    def word(self, key: str, default: Any = None, *, example: str = "") -> Any:
        """Hand out a text."""
        value = self.get(key, default, example=f'{key} = "{example}"')
        if value is default:
            return value
        if not isinstance(value, str):
            self.fail(key, f'{shown(value)} is not a text; write it in quotes, such as "{example}"')
        return value

    def truth(self, key: str) -> Any:
        """Hand out true or false; None if it is absent."""
        value = self.get(key)
        if value is not None and not isinstance(value, bool):
            self.fail(key, f"{shown(value)} is neither true nor false; write one of the two, without quotes")
        return value

    def attempt(self, make: Callable[[], Built], *, at: str = "") -> Built:
        """Make something; what it refuses is told with its place in the file."""
        try:
            return make()
        except MachineError as problem:
            key, colon, rest = str(problem).partition(": ")
            if colon and re.fullmatch(r"[\w.]+", key):
                self.fail(".".join(part for part in (at, key) if part), rest)
            self.fail(at, str(problem))


def printable(text: str) -> str:
    """Cut a text from the file to what can stand in a one-line message."""
    return "".join(c if c.isprintable() else "?" for c in text[:60])


def shown(value: object) -> str:
    """Show a value from the file in a message."""
    return printable(f'"{value}"' if isinstance(value, str) else str(value))
