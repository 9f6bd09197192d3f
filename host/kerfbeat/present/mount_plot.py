"""How do pulse rates, and the force on a target, look over the machine's speeds?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfbeat.drive.mount import BOARD_PULSES_PER_S, READINGS_PER_S, ChannelPlan, MountPlan, pull_off_n
from kerfbeat.machine import Machine
from kerfbeat.present import ink
from kerfbeat.units import N_PER_LBF, rpm

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_mount"]

CAPTION = "Predicted. Above: from the slowest to the fastest setting. Below: what tries to throw one target off."
BAR_INCHES = 0.34  # of a unit: height of a sensor's bar


def plot_mount(machine: Machine, plan: MountPlan, path: Path) -> None:
    """Draw pulses a second of each sensor beside what the board carries, and the pull on a target over shaft speed."""
    held = [channel for channel in plan.channels if channel.pull_n is not None]
    with ink.page(200.0, 130.0 if held else 75.0) as figure:
        name = ink.fitted(machine.name, width_mm=190.0, size_pt=11.0, bold=True)
        high_mm = figure.get_figheight() * ink.MM_PER_IN
        figure.text(0.02, 1.0 - 6.0 / high_mm, name, fontsize=11, fontweight="bold", va="center")
        figure.text(0.02, 1.0 - 12.5 / high_mm, CAPTION, fontsize=7.5, va="center")
        _rates(figure.add_axes((0.12, 1.0 - 58.0 / high_mm, 0.84, 34.0 / high_mm)), plan)
        if held:
            _pull(figure.add_axes((0.12, 14.0 / high_mm, 0.76, 44.0 / high_mm)), held, plan.mass_kg)
        ink.save_pages([figure], path, title=f"Sensors: {machine.name}")


def _rates(axes: Axes, plan: MountPlan) -> None:
    from matplotlib.ticker import FuncFormatter

    axes.set_xscale("log")
    for place, channel in enumerate(reversed(plan.channels)):
        low, high = channel.pulses_hz
        axes.barh(
            place, high - low, left=low, height=BAR_INCHES, color=ink.STRAW, edgecolor=ink.INK, linewidth=0.6,
            hatch="....",
        )  # fmt: skip
    names = [f"{channel.channel}, {channel.targets}" for channel in reversed(plan.channels)]
    axes.set_yticks(range(len(names)), names)
    axes.set_ylabel("sensor, targets")
    axes.set_ylim(-0.6, len(names) - 0.4)
    marks = {READINGS_PER_S: "two readings\na second"}
    marks |= {most: f"most at\n{baud:,} baud" for baud, most in BOARD_PULSES_PER_S.items()}
    slowest = min(channel.pulses_hz[0] for channel in plan.channels)
    axes.set_xlim(min(slowest, READINGS_PER_S) / 2.0, 2.0 * max(plan.total_pulses_hz, *BOARD_PULSES_PER_S.values()))
    for rate, words in marks.items():
        axes.axvline(rate, color=ink.INK, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.text(
            rate, 1.03, words, transform=axes.get_xaxis_transform(), fontsize=6.5, ha="center", va="bottom"
        )  # fmt: skip
    axes.xaxis.set_major_formatter(FuncFormatter(lambda rate, _: f"{rate:g}"))
    axes.grid(visible=True, axis="x")
    axes.set_xlabel("pulses a second (all sensors share what the board carries)")


def _pull(axes: Axes, held: list[ChannelPlan], mass_kg: float) -> None:
    ends = []
    for place, channel in enumerate(held):
        assert channel.radius_m is not None
        shaft_hz = np.linspace(0.0, channel.shaft_hz[1], 200)
        force_n = [pull_off_n(mass_kg=mass_kg, radius_m=channel.radius_m, shaft_hz=float(hz)) for hz in shaft_hz]
        axes.plot(rpm(shaft_hz), force_n, color=ink.BLUE, linestyle=ink.DASHES[place % len(ink.DASHES)])
        ends.append((rpm(channel.shaft_hz[1]), force_n[-1], channel.channel))
    axes.set_xlim(0.0, 1.02 * max(x for x, _, _ in ends))
    axes.set_ylim(0.0, 1.06 * max(y for _, y, _ in ends))
    axes.set_xlabel("shaft speed, rpm")
    axes.set_ylabel(f"pull on {mass_kg * 1e3:g} g, N")
    second = axes.secondary_yaxis(
        "right", functions=(lambda force: np.asarray(force) / N_PER_LBF, lambda force: np.asarray(force) * N_PER_LBF)
    )
    second.set_ylabel("lbf")
    for x, y, name in ends:
        axes.annotate(name, (x, y), xytext=(-4, 0), textcoords="offset points", fontsize=7.5, ha="right", va="center")
    axes.grid(visible=True)
