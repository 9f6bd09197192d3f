"""What does the face behind the speed knob look like?

One ring for each gear with the blade speed in the user's unit, and a ring of hertz inside; true size, to cut out.
Angles are degrees clockwise from straight up, as a knob is read.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfbeat.drive.chain import DriveCurve
from kerfbeat.drive.choose import middle_m_per_s
from kerfbeat.errors import DriveError, UnitError
from kerfbeat.present import ink
from kerfbeat.present.drive_plot import curve_name, ranges_where
from kerfbeat.present.entry import hz_of
from kerfbeat.present.numbers import SPEED_UNITS
from kerfbeat.units import parse_angle_rad

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Knob", "Ring", "draw_dial", "even_knob", "plan_rings", "typed_knob"]

Array = NDArray[np.float64]

RING_MM = 8.5  # height of one ring: ticks, figures and air
TICK_MM = 2.8
CENTRE_MM = 7.0  # least radius inside the rings, for the hertz figures of a small dial
LABEL_GAP_MM = 7.5  # least distance of figures along a ring
TICK_GAP_MM = 1.1  # least distance of ticks
STEPS = tuple(mantissa * 10.0**power for power in range(-3, 5) for mantissa in (1.0, 2.0, 5.0))
MOST_RINGS = 6
LEAST_SWEEP_DEG, MOST_SWEEP_DEG = 30.0, 340.0
MOST_HZ = 1000.0
CHARACTER_MM = 1.25  # mean width of a letter of 6 points
# Into how many parts a step between figures is divided, finest first, by its leading digit.
TICK_PARTS = {1: (10, 5, 2, 1), 2: (10, 4, 2, 1), 5: (10, 5, 1)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Knob:
    """How the knob's angle sets the frequency: points between which it is linear, both ascending."""

    angles_deg: tuple[float, ...]
    supply_hz: tuple[float, ...]

    def __post_init__(self) -> None:
        angles, hz = np.array(self.angles_deg), np.array(self.supply_hz)
        if len(angles) < 2 or len(angles) != len(hz) or not np.all(np.isfinite(angles) & np.isfinite(hz)):
            raise DriveError("a knob needs two or more pairs of angle and frequency, such as -135deg=20Hz,135deg=80Hz.")
        if not (np.all(np.diff(angles) > 0.0) and np.all(np.diff(hz) > 0.0) and hz[0] >= 0.0):
            raise DriveError(
                "a knob's frequency must rise clockwise from pair to pair; order them by angle and check them."
            )
        if hz[-1] > MOST_HZ:
            raise DriveError(f"{hz[-1]:g} Hz is no inverter's frequency; write one up to {MOST_HZ:g} Hz.")
        if angles[-1] - angles[0] < LEAST_SWEEP_DEG:
            raise DriveError(
                f"a knob that turns {angles[-1] - angles[0]:g} degrees leaves no room for a scale; at least "
                f"{LEAST_SWEEP_DEG:g}."
            )
        if angles[-1] - angles[0] > MOST_SWEEP_DEG:
            raise DriveError(
                f"a knob that turns {angles[-1] - angles[0]:g} degrees leaves no room to name its scales; "
                f"at most {MOST_SWEEP_DEG:g}."
            )

    def angle_deg(self, supply_hz: ArrayLike) -> Array:
        """Angle at which the knob stands for a frequency."""
        out: Array = np.interp(np.asarray(supply_hz, dtype=float), self.supply_hz, self.angles_deg)
        return out

    def fine_hz(self) -> Array:
        """Frequencies over the whole turn of the knob, close enough for a curve; all above 0."""
        return np.linspace(max(self.supply_hz[0], 0.01 * self.supply_hz[-1]), self.supply_hz[-1], 400)


def even_knob(from_rad: float, to_rad: float, supply_hz: ArrayLike) -> Knob:
    """A linear potentiometer between two angles; `supply_hz` holds the lowest frequency first and the highest last."""
    from_deg, to_deg = math.degrees(from_rad), math.degrees(to_rad)
    limits_hz = np.atleast_1d(np.asarray(supply_hz, dtype=float))
    if len(limits_hz) < 2:
        raise DriveError("a dial needs a range of frequencies; describe the machine's [inverter] first.")
    if not from_deg < to_deg:
        raise DriveError(f"a knob cannot turn from {from_deg:g} to {to_deg:g} degrees; clockwise, the slow end first.")
    return Knob(angles_deg=(from_deg, to_deg), supply_hz=(float(limits_hz[0]), float(limits_hz[-1])))


def typed_knob(pairs: Sequence[str]) -> Knob:
    """A knob read off at several places, each typed as in "-140deg=20Hz".

    Raises DriveError for what is no pair, and for a frequency that does not rise clockwise.
    """
    found = []
    for pair in pairs:
        angle, _, hz = pair.partition("=")
        try:
            found.append((math.degrees(parse_angle_rad(angle)), hz_of(hz)))
        except UnitError as problem:
            raise DriveError(f'"{pair[:40]}": {problem}; a pair is written as -140deg=20Hz.') from problem
    return Knob(angles_deg=tuple(angle for angle, _ in found), supply_hz=tuple(hz for _, hz in found))


