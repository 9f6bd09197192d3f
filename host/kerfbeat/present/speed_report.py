"""How is the speed in a log told, to a person and to a program?"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from kerfbeat.diagnose.parts import Part, setting_words
from kerfbeat.measure.speed import SpeedResult
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.numbers import both_speeds, plus_minus
from kerfbeat.units import ft_per_min, m_per_min

__all__ = [
    "CHANNEL_HEADINGS",
    "blade_line",
    "blade_metres_a_turn",
    "channel_rows",
    "settings_caution",
    "speed_document",
    "window_line",
]

CHANNEL_HEADINGS = ("channel", "rpm", "turns", "in s", "pulses", "missing", "extra", "lost")
LEAST_PART_S = 0.5  # a setting that was in force for less plays no part in an average
MOST_CHANGES = 3  # told in words
SOURCES = {"wheel": "from the wheel", "blade": "from the blade's own passes"}


def speed_document(result: SpeedResult) -> dict[str, Any]:
    """Everything as it stands in JSON; an estimate stays one."""
    blade = result.blade_m_per_s
    normal = coverage_factor(math.inf)
    return {
        "duration_s": result.duration_s,
        "start_s": result.start_s,
        "end_s": result.end_s,
        "channels": {
            name: {
                "pulses": channel.pulses,
                "missing": channel.missing,
                "missing_at_most": channel.missing + channel.doubtful,
                "extra": channel.extra,
                "lost": channel.lost,
                "turns": channel.turns,
                "turning_s": channel.turning_s,
                "rpm": channel.rpm,
            }
            for name, channel in result.channels.items()
        },
        "blade_channel": result.blade_channel,
        "blade_m_per_min": None if blade is None else blade.times(m_per_min(1.0)),
        "blade_ft_per_min": None if blade is None else blade.times(ft_per_min(1.0)),
        "clock_ppm": [Estimate(value=clock.ppm, u95=normal * clock.u_ppm) for clock in result.clocks],
        "warnings": list(result.warnings),
    }


def blade_metres_a_turn(result: SpeedResult) -> float | None:
    """Blade that passes in one turn of the shaft which tells its speed, as the result took it; None without a speed."""
    if result.blade_m_per_s is None or result.blade_channel is None:
        return None
    shaft_hz = result.channels[result.blade_channel].shaft_hz
    return None if shaft_hz is None else result.blade_m_per_s.value / shaft_hz.value


def blade_line(result: SpeedResult, unit: str) -> str:
    """The blade's speed in both units, and where it comes from."""
    if result.blade_m_per_s is None or result.blade_channel is None:
        return "blade: no speed"
    return f"blade {both_speeds(result.blade_m_per_s, unit)}, {SOURCES[result.blade_channel]}"


def channel_rows(result: SpeedResult) -> list[list[str]]:
    """One row a channel, under CHANNEL_HEADINGS."""
    return [
        [
            name,
            "-" if channel.rpm is None else plus_minus(channel.rpm),
            str(channel.turns),
            f"{channel.turning_s:.1f}",
            str(channel.pulses),
            str(channel.missing) + (f" to {channel.missing + channel.doubtful}" if channel.doubtful else ""),
            str(channel.extra),
            "unknown" if channel.lost is None else str(channel.lost),
        ]
        for name, channel in result.channels.items()
    ]


def settings_caution(parts: Sequence[Part], *, start_s: float, end_s: float) -> list[str]:
    """What must be said where the marked setting changed within the window: the averages are then of no setting."""
    inside = [part for part in parts if min(part.end_s, end_s) - max(part.start_s, start_s) > LEAST_PART_S]
    changed = [part for before, part in pairwise(inside) if part.setting != before.setting]
    if not changed:
        return []
    first = inside[0].setting
    told = "; ".join(f"from {part.start_s:.1f} s on {setting_words(part.setting)}" for part in changed[:MOST_CHANGES])
    more = f", and {len(changed) - MOST_CHANGES} changes more" if len(changed) > MOST_CHANGES else ""
    return [f"the averages are of several settings: {setting_words(first)}; {told}{more}; --from and --to take one"]


def window_line(result: SpeedResult) -> str:
    """Which part of the log was looked at."""
    return f"from {result.start_s:.1f} s to {result.end_s:.1f} s of the log, {result.duration_s:.1f} s observed"
