"""How are the instrument and its three sensors wired?

Draws drawings/*.svg and *.pdf with schemdraw.  Reference names (R11, U3 ...) are those of materials.csv and of the
circuits that ngspice runs.

    python hardware/draw_schematic.py [FOLDER]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import schemdraw.elements as elm
from schemdraw import logic

from drawing_style import settle
from schematic_sheet import NORMAL, Sheet, board_labels, chip_pins, value_of
from text_check import require_readable

HERE = Path(__file__).resolve().parent


def input_stage(s: Sheet) -> None:
    """One of three: R11, R12, C11, D11, D12 and two gates of U1."""
    label, u1 = board_labels(), chip_pins("U1")
    s.terminal((0, 0), "X1 signal")
    s.wire((0, 0), (1.5, 0))
    s.part("R11", elm.Resistor, (1.5, 0), (1.5, 2.5))
    s.five((1.5, 2.5))
    s.part("R12", elm.Resistor, (1.5, 0), (4.5, 0))
    s.part("C11", elm.Capacitor, (4.5, 0), (4.5, -2.5))
    s.zero((4.5, -2.5))
    s.wire((4.5, 0), (7, 0), (9, 0))
    s.part("D11", elm.Schottky, (7, 0), (7, 2.5), at="bottom")
    s.five((7, 2.5))
    s.part("D12", elm.Schottky, (7, -2.5), (7, 0), at="bottom")
    s.zero((7, -2.5))
    s.dots((1.5, 0), (4.5, 0), (7, 0))
    s.drawing += logic.SchmittNot().at((9, 0)).right()
    s.wire((10.6, 0), (12, 0))
    s.drawing += logic.SchmittNot().at((12, 0)).right()
    s.wire((13.6, 0), (15, 0))
    for x, pin in ((8.7, "in"), (10.9, "first gate's output"), (11.7, "second gate's input"), (13.9, "out")):
        s.above((x, 0), u1[f"input 1 {pin}"])
    for x, pin in ((9, "in"), (10.6, "first gate's output"), (12, "second gate's input"), (13.6, "out")):
        s.pin(f"U1 input 1 {pin}", (x, 0))
    s.words((11.3, 1.1), "U1: two of its six gates,\nnumbers of its pins")
    s.terminal((15, 0), f"board pin {label['input 1']}", at="right")
    s.five((10.4, -1.6))
    s.wire((10.4, -1.6), (12.2, -1.6))
    s.part("C1", elm.Capacitor, (12.2, -1.6), (12.2, -3.2), at="bottom")
    s.zero((12.2, -3.2))
    s.words((14.2, -1.5), f"U1 pin {u1['5 V']}: 5 V", halign="left")
    s.words((14.2, -3.1), f"U1 pin {u1['0 V']}: 0 V", halign="left")
    s.words((0, -4.9), "The other two have the same values:", size=NORMAL, halign="left")
    for n, y in ((2, -5.6), (3, -6.3)):
        one, two, three, four = (u1[f"input {n} {each}"] for each in (
            "in", "first gate's output", "second gate's input", "out"))  # fmt: skip
        s.words(
            (0, y), f"input {n}:  X{n}, R{n}1, R{n}2, C{n}1, D{n}1, D{n}2;  "
            f"U1 in {one}, {two} joined to {three}, out {four};  board pin {label[f'input {n}']}",
            size=NORMAL, halign="left",
        )  # fmt: skip


def hall_switch(s: Sheet) -> None:
    """Hall switch U2 with C3 beside it."""
    for y, end, name in ((3.4, "5 V", "supply"), (1.7, "signal", "output"), (0.0, "0 V", "0 V")):
        s.terminal((0, y), f"X1 {end}")
        s.wire((0, y), (11.4, y))
        s.pin(f"U2 {name}", (11.4, y))
        s.above((10.5, y), name)
    s.cable(1.8, 7, (0, 1.7, 3.4))
    s.part("C3", elm.Capacitor, (8.8, 3.4), (8.8, 2), at="bottom")
    s.wire((8.8, 2), (8.8, 0))
    s.dots((8.8, 3.4), (8.8, 0))
    s.box((11.4, -0.6), (15, 4), "U2\nHall switch\nopen collector")
    s.outline((15, 1.7), (16.4, 1.7), dashed=True)
    s.above((15.7, 1.7), "gap")
    s.box((16.4, 0.8), (18.6, 2.6), "M1\nmagnet")


def proximity_switch(s: Sheet) -> None:
    """Proximity switch P1 with a supply of its own, and the opto-isolator U3."""
    u3 = chip_pins("U3")
    for y, end, name in ((3.4, "5 V", "5 V"), (1.7, "signal", "output"), (0.0, "0 V", "0 V")):
        s.terminal((0, y), f"X1 {end}")
        s.wire((0, y), (4, y))
        s.pin(f"U3 {name}", (4, y))
        s.above((3.6, y), u3[name])
    s.part("C4", elm.Capacitor, (1.6, 3.4), (1.6, 2.1))
    s.wire((1.6, 2.1), (1.6, 0))
    s.dots((1.6, 3.4), (1.6, 0))
    s.box((4, -0.7), (9, 4.1))
    s.words((5.35, 1.7), "U3\nopto-\nisolator,\nSchmitt\noutput", size=NORMAL)
    s.outline((6.8, -1.3), (6.8, 4.9), dashed=True)
    s.words((6.8, -1.7), "isolated: the two 0 V are not joined here")
    s.wire((11.7, 2.8), (7.7, 2.8))
    s.wire((7.7, 0.6), (11.7, 0.6))
    s.part("U3", elm.LED, (7.7, 2.8), (7.7, 0.6), named=False)
    s.above((9.4, 2.8), u3["anode"])
    s.above((9.4, 0.6), u3["cathode"])
    s.part("R1", elm.Resistor, (11.7, 6.9), (11.7, 4.1), more="2 W")
    s.wire((11.7, 4.1), (11.7, 2.8))
    s.part("R2", elm.Resistor, (11.7, 2.8), (11.7, 0.6))
    s.wire((11.7, 2.8), (13.2, 2.8))
    s.wire((11.7, 0.6), (13.2, 0.6), (15, 0.6), (15, 4.7), (24.5, 4.7))
    s.part("D3", elm.Diode, (13.2, 0.6), (13.2, 2.8), at="bottom")
    s.terminal((0, 9.1), "X4 0 V")
    s.wire((0, 9.1), (24.5, 9.1))
    s.terminal((0, 6.9), "X4 +12 to 24 V")
    s.part("F2", elm.Fuse, (0, 6.9), (3, 6.9), at="bottom", flat=True)
    s.part("D1", elm.Schottky, (3, 6.9), (6, 6.9), at="bottom")
    s.wire((6, 6.9), (24.5, 6.9))
    s.part("C6", elm.Capacitor, (8.6, 9.1), (8.6, 6.9), more="50 V")
    s.words((8.95, 7.6), "+", size=NORMAL)
    s.dots((8.6, 9.1), (8.6, 6.9), (11.7, 6.9), (11.7, 2.8), (11.7, 0.6), (13.2, 2.8), (13.2, 0.6))
    for y, name in ((9.1, "X5 0 V"), (6.9, "X5 +"), (4.7, "X5 output")):
        s.passing((17, y), name)
    s.cable(18.8, 21.6, (4.7, 6.9, 9.1), name="W3")
    s.box((24.5, 3.9), (28, 9.9), "P1\nproximity\nswitch, NPN,\nnormally\nopen")
    for y, name in ((9.1, "0 V (blue)"), (6.9, "+ (brown)"), (4.7, "output (black)")):
        s.above((23.1, y), name)
        s.pin(f"P1 {name.partition(' (')[0]}", (24.5, y))


def optical_sensor(s: Sheet) -> None:
    """Reflective sensor U4 with the comparator U5 beside it."""
    u5 = chip_pins("U5")
    for y, end in ((6.4, "5 V"), (2.4, "signal"), (0.0, "0 V")):
        s.terminal((-3.5, y), f"X1 {end}")
    s.wire((-3.5, 6.4), (21.4, 6.4))
    s.wire((-3.5, 0), (21.4, 0))
    s.wire((-3.5, 2.4), (8.4, 2.4))
    s.cable(-1.5, 4.5, (0, 2.4, 6.4))
    s.outline((10.9, 3.9), (10.9, 0.9), (8.4, 2.4), (10.9, 3.9))
    s.words((9.85, 2.4), "U5")
    s.words((10.6, 3), "−")
    s.words((10.6, 1.8), "+")
    s.above((8.15, 2.4), u5["output"])
    s.above((11.2, 3), u5["−"])
    s.above((11.2, 1.8), u5["+"])
    s.words((6.1, -1.3), f"U5 pin {u5['5 V']}: 5 V, pin {u5['0 V']}: 0 V; the second comparator in it:\n"
            "both inputs to 0 V, its output to nothing", halign="left")  # fmt: skip
    s.pin("U5 output", (8.4, 2.4))
    s.pin("U5 −", (10.9, 3))
    s.pin("U5 +", (10.9, 1.8))
    s.wire((10.9, 3), (12.2, 3))
    s.part("R52", elm.Resistor, (12.2, 6.4), (12.2, 4.9), flat=True)
    s.wire((12.2, 4.9), (12.2, 3), (12.2, 1.6))
    s.part("R53", elm.Resistor, (12.2, 1.6), (12.2, 0))
    s.wire((10.9, 1.8), (14, 1.8))
    s.part("C51", elm.Capacitor, (14, 1.8), (14, 0), at="bottom")
    s.part("R54", elm.Resistor, (14, 1.8), (17, 1.8), flat=True)
    s.wire((7.7, 2.4), (7.7, 4.4))
    s.part("R55", elm.Resistor, (7.7, 4.4), (10.7, 4.4), flat=True)
    s.wire((10.7, 4.4), (14, 4.4), (14, 1.8))
    s.part("RV1", elm.ResistorVar, (17.6, 6.4), (17.6, 4.4), at="bottom")
    s.part("R51", elm.Resistor, (17.6, 4.4), (17.6, 2.6), at="bottom")
    s.wire((17.6, 2.6), (17.6, 1.8), (17.6, 1.5))
    s.wire((17, 1.8), (17.6, 1.8))
    s.terminal((17.6, 1.8), "TP1", at="right")
    photo = elm.NpnPhoto().right().anchor("collector").at((17.6, 1.5))
    s.drawing += photo
    s.pin("U4 collector", (17.6, 1.5))
    s.pin("U4 emitter", (17.6, 0))
    s.wire((photo.emitter[0], photo.emitter[1]), (17.6, 0))
    s.part("R50", elm.Resistor, (20.4, 6.4), (20.4, 4), at="bottom")
    s.wire((20.4, 4), (20.4, 1.5))
    s.part("U4", elm.LED, (20.4, 1.5), (20.4, 0), named=False)
    s.outline((16.2, 1.35), (21.8, 1.35), (21.8, -0.4), (16.2, -0.4), (16.2, 1.35), dashed=True)
    s.words((19, -1), "U4 reflective sensor")
    s.part("C50", elm.Capacitor, (5.8, 6.4), (5.8, 4.6), at="bottom")
    s.wire((5.8, 4.6), (5.8, 0))
    s.dots((5.8, 6.4), (5.8, 0), (7.7, 2.4), (12.2, 6.4), (12.2, 3), (12.2, 0), (14, 1.8), (14, 0),
           (17.6, 6.4), (17.6, 1.8), (17.6, 0), (20.4, 6.4), (20.4, 0))  # fmt: skip


def instrument(s: Sheet) -> None:
    """The whole: sensors' terminals, input stages, board, display, buttons, alarm, supplies."""
    label = board_labels()
    s.box((0, -11), (6, 9.6))
    s.words((3, 0.2), "A1\nmicrocontroller\nboard\nATmega328P,\n16 MHz, 5 V", size=NORMAL)
    for n, y in ((1, 7.0), (2, 3.5), (3, 0.0)):
        s.box((-7.4, y - 1.2), (-3, y + 1.2), f"input stage {n}\nR{n}1 R{n}2 C{n}1\nD{n}1 D{n}2\n2 gates of U1")
        s.wire((-3, y), (0, y))
        s.above((-1.5, y), f"pin {label[f'input {n}']}")
        s.box((-14.2, y - 1.2), (-10.6, y + 1.2), f"X{n}\n5 V, signal,\n0 V, shield")
        s.wire((-10.6, y), (-7.4, y))
        s.above((-9, y), "signal")
    s.words((-16.3, 3.5), "sensors:\nHall,\nproximity\nor optical", size=NORMAL)
    s.terminal((0, -4), "", at="right")
    s.wire((0, -4), (-3, -4))
    s.above((-1.5, -4), "5 V")
    s.part("F1", elm.Fuse, (-3, -4), (-6, -4), flat=True, more="resettable")
    s.wire((-6, -4), (-10.6, -4))
    s.part("C2", elm.Capacitor, (-7.4, -4), (-7.4, -6.6), at="bottom")
    s.words((-7.8, -4.9), "+", size=NORMAL)
    s.dots((-7.4, -4), (-7.4, -6.6))
    s.words((-12.6, -4), "5 V of X1, X2, X3")
    s.terminal((0, -6.6), "", at="right")
    s.wire((0, -6.6), (-10.6, -6.6))
    s.above((-1.5, -6.6), "0 V")
    s.words((-12.6, -6.6), "0 V and shields\nof X1, X2, X3")
    s.wire((0, -9), (-4, -9))
    s.above((-2, -9), "USB, W1")
    s.words((-7.2, -9), "computer, or 5 V USB supply")
    s.box((14.2, 4.2), (18.4, 9.6))
    s.words((16.3, 6.9), "LCD1\n16 × 2\ncharacter\ndisplay", size=NORMAL)
    rows = (("display RS", "4 RS"), ("display E", "6 E"), ("display D4", "11 D4"), ("display D5", "12 D5"),
            ("display D6", "13 D6"), ("display D7", "14 D7"))  # fmt: skip
    for row, (signal, end) in enumerate(rows):
        y = 9.0 - row * 0.85
        s.wire((6, y), (14.2, y))
        s.above((7, y), f"pin {label[signal]}")
        s.above((13.4, y), end)
    s.words((6.5, 3.2), "LCD1 1 and 5 (R/W): 0 V;  2: 5 V;  3: middle leg of RV2, "
            f"{value_of('RV2')}, its ends to 5 V and 0 V;\n7 to 10: nothing;  15: 5 V through R40, {value_of('R40')};"
            "  16: 0 V", halign="left")  # fmt: skip
    buttons = (("button unit", "S1 unit"), ("button hold", "S2 hold"), ("button set", "S3 set"))
    for row, (signal, name) in enumerate(buttons):
        y = 1.2 - row * 2.7
        s.wire((6, y), (8.2, y))
        s.above((7, y), f"pin {label[signal]}")
        s.part(f"C4{row + 1}", elm.Capacitor, (8.2, y), (8.2, y - 1.3), at="bottom")
        s.zero((8.2, y - 1.3))
        s.dots((8.2, y))
        s.part(f"R4{row + 1}", elm.Resistor, (8.2, y), (11.2, y), flat=True)
        s.part(f"S{row + 1}", elm.Button, (11.2, y), (12.8, y), named=False)
        s.words((12, y + 0.9), name)
        s.wire((12.8, y), (13.4, y))
        s.zero((13.4, y))
    y = -8
    s.wire((6, y), (8.2, y))
    s.above((7, y), f"pin {label['alarm']}")
    s.part("R44", elm.Resistor, (8.2, y), (11.2, y), flat=True)
    s.part("R45", elm.Resistor, (11.2, y), (11.2, y - 2.2))
    s.zero((11.2, y - 2.2))
    s.dots((11.2, y))
    s.wire((11.2, y), (12.4, y))
    transistor = elm.BjtNpn(circle=True).anchor("base").at((12.4, y))
    s.drawing += transistor
    collector, emitter = tuple(transistor.collector), tuple(transistor.emitter)
    s.words((14.1, y), "Q1")
    s.words((12.2, y + 0.3), "B")
    s.words((collector[0] + 0.3, y + 0.95), "C")
    s.words((emitter[0] + 0.3, y - 0.95), "E")
    s.wire(emitter, (emitter[0], y - 2.2))
    s.zero((emitter[0], y - 2.2))
    s.wire(collector, (collector[0], y + 1.5), (15.4, y + 1.5), (17.4, y + 1.5))
    s.part("H1", elm.Lamp2, (15.4, y + 1.5), (15.4, y + 4.1))
    s.part("D4", elm.Diode, (17.4, y + 1.5), (17.4, y + 4.1), at="bottom")
    s.wire((15.4, y + 4.1), (17.4, y + 4.1), (19, y + 4.1))
    s.wire((14.8, y + 4.1), (15.4, y + 4.1))
    s.terminal((14.8, y + 4.1), "X6 +")
    s.wire((15.4, y + 1.5), (15.4, y + 1))
    s.terminal((15.4, y + 1), "X6 −", at="right")
    s.terminal((19, y + 4.1), "5 V", at="right")
    s.dots((15.4, y + 1.5), (15.4, y + 4.1), (17.4, y + 4.1))


