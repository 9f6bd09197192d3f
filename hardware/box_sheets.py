"""How is wired what sits in the box: input stages, display, buttons, alarm?

Reference names (R11, Q1 ...) are those of materials.csv and of the circuits that ngspice runs.
"""

from __future__ import annotations

import schemdraw.elements as elm
from schemdraw import logic

from schematic_sheet import NORMAL, Sheet, board_labels, chip_pins, value_of

__all__ = ["input_stage", "instrument", "panel"]

# Legs of an HD44780-type display (from memory; the same on all with one row of 16), and what drives them.
LEGS = {"1": "", "2": "", "3": "", "4": "RS", "5": "R/W", "6": "E", "11": "D4", "12": "D5", "13": "D6", "14": "D7",
        "15": "", "16": ""}  # fmt: skip
DISPLAY = {"4": "display RS", "6": "display E", "11": "display D4", "12": "display D5", "13": "display D6",
           "14": "display D7"}  # fmt: skip


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
    s.terminal((15, 0), f"B0 pin {label['input 1']}", at="right")
    s.five((10.4, -1.6))
    s.wire((10.4, -1.6), (12.2, -1.6))
    s.part("C1", elm.Capacitor, (12.2, -1.6), (12.2, -3.2), at="bottom")
    s.zero((12.2, -3.2))
    s.pin("U1 5 V", (10.4, -1.6))    # told in words beside C1
    s.pin("U1 0 V", (12.2, -3.2))
    s.words((14.2, -1.5), f"U1 pin {u1['5 V']}: 5 V", halign="left")
    s.words((14.2, -3.1), f"U1 pin {u1['0 V']}: 0 V", halign="left")
    s.words((0, -4.9), "The other two have the same values:", size=NORMAL, halign="left")
    for n, y in ((2, -5.6), (3, -6.3)):
        one, two, three, four = (u1[f"input {n} {each}"] for each in (
            "in", "first gate's output", "second gate's input", "out"))  # fmt: skip
        s.words(
            (0, y), f"input {n}:  X{n}, R{n}1, R{n}2, C{n}1, D{n}1, D{n}2;  "
            f"U1 in {one}, {two} joined to {three}, out {four};  B0 pin {label[f'input {n}']}",
            size=NORMAL, halign="left",
        )  # fmt: skip


def instrument(s: Sheet) -> None:
    """The whole: sensors' terminals, input stages, board, display, buttons, alarm, supplies."""
    label = board_labels()
    s.box((0, -11), (6, 9.6))
    s.words((3, 0.2), "B0\nmicrocontroller\nboard\nATmega328P,\n16 MHz, 5 V", size=NORMAL)
    for n, y in ((1, 7.0), (2, 3.5), (3, 0.0)):
        s.box((-7.4, y - 1.2), (-3, y + 1.2), f"input stage {n}\nR{n}1 R{n}2 C{n}1\nD{n}1 D{n}2\n2 gates of U1")
        s.wire((-3, y), (0, y))
        s.above((-1.5, y), f"pin {label[f'input {n}']}")
        s.box((-14.2, y - 1.2), (-10.6, y + 1.2), f"X{n}\n5 V, signal,\n0 V, shield")
        s.wire((-10.6, y), (-7.4, y))
        s.above((-9, y), "signal")
    s.words((-16.3, 3.5), "sensors:\nHall,\nproximity\nor optical", size=NORMAL)
    s.terminal((0, -4), "B0 5 V", at="right")
    s.wire((0, -4), (-3, -4))
    s.part("F1", elm.Fuse, (-3, -4), (-6, -4), flat=True, more="resettable")
    s.wire((-6, -4), (-10.6, -4))
    s.part("C2", elm.Capacitor, (-7.4, -4), (-7.4, -6.6), plus=True)
    s.dots((-7.4, -4), (-7.4, -6.6))
    s.words((-12.6, -4), "5 V of X1, X2, X3")
    s.terminal((0, -6.6), "B0 0 V", at="right")
    s.wire((0, -6.6), (-10.6, -6.6))
    s.words((-12.6, -6.6), "0 V and shields\nof X1, X2, X3")
    for n in (1, 2, 3):
        s.pin(f"X{n} 5 V", (-10.6, -4))
        s.pin(f"X{n} 0 V", (-10.6, -6.6))
        s.pin(f"X{n} shield", (-10.6, -6.6))
    s.wire((0, -9), (-4, -9))
    s.above((-2, -9), "USB, W1")
    s.words((-7.2, -9), "computer, or 5 V USB supply")
    s.box((14.2, 3.6), (18.4, 9.6), "LCD1\n16 × 2\ncharacter\ndisplay")
    for row, signal in enumerate(DISPLAY.values()):
        y = 9.0 - row * 0.96
        s.wire((6, y), (14.2, y))
        s.above((7, y), f"pin {label[signal]}")
        s.above((13.1, y), signal.removeprefix("display "))
    s.box((9.4, -8.6), (13.2, 1.4), "on B4:\nR41 to R45,\nC41 to C43,\nQ1, D41, X6, F3;\nfor LCD1\nRV2, R40")
    s.wire((11.3, 1.4), (11.3, 2.4), (16.3, 2.4), (16.3, 3.6))
    s.above((13.8, 2.4), "contrast, backlight, 5 V, 0 V")
    for x in (10.6, 12.0):
        s.wire((x, -8.6), (x, -9.6))
    s.words((11.3, -10.1), "5 V and 0 V from B1", size=NORMAL)
    rows = (("button unit", "S1 unit"), ("button hold", "S2 hold"), ("button set", "S3 set"),
            ("alarm", "H1 lamp or buzzer"))  # fmt: skip
    for (signal, name), y in zip(rows, (0.2, -2.2, -4.6, -7.4), strict=True):
        s.wire((6, y), (9.4, y))
        s.above((7.7, y), f"pin {label[signal]}")
        s.wire((13.2, y), (14.6, y))
        s.terminal((14.6, y), name, at="right")


