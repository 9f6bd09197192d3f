"""How are the instrument and its three sensors wired?

Draws drawings/*.svg and *.pdf with schemdraw.  Reference names (R11, U3 ...) are those of materials.csv and of the
circuits that ngspice runs; pins come from pins.csv.

    python hardware/draw_schematic.py [FOLDER]
"""

from __future__ import annotations

import csv
import itertools
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from schemdraw import logic

from drawing_style import settle

settle()

HERE = Path(__file__).resolve().parent
SMALL, NORMAL = 10, 11
Point = tuple[float, float]


def pins() -> dict[str, str]:
    """Label on common boards of each signal, from pins.csv."""
    with (HERE / "pins.csv").open(encoding="utf-8", newline="") as file:
        return {row["signal"]: row["atmega328p_label"] for row in csv.DictReader(file)}


class Sheet:
    """A drawing whose parts are put at stated places, in units of one third of a resistor."""

    def __init__(self) -> None:
        self.drawing = schemdraw.Drawing(show=False)
        self.drawing.config(fontsize=NORMAL, lw=1.4, font="DejaVu Sans")

    def wire(self, *points: Point, dashed: bool = False) -> None:
        """A line through the points."""
        for a, b in itertools.pairwise(points):
            self.drawing += elm.Line().at(a).to(b).linestyle("--" if dashed else "-")

    def part(self, kind: Callable[..., elm.Element], a: Point, b: Point, label: str, *, at: str = "top") -> None:
        """A part of two ends from a to b."""
        self.drawing += kind().at(a).to(b).label(label, at)

    def dots(self, *points: Point) -> None:
        """Where wires join."""
        for point in points:
            self.drawing += elm.Dot().at(point)

    def terminal(self, point: Point, label: str, *, at: str = "left") -> None:
        """A screw terminal or a pin."""
        self.drawing += elm.Dot(open=True).at(point).label(label, at)

    def zero(self, point: Point) -> None:
        """0 V."""
        self.drawing += elm.Ground(lead=True).at(point)

    def five(self, point: Point) -> None:
        """5 V."""
        self.drawing += elm.Vdd(lead=True).at(point).label("5 V")

    def words(self, point: Point, text: str, *, size: int = SMALL, middle: bool = False) -> None:
        """Text that stands on its place, or has it in its middle."""
        self.drawing += elm.Label().at((point[0], point[1] - (0.0 if middle else 0.05))).label(
            text, loc="center" if middle else "top", fontsize=size, halign="center",
            valign="center" if middle else "bottom",
        )  # fmt: skip

    def box(self, low: Point, high: Point, text: str = "") -> None:
        """A part that is drawn as a box."""
        corners = [low, (high[0], low[1]), high, (low[0], high[1]), low]
        self.wire(*corners)
        if text:
            self.words(((low[0] + high[0]) / 2, (low[1] + high[1]) / 2), text, size=NORMAL, middle=True)

    def cable(self, left: float, right: float, cores: Sequence[float], name: str = "W2") -> None:
        """The shield round a cable's cores, bonded at its left end only."""
        low, high = min(cores) - 0.5, max(cores) + 0.5
        self.wire((left, low), (right, low), (right, high), (left, high), (left, low), dashed=True)
        self.wire((left, low), (left, low - 0.8), (left - 1.5, low - 0.8))
        self.terminal((left - 1.5, low - 0.8), "shield")
        self.words(((left + right) / 2, high + 0.15), f"{name}, shielded")
        self.words(((left + right) / 2 + 1.4, low - 0.75), "shield: this end only; far end cut back, insulated")


def input_stage(s: Sheet) -> None:
    """One of three: R11, R12, C11, D11 and two gates of U1."""
    s.terminal((0, 0), "X1 signal")
    s.wire((0, 0), (1.5, 0))
    s.part(elm.Resistor, (1.5, 0), (1.5, 2.5), "R11\n2.2 kΩ")
    s.five((1.5, 2.5))
    s.part(elm.Resistor, (1.5, 0), (4.5, 0), "R12\n4.7 kΩ")
    s.part(elm.Capacitor, (4.5, 0), (4.5, -2.5), "C11\n2.2 nF")
    s.zero((4.5, -2.5))
    s.wire((4.5, 0), (9, 0))
    s.part(elm.Schottky, (7, 0), (7, 2.5), "D11", at="bottom")
    s.five((7, 2.5))
    s.part(elm.Schottky, (7, -2.5), (7, 0), "D11", at="bottom")
    s.zero((7, -2.5))
    s.dots((1.5, 0), (4.5, 0), (7, 0))
    s.drawing += logic.SchmittNot().at((9, 0)).right()
    s.wire((10.6, 0), (11.2, 0))
    s.drawing += logic.SchmittNot().at((11.2, 0)).right()
    s.words((11, 0.8), "U1, two of six gates")
    s.wire((12.8, 0), (14, 0))
    label = pins()["input 1"]
    s.terminal((14, 0), f"board pin {label}", at="right")
    s.wire((9.9, -2.5), (9.9, -1.2), (11.9, -1.2))
    s.part(elm.Capacitor, (11.9, -1.2), (11.9, -2.5), "C1\n100 nF")
    s.zero((11.9, -2.5))
    s.words((9.3, -2.9), "5 V (U1 pin 14;\npin 7 is 0 V)", middle=True)
    s.words(
        (5.5, -4.6),
        f"Input 2: X2, R21, R22, C21, D21, board pin {pins()['input 2']}.   "
        f"Input 3: X3, R31, R32, C31, D31, board pin {pins()['input 3']}.", size=NORMAL,
    )


