"""How are the three sensors wired, each to its terminal?

Reference names (R1, U3 ...) are those of materials.csv and of the circuits that ngspice runs.
"""

from __future__ import annotations

import schemdraw.elements as elm

from schematic_sheet import NORMAL, Sheet, chip_pins

__all__ = ["hall_switch", "optical_sensor", "proximity_switch"]


def hall_switch(s: Sheet) -> None:
    """Hall switch U2 with C3 beside it."""
    for y, end, name in ((3.4, "5 V", "supply"), (1.7, "signal", "output"), (0.0, "0 V", "0 V")):
        s.terminal((0, y), f"X1 {end}")
        s.wire((0, y), (11.4, y))
        s.pin(f"U2 {name}", (11.4, y))
        s.above((10.5, y), name)
    s.cable(1.8, 7, (0, 1.7, 3.4), name="W2", shield="X1 shield")
    s.part("C3", elm.Capacitor, (8.8, 3.4), (8.8, 2), at="bottom")
    s.wire((8.8, 2), (8.8, 0))
    s.dots((8.8, 3.4), (8.8, 0))
    s.words((9.2, -1.0), "C3 only beside a bare chip: a barrel has its own", halign="left")
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
    s.part("C6", elm.Capacitor, (8.6, 6.9), (8.6, 9.1), at="bottom", more="50 V", plus=True)
    s.dots((8.6, 9.1), (8.6, 6.9), (11.7, 6.9), (11.7, 2.8), (11.7, 0.6), (13.2, 2.8), (13.2, 0.6))
    for y, name in ((9.1, "X5 0 V"), (6.9, "X5 +"), (4.7, "X5 output")):
        s.passing((17, y), name)
    s.cable(18.8, 21.6, (4.7, 6.9, 9.1), name="W3", shield="X5 shield")
    s.words((19.1, 2.2), "X5 shield is joined to X5 0 V", halign="left")
    s.pin("X5 shield", (17, 9.1))
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
    s.cable(-1.5, 4.5, (0, 2.4, 6.4), name="W2", shield="X1 shield")
    s.outline((10.9, 3.9), (10.9, 0.9), (8.4, 2.4), (10.9, 3.9))
    s.words((9.85, 2.4), "U5")
    s.words((10.6, 3), "−")
    s.words((10.6, 1.8), "+")
    s.above((8.15, 2.4), u5["output"])
    s.above((11.2, 3), u5["−"])
    s.above((11.2, 1.8), u5["+"])
    s.words((6.1, -1.3), f"U5 pin {u5['5 V']}: 5 V, pin {u5['0 V']}: 0 V; the second comparator in it:\n"
            "both inputs to 0 V, its output to nothing", halign="left")  # fmt: skip
    s.pin("U5 5 V", (5.8, 6.4))    # these four are told in words
    for name in ("0 V", "second +", "second −"):
        s.pin(f"U5 {name}", (5.8, 0))
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
