"""How is a question put, what happens to an answer that cannot be, and how does the file grow from the answers?"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from kerfbeat.errors import KerfbeatError, MachineError
from kerfbeat.machine.section import printable

__all__ = ["BACK", "Interview", "Page", "StepBackError", "checked", "choice", "count", "number", "quoted", "yes_or_no"]

Answer = TypeVar("Answer")

UNKNOWN = "; Enter if not known"
BACK = "<"  # typed alone it leads to the question before; nobody calls a machine or a gear so


class StepBackError(Exception):
    """Whoever answers wants the question before; the interview begins anew and gives the kept answers itself."""


class Interview:
    """Asks, checks each answer at once, and asks again; or, where nobody sits there, ends at the first wrong answer.

    A person may go back a question with BACK.
    read : shows a question and returns the line typed; raises EOFError when there are no more lines.
    say : shows a remark, such as what was wrong with an answer.
    again : whether a wrong answer is asked for again.
    """

    def __init__(self, *, read: Callable[[str], str], say: Callable[[str], None], again: bool) -> None:
        self.read, self.say, self.again = read, say, again
        self.asked = 0
        self._kept: list[str] = []  # answers that passed, in order
        self._again_from = 0  # how many of them were given in this round

    def anew(self) -> None:
        """Begin again from the first question; all kept answers but the last are given again, unasked."""
        del self._kept[-1:]
        self.asked = self._again_from = 0

    def ask(self, question: str, check: Callable[[str], Answer]) -> Answer:
        """Ask until the answer passes `check`, which raises KerfbeatError for what cannot be."""
        while True:
            self.asked += 1
            if self._again_from < len(self._kept):
                self._again_from += 1
                return check(self._kept[self._again_from - 1])
            try:
                text = self.read(question).strip()
            except EOFError:
                raise MachineError(
                    f'the answers end before question {self.asked} ("{question}"); give one line to each question.'
                ) from None
            if self.again and text == BACK:
                if self._kept:
                    raise StepBackError
                self.say("this is the first question")
                continue
            try:
                answer = check(text)
            except KerfbeatError as problem:
                if not self.again:
                    raise MachineError(
                        f'answer {self.asked}, "{printable(text)}", to "{question}": {problem}'
                    ) from problem
                self.say(str(problem))
                continue
            self._kept.append(text)
            self._again_from = len(self._kept)
            return answer

    def maybe(self, question: str, check: Callable[[str], Answer]) -> Answer | None:
        """Ask for what may be left out; an empty answer gives None."""
        return self.ask(question, lambda text: check(text) if text else None)


def choice(*words: str) -> Callable[[str], str]:
    """Check for one of these words; an unmistakable beginning is enough."""

    def check(text: str) -> str:
        fits = [word for word in words if text and word.startswith(text.casefold())]
        if len(fits) != 1:
            raise MachineError(f"answer {', '.join(words[:-1])} or {words[-1]}")
        return fits[0]

    return check


def yes_or_no(text: str) -> bool:
    """Check for yes or no."""
    return choice("yes", "no")(text) == "yes"


@dataclass(slots=True)
class Page:
    """The file as it grows."""

    lines: list[str] = field(default_factory=list)

    def table(self, heading: str) -> None:
        """Begin a table of the file."""
        self.lines += ["", heading]

    def put(self, key: str, value: str | float | bool | None, why: str = "") -> None:
        """Write one key; nothing for what is not known."""
        if value is None:
            return
        shown = value if isinstance(value, str) else json.dumps(value)
        self.lines.append(f"{key} = {shown}" + (f"  # {why}" if why else ""))


def quoted(text: str) -> str:
    """Write a text as TOML does, in quotes."""
    return json.dumps(text, ensure_ascii=False)


def number(text: str, *units: str) -> float:
    """Check for a number; one of these units, in small letters, may stand behind it as on a nameplate."""
    try:
        return float(_bare(text, units))
    except ValueError:
        right = "it with a decimal point, such as 50.5" if "," in text else "one such as 50 or 1430"
        raise MachineError(f"{text[:40]!r} is not a number; write {right}") from None


def count(text: str, *things: str) -> int:
    """Check for a whole number; what is counted, by one of these names, may stand behind it."""
    bare = _bare(text, [name for thing in things for name in (f"{thing}s", thing)])
    if not (bare.isascii() and bare.isdigit() and len(bare) < 8):
        raise MachineError(f"{text[:40]!r} is not a whole number; write one such as 4")
    return int(bare)


def _bare(text: str, units: Iterable[str]) -> str:
    """The text without the first of these units that it ends in."""
    unit = next((unit for unit in units if text.casefold().endswith(unit)), "")
    return text[: len(text) - len(unit)].rstrip(" -")


def checked(make: Callable[[str], object]) -> Callable[[str], str]:
    """Check an answer by building the part it belongs to; keep the text as it was typed."""

    def check(text: str) -> str:
        make(text)
        return text

    return check
