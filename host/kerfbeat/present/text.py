"""How is a text that came from outside shown harmlessly?

Names, notes and file names may hold anything, also sequences that move a terminal's cursor or recolour it.
"""

__all__ = ["harmless", "harmless_lines"]


def harmless(text: str) -> str:
    r"""The text on one line; runs of white space become one space, other unprintable characters their code.

    >>> harmless("saw\x1b[2J\n no. 2")
    'saw\\x1b[2J no. 2'
    """
    return "".join(c if c.isprintable() else _code(c) for c in " ".join(text.split()))


def harmless_lines(text: str) -> str:
    r"""The text with its lines and blanks as they are; other unprintable characters as their code.

    >>> harmless_lines("saw\x1b[2J:\n  no. 2")
    'saw\\x1b[2J:\n  no. 2'
    """
    return "".join(c if c.isprintable() or c == "\n" else _code(c) for c in text)


def _code(character: str) -> str:
    number = ord(character)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}"
