"""What would the display look like?  Reads the emulated board's answer to `display`, writes a png.

    python firmware/bench/picture.py display.png < answer.json

The letters are our own, five dots by seven, near what such displays have in their ROM; characters 0 to 7 are those that
the program has put into the display's own memory.
"""

from __future__ import annotations

import json
import sys

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray

mpl.use("Agg")
from matplotlib import pyplot as plt

COLUMNS, LINE = 16, 40
DARK, LIT, UNLIT, FRAME = "#10240c", "#1a3312", "#9fc15a", "#2b2b2b"

FONT = {  # rows from the top, # is a dark dot
    " ": "", "!": "..#.. ..#.. ..#.. ..#.. ..#.. ..... ..#..", "%": "##..# ##..# ...#. ..#.. .#... #..## #..##",
    "(": "...#. ..#.. .#... .#... .#... ..#.. ...#.", ")": ".#... ..#.. ...#. ...#. ...#. ..#.. .#...",
    "+": "..... ..#.. ..#.. ##### ..#.. ..#.. .....", "-": "..... ..... ..... ##### ..... ..... .....",
    ".": "..... ..... ..... ..... ..... .##.. .##..", "/": "....# ....# ...#. ..#.. .#... #.... #....",
    ":": "..... .##.. .##.. ..... .##.. .##.. .....", "<": "...#. ..#.. .#... #.... .#... ..#.. ...#.",
    "?": ".###. #...# ....# ...#. ..#.. ..... ..#..", "_": "..... ..... ..... ..... ..... ..... #####",
    "0": ".###. #...# #..## #.#.# ##..# #...# .###.", "1": "..#.. .##.. ..#.. ..#.. ..#.. ..#.. .###.",
    "2": ".###. #...# ....# ...#. ..#.. .#... #####", "3": "##### ...#. ..#.. ...#. ....# #...# .###.",
    "4": "...#. ..##. .#.#. #..#. ##### ...#. ...#.", "5": "##### #.... ####. ....# ....# #...# .###.",
    "6": "..##. .#... #.... ####. #...# #...# .###.", "7": "##### ....# ...#. ..#.. .#... .#... .#...",
    "8": ".###. #...# #...# .###. #...# #...# .###.", "9": ".###. #...# #...# .#### ....# ...#. .##..",
    "A": ".###. #...# #...# ##### #...# #...# #...#", "B": "####. #...# #...# ####. #...# #...# ####.",
    "C": ".###. #...# #.... #.... #.... #...# .###.", "D": "####. #...# #...# #...# #...# #...# ####.",
    "E": "##### #.... #.... ####. #.... #.... #####", "F": "##### #.... #.... ####. #.... #.... #....",
    "H": "#...# #...# #...# ##### #...# #...# #...#", "I": ".###. ..#.. ..#.. ..#.. ..#.. ..#.. .###.",
    "L": "#.... #.... #.... #.... #.... #.... #####", "M": "#...# ##.## #.#.# #.#.# #...# #...# #...#",
    "N": "#...# ##..# #.#.# #..## #...# #...# #...#", "O": ".###. #...# #...# #...# #...# #...# .###.",
    "P": "####. #...# #...# ####. #.... #.... #....", "S": ".#### #.... #.... .###. ....# ....# ####.",
    "T": "##### ..#.. ..#.. ..#.. ..#.. ..#.. ..#..", "U": "#...# #...# #...# #...# #...# #...# .###.",
    "W": "#...# #...# #...# #.#.# #.#.# ##.## #...#", "X": "#...# #...# .#.#. ..#.. .#.#. #...# #...#",
    "a": "..... ..... .###. ....# .#### #...# .####", "b": "#.... #.... ####. #...# #...# #...# ####.",
    "d": "....# ....# .#### #...# #...# #...# .####", "e": "..... ..... .###. #...# ##### #.... .####",
    "f": "..##. .#... ####. .#... .#... .#... .#...", "g": "..... ..... .#### #...# .#### ....# .###.",
    "h": "#.... #.... ####. #...# #...# #...# #...#", "i": "..#.. ..... .##.. ..#.. ..#.. ..#.. .###.",
    "l": ".##.. ..#.. ..#.. ..#.. ..#.. ..#.. .###.", "m": "..... ..... ##.#. #.#.# #.#.# #.#.# #.#.#",
    "n": "..... ..... ####. #...# #...# #...# #...#", "o": "..... ..... .###. #...# #...# #...# .###.",
    "p": "..... ..... ####. #...# ####. #.... #....", "r": "..... ..... #.##. ##... #.... #.... #....",
    "s": "..... ..... .#### #.... .###. ....# ####.", "t": ".#... .#... ####. .#... .#... .#..# ..##.",
    "u": "..... ..... #...# #...# #...# #..## .##.#", "w": "..... ..... #...# #...# #.#.# #.#.# .#.#.",
}


def dots(character: int, own: bytes) -> NDArray[np.bool_]:
    """(8, 5): the dark dots of a character; all of them for one that this font does not have."""
    if character < 8:
        rows_of_own = np.frombuffer(own[8 * character : 8 * character + 8], np.uint8)
        return np.unpackbits(rows_of_own[:, None], axis=1)[:, 3:] == 1
    drawn = FONT.get(chr(character))
    if drawn is None:
        return np.ones((8, 5), dtype=bool)
    rows = [*(drawn.split() or ["....."] * 7), "....."]
    return np.array([[dot == "#" for dot in row] for row in rows])


def main() -> None:
    """Draws what standard input says."""
    said = json.loads(sys.stdin.read().removeprefix("ok"))
    seen, own = bytes.fromhex(said["ddram"]), bytes.fromhex(said["cgram"])
    figure, axes = plt.subplots(figsize=(8.0, 2.4), facecolor=FRAME)
    axes.set_facecolor(UNLIT)
    for line in range(2):
        for column in range(COLUMNS):
            cell = dots(seen[line * LINE + column], own) & said["on"]
            for row in range(8):
                for place in range(5):
                    corner = (column * 6 + place, -(line * 9.5 + row))
                    dark = cell[row, place]
                    color, alpha = (DARK, 1.0) if dark else (LIT, 0.04)
                    axes.add_patch(plt.Rectangle(corner, 0.9, 0.9, color=color, alpha=alpha))
    axes.set_xlim(-2, COLUMNS * 6 + 1)
    axes.set_ylim(-19, 3)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    figure.tight_layout(pad=0.8)
    figure.savefig(sys.argv[1], dpi=100, facecolor=FRAME)


if __name__ == "__main__":
    main()
