"""How do words reach the terminal without doing anything there?

Names, notes and file names come from outside: every line of a command goes through here.  On a terminal a line that is
too long for it goes on below, from word to word; into a file or a pipe it stays one line.
"""

import shutil
import sys
import textwrap

import click

from kerfbeat.present.text import harmless, harmless_lines

__all__ = ["echo", "echo_over", "wrapped"]

LEAST_COLUMNS = 40  # in a window narrower than that the terminal breaks lines itself
HANGING = "  "  # how far the rest of a line stands in


def echo(text: str, *, err: bool = False, nl: bool = True, wrap: bool = True) -> None:
    """Print lines; what would drive a terminal, or turn the direction of writing, is shown as its code.

    wrap : break long lines on a terminal; not where the lines are a file's.
    """
    shown = harmless_lines(text)
    if wrap and (sys.stderr if err else sys.stdout).isatty():
        shown = wrapped(shown, columns=shutil.get_terminal_size().columns)
    click.echo(shown, err=err, nl=nl)


def wrapped(text: str, *, columns: int) -> str:
    """The text with every line that is longer than the terminal broken between words, and the rest of it set in."""
    if columns < LEAST_COLUMNS:
        return text
    return "\n".join(_wrapped_line(line, columns) if len(line) > columns else line for line in text.split("\n"))


def _wrapped_line(line: str, columns: int) -> str:
    words = line.lstrip()
    indent = line[: len(line) - len(words)]
    parts = textwrap.wrap(
        words.rstrip(), columns, initial_indent=indent, subsequent_indent=indent + HANGING, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return "\n".join(parts) + line[len(line.rstrip()) :]  # a question keeps the blank behind it


def echo_over(text: str) -> None:
    """Write over the line that stands in the terminal, and stay in it: what finds no room there is left out."""
    columns = shutil.get_terminal_size().columns
    shown = harmless(text)
    click.echo(f"\r\x1b[K{shown if len(shown) < columns else shown[: columns - 2] + '…'}", err=True, nl=False)
