"""How is a blade speed said inside a message?"""

from __future__ import annotations

from kerfbeat.machine import Machine
from kerfbeat.units import ft_per_min, m_per_min

__all__ = ["speed_words"]


def speed_words(machine: Machine, low_m_per_s: float, high_m_per_s: float | None = None) -> str:
    """Say a speed, or a range of speeds, in both units: "90 m/min (295 ft/min)".

    The unit of the machine file's lengths comes first.
    """
    speeds = (low_m_per_s,) if high_m_per_s is None else (low_m_per_s, high_m_per_s)
    metric = " to ".join(_figures(m_per_min(speed)) for speed in speeds) + " m/min"
    inch = " to ".join(_figures(ft_per_min(speed)) for speed in speeds) + " ft/min"
    return f"{inch} ({metric})" if machine.lengths == "inch" else f"{metric} ({inch})"


def _figures(value: float) -> str:
    """Three figures, never an exponent."""
    return f"{value:.0f}" if abs(value) >= 999.5 else f"{value:.3g}"