@dataclass(frozen=True, kw_only=True, slots=True)
class Ring:
    """One scale: its name, radius, ticks and figures, and where it must not be used; angles in degrees."""

    name: str
    unit: str
    radius_mm: float
    ticks_deg: tuple[float, ...]
    labels: tuple[tuple[float, str], ...]
    forbidden_deg: tuple[tuple[float, float], ...] = ()


def plan_rings(curves: Sequence[DriveCurve], knob: Knob, *, unit: str, diameter_mm: float) -> list[Ring]:
    """Place the rings, fastest gear outside, hertz inside; each with round figures as dense as they can be read.

    curves : over the knob's whole range.
    Raises DriveError if they do not fit on the face.
    """
    if len(curves) > MOST_RINGS:
        raise DriveError(
            f"{len(curves)} belt positions and gears do not fit on one dial (at most {MOST_RINGS}); "
            "choose some with --belt or --gear."
        )
    if not 20.0 <= diameter_mm <= 180.0:
        raise DriveError(f"a dial of {diameter_mm:g} mm cannot be; write 20 mm to 180 mm.")
    outer_mm = diameter_mm / 2.0 - 1.0
    needed_mm = (len(curves) + 1) * RING_MM + CENTRE_MM
    if outer_mm < needed_mm:
        raise DriveError(
            f"{len(curves)} scales and one of hertz do not fit on {diameter_mm:g} mm; "
            f"make the dial at least {2 * needed_mm + 2:.0f} mm, or choose fewer gears with --gear."
        )
    rings = []
    for place, curve in enumerate(sorted(curves, key=lambda curve: curve.ratio)):
        speed = middle_m_per_s(curve) * SPEED_UNITS[unit](1.0)
        rings.append(
            _ring(
                f"{curve_name(curve)}, {unit}",
                knob,
                radius_mm=outer_mm - place * RING_MM,
                supply_hz=curve.supply_hz,
                value=speed,
                forbidden=tuple(ranges_where(curve.forbidden, knob.angle_deg(curve.supply_hz))),
            )
        )
    hz = knob.fine_hz()
    rings.append(_ring("Hz", knob, radius_mm=outer_mm - len(curves) * RING_MM, supply_hz=hz, value=hz))
    return rings


def _ring(
    name: str,
    knob: Knob,
    *,
    radius_mm: float,
    supply_hz: Array,
    value: Array,
    forbidden: tuple[tuple[float, float], ...] = (),
) -> Ring:
    """Choose round values for ticks and figures; `value` rises with `supply_hz`."""
    inside = (supply_hz >= knob.supply_hz[0] - 1e-9) & (supply_hz <= knob.supply_hz[-1] + 1e-9)
    supply_hz, value = supply_hz[inside], value[inside]
    mm_per_deg = math.radians(1.0) * radius_mm

    def angles(step: float) -> tuple[Array, Array]:
        rounds = np.arange(math.ceil(value[0] / step - 1e-9), math.floor(value[-1] / step + 1e-9) + 1) * step
        return rounds, knob.angle_deg(np.interp(rounds, value, supply_hz))

    def finest(gap_mm: float, steps: Sequence[float]) -> float:
        for step in steps:
            if (value[-1] - value[0]) / step > 2000:
                continue
            _, at = angles(step)
            if len(at) < 2 or float(np.min(np.diff(at))) * mm_per_deg >= gap_mm:
                return step
        return steps[-1]

    label_step = finest(LABEL_GAP_MM * (1.0 if value[-1] < 1000 else 1.3), STEPS)
    leading = round(label_step / 10.0 ** math.floor(math.log10(label_step) + 1e-9))
    tick_step = finest(TICK_GAP_MM, [label_step / part for part in TICK_PARTS[leading]])
    figures, figure_deg = angles(label_step)
    decimals = max(0, -math.floor(math.log10(label_step) + 1e-9))
    return Ring(
        name=name,
        unit=name.rpartition(", ")[2],
        radius_mm=radius_mm,
        ticks_deg=tuple(float(angle) for angle in angles(tick_step)[1]),
        labels=tuple((float(a), f"{v:.{decimals}f}") for v, a in zip(figures, figure_deg, strict=True)),
        forbidden_deg=forbidden,
    )


