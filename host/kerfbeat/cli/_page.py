"""How wide may a printed table, and the words around it, be?

A pipe or a file gets every column.  A window too narrow for a table gets it without the columns that can best be
spared, and a line that says which: a row that is broken over two lines cannot be read.
"""

import shutil
import sys
import textwrap
from collections.abc import Sequence

from kerfbeat.cli._echo import echo
from kerfbeat.cli._show import table

__all__ = ["echo_facts", "echo_notes", "echo_table"]

WIDEST_NOTE = 100
FACT_INDENT = 21  # columns of a fact's name


def window_columns() -> int | None:
    """Columns of the window that is printed to; None for a pipe or a file."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def echo_table(
    headings: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1, spare: Sequence[str] = ()
) -> None:
    """Print a table; `spare` names the columns that a narrow window loses, the first one first."""
    columns = window_columns()
    kept = list(range(len(headings)))
    lost: list[str] = []
    shown = table(headings, rows, left=left)
    for name in spare:
        if columns is None or max(map(len, shown.splitlines())) <= columns:
            break
        lost.append(name)
        kept = [index for index in kept if headings[index] != name]
        shown = table([headings[k] for k in kept], [[row[k] for k in kept] for row in rows], left=left)
    echo(shown)
    if lost:
        echo(f"\n(this window is too narrow for: {', '.join(lost)})")


def echo_notes(heading: str, lines: Sequence[str]) -> None:
    """Print notes below a result, wrapped; nothing if there are none."""
    width = min(WIDEST_NOTE, window_columns() or WIDEST_NOTE)
    if lines:
        echo(f"\n{heading}")
        for line in lines:
            echo(textwrap.fill(line, width=width, initial_indent="  ", subsequent_indent="     "))


def echo_facts(lines: Sequence[str]) -> None:
    """Print lines of a name and a fact, wrapped under the fact where the window is narrow."""
    columns = window_columns()
    for line in lines:
        echo(line if columns is None else textwrap.fill(line, width=columns, subsequent_indent=" " * FACT_INDENT))
