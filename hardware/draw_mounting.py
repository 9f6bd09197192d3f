"""Where do targets, sensor, magnets and cables go on the machine?

Line drawings, not to scale unless a dimension says so; drawings/*.svg and *.pdf.

    python hardware/draw_mounting.py [FOLDER]
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, Polygon, Rectangle

from drawing_style import settle

settle()

HERE = Path(__file__).resolve().parent
INK, SOFT = "black", "0.55"
Point = tuple[float, float]


def _note(ax: Axes, text: str, at: Point, to: Point | None = None, *, size: float = 9) -> None:
    """Words, with a thin line to what they speak of."""
    if to is None:
        ax.text(*at, text, fontsize=size, ha="center", va="center")
        return
    ax.annotate(
        text, xy=to, xytext=at, fontsize=size, ha="center", va="center",
        arrowprops={"arrowstyle": "-", "color": SOFT, "lw": 0.8, "shrinkB": 0},
    )  # fmt: skip


def _measure(ax: Axes, a: Point, b: Point, text: str, *, off: Point) -> None:
    """A dimension line from a to b."""
    line = {"arrowstyle": "<->", "color": INK, "lw": 1.0, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", xy=a, xytext=b, arrowprops=line)
    ax.text((a[0] + b[0]) / 2 + off[0], (a[1] + b[1]) / 2 + off[1], text, fontsize=9, ha="center", va="center")


def _block(ax: Axes, x: float, y: float, w: float, h: float, *, hatch: str = "", fill: str = "white") -> None:
    ax.add_patch(Rectangle((x, y), w, h, fill=True, facecolor=fill, edgecolor=INK, lw=1.3, hatch=hatch))


def wheel_and_sensor(ax: Axes) -> None:
    """Front view: four targets on a wheel, the sensor on a bracket on the frame."""
    ax.add_patch(Circle((0, 0), 10, fill=False, lw=2))
    ax.add_patch(Circle((0, 0), 9.2, fill=False, lw=1))
    ax.add_patch(Circle((0, 0), 1.6, fill=False, lw=1.3))
    ax.add_patch(Circle((0, 0), 0.7, fill=False, lw=1))
    ax.add_patch(Circle((0, 0), 6.5, fill=False, lw=0.8, ls="--", ec=SOFT))
    for angle in (45, 135, 225, 315):
        x, y = 6.5 * math.cos(math.radians(angle)), 6.5 * math.sin(math.radians(angle))
        ax.add_patch(Circle((x, y), 0.6, fill=True, facecolor="0.8", edgecolor=INK, lw=1.3))
        ax.plot([0, x], [0, y], color=SOFT, lw=0.6, ls=":")
    ax.add_patch(Arc((0, 0), 6, 6, theta1=45, theta2=135, lw=0.8))
    _note(ax, "equal angles, within 2°", (0, 3.6))
    _note(ax, "targets: opposite ones of equal mass,\nall at one radius, inside the rim", (-14, 9.5), (-5.0, 5.0))
    ax.plot([10, 10], [0, -13], color=INK, lw=2.2)
    ax.plot([-10, -10], [0, -13], color=INK, lw=2.2)
    _note(ax, "blade: no part of target, sensor or\ncable may reach its path", (-16.4, -11), (-10, -10), size=8.5)
    _block(ax, 5.6, -0.75, 9.4, 1.5, fill="0.93")
    ax.add_patch(Circle((6.5, 0), 0.55, fill=True, facecolor="white", edgecolor=INK, lw=1.5))
    _block(ax, 15, -3, 1.2, 6, hatch="///")
    _note(ax, "sensor, on the circle\nof the targets", (13.3, 6.4), (6.7, 0.5))
    _note(ax, "bracket, its two slots for\nthe air gap (see air gap)", (15.5, -6.2), (12, -0.6))
    _note(ax, "frame of the machine,\nnever the guard's door", (19.7, 3.8), (16.2, 2))
    ax.annotate("", xy=(-3.6, -8.0), xytext=(3.6, -8.0),
                arrowprops={"arrowstyle": "->", "connectionstyle": "arc3,rad=-0.22", "lw": 1.3})  # fmt: skip
    _note(ax, "either direction", (0, -7.9))
    ax.set_xlim(-23, 25)
    ax.set_ylim(-13.5, 12)


def air_gap(ax: Axes) -> None:
    """Seen along the rim: wheel, carrier with magnet, gap, sensor in its bracket."""
    _block(ax, 0, -8, 3, 16, hatch="///")
    _note(ax, "wheel", (-2.6, 6))
    _block(ax, 3, -2, 2.6, 4, fill="0.93")
    _block(ax, 3, -0.9, 1.7, 1.8, fill="0.7")
    _note(ax, "carrier with\nthe magnet inside", (7.4, -5.2), (4.2, -1.2))
    _block(ax, 8.2, -1.2, 9.5, 2.4)
    for x in (11.2, 13.6):
        _block(ax, x, -2.2, 1.0, 4.4, fill="0.85")
    _block(ax, 12.2, -8, 1.4, 16, fill="0.93")
    _block(ax, 8.2, -1.2, 9.5, 2.4)
    _block(ax, 12.2, -9.2, 12, 1.6, fill="0.93")
    for x in (15, 19.4):
        _block(ax, x, -8.9, 3, 1.0)
    ax.plot([24.2, 24.2, 12.2], [-9.2, -9.2, -9.2], color=INK)
    _block(ax, 12.2, -10.8, 14, 1.6, hatch="///")
    _measure(ax, (5.6, 3.4), (8.2, 3.4), "air gap", off=(0, 0.9))
    ax.plot([5.6, 5.6], [2, 3.8], color=SOFT, lw=0.7)
    ax.plot([8.2, 8.2], [1.2, 3.8], color=SOFT, lw=0.7)
    _note(ax, "sensor, two nuts", (17.6, 4.4), (14.2, 1.8))
    _note(ax, "slots: move the bracket,\nthen tighten both screws", (21.5, -4.6), (17, -8.2))
    _note(ax, "frame", (27.5, -10))
    _note(ax, "Hall switch and magnet 2 to 4 mm; proximity switch: half its rated distance;\n"
              "reflective optical sensor: its best distance, 3 to 12 mm", (11, 10), size=9.5)  # fmt: skip
    _note(ax, "Turn the wheel by hand, locked out, one whole turn: the nearest point must clear\n"
              "the sensor by 1 mm at least; a warm bearing and a bent wheel take some of it", (11, -13), size=9.5)
    ax.set_xlim(-5, 30)
    ax.set_ylim(-14.5, 11.5)


def magnet_retention(ax: Axes) -> None:
    """Sections of the two carriers: what throws the magnet out, and what holds it in."""
    for x0, title in ((0, "on the wheel's face (carrier)"), (22, "on a shaft (ring in two halves)")):
        _note(ax, title, (x0 + 7, 11), size=10.5)
    _block(ax, 0, -8, 3, 17, hatch="///")
    ax.add_patch(Polygon([(3, -5), (7, -5), (7, 5), (3, 5)], closed=True, facecolor="0.93", edgecolor=INK, lw=1.3))
    _block(ax, 3, -1.2, 2.6, 2.4, fill="0.7")
    for y in (3.4, -3.4):
        _block(ax, -1.0, y - 0.4, 9.0, 0.8)
        _block(ax, 7, y - 0.8, 1.2, 1.6)
    ax.annotate("", xy=(10.5, 8), xytext=(10.5, 2.5), arrowprops={"arrowstyle": "->", "lw": 1.6})
    _note(ax, "pull-off force\nm ω² r, away from\nthe axis", (14.6, 6))
    _note(ax, "1. form: the pocket opens towards\nthe wheel only; solid wall outwards", (12, -7), (5.0, 1.3))
    _note(ax, "2. screws through the wheel,\nsecured; glue only in addition", (11, -9.9), (7.8, -3.6))
    _note(ax, "wheel", (-2.2, 8))
    centre = (29, 0)
    ax.add_patch(Circle(centre, 6.5, fill=True, facecolor="0.93", edgecolor=INK, lw=1.3))
    ax.add_patch(Circle(centre, 3.6, fill=True, facecolor="white", edgecolor=INK, lw=1.3, hatch="///"))
    for side in (-1, 1):
        _block(ax, 29 + side * 4.5 - 0.9, -0.9, 1.8, 1.8, fill="0.7")
        low = 3.55 if side > 0 else -8.4
        ax.add_patch(Rectangle((28.65, low), 0.7, 4.85, facecolor="white", edgecolor="white"))
        for end in (-1, 1):
            ax.add_patch(Rectangle((29 + end * 0.35 - (1.6 if end < 0 else 0), 6.3 if side > 0 else -8.4), 1.6, 2.1,
                                   facecolor="0.93", edgecolor=INK, lw=1.2))
            ax.plot([29 + end * 0.35] * 2, [low, low + 4.85], color=INK, lw=1.2)
        ax.plot([26.2, 31.8], [side * 7.5] * 2, color=INK, lw=2.2)
    _note(ax, "two clamp screws", (35.6, 8.6), (31.6, 7.5))
    _note(ax, "pockets open towards the shaft: the shaft itself\nkeeps the magnets in; two, opposite: balanced",
          (30, -10.3), (33.4, -0.8))  # fmt: skip
    _note(ax, "shaft", centre)
    ax.set_xlim(-4, 40)
    ax.set_ylim(-11.5, 12)


def cable_routing(ax: Axes) -> None:
    """Plan: inverter, motor, their cable; the sensor's cable and the box."""
    _block(ax, 0, 8, 6, 5)
    _note(ax, "inverter", (3, 10.5))
    _block(ax, 28, 8, 6, 5)
    _note(ax, "motor", (31, 10.5))
    ax.plot([6, 28], [10.5, 10.5], color=INK, lw=4)
    _note(ax, "motor cable: the noise source", (17, 11.6))
    _block(ax, 0, -7, 7, 5)
    _note(ax, "instrument's box", (3.5, -4.5))
    ax.plot([7, 24], [-4.5, -4.5], color=INK, lw=1.8)
    ax.plot([24, 24], [-4.5, 3.5], color=INK, lw=1.8)
    ax.add_patch(Circle((24, 4.2), 0.7, fill=True, facecolor="white", edgecolor=INK, lw=1.4))
    _note(ax, "sensor", (26.4, 4.4))
    _measure(ax, (14, 10.3), (14, -4.4), "side by side: 200 mm\nor more apart", off=(4.6, 0))
    for x in (9.5, 12.8, 21.4):
        ax.add_patch(Circle((x, -4.5), 0.45, fill=False, lw=1.2))
    _note(ax, "clips every 200 mm", (13, -7.6), (12.8, -5))
    _note(ax, "shield joined here, to\n0 V, at this end only", (4, 0.8), (7, -4.2))
    _note(ax, "shield cut back\nand insulated", (29.5, -0.2), (24, 2.6))
    ax.plot([36.5, 36.5], [13, -7], color=INK, lw=4)
    ax.plot([34, 39.5], [-2.5, -2.5], color=INK, lw=1.8)
    _note(ax, "where they must\ncross: at right angles", (36.5, -9))
    ax.set_xlim(-1, 42)
    ax.set_ylim(-10.5, 14.5)


