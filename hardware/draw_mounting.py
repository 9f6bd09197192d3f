"""Where do targets, sensor, magnets and cables go on the machine?

Line drawings, not to scale unless a dimension says so; drawings/*.svg and *.pdf.

    python hardware/draw_mounting.py [FOLDER]
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, Polygon, Rectangle

from drawing_style import settle
from plain_sheet import INK, SOFT, block, measure, note, save_sheet

HERE = Path(__file__).resolve().parent


def wheel_and_sensor(ax: Axes) -> None:
    """Front view: four targets on a wheel, the sensor on a bracket on the frame."""
    for radius, weight in ((10, 2.0), (9.2, 1.0), (1.6, 1.3), (0.7, 1.0)):
        ax.add_patch(Circle((0, 0), radius, fill=False, lw=weight))
    ax.add_patch(Circle((0, 0), 6.5, fill=False, lw=0.8, ls="--", ec=SOFT))
    for angle in (45, 135, 225, 315):
        x, y = 6.5 * math.cos(math.radians(angle)), 6.5 * math.sin(math.radians(angle))
        ax.plot([0, x], [0, y], color=SOFT, lw=0.6, ls=":")
        ax.add_patch(Circle((x, y), 0.6, fill=True, facecolor="0.8", edgecolor=INK, lw=1.3))
    ax.add_patch(Arc((0, 0), 6, 6, theta1=45, theta2=135, lw=0.8))
    note(ax, "equal angles,\nwithin 2°", (0, 4.4))
    note(ax, "targets: opposite ones of equal mass,\nall at one radius, inside the rim", (-14.6, 10.2), (-5.1, 5.0))
    ax.plot([10, 10], [0, -13], color=INK, lw=2.2)
    ax.plot([-10, -10], [0, -13], color=INK, lw=2.2)
    note(ax, "blade: no part of target,\nsensor or cable may\nreach its path", (-16.6, -9), (-10.1, -10))
    block(ax, -0.75, -12, 1.5, 6.4, fill="0.93")
    ax.add_patch(Circle((0, -6.5), 0.55, fill=True, facecolor="white", edgecolor=INK, lw=1.5))
    block(ax, -3, -13.2, 6, 1.2, hatch="///")
    note(ax, "sensor, on the circle\nof the targets", (16.6, -3.4), (0.5, -6.3))
    note(ax, "bracket, between the blade's\ntwo strands (drawing: air gap)", (18, -8), (0.7, -9.5))
    note(ax, "frame of the machine,\nnever the guard's door", (17, -12.2), (3.1, -12.6))
    ax.annotate("", xy=(-3.6, 8.0), xytext=(3.6, 8.0),
                arrowprops={"arrowstyle": "<->", "connectionstyle": "arc3,rad=0.22", "lw": 1.3})  # fmt: skip
    note(ax, "either direction", (0, 7.1))
    ax.set_xlim(-23, 26)
    ax.set_ylim(-14, 12)


def air_gap(ax: Axes) -> None:
    """Seen along the rim: wheel, carrier with magnet, gap, sensor in its bracket."""
    block(ax, 0, -8, 3, 16, hatch="///")
    note(ax, "wheel", (-2.6, 6))
    block(ax, 3, -2, 2.6, 4, fill="0.93")
    block(ax, 3, -0.9, 1.7, 1.8, fill="0.7")
    note(ax, "carrier with\nthe magnet inside", (7.4, -5.2), (4.2, -1.2))
    block(ax, 12.2, -9.2, 1.4, 17.2, fill="0.93")
    for x in (11.2, 13.6):
        block(ax, x, -2.2, 1.0, 4.4, fill="0.85")
    block(ax, 8.2, -1.2, 9.5, 2.4)
    block(ax, 13.6, -9.2, 10.6, 1.6, fill="0.93")
    block(ax, 12.2, -11.6, 14, 2.4, hatch="///")
    for x in (15.2, 20.6):                                     # the slot's ends, hidden
        ax.plot([x, x], [-9.2, -7.6], color=INK, lw=1.0, ls="--")
    block(ax, 16.9, -12.6, 1.0, 5.6)
    block(ax, 16.3, -7.6, 2.2, 0.3, fill="0.85")
    block(ax, 16.6, -7.3, 1.6, 1.0, fill="0.85")
    measure(ax, (5.6, 3.4), (8.2, 3.4), "air gap", off=(0, 0.9))
    ax.plot([5.6, 5.6], [2, 3.8], color=SOFT, lw=0.7)
    ax.plot([8.2, 8.2], [1.2, 3.8], color=SOFT, lw=0.7)
    note(ax, "sensor in a threaded barrel,\na nut on either side", (21.6, 4.4), (14.2, 1.9))
    note(ax, "two slots, side by side (ends dashed):\nslide the bracket, then tighten\nboth screws",
          (22.6, -4), (18.4, -6.9))  # fmt: skip
    note(ax, "frame", (28.2, -10.4))
    note(ax, "Hall switch and magnet 2 to 4 mm; proximity switch: half its rated distance;\n"
              "reflective optical sensor: its best distance, 3 to 12 mm", (11, 10.2), size=9.5)  # fmt: skip
    note(ax, "Turn the wheel by hand, locked out, one whole turn: the nearest point must clear\n"
              "the sensor by 1 mm at least; a warm bearing and a bent wheel take some of it", (11, -14), size=9.5)
    ax.set_xlim(-5, 31)
    ax.set_ylim(-15.3, 11.5)


def magnet_retention(ax: Axes) -> None:
    """Sections of the two carriers: what throws the magnet out, and what holds it in."""
    note(ax, "on the wheel's face (carrier), cut through", (5, 12.2), size=10.5)
    note(ax, "on a shaft (ring in two halves), cut through", (36, 12.2), size=10.5)
    block(ax, 0, -8, 3, 18, hatch="///")
    block(ax, 3, -5, 4, 10, fill="0.93")
    block(ax, 3, -1.2, 2.8, 2.4, fill="0.7")
    for y in (3.2, -3.2):
        _screw(ax, y)
    ax.annotate("", xy=(9.6, 9.6), xytext=(9.6, 5.6), arrowprops={"arrowstyle": "->", "lw": 1.6})
    note(ax, "pull-off force m ω² r,\naway from the axis", (15, 7.6))
    note(ax, "1. by form: the pocket opens towards\nthe wheel only; 4 mm of wall outwards", (17.6, 1.6), (5.0, 0.6))
    note(ax, "2. countersunk screws\nthrough the wheel", (15.2, -3.6), (6.9, -3.2))
    note(ax, "washer and locking nut, or a plain nut\nwith thread lock on its thread", (0, -10.6), (-1.2, -4.1))
    note(ax, "wheel", (-2.6, 8.4))
    x0 = 36
    ax.add_patch(Circle((x0, 0), 6.5, fill=True, facecolor="0.93", edgecolor=INK, lw=1.3))
    ax.add_patch(Circle((x0, 0), 3.6, fill=True, facecolor="white", edgecolor=INK, lw=1.3, hatch="///"))
    for side in (-1, 1):
        block(ax, x0 + side * 4.5 - 0.9, -0.9, 1.8, 1.8, fill="0.7")
        low = 3.55 if side > 0 else -8.4
        ax.add_patch(Rectangle((x0 - 0.35, low), 0.7, 4.85, facecolor="white", edgecolor="white"))
        for end in (-1, 1):
            lug = x0 + end * 0.35 - (1.6 if end < 0 else 0)
            block(ax, lug, 6.3 if side > 0 else -8.4, 1.6, 2.1, fill="0.93")
            ax.plot([x0 + end * 0.35] * 2, [low, low + 4.85], color=INK, lw=1.2)
        block(ax, x0 - 2.6, side * 7.4 - 0.25, 5.5, 0.5)
        block(ax, x0 - 3.1, side * 7.4 - 0.6, 1.15, 1.2, fill="0.85")
        block(ax, x0 + 1.95, side * 7.4 - 0.6, 0.9, 1.2, fill="0.85")
    note(ax, "two clamp screws,\nlocking nuts in their seats", (47, 9.4), (x0 + 2.9, 7.8))
    note(ax, "magnets: their pockets open\ntowards the shaft, which shuts\nthem in; two, opposite: balanced",
          (49.5, -4.6), (x0 + 5.1, -0.8))  # fmt: skip
    note(ax, "shaft", (27.5, -7.6), (x0 - 2.4, -2.2))
    ax.set_xlim(-11, 56)
    ax.set_ylim(-12, 13.5)


def _screw(ax: Axes, y: float) -> None:
    """A countersunk screw through carrier and wheel at this height, washer and locking nut behind the wheel."""
    head = [(7, y - 1.0), (7, y + 1.0), (5.9, y + 0.4), (5.9, y - 0.4)]
    block(ax, -2.2, y - 0.4, 8.1, 0.8)
    ax.add_patch(Polygon(head, closed=True, facecolor="white", edgecolor=INK, lw=1.3))
    block(ax, -0.3, y - 1.1, 0.3, 2.2, fill="0.85")
    block(ax, -1.3, y - 0.85, 1.0, 1.7, fill="0.85")
    block(ax, -1.7, y - 0.7, 0.4, 1.4, fill="0.7")            # the locking nut's collar


def cable_routing(ax: Axes) -> None:
    """Plan: inverter, motor, their cable; the sensor's cable and the box."""
    block(ax, 0, 8, 6, 5)
    note(ax, "inverter", (3, 10.5))
    block(ax, 28, 8, 6, 5)
    note(ax, "motor", (31, 10.5))
    ax.plot([6, 28], [10.5, 10.5], color=INK, lw=4)
    note(ax, "motor cable: the noise source", (17, 11.8))
    block(ax, 0, -7, 7.4, 5)
    note(ax, "instrument's box", (3.7, -4.5))
    ax.plot([7.4, 23, 23, 24], [-4.5, -4.5, -6, -6], color=INK, lw=1.8)
    ax.plot([24, 24], [-6, 3.5], color=INK, lw=1.8)
    ax.add_patch(Circle((24, 4.2), 0.7, fill=True, facecolor="white", edgecolor=INK, lw=1.4))
    note(ax, "sensor", (27, 4.4))
    measure(ax, (14, 10.1), (14, -4.3), "side by side: 200 mm\nor more apart", off=(4.8, 0))
    for x in (9.5, 12.8, 21.4):
        ax.add_patch(Circle((x, -4.5), 0.45, fill=False, lw=1.2))
    note(ax, "clips every 200 mm", (13, -7.6), (12.8, -5))
    note(ax, "drip loop: water\nruns off here", (24, -8.8), (23.5, -6.1))
    note(ax, "shield joined here, to\n0 V, at this end only", (4, 1.2), (7.4, -4.1))
    note(ax, "shield cut back\nand insulated", (30, -0.2), (24.1, 2.4))
    ax.plot([37, 37], [13, -7], color=INK, lw=4)
    ax.plot([34, 40], [-2.5, -2.5], color=INK, lw=1.8)
    note(ax, "motor cable", (40.2, 9))
    note(ax, "where they must cross:\nat right angles", (37, -9))
    ax.set_xlim(-1, 43)
    ax.set_ylim(-10.5, 14.5)


DRAWINGS: Mapping[str, Callable[[Axes], None]] = {
    "wheel_and_sensor": wheel_and_sensor, "air_gap": air_gap, "magnet_retention": magnet_retention,
    "cable_routing": cable_routing,
}  # fmt: skip


WIDE_IN = {"magnet_retention": 11.0}    # inches; the others are 8 wide


def draw(folder: Path) -> None:
    """Draw every sheet as svg and pdf.  Raises ValueError if words on it cannot be read."""
    settle()
    for name, fill in DRAWINGS.items():
        save_sheet(folder, name, fill, wide_in=WIDE_IN.get(name, 8.0), high_in=5.0)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