def symbols(s: Sheet) -> None:
    """How each part is drawn, and what it looks like."""
    rows: tuple[tuple[Callable[..., elm.Element], str], ...] = (
        (elm.Resistor, "resistor R: coloured rings; either way round"),
        (elm.ResistorVar, "trimmer RV: resistor with a screw; three legs"),
        (elm.Capacitor, "capacitor C; with a + electrolytic: the stripe is −"),
        (elm.Diode, "diode D: the ring is the bar"),
        (elm.Schottky, "Schottky diode D: likewise"),
        (elm.LED, "light-emitting diode"),
        (elm.Fuse, "fuse F"),
        (elm.Button, "push button S"),
    )
    for row, (kind, words) in enumerate(rows):
        s.drawing += kind().at((0, -1.5 * row)).to((3, -1.5 * row))
        s.words((3.5, -1.5 * row), words, halign="left")
    s.drawing += elm.Lamp2().at((1.5, -13.2)).to((1.5, -11.2))
    s.words((3.5, -12.2), "lamp or buzzer H", halign="left")
    s.drawing += logic.SchmittNot().at((14, 0)).right()
    s.words((17, 0), "gate with hysteresis, a sixth of U1", halign="left")
    s.drawing += elm.BjtNpn(circle=True).anchor("base").at((14, -1.8))
    s.words((17, -1.8), "NPN transistor Q: base\nleft, collector above,\nemitter with the arrow", halign="left")
    s.zero((14.8, -3.6))
    s.words((17, -3.9), "0 V: all these are one wire", halign="left")
    s.five((14.8, -6))
    s.words((17, -5.6), "5 V: all these, too", halign="left")
    s.outline((13.8, -7.4), (15.8, -7.4))
    s.outline((14.8, -6.8), (14.8, -8))
    s.words((17, -7.4), "two wires that cross, not joined", halign="left")
    s.outline((13.8, -9.2), (15.8, -9.2))
    s.outline((14.8, -8.6), (14.8, -9.8))
    s.dots((14.8, -9.2))
    s.words((17, -9.2), "a dot: joined", halign="left")
    s.terminal((14.8, -10.8), "", at="right")
    s.words((17, -10.8), "terminal, or pin of the board", halign="left")
    s.room((24, 0))
    s.words((14.2, -12.1), "1 kΩ = 1,000 Ω;  1 µF = 1,000 nF, 1 nF = 1,000 pF", halign="left")


DRAWINGS: Mapping[str, Callable[[Sheet], None]] = {
    "symbols": symbols, "input_stage": input_stage, "hall_switch": hall_switch, "proximity_switch": proximity_switch,
    "optical_sensor": optical_sensor, "instrument": instrument,
}  # fmt: skip


def draw(folder: Path) -> None:
    """Draw every sheet as svg and pdf.  Raises ValueError if words on it cannot be read."""
    settle()
    for name, fill in DRAWINGS.items():
        sheet = Sheet()
        fill(sheet)
        sheet.nets()
        figure = sheet.drawing.draw(show=False)
        for suffix in ("svg", "pdf"):
            figure.save(str(folder / f"{name}.{suffix}"))
        require_readable(figure.fig, name)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