def draw_dial(
    rings: Sequence[Ring], knob: Knob, path: Path, *, title: str, unit: str, basis: str, paper: str, diameter_mm: float,
    hole_mm: float,
) -> None:  # fmt: skip
    """Write the dial face as a PDF page of true size, with scale bars."""
    if not 0.0 <= hole_mm < 2 * (rings[-1].radius_mm - RING_MM):
        most_mm = 2 * (rings[-1].radius_mm - RING_MM)
        raise DriveError(f"a hole of {hole_mm:g} mm would cut into the scales; at most {most_mm:.0f} mm here.")
    width_mm, height_mm = ink.PAPERS_MM[paper]
    with ink.page(width_mm, height_mm) as figure:
        axes = ink.millimetres(figure)
        centre = (width_mm / 2.0, height_mm - 28.0 - diameter_mm / 2.0)
        axes.text(
            15.0,
            height_mm - 14.0,
            ink.fitted(title, width_mm=width_mm - 30.0, size_pt=11.0, bold=True),
            fontsize=11,
            fontweight="bold",
            va="center",
        )
        told = ink.fitted(f"Speed dial in {unit}. {basis}", width_mm=width_mm - 30.0, size_pt=7.5)
        axes.text(15.0, height_mm - 20.0, told, fontsize=7.5, va="center")
        _circles(axes, centre, diameter_mm, hole_mm)
        numbered = any(not _fits(ring, knob) for ring in rings)
        for place, ring in enumerate(rings, start=1):
            _draw_ring(axes, centre, ring, knob, name=f"{place} {ring.unit}" if numbered else ring.name)
        below = centre[1] - diameter_mm / 2.0 - 12.0
        legend = "Scales from outside: " + "; ".join(f"{n} {ring.name}" for n, ring in enumerate(rings, start=1)) + "."
        lines = [*NOTES, *(textwrap.wrap(legend, 115) if numbered else [])]
        for line, text in enumerate(lines):
            axes.text(15.0, below - 4.5 * line, text, fontsize=7.5, va="center")
        ink.scale_bars(axes, x_mm=15.0, y_mm=14.0, narrow=True)
        ink.save_pages([figure], path, title=f"Speed dial: {title}")


NOTES = (
    "Print at 100 % (actual size) and measure both scale bars before you cut. Cut along the outer circle and the hole.",
    "Turn the knob fully down and point it at the first tick; check two frequencies against the inverter's display.",
    "Hatched: may pass a limit; do not use. Switch off before you fit it; an inverter's terminals stay live a while.",
)


def _point(centre: tuple[float, float], radius_mm: float, angle_deg: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return centre[0] + radius_mm * math.sin(angle), centre[1] + radius_mm * math.cos(angle)


def _circles(axes: Axes, centre: tuple[float, float], diameter_mm: float, hole_mm: float) -> None:
    from matplotlib.patches import Circle

    axes.add_patch(Circle(centre, diameter_mm / 2.0, fill=False, edgecolor=ink.INK, linewidth=0.5))
    if hole_mm > 0.0:
        axes.add_patch(Circle(centre, hole_mm / 2.0, fill=False, edgecolor=ink.INK, linewidth=0.5))
    for dx, dy in ((2.0, 0.0), (0.0, 2.0)):
        axes.plot([centre[0] - dx, centre[0] + dx], [centre[1] - dy, centre[1] + dy], color=ink.INK, linewidth=0.4)


def _fits(ring: Ring, knob: Knob) -> bool:
    """Whether the ring's name fits between the ends of its scale."""
    gap_deg = 360.0 - (knob.angles_deg[-1] - knob.angles_deg[0])
    chord_mm = 2 * (ring.radius_mm - TICK_MM) * math.sin(math.radians(min(gap_deg, 180.0) / 2.0))
    return CHARACTER_MM * len(ring.name) + 6.0 < chord_mm


def _draw_ring(axes: Axes, centre: tuple[float, float], ring: Ring, knob: Knob, *, name: str) -> None:
    """Draw one scale: its arc, ticks outward of it, figures inside, its name in the gap."""
    from matplotlib.patches import Arc

    first, last = knob.angles_deg[0], knob.angles_deg[-1]
    base_mm = ring.radius_mm - TICK_MM
    for low, high in ring.forbidden_deg:
        count = max(2, round(math.radians(high - low) * base_mm / 1.2))
        for angle in np.linspace(low, high, count):  # slanted strokes: a hatch that looks the same all round
            ends = [
                _point(centre, base_mm, float(angle)),
                _point(centre, ring.radius_mm, float(angle) + 60.0 / base_mm),
            ]
            axes.plot([x for x, _ in ends], [y for _, y in ends], color=ink.INK, linewidth=0.9)
    axes.add_patch(
        Arc(centre, 2 * base_mm, 2 * base_mm, theta1=90.0 - last, theta2=90.0 - first, color=ink.INK, linewidth=0.6)
    )
    labelled = {round(angle, 6) for angle, _ in ring.labels}
    for angle in ring.ticks_deg:
        long = round(angle, 6) in labelled
        ends = [_point(centre, base_mm, angle), _point(centre, base_mm + (2.5 if long else 1.4), angle)]
        axes.plot([x for x, _ in ends], [y for _, y in ends], color=ink.INK, linewidth=0.7 if long else 0.4)
    for angle, text in ring.labels:
        x, y = _point(centre, base_mm - 2.0, angle)
        axes.text(x, y, text, fontsize=6.5, ha="center", va="center", rotation=-angle, rotation_mode="anchor")
    middle = ((first + last) / 2.0 + 180.0) % 360.0  # of the gap; the name lies along the ring there, feet down
    x, y = _point(centre, base_mm, middle)
    lean = 180.0 - middle if 90.0 < middle < 270.0 else -middle
    axes.text(x, y, name, fontsize=6.0, ha="center", va="center", rotation=lean, rotation_mode="anchor")
