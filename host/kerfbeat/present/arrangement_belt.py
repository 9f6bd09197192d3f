"""Which belt does a sized drive take, and how tight must it be?"""

from __future__ import annotations

import math

from kerfbeat.drive.arrange import Arrangement
from kerfbeat.drive.belt_fit import Tension
from kerfbeat.present.numbers import length_words
from kerfbeat.units import ft_per_min

__all__ = ["belt_lines"]


def belt_lines(made: Arrangement) -> list[str]:
    """Say the belt's length and how it lies, whether the old one fits, its speed and least tension; one fact a line."""
    inch = made.old.lengths == "inch"
    lines = []
    if made.fit is None:
        lines.append("belt                 unknown: give the distance of the shafts with --centre")
    else:
        lines += [
            f"belt, pitch length   {length_words(made.fit.length_m, inch=inch)} at a shaft distance of "
            f"{length_words(made.fit.centre_m, inch=inch)}",
            f"wrap, small pulley   {math.degrees(made.fit.wrap_rad):.0f} degrees; a belt carries "
            f"{made.fit.arc_factor:.2f} of the power that it is rated for at 180 degrees",
        ]
        lines += [
            f"  stock belt         {stock.designation} at {length_words(stock.centre_m, inch=inch)}"
            for stock in made.fit.stock
        ]
    if made.old_belt is not None:
        moved = made.old_belt.moved_m
        shift = ""
        if moved is not None:
            shift = f", {length_words(abs(moved), inch=inch)} {'further apart' if moved > 0 else 'closer'} than now"
        lines.append(
            f"old belt             {length_words(made.old_belt.length_m, inch=inch)} fits at "
            f"{length_words(made.old_belt.centre_m, inch=inch)}{shift}"
        )
    elif made.old_belt_words:
        lines.append(f"old belt             does not fit: {made.old_belt_words}")
    lines.append(
        f"belt speed           {made.belt_speed_m_per_s:.1f} m/s ({ft_per_min(made.belt_speed_m_per_s):.0f} ft/min) "
        "at the fast end, no load"
    )
    if made.tension is not None:
        lines += _tension_lines(made.tension)
    elif made.fit is not None:
        lines.append("least belt tension   unknown: write the motor's power into the machine file")
    return lines


def _tension_lines(tension: Tension) -> list[str]:
    hum = "" if tension.hum_hz is None else f"; a plucked span then hums at {tension.hum_hz:.1f} Hz"
    lines = [
        f"least belt tension   {tension.static_n:.0f} N in each span, standing still, to carry full-load torque "
        f"without slipping (the tight side may pull {tension.slip_ratio:.1f} times as hard as the slack one){hum}"
    ]
    if tension.measured_n is not None and tension.holds is not None:
        lines.append(
            f"  by its hum         {tension.measured_n:.0f} N now: carries {100 * tension.holds:.0f} % of full-load "
            "torque, " + ("enough" if tension.holds >= 1.0 else "too slack")
        )
    if tension.creep is not None:
        lines.append(f"  creep by stretch   {100 * tension.creep:.2f} % at full load")
    return lines
