"""How do words reach the terminal without doing anything there?

Names, notes and file names come from outside: every line of a command goes through here.
"""

import click

from kerfbeat.present.text import harmless, harmless_lines

__all__ = ["echo", "echo_over"]


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print lines; what would drive a terminal, or turn the direction of writing, is shown as its code."""
    click.echo(harmless_lines(text), err=err, nl=nl)


def echo_over(text: str) -> None:
    """Write over the line that stands in the terminal, and stay in it."""
    click.echo(f"\r\x1b[K{harmless(text)}", err=True, nl=False)
