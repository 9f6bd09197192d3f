"""Which shaft does each channel watch, and how fast does each turn against another?

Shaft 0 is the motor's; shaft k is the one behind stage k; the last carries the blade wheel.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from kerfbeat.drive.belt import CREEP_HIGH, belt_length_m
from kerfbeat.drive.chain import sheave_half_width
from kerfbeat.machine import BeltStage, Machine, Setting, stage_diameters_m, stage_ratios

__all__ = [
    "SPEED_FROM",
    "Band",
    "around",
    "belt_pass_band",
    "belts_between",
    "belts_to_blade",
    "blade_pass_band",
    "couplings",
    "in_order",
    "nearest",
    "rate_band",
    "shaft_name",
    "shaft_of",
]

SPEED_FROM = ("wheel", "driven", "blade", "motor")  # of these channels the first that turned tells the speed
GEAR_HALF_WIDTH = 0.0005  # gear ratios on plates are rounded; common practice, no published source
LENGTH_HALF_WIDTH = 0.005  # of a belt's or blade's described length, and of the wheel's diameter with its tyre
GUESSED_HALF_WIDTH = 0.03  # of a belt's length worked out from the centre distance


@dataclass(frozen=True, kw_only=True, slots=True)
class Band:
    """A factor known to lie between two values (95 %)."""

    low: float
    high: float

    def __mul__(self, other: "Band") -> "Band":
        """Product of two independent positive factors; half-widths add in squares."""
        middle = self.middle * other.middle
        half = math.hypot(self.half / self.middle, other.half / other.middle) * middle
        return Band(low=middle - half, high=middle + half)

    @property
    def middle(self) -> float:
        """Middle of the band."""
        return 0.5 * (self.low + self.high)

    @property
    def half(self) -> float:
        """Half-width of the band."""
        return 0.5 * (self.high - self.low)

    def inverse(self) -> "Band":
        """One over it."""
        return Band(low=1.0 / self.high, high=1.0 / self.low)


EXACT = Band(low=1.0, high=1.0)


def around(value: float, half: float) -> Band:
    """A value with a relative half-width."""
    return Band(low=value * (1.0 - half), high=value * (1.0 + half))


def shaft_of(machine: Machine, channel: str) -> int | None:
    """Index of the shaft a channel watches; None for the blade, and for `driven` on a machine without a belt."""
    if channel == "motor":
        return 0
    if channel == "wheel":
        return len(machine.stages)
    if channel == "driven":
        stage = machine.driven_stage_index()
        return None if stage is None else stage + 1
    return None


def shaft_name(machine: Machine, shaft: int) -> str:
    """A shaft in words."""
    if shaft == len(machine.stages):
        return "wheel"
    if shaft == 0:
        return "motor"
    stage = machine.stages[shaft - 1]
    return f"shaft behind {stage.name or f'stage {shaft}'}"


def in_order(machine: Machine, channels: Sequence[str]) -> list[str]:
    """Channels on shafts from the motor on; the blade is none."""
    return sorted((name for name in channels if name != "blade"), key=lambda name: shaft_of(machine, name) or 0)


def couplings(machine: Machine, channels: Sequence[str]) -> list[tuple[str, str, tuple[int, ...]]]:
    """Pairs of channels whose slip can be told: the driving one, the driven one, and the belt stages between.

    Neighbours in the chain with a belt between; last the shaft next to the blade and the blade, with no belt between.
    """
    chain = in_order(machine, channels)
    found = []
    for up, down in pairwise(chain):
        between = belts_between(machine, shaft_of(machine, up) or 0, shaft_of(machine, down) or 0)
        if between:
            found.append((up, down, between))
    if "blade" in channels and chain:
        found.append((chain[-1], "blade", ()))
    return found


def belts_between(machine: Machine, first: int, second: int) -> tuple[int, ...]:
    """Indices of the belt stages between two shafts."""
    low, high = sorted((first, second))
    return tuple(k for k in range(low, high) if isinstance(machine.stages[k], BeltStage))


def belts_to_blade(machine: Machine, channel: str) -> tuple[int, ...]:
    """Indices of the belt stages between the shaft that a channel watches and the blade's wheel."""
    last = len(machine.stages)
    shaft = shaft_of(machine, channel)
    return belts_between(machine, last if shaft is None else shaft, last)


def _stage_band(machine: Machine, setting: Setting, index: int) -> Band:
    """Turns out per turn in of one stage, from no creep to the most that is usual, and the diameters' doubt."""
    stage, ratio = machine.stages[index], stage_ratios(machine, setting)[index]
    if not isinstance(stage, BeltStage):
        return around(1.0 / ratio, GEAR_HALF_WIDTH)
    position = stage.positions[0]
    half = math.hypot(sheave_half_width(position.driver), sheave_half_width(position.driven))
    return around(1.0 / ratio, half) * Band(low=1.0 - CREEP_HIGH, high=1.0)


def rate_band(machine: Machine, setting: Setting, *, of: int, per: int) -> Band:
    """Turns of shaft `of` per turn of shaft `per`, as described.

    Raises MachineError if the setting does not say which belt position or gear.
    """
    band = EXACT
    for index in range(min(of, per), max(of, per)):
        band = band * _stage_band(machine, setting, index)
    return band if of >= per else band.inverse()


def belt_pass_band(machine: Machine, setting: Setting, index: int) -> Band | None:
    """Passes of a belt per turn of its driver shaft, pi d / L; None if neither length nor centre distance is known.

    Source: belt-pass frequency f = pi d n / L (common handbook formula, dimensionally exact).
    """
    stage, pair = machine.stages[index], stage_diameters_m(machine, setting)[index]
    if not isinstance(stage, BeltStage) or pair is None:
        return None
    half = sheave_half_width(stage.positions[0].driver)
    if stage.belt_length_m is not None:
        length_m, length_half = stage.belt_length_m, LENGTH_HALF_WIDTH
    elif stage.centre_distance_m is not None:
        length_m, length_half = float(belt_length_m(*pair, centre_m=stage.centre_distance_m)), GUESSED_HALF_WIDTH
    else:
        return None
    return around(math.pi * pair[0] / length_m, math.hypot(half, length_half))


def blade_pass_band(machine: Machine) -> Band | None:
    """Passes of the blade per turn of the wheel; None if its length is not described."""
    wheel = machine.wheel
    if wheel.blade_length_m is None:
        return None
    passes = wheel.blade_per_turn_m / wheel.blade_length_m
    return around(passes, math.hypot(LENGTH_HALF_WIDTH, LENGTH_HALF_WIDTH))


def nearest(machine: Machine, shaft: int, among: Sequence[int]) -> int:
    """The one of some shafts with the fewest belts, then stages, between it and `shaft`."""
    return min(among, key=lambda each: (len(belts_between(machine, each, shaft)), abs(each - shaft)))