def hall_switch(s: Sheet) -> None:
    """Hall switch U2 with C3 beside it."""
    for y, name in ((3.0, "X1 5 V"), (1.5, "X1 signal"), (0.0, "X1 0 V")):
        s.terminal((0, y), name)
        s.wire((0, y), (11, y))
    s.cable(1.8, 7, (0, 1.5, 3))
    s.part(elm.Capacitor, (8.8, 3), (8.8, 1.6), "C3\n100 nF", at="bottom")
    s.wire((8.8, 1.6), (8.8, 0))
    s.dots((8.8, 3), (8.8, 0))
    s.box((11, -0.6), (14.2, 3.6), "U2\nHall switch\nopen collector")
    for y, name in ((3.0, "supply"), (1.5, "output"), (0.0, "0 V")):
        s.words((10.3, y + 0.12), name)
    s.wire((14.2, 1.5), (15.4, 1.5), dashed=True)
    s.words((14.8, 1.7), "gap")
    s.box((15.4, 0.8), (16.8, 2.2), "M1\nmagnet")


def proximity_switch(s: Sheet) -> None:
    """Proximity switch P1 with a supply of its own, and the opto-isolator U3."""
    for y, name in ((3.0, "X1 5 V"), (1.7, "X1 signal"), (0.4, "X1 0 V")):
        s.terminal((0, y), name)
        s.wire((0, y), (3, y))
    s.part(elm.Capacitor, (1.6, 3), (1.6, 1.8), "C4\n100 nF")
    s.wire((1.6, 1.8), (1.6, 0.4))
    s.dots((1.6, 3), (1.6, 0.4))
    s.box((3, -0.2), (7, 3.6))
    s.words((4.15, 1.7), "U3\nopto-isolator,\nSchmitt\noutput", middle=True)
    s.wire((5.3, -0.8), (5.3, 4.2), dashed=True)
    s.words((5.3, -1.3), "isolated: the two 0 V are not joined here")
    s.wire((9.5, 2.8), (6.4, 2.8))
    s.wire((6.4, 0.6), (9.5, 0.6))
    s.part(elm.LED, (6.4, 2.8), (6.4, 0.6), "")
    s.part(elm.Resistor, (9.5, 6.5), (9.5, 3.4), "R1\n1.2 kΩ\n2 W")
    s.wire((9.5, 3.4), (9.5, 2.8))
    s.part(elm.Resistor, (9.5, 2.8), (9.5, 0.6), "R2\n1.5 kΩ")
    s.wire((9.5, 2.8), (11.2, 2.8))
    s.wire((9.5, 0.6), (12.6, 0.6), (12.6, 4.5), (19.5, 4.5))
    s.part(elm.Diode, (11.2, 0.6), (11.2, 2.8), "D3", at="bottom")
    s.terminal((0, 8.5), "X4 0 V")
    s.wire((0, 8.5), (19.5, 8.5))
    s.terminal((0, 6.5), "X4 +12 to 24 V")
    s.part(elm.Fuse, (0, 6.5), (3, 6.5), "F2  250 mA", at="bottom")
    s.part(elm.Schottky, (3, 6.5), (6, 6.5), "D1", at="bottom")
    s.wire((6, 6.5), (19.5, 6.5))
    s.part(elm.Capacitor, (7.5, 8.5), (7.5, 6.5), "C6  10 µF 50 V")
    s.dots((7.5, 8.5), (7.5, 6.5), (9.5, 6.5), (9.5, 2.8), (9.5, 0.6), (11.2, 2.8), (11.2, 0.6))
    s.cable(13.6, 17.2, (4.5, 6.5, 8.5), name="W3")
    s.box((19.5, 3.9), (22.5, 9.1), "P1\nproximity\nswitch, NPN,\nnormally\nopen")
    for y, name in ((8.5, "0 V (blue)"), (6.5, "+ (brown)"), (4.5, "output (black)")):
        s.words((18.4, y + 0.15), name)


