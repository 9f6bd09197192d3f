"""Does the inverter compensate slip?"""

from __future__ import annotations

import math

import numpy as np

__all__ = ["compensation_probability"]

# No-load slip over rated slip, log-normal: median and factor of one standard deviation; what a compensating inverter
# leaves of it, and how many are set to compensate.  Judgement.
IDLE_SLIP, IDLE_SLIP_FACTOR = 0.08, 2.5
COMPENSATED_SLIP, COMPENSATES = 0.02, 0.1


def compensation_probability(slip_hz: float, *, u_hz: float, rated_slip_hz: float) -> float:
    """Probability that the inverter compensates slip, from the slip found at no load.

    Without compensation it is some hundredths of the rated slip, never below zero; with it next to nothing.
    """
    sizes = np.logspace(-4.0, 0.0, 400)
    density = np.exp(-0.5 * (np.log(sizes / IDLE_SLIP) / math.log(IDLE_SLIP_FACTOR)) ** 2)
    density /= density.sum()
    seen, u = slip_hz / rated_slip_hz, u_hz / rated_slip_hz
    log_plain = -0.5 * ((seen - sizes) / u) ** 2 - math.log(u)
    wide = math.hypot(u, COMPENSATED_SLIP)
    log_compensated = -0.5 * (seen / wide) ** 2 - math.log(wide)
    top = max(float(log_plain.max()), log_compensated)
    plain = (1.0 - COMPENSATES) * float((density * np.exp(log_plain - top)).sum())
    compensated = COMPENSATES * math.exp(log_compensated - top)
    return compensated / (plain + compensated)
