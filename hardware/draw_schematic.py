"""Which schematic sheets are there, and how do they become svg and pdf?

Draws drawings/*.svg and *.pdf with schemdraw.

    python hardware/draw_schematic.py [FOLDER]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import schemdraw.elements as elm
from schemdraw import logic

from box_sheets import input_stage, instrument, panel
from drawing_style import settle
from schematic_sheet import Sheet
from sensor_sheets import hall_switch, optical_sensor, proximity_switch
from text_check import require_readable

HERE = Path(__file__).resolve().parent


def symbols(s: Sheet) -> None:
    """How each part is drawn, and what it looks like."""
    rows: tuple[tuple[Callable[..., elm.Element], str], ...] = (
        (elm.Resistor, "resistor R: coloured rings; either way round"),
        (elm.ResistorVar, "trimmer RV of which two legs are used"),
        (elm.Potentiometer, "trimmer RV: resistor with a screw; three legs"),
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
    s.drawing += elm.Lamp2().at((1.5, -14.7)).to((1.5, -12.7))
    s.words((3.5, -13.7), "lamp or buzzer H", halign="left")
    s.drawing += elm.NpnPhoto().right().anchor("base").at((1.3, -16.4))
    s.words((3.5, -16.4), "phototransistor: light does\nwhat the base else does", halign="left")
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
    s.outline((13.8, -12.4), (15.8, -12.4), (15.8, -13.4), (13.8, -13.4), (13.8, -12.4), dashed=True)
    s.words((17, -12.9), "dashed: a shield, a case, a gap", halign="left")
    s.outline((15.8, -14.2), (15.8, -16.2), (13.8, -15.2), (15.8, -14.2))
    s.words((15.4, -14.8), "−")
    s.words((15.4, -15.6), "+")
    s.words((17, -15.2), "comparator: low when − is\nhigher than +", halign="left")
    s.room((24.5, 0))
    s.words((13.8, -17.4), "1 MΩ = 1,000 kΩ, 1 kΩ = 1,000 Ω;  1 µF = 1,000 nF, 1 nF = 1,000 pF", halign="left")


DRAWINGS: Mapping[str, Callable[[Sheet], None]] = {
    "symbols": symbols, "input_stage": input_stage, "hall_switch": hall_switch, "proximity_switch": proximity_switch,
    "optical_sensor": optical_sensor, "instrument": instrument, "panel": panel,
}  # fmt: skip


def draw(folder: Path) -> None:
    """Draw every sheet as svg and pdf.  Raises ValueError if words on it cannot be read."""
    settle()
    for name, fill in DRAWINGS.items():
        sheet = Sheet()
        fill(sheet)
        sheet.nets()
        figure = sheet.drawing.draw(show=False)
        figure.getfig().subplots_adjust(0.0, 0.0, 1.0, 1.0)    # as save() lays it out
        require_readable(figure.fig, name)
        for suffix in ("svg", "pdf"):
            figure.save(str(folder / f"{name}.{suffix}"))


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
