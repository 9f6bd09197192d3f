"""How do the input stages sit on the perforated board B1?"""

from __future__ import annotations

from board_layout import Hole, Layout, Leaving, chip, diode, electrolytic, leads, ways
from schematic_sheet import board_labels

__all__ = ["INPUTS", "ONE_INPUT", "TWO_INPUTS"]

COLUMN = {1: 2, 2: 10, 3: 18}                 # of each stage's terminal's first way ("5 V")
U1 = chip("U1", (29, 6), (1, 0))
OUTPUT: dict[int, Hole] = {1: (34, 4), 2: (34, 11), 3: (31, 13)}
Joints = tuple[tuple[Hole, ...], ...]


def _parts(n: int) -> dict[str, dict[str, Hole]]:
    c = COLUMN[n]
    return {
        f"X{n}": ways((c, 1), "5 V", "signal", "0 V", "shield"),
        f"R{n}1": leads((c + 3, 5), (c + 3, 10)),
        f"R{n}2": leads((c + 2, 5), (c + 2, 9)),
        f"C{n}1": leads((c + 4, 9), (c + 4, 7)),
        f"D{n}1": diode((c + 6, 9), (c + 6, 13)),
        f"D{n}2": diode((c + 5, 5), (c + 5, 9)),
    }


def _stage(n: int) -> Joints:
    c = COLUMN[n]
    return (
        ((c, 1), (c, 4)),
        ((c + 2, 1), (c + 2, 5)), ((c + 2, 5), (c + 3, 5)),
        ((c + 4, 0), (c + 4, 1), (c + 4, 5), (c + 4, 7)), ((c + 4, 5), (c + 5, 5)), ((c + 6, 1), (c + 6, 0)),
        ((c + 2, 9), (c + 4, 9), (c + 5, 9), (c + 6, 9), (c + 7, 9)),
        ((c + 3, 10), (c + 3, 13)),
    )  # fmt: skip


FILTER: dict[int, Joints] = {                 # from a stage's filter to its gates, and out
    1: ((U1["input 1 in"], (31, 4)), (U1["input 1 out"], OUTPUT[1])),
    2: ((U1["input 2 in"], (32, 11)), (U1["input 2 out"], (35, 11), OUTPUT[2])),
    3: (((25, 9), (25, 5), (29, 5), U1["input 3 in"]), (U1["input 3 out"], OUTPUT[3])),
}  # fmt: skip
LINKS: dict[int, Joints] = {                  # 5 V from sensor to sensor along row 4; a filter to its gate
    1: (((9, 9), (9, 3), (31, 3), (31, 4)),),
    2: (((2, 4), (8, 4)), ((17, 9), (17, 14), (28, 14), (28, 11), (32, 11))),
    3: (((10, 4), (18, 4)),),
}
BETWEEN_GATES = ((30, 4), (27, 4), (27, 10), (30, 10))    # of input 3, round the end of U1's socket
# A stage that is left out: its gate's input is joined to the 0 V that runs between U1's rows.
LEFT_OUT: dict[int, Joints] = {2: ((U1["input 2 in"], (32, 7)),), 3: ((U1["input 3 in"], (29, 7)),)}


def _supply(stages: tuple[int, ...]) -> Joints:
    pulled_up = [hole for n in stages for hole in ((COLUMN[n] + 3, 13), (COLUMN[n] + 6, 13))]
    zero = [hole for n in stages for hole in ((COLUMN[n] + 4, 0), (COLUMN[n] + 6, 0))]
    second_5_v = (((8, 4), (10, 4)),) if 2 in stages else ()
    return (
        ((1, 13), (2, 13), *pulled_up, (29, 13), U1["5 V"]), ((1, 13), (1, 11)), ((26, 9), U1["5 V"]),
        ((1, 9), (1, 7), (1, 4)), ((1, 4), (2, 4)), *second_5_v,                                       # sensors' 5 V
        ((*zero, (26, 0), (30, 0), (33, 0), (33, 2), (35, 2), U1["0 V"])), ((2, 7), (6, 7)),
        ((26, 7), (29, 7), (32, 7), (35, 7), U1["0 V"]),
    )  # fmt: skip


def _leaving(stages: tuple[int, ...]) -> tuple[Leaving, ...]:
    label = board_labels()
    return (
        Leaving(hole=(2, 13), ends=("B0 5 V",), words="to B0 5 V"),
        Leaving(hole=(26, 0), ends=("B0 0 V",), words="to B0 0 V"),
        Leaving(hole=(11, 13), ends=("5 V",), words="to B4 5 V"),
        Leaving(hole=(30, 0), ends=("0 V",), words="to B4 0 V"),
        *(
            Leaving(hole=OUTPUT[n], ends=(f"B0 pin {label[f'input {n}']}",), words=f"to B0 pin {label[f'input {n}']}")
            for n in stages
        ),
    )


def _layout(stages: tuple[int, ...]) -> Layout:
    """B1 with these stages."""
    gates = (
        (U1["input 1 first gate's output"], U1["input 1 second gate's input"]),
        (U1["input 2 first gate's output"], U1["input 2 second gate's input"]),
        (U1["input 3 first gate's output"], (30, 4)), (U1["input 3 second gate's input"], (30, 10)),
    )  # fmt: skip
    each = [(*_stage(n), *FILTER[n]) if n in stages else LEFT_OUT[n] for n in COLUMN]
    return Layout(
        board="B1", columns=36, rows=15,
        parts={name: holes for n in stages for name, holes in _parts(n).items()} | {
            "F1": leads((1, 11), (1, 9)),
            "C2": electrolytic((1, 7), (2, 7)),
            "C1": leads((26, 9), (26, 7)),
            "U1": U1,
        },
        joints=(*(joint for joints in each for joint in joints), *_supply(stages), *gates),
        links=(*(link for n in stages for link in LINKS[n]), BETWEEN_GATES),
        leaving=_leaving(stages),
        bolts=((0, 0), (35, 0), (0, 14), (35, 14)),
    )  # fmt: skip


INPUTS, TWO_INPUTS, ONE_INPUT = _layout((1, 2, 3)), _layout((1, 2)), _layout((1,))
