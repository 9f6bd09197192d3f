"""How do words reach the terminal without doing anything there?

Names, notes and file names come from outside: every line of a command goes through here.
"""

import click

from kerfbeat.present.text import harmless_lines

__all__ = ["echo"]


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print lines; what would drive a terminal, or turn the direction of writing, is shown as its code."""
    click.echo(harmless_lines(text), err=err, nl=nl)
