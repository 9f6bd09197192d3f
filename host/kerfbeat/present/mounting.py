"""How is it told what sensors on a machine will see?"""

from __future__ import annotations

from typing import Any

from kerfbeat.drive.mount import MountPlan
from kerfbeat.machine import Machine
from kerfbeat.present.predicted import speed_text
from kerfbeat.units import N_PER_LBF, rpm

__all__ = ["FLYING", "mount_document", "mount_lines", "mount_rows"]

FLYING = (
    "A target that comes off flies: the pull grows with the square of speed. Fix it so that it cannot come off if the "
    "glue fails (a screw, a pocket, a band), balance it with others, and stand out of its plane at the first run.",
    "Switch off and lock out before you reach in; put every guard back before the first run.",
)
SPACING = (
    "A wobble at whole turns of the wheel cannot be told from unequal target spacing by that sensor alone; "
    "a second channel, or a run that learns the spacing, tells them apart."
)
ORDER = (
    "An order is how often something happens for one turn of a shaft: 1 is once a turn. A sensor tells apart orders "
    "below half its targets."
)
RESOLUTION = "Resolution: one step of the board's clock, as a part of a turn; 1 ppm is one part in a million."


def mount_rows(plan: MountPlan) -> tuple[list[str], list[list[str]]]:
    """Headings and cells of the table of sensors."""
    headings = [
        "sensor",
        "input",
        "targets",
        "rpm",
        "pulses/s",
        "reading every",
        "resolution",
        "orders seen",
        "pull-off",
    ]
    cells = []
    for item in plan.channels:
        pull = "–" if item.pull_n is None else f"{item.pull_n:.2f} N ({item.pull_n / N_PER_LBF:.2f} lbf)"
        cells.append([
            item.channel, f"{item.input}", f"{item.targets}", _span(rpm(item.shaft_hz[0]), rpm(item.shaft_hz[1])),
            _span(*item.pulses_hz), f"{_seconds(item.seconds_per_pulse[1])}–{_seconds(item.seconds_per_pulse[0])}",
            f"{speed_text(item.step_ppm[1])} ppm of a turn", f"below {item.highest_order:g}", pull,
        ])  # fmt: skip
    return headings, cells


def _span(low: float, high: float) -> str:
    return f"{speed_text(low)}–{speed_text(high)}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 0.995 else f"{seconds * 1e3:.3g} ms"


def mount_lines(plan: MountPlan) -> list[str]:
    """Say what the board carries, and which orders can be seen at the wheel."""
    carried = "no line speed carries them" if plan.baud is None else f"carried from {plan.baud:,} baud on"
    lines = [f"All sensors together: at most {plan.total_pulses_hz:.0f} pulses/s; {carried}."]
    for source in plan.orders:
        order = f"{source.low:.3g}" if source.high - source.low < 1e-9 else f"{source.low:.3g} to {source.high:.3g}"
        lines.append(
            f"{source.name}: {order} per turn of the wheel; {'can' if source.seen else 'cannot'} be seen at the wheel."
        )
    return [*lines, ORDER, SPACING, RESOLUTION, *_pull_unknown(plan)]


def _pull_unknown(plan: MountPlan) -> list[str]:
    """Say why a shaft's pull-off is not told, and what would tell it; a mark on the blade itself is no target."""
    unknown = [item for item in plan.channels if item.pull_n is None and item.channel != "blade"]
    if not unknown:
        return []
    shafts = " and ".join(f"{item.channel} (to {rpm(item.shaft_hz[1]):.0f} rpm)" for item in unknown)
    return [
        f"Pull-off on {shafts}: not known, since nothing tells how far from the shaft's middle the targets sit; run "
        "this again with their --radius (it then stands for every sensor)."
    ]


def mount_document(machine: Machine, plan: MountPlan) -> dict[str, Any]:
    """Everything as one JSON document."""
    return {
        "machine": machine.name,
        "channels": [
            {
                "channel": item.channel,
                "input": item.input,
                "targets": item.targets,
                "rpm": {"low": rpm(item.shaft_hz[0]), "high": rpm(item.shaft_hz[1])},
                "pulses_per_s": {"low": item.pulses_hz[0], "high": item.pulses_hz[1]},
                "seconds_per_reading": {"at_low": item.seconds_per_pulse[0], "at_high": item.seconds_per_pulse[1]},
                "step_ppm_of_turn": {"low": item.step_ppm[0], "high": item.step_ppm[1]},
                "targets_wanted": item.targets_wanted,
                "orders_below": item.highest_order,
                "radius_mm": None if item.radius_m is None else item.radius_m * 1e3,
                "pull_off_n": item.pull_n,
            }
            for item in plan.channels
        ],
        "orders": [
            {"source": item.name, "low": item.low, "high": item.high, "seen_at_wheel": item.seen}
            for item in plan.orders
        ],
        "total_pulses_per_s": plan.total_pulses_hz,
        "slowest_baud": plan.baud,
        "target_mass_g": plan.mass_kg * 1e3,
        "warnings": [*plan.warnings, *FLYING],
    }
