"""Where is the middle of a mixture of normal beliefs about what cannot be negative, and what interval holds 95 %?"""

import math
from collections.abc import Sequence

from kerfbeat.measure.uncertainty import LEVEL

__all__ = ["Mixture"]

RARE = 1e-4  # weight of parts that are left out, of the greatest: far below what the level leaves
FARTHEST_SD = 5.0  # beyond, nothing of a part is looked for
FINE = 0.02  # of the narrowest part's deviation, and of the half-width: nobody sees less
ROOT_2 = math.sqrt(2.0)


class Mixture:
    """Normal parts; what of one lies below 0 is at 0, since a shaft that is braked stops and does not turn back.

    weight, mean, sd : (n,); weights not below 0, deviations above it.
    """

    def __init__(self, weight: Sequence[float], mean: Sequence[float], sd: Sequence[float]) -> None:
        least = RARE * max(weight)
        self._parts = [(0.5 * w, m, ROOT_2 * s) for w, m, s in zip(weight, mean, sd, strict=True) if w > least]
        self._narrowest = min(s for _, _, s in self._parts) / ROOT_2
        self._weight = 2.0 * sum([w for w, _, _ in self._parts])
        self._whole = sum([w * math.erfc(-m / s) for w, m, s in self._parts])

    def median(self) -> float:
        """The middle of what is above 0, to FINE of the narrowest part's deviation; 0 if nothing is."""
        erfc, parts, half = math.erfc, self._parts, 0.5 * self._whole
        if not self._whole > 0.0:
            return 0.0
        # What is left above 0 of a normal part has its median not below its mean, and not above that (or 0) by more
        # than 0.675 deviations, as half a normal part has.
        low = max(min(m for _, m, _ in parts), 0.0)
        high = max(max(m, 0.0) + 0.5 * s for _, m, s in parts)
        while high - low > FINE * self._narrowest:
            middle = 0.5 * (low + high)
            above = sum([w * erfc((middle - m) / s) for w, m, s in parts])
            low, high = (middle, high) if above > half else (low, middle)
        return 0.5 * (low + high)

    def most(self, *, level: float = LEVEL) -> float:
        """What is exceeded with half the chance that `level` leaves, to FINE of the narrowest part's deviation."""
        erfc, parts, over = math.erfc, self._parts, 0.5 * (1.0 - level) * self._weight
        low, high = 0.0, max(m + FARTHEST_SD * s for _, m, s in parts)
        while high - low > FINE * self._narrowest:
            middle = 0.5 * (low + high)
            above = sum([w * erfc((middle - m) / s) for w, m, s in parts])
            low, high = (middle, high) if above > over else (low, middle)
        return high

    def half_width(self, centre: float, *, level: float = LEVEL) -> float:
        """Half the width of the interval around `centre` that holds `level` of all; too wide by FINE of it at most."""
        erfc, parts = math.erfc, self._parts
        narrow, wide = 0.5 * self._narrowest, max(abs(m - centre) + FARTHEST_SD * s for _, m, s in parts)
        while wide > (1.0 + FINE) * narrow:
            width = math.sqrt(narrow * wide)
            left, right = centre - width if centre > width else -math.inf, centre + width
            held = sum([w * (erfc((left - m) / s) - erfc((right - m) / s)) for w, m, s in parts])
            narrow, wide = (width, wide) if held < level * self._weight else (narrow, width)
        return wide