def optical_sensor(s: Sheet) -> None:
    """Reflective sensor U4 with the comparator U5 beside it."""
    for y, name in ((6.0, "X1 5 V"), (2.4, "X1 signal"), (0.0, "X1 0 V")):
        s.terminal((-3.5, y), name)
    s.wire((-3.5, 6), (18.6, 6))
    s.wire((-3.5, 0), (18.6, 0))
    s.wire((-3.5, 2.4), (8.4, 2.4))
    s.cable(-1.5, 4.5, (0, 2.4, 6))
    s.wire((10.4, 3.6), (10.4, 1.2), (8.4, 2.4), (10.4, 3.6))
    s.words((9.65, 2.4), "U5", middle=True)
    s.words((10.15, 3), "−", middle=True)
    s.words((10.15, 1.8), "+", middle=True)
    s.wire((10.4, 3), (11.2, 3))
    s.part(elm.Resistor, (11.2, 6), (11.2, 4.5), "R52  10 kΩ")
    s.wire((11.2, 4.5), (11.2, 1.6))
    s.part(elm.Resistor, (11.2, 1.6), (11.2, 0), "R53  10 kΩ")
    s.wire((10.4, 1.8), (12.5, 1.8))
    s.part(elm.Capacitor, (12.5, 1.8), (12.5, 0), "C51\n470 pF", at="bottom")
    s.part(elm.Resistor, (12.5, 1.8), (15.4, 1.8), "R54  10 kΩ")
    s.wire((7.6, 2.4), (7.6, 4.1))
    s.part(elm.Resistor, (7.6, 4.1), (10.2, 4.1), "R55  100 kΩ")
    s.wire((10.2, 4.1), (12.5, 4.1), (12.5, 1.8))
    s.part(elm.ResistorVar, (15.4, 6), (15.4, 4.2), "RV1\n5 kΩ", at="bottom")
    s.part(elm.Resistor, (15.4, 4.2), (15.4, 2.4), "R51\n1.5 kΩ", at="bottom")
    s.wire((15.4, 2.4), (15.4, 1.8))
    s.terminal((15.4, 1.8), "TP1", at="right")
    photo = elm.NpnPhoto().right().anchor("collector").at((15.4, 1.5))
    s.drawing += photo
    s.wire((15.4, 1.8), (15.4, 1.5))
    s.wire((photo.emitter[0], photo.emitter[1]), (15.4, 0))
    s.part(elm.Resistor, (17.6, 6), (17.6, 3.6), "R50\n180 Ω", at="bottom")
    s.part(elm.LED, (17.6, 1.6), (17.6, 0.2), "")
    s.wire((17.6, 3.6), (17.6, 1.6))
    s.wire((17.6, 0.2), (17.6, 0))
    s.wire((14.1, 1.65), (18.4, 1.65), (18.4, -0.3), (14.1, -0.3), (14.1, 1.65), dashed=True)
    s.words((16.3, -0.9), "U4 reflective sensor")
    s.part(elm.Capacitor, (5.8, 6), (5.8, 4.2), "C50\n100 nF", at="bottom")
    s.wire((5.8, 4.2), (5.8, 0))
    s.dots((5.8, 6), (5.8, 0), (7.6, 2.4), (11.2, 6), (11.2, 3), (11.2, 0), (12.5, 1.8), (12.5, 0),
           (15.4, 6), (15.4, 0), (17.6, 6), (17.6, 0))  # fmt: skip


