"""How does the reflective optical sensor sit on the perforated board B5, in the sensor's head?"""

from __future__ import annotations

from board_layout import Layout, Leaving, chip, leads

__all__ = ["HEAD"]

U5 = chip("U5", (6, 5), (-1, 0))

HEAD = Layout(
    board="B5", columns=13, rows=15,
    parts={
        "U4": {"collector": (4, 12), "emitter": (4, 13), "anode": (7, 12), "cathode": (7, 13)},
        "U5": U5,
        "R50": leads((8, 12), (12, 12)),
        "R51": leads((11, 10), (7, 10)),
        "R52": leads((9, 8), (5, 8)),
        "R53": leads((5, 7), (1, 7)),
        "R54": leads((8, 9), (4, 9)),
        "R55": leads((8, 6), (4, 6)),
        "RV1": {"end": (11, 5), "middle": (11, 6), "other end": (11, 7)},
        "C50": leads((6, 1), (4, 1)),
        "C51": leads((4, 8), (2, 8)),
    },
    joints=(
        # 0 V
        ((0, 13), (4, 13), (7, 13)), ((0, 13), (0, 8), (0, 7), (0, 5), U5["0 V"]), ((0, 7), (1, 7)), ((0, 8), (2, 8)),
        (U5["0 V"], U5["second +"]), (U5["second +"], U5["second −"], (4, 1)), (U5["second +"], (3, 0)),
        # 5 V
        (U5["5 V"], (6, 1)), ((6, 1), (9, 1), (10, 1), (12, 1)), ((9, 1), (9, 8)), ((12, 1), (12, 5), (12, 12)),
        ((11, 5), (12, 5)),
        # signals
        (U5["output"], (7, 5), (8, 5), (8, 6)), ((7, 5), (7, 3)),
        (U5["−"], (5, 7), (5, 8)),
        (U5["+"], (4, 6), (4, 8), (4, 9)),
        ((4, 12), (4, 11), (8, 11), (8, 10), (8, 9), (9, 9)), ((7, 10), (8, 10)),
        ((11, 10), (11, 7), (11, 6)),
        ((7, 12), (8, 12)),
    ),
    links=(),
    leaving=(
        Leaving(hole=(3, 0), ends=("X1 0 V",), words="to X1 0 V"),
        Leaving(hole=(7, 3), ends=("X1 signal",), words="to X1 signal"),
        Leaving(hole=(10, 1), ends=("X1 5 V",), words="to X1 5 V"),
        Leaving(hole=(9, 9), ends=("TP1",), words="TP1", stands=True),
    ),
    bolts=((0, 0), (12, 14)),
)  # fmt: skip
