"""How do isolator, buttons' parts, display's trimmer and alarm sit on the perforated board B4?

On the left what belongs to the 12 to 24 V of a proximity switch; two columns stay free, which U3 alone bridges; all to
their right belongs to the board's 5 V.
"""

from __future__ import annotations

from board_layout import Hole, Layout, Leaving, chip, diode, electrolytic, leads, ways
from schematic_sheet import board_labels

__all__ = ["PANEL"]

BUTTONS = {1: 26, 2: 28, 3: 30}               # column of the resistor
U3 = chip("U3", (15, 7), (0, -1))


def _isolator() -> dict[str, dict[str, Hole]]:
    return {
        "X4": ways((3, 1), "+12 to 24 V", "0 V"),
        "X5": ways((8, 1), "0 V", "+", "output", "shield"),
        "F2": leads((3, 4), (3, 13)),
        "D1": diode((5, 14), (9, 14)),
        "C6": electrolytic((9, 4), (8, 4)),
        "R1": leads((12, 14), (12, 7)),
        "R2": leads((11, 7), (11, 3)),
        "D3": diode((13, 3), (13, 7)),
        "U3": U3,
        "C4": leads((22, 5), (20, 5)),
    }


def _panel() -> dict[str, dict[str, Hole]]:
    buttons = {
        name: holes
        for n, c in BUTTONS.items()
        for name, holes in {
            f"R4{n}": leads((c, 8), (c, 12)), f"C4{n}": leads((c + 1, 8), (c + 1, 6)),
        }.items()
    }  # fmt: skip
    return buttons | {
        "R40": leads((19, 8), (19, 12)),
        "RV2": {"other end": (21, 11), "middle": (22, 11), "end": (23, 11)},
        "R44": leads((24, 0), (28, 0)),
        "R45": leads((28, 2), (24, 2)),
        "Q1": {"E": (27, 4), "B": (28, 4), "C": (29, 4)},
        "F3": leads((33, 9), (33, 7)),
        "D41": diode((30, 4), (34, 4)),
        "X6": ways((31, 1), "−", "+"),
    }


def _joints() -> tuple[tuple[Hole, ...], ...]:
    return (
        # 12 to 24 V
        ((3, 1), (3, 4)), ((3, 13), (3, 14), (5, 14)), ((9, 14), (10, 14), (12, 14)), ((10, 14), (10, 4), (10, 1)),
        ((9, 4), (10, 4)), ((5, 1), (8, 1)), ((8, 0), (8, 1), (8, 4)), ((8, 0), (14, 0), (14, 1)),
        ((11, 7), (12, 7), (13, 7), U3["anode"]),
        (U3["cathode"], (13, 6), (13, 3), (12, 3), (11, 3)), ((12, 3), (12, 1)),
        # 5 V: the isolator's side, display, buttons
        (U3["output"], (18, 3)), (U3["0 V"], (20, 6), (20, 5), (20, 3)), (U3["5 V"], (22, 7), (22, 5), (22, 3)),
        ((19, 8), (20, 8), (21, 8), (21, 11), (21, 13)), ((20, 8), (20, 13)), ((19, 12), (19, 13)),
        ((22, 11), (22, 13)),
        ((23, 13), (23, 11), (23, 6), (24, 6), (27, 6), (29, 6), (31, 6)), ((23, 13), (24, 13), (25, 13)),
        *(joint for c in BUTTONS.values() for joint in (
            ((c, 8), (c + 1, 8)), ((c + 1, 8), (c + 1, 13)), ((c, 12), (c, 13)),
        )),
        # alarm
        ((23, 0), (24, 0)), ((28, 0), (28, 2), (28, 4)), ((24, 2), (24, 6)), ((27, 4), (27, 6)),
        ((29, 4), (30, 4), (31, 4), (31, 1)), ((33, 1), (33, 4), (33, 7)), ((33, 4), (34, 4)),
        ((21, 13), (21, 14), (33, 14), (33, 9)),
    )  # fmt: skip


def _leaving() -> tuple[Leaving, ...]:
    label = board_labels()

    def to(hole: Hole, *ends: str, words: str = "") -> Leaving:
        return Leaving(hole=hole, ends=ends, words=f"to {words or ends[0]}")

    pins = {n: f"B0 pin {label[signal]}" for n, signal in ((1, "button unit"), (2, "button hold"), (3, "button set"))}
    return (
        to((18, 3), "X1 signal"), to((20, 3), "X1 0 V"), to((22, 3), "X1 5 V"), to((23, 0), f"B0 pin {label['alarm']}"),
        to((19, 13), "LCD1 15"), to((20, 13), "5 V", words="B1 5 V"), to((21, 13), "LCD1 2"), to((22, 13), "LCD1 3"),
        to((23, 13), "0 V", words="B1 0 V"), to((24, 13), "LCD1 1", "LCD1 5", "LCD1 16", words="LCD1 1, 5, 16"),
        to((25, 13), "S1", "S2", "S3", words="S1, S2, S3"),
        *(to((c, 13), f"S{n}") for n, c in BUTTONS.items()),
        *(to((c + 1, 13), pins[n]) for n, c in BUTTONS.items()),
    )


PANEL = Layout(
    board="B4", columns=36, rows=15, parts=_isolator() | _panel(), joints=_joints(),
    links=(), leaving=_leaving(),
    bolts=((0, 0), (35, 0), (0, 14), (35, 14)),
)  # fmt: skip