def box_layout(ax: Axes) -> None:
    """The box from above: where parts sit, where cables come in, how they are held."""
    _block(ax, 0, 0, 30, 18)
    _block(ax, 2, 10.5, 10, 6)
    _note(ax, "A1 board", (7, 13.5))
    _block(ax, 14, 9, 14, 7.5)
    _note(ax, "LCD1 display, in the lid", (21, 13.6))
    for x, name in ((16, "S1"), (21, "S2"), (26, "S3")):
        ax.add_patch(Circle((x, 10.3), 0.55, fill=False, lw=1.3))
        _note(ax, name, (x, 11.5))
    _block(ax, 2, 4.6, 20, 4)
    _note(ax, "perforated board: input stages, U1, U3, Q1", (12, 6.6))
    for x, name in ((3.5, "X1"), (8.5, "X2"), (13.5, "X3"), (18.5, "X4")):
        _block(ax, x, 2.2, 3.2, 1.6)
        _note(ax, name, (x + 1.6, 3))
        _block(ax, x + 0.9, -1.4, 1.4, 1.6, fill="0.85")
        ax.plot([x + 1.6, x + 1.6], [-1.4, -4], color=INK, lw=2)
    _note(ax, "cable glands grip the jacket:\nno pull reaches a screw terminal", (9.5, -5.4))
    _block(ax, -1.4, 13, 1.6, 1.4, fill="0.85")
    ax.plot([-4.5, -1.4], [13.7, 13.7], color=INK, lw=2)
    _note(ax, "USB", (-5.8, 13.7))
    _note(ax, "no mains in this box; 24 V comes\nfrom a listed supply outside", (23.5, -5.4))
    ax.set_xlim(-8, 32)
    ax.set_ylim(-7, 19)


DRAWINGS: Mapping[str, Callable[[Axes], None]] = {
    "wheel_and_sensor": wheel_and_sensor, "air_gap": air_gap, "magnet_retention": magnet_retention,
    "cable_routing": cable_routing, "box_layout": box_layout,
}  # fmt: skip


def draw(folder: Path) -> None:
    """Draw every sheet as svg and pdf."""
    for name, fill in DRAWINGS.items():
        figure, ax = plt.subplots(figsize=(8.0, 5.0))
        ax.set_aspect("equal")
        ax.axis("off")
        fill(ax)
        figure.subplots_adjust(0.01, 0.01, 0.99, 0.99)
        for suffix in ("svg", "pdf"):
            figure.savefig(folder / f"{name}.{suffix}")
        plt.close(figure)


if __name__ == "__main__":
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "drawings")