def panel(s: Sheet) -> None:
    """Display, buttons and alarm: what sits in the lid, and the parts on B4 between it and the board B0."""
    label = board_labels()
    s.box((12, -0.7), (15.6, 13.4))
    s.words((14.4, 6.4), "LCD1\n16 × 2\ncharacter\ndisplay", size=NORMAL)
    ends = {"1": "0 V", "2": "5 V", "3": "", "5": "0 V", "15": "", "16": "0 V"} | {
        pin: f"B0 pin {label[signal]}" for pin, signal in DISPLAY.items()
    }
    for row, pin in enumerate(LEGS):
        y = 12.8 - 1.1 * row
        words = LEGS[pin]
        s.words((12.2, y), f"{pin} {words}".strip(), halign="left")
        s.pin(f"LCD1 {pin}", (12, y))
        if ends[pin]:
            s.wire((8.6, y), (12, y))
            s.terminal((8.6, y), ends[pin])
    three, fifteen = 12.8 - 1.1 * list(LEGS).index("3"), 12.8 - 1.1 * list(LEGS).index("15")
    s.five((4.6, three + 1.5))
    s.zero((4.6, three - 1.5))
    s.drawing += elm.Potentiometer().at((4.6, three - 1.5)).to((4.6, three + 1.5)).flip()
    s.words((2.7, three), f"RV2\n{value_of('RV2')}", size=NORMAL)
    for end, y in (("end", three - 1.5), ("other end", three + 1.5)):
        s.pin(f"RV2 {end}", (4.6, y))
    s.pin("RV2 middle", (5.32, three))
    s.wire((5.32, three), (12, three))
    s.terminal((5.4, fifteen), "5 V")
    s.part("R40", elm.Resistor, (5.4, fifteen), (9.4, fifteen), flat=True)
    s.wire((9.4, fifteen), (12, fifteen))
    s.words((12.2, -1.3), "7 to 10: nothing", halign="left")
    for n, signal, name in ((1, "button unit", "unit"), (2, "button hold", "hold"), (3, "button set", "set")):
        y = 14.6 - 3.2 * n
        s.terminal((19.6, y), f"B0 pin {label[signal]}")
        s.wire((19.6, y), (20.6, y))
        s.part(f"C4{n}", elm.Capacitor, (20.6, y), (20.6, y - 1.3), at="bottom")
        s.zero((20.6, y - 1.3))
        s.dots((20.6, y))
        s.part(f"R4{n}", elm.Resistor, (20.6, y), (23.6, y), flat=True)
        s.part(f"S{n}", elm.Button, (23.6, y), (25.4, y), named=False)
        s.words((24.5, y + 0.9), f"S{n} {name}")
        s.wire((25.4, y), (26, y))
        s.zero((26, y))
    y = -2.6
    s.terminal((17.8, y), f"B0 pin {label['alarm']}")
    s.part("R44", elm.Resistor, (17.8, y), (20.8, y), flat=True)
    s.part("R45", elm.Resistor, (20.8, y), (20.8, y - 2.2))
    s.zero((20.8, y - 2.2))
    s.dots((20.8, y))
    s.wire((20.8, y), (22, y))
    transistor = elm.BjtNpn(circle=True).anchor("base").at((22, y))
    s.drawing += transistor
    collector, emitter = tuple(transistor.collector), tuple(transistor.emitter)
    for name, point in (("B", (22, y)), ("C", collector), ("E", emitter)):
        s.pin(f"Q1 {name}", point)
    s.words((23.7, y), "Q1", size=NORMAL)
    s.words((21.8, y + 0.3), "B")
    s.words((collector[0] + 0.3, y + 0.95), "C")
    s.words((emitter[0] + 0.3, y - 0.95), "E")
    s.wire(emitter, (emitter[0], y - 2.2))
    s.zero((emitter[0], y - 2.2))
    low, high = y + 1.7, y + 4.3
    s.wire(collector, (collector[0], low), (25, low), (27, low), (29, low))
    s.part("D41", elm.Diode, (25, low), (25, high), at="bottom")
    s.part("H1", elm.Lamp2, (29, low), (29, high), at="bottom")
    s.terminal((18.8, high), "5 V")
    s.part("F3", elm.Fuse, (18.8, high), (21.8, high), flat=True, more="resettable")
    s.wire((21.8, high), (25, high), (27, high), (29, high))
    s.dots((25, low), (25, high))
    s.passing((27, low), "X6 −")
    s.passing((27, high), "X6 +")
