"""How is a number or a word written to be read from across the shop?

Glyphs are drawn on a grid of 5 by 7 squares and blown up; half blocks make a terminal cell two squares high, so that
a square is nearly square on the screen.
"""

from functools import lru_cache

__all__ = ["COLUMNS", "big", "width"]

COLUMNS, ROWS = 5, 7  # squares of one glyph
GAP = 1  # squares between glyphs

_GRID = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "# #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "2": (" ### ", "#   #", "    #", "  ## ", " #   ", "#    ", "#####"),
    "3": ("#### ", "    #", "    #", " ### ", "    #", "    #", "#### "),
    "4": ("#  # ", "#  # ", "#  # ", "#####", "   # ", "   # ", "   # "),
    "5": ("#####", "#    ", "#    ", "#### ", "    #", "    #", "#### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "   # ", "  #  ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    ".": (" ", " ", " ", " ", " ", " ", "#"),
    "-": ("    ", "    ", "    ", "####", "    ", "    ", "    "),
    "<": ("    ", "   #", " ## ", "#   ", " ## ", "   #", "    "),
    "?": (" ### ", "#   #", "    #", "  ## ", "  #  ", "     ", "  #  "),
    " ": ("   ", "   ", "   ", "   ", "   ", "   ", "   "),
    "A": (" ### ", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"),
    "E": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"),
    "G": (" ### ", "#    ", "#    ", "#  ##", "#   #", "#   #", " ####"),
    "I": ("###", " # ", " # ", " # ", " # ", " # ", "###"),
    "K": ("#   #", "#  # ", "# #  ", "##   ", "# #  ", "#  # ", "#   #"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "##  #", "# # #", "#  ##", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "W": ("#   #", "#   #", "#   #", "# # #", "# # #", "## ##", "#   #"),
}

_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def width(text: str) -> int:
    """Squares that a text is wide, gaps included."""
    return sum(len(_GRID[character][0]) + GAP for character in text) - GAP if text else 0


@lru_cache(maxsize=64)
def big(text: str, *, columns: int, rows: int) -> tuple[str, ...]:
    """Write the text as large as fits into columns x rows terminal cells.

    text : of digits, ". - < ?", space and the capital letters of the words that the screen uses.
    Returns the lines, all of one length; the text itself on one line where not even the smallest size fits.
    """
    upward = 2 * rows // ROWS  # half rows to a square
    across = min(columns // max(width(text), 1), upward + upward // 2)
    if upward < 1 or across < 1:
        return (text[:columns],)
    upward = min(upward, 2 * across)
    squares = [
        (" " * GAP).join(_GRID[character][row] for character in text) for row in range(ROWS) for _ in range(upward)
    ]
    squares += [" " * width(text)] * (len(squares) % 2)
    lines = []
    for upper, lower in zip(squares[::2], squares[1::2], strict=True):
        halves = (_HALVES[above == "#", below == "#"] for above, below in zip(upper, lower, strict=True))
        lines.append("".join(half * across for half in halves))
    return tuple(lines)