def instrument(s: Sheet) -> None:
    """The whole: sensors' terminals, input stages, board, display, buttons, alarm, supplies."""
    label = pins()
    s.box((0, -10.6), (6, 9.6))
    s.words((3, 0.2), "A1\nmicrocontroller\nboard\nATmega328P,\n16 MHz, 5 V", size=NORMAL, middle=True)
    for number, y in ((1, 7.0), (2, 3.5), (3, 0.0)):
        parts = f"R{number}1 R{number}2\nC{number}1 D{number}1\n2 gates of U1"
        s.box((-7.2, y - 1.2), (-3.2, y + 1.2), f"input stage {number}\n{parts}")
        s.wire((-3.2, y), (0, y))
        s.words((-1.6, y + 0.15), f"pin {label[f'input {number}']}", size=NORMAL)
        s.box((-14, y - 1.2), (-10.6, y + 1.2), f"X{number}\n5 V, signal,\n0 V, shield")
        s.wire((-10.6, y), (-7.2, y))
        s.words((-8.9, y + 0.15), "signal")
    s.words((-16, 3.5), "sensors:\nHall,\nproximity\nor optical", size=NORMAL, middle=True)
    s.terminal((0, -4), "")
    s.wire((0, -4), (-3, -4))
    s.words((-1.5, -3.85), "5 V")
    s.part(elm.Fuse, (-3, -4), (-6, -4), "F1  200 mA, resettable")
    s.wire((-6, -4), (-10.6, -4))
    s.part(elm.Capacitor, (-7.4, -4), (-7.4, -6.6), "C2\n10 µF", at="bottom")
    s.dots((-7.4, -4), (-7.4, -6.6))
    s.words((-12.7, -4), "5 V of X1, X2, X3", middle=True)
    s.terminal((0, -6.6), "")
    s.wire((0, -6.6), (-10.6, -6.6))
    s.words((-1.5, -6.45), "0 V")
    s.words((-12.6, -6.6), "0 V and shields\nof X1, X2, X3", middle=True)
    s.wire((0, -8.7), (-4, -8.7))
    s.words((-2, -8.55), "USB, W1")
    s.words((-7, -8.7), "computer, or 5 V USB supply", middle=True)
    s.box((13, 3.2), (17.5, 9.6))
    s.words((15.4, 6.4), "LCD1\n16 × 2\ncharacter\ndisplay", size=NORMAL, middle=True)
    rows = (("display RS", "4 RS"), ("display E", "6 E"), ("display D4", "11 D4"), ("display D5", "12 D5"),
            ("display D6", "13 D6"), ("display D7", "14 D7"))  # fmt: skip
    for row, (signal, end) in enumerate(rows):
        y = 9.0 - row * 0.75
        s.wire((6, y), (13, y))
        s.words((6.8, y + 0.06), f"pin {label[signal]}")
        s.words((12.4, y + 0.06), end)
    s.words((9.6, 3.1), "1 and 5 (R/W): 0 V     2: 5 V\n3: wiper of RV2, 10 kΩ, ends to 5 V and 0 V\n"
            "15: 5 V through R40, 100 Ω     16: 0 V")  # fmt: skip
    buttons = (("button unit", "S1 unit"), ("button hold", "S2 hold"), ("button set", "S3 set"))
    for row, (signal, name) in enumerate(buttons):
        y = 1.6 - row * 2.6
        s.wire((6, y), (8.2, y))
        s.words((7, y + 0.08), f"pin {label[signal]}")
        s.part(elm.Capacitor, (8.2, y), (8.2, y - 1.3), f"C4{row + 1}\n100 nF", at="bottom")
        s.zero((8.2, y - 1.3))
        s.dots((8.2, y))
        s.part(elm.Resistor, (8.2, y), (10.8, y), f"R4{row + 1}  1 kΩ")
        s.part(elm.Button, (10.8, y), (12.4, y), name, at="top")
        s.wire((12.4, y), (13, y))
        s.zero((13, y))
    y = -7.6
    s.wire((6, y), (8.2, y))
    s.words((7, y + 0.08), f"pin {label['alarm']}")
    s.part(elm.Resistor, (8.2, y), (10.8, y), "R44  1 kΩ")
    s.part(elm.Resistor, (10.8, y), (10.8, y - 2.2), "R45\n10 kΩ")
    s.zero((10.8, y - 2.2))
    s.dots((10.8, y))
    s.wire((10.8, y), (12, y))
    transistor = elm.BjtNpn(circle=True).anchor("base").at((12, y))
    s.drawing += transistor
    collector, emitter = tuple(transistor.collector), tuple(transistor.emitter)
    s.words((13.3, y - 0.1), "Q1", middle=True)
    s.wire(emitter, (emitter[0], y - 2.2))
    s.zero((emitter[0], y - 2.2))
    s.wire(collector, (collector[0], y + 1.1), (17, y + 1.1))
    s.part(elm.Lamp, (15, y + 1.1), (15, y + 3.7), "H1")
    s.part(elm.Diode, (17, y + 1.1), (17, y + 3.7), "D4", at="bottom")
    s.wire((15, y + 3.7), (17, y + 3.7))
    s.terminal((16, y + 3.7), "5 to 24 V", at="top")
    s.dots((15, y + 1.1))


DRAWINGS: Mapping[str, Callable[[Sheet], None]] = {
    "input_stage": input_stage, "hall_switch": hall_switch, "proximity_switch": proximity_switch,
    "optical_sensor": optical_sensor, "instrument": instrument,
}  # fmt: skip


def draw(folder: Path) -> None:
    """Draw every sheet as svg and pdf."""
    for name, fill in DRAWINGS.items():
        sheet = Sheet()
        fill(sheet)
        for suffix in ("svg", "pdf"):
            sheet.drawing.save(str(folder / f"{name}.{suffix}"))


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
