"""What carries the turning from one shaft to the next: which belt stages and gears, of what size?"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from kerfbeat.errors import MachineError, UnitError
from kerfbeat.units import M_PER_IN, parse_length_m

__all__ = ["DATUM_BELOW_OUTSIDE_M", "BeltPosition", "BeltStage", "Gear", "GearStage", "Sheave", "Stage"]

# Outside diameter less datum diameter (2 h_d) of classical V-belt grooves; in the same standard outside less *pitch*
# diameter (2 a_p) is zero for these sections, so a rim measured with a rule is the pitch diameter.
# Source: Machinery's Handbook, 31st ed., table 9 (ANSI/RMA IP-20-1988).
DATUM_BELOW_OUTSIDE_M: Mapping[str, float] = {
    "A": 0.250 * M_PER_IN,
    "B": 0.350 * M_PER_IN,
    "C": 0.400 * M_PER_IN,
    "D": 0.600 * M_PER_IN,
}

SMALLEST_SHEAVE_M = 0.005
LARGEST_SHEAVE_M = 5.0
LONGEST_BELT_M = 50.0
BELT_GRACE = 0.10  # of the length: what a slide takes up, and how well two shafts are measured; common practice
HIGHEST_RATIO = 10_000.0  # turns in per turn out, and its inverse below 1; wider is a slip of the pen


def require_name(value: str, *, what: str) -> None:
    """Refuse a name that could not stand in a table, a log row or on a chart."""
    if not value.strip() or value != value.strip():
        raise MachineError(f"{what}: {value!r} is empty or has blanks at its ends; write a short name")
    if not value.isprintable():
        raise MachineError(f"{what}: {value!r} holds control characters; write plain letters, figures and blanks")
    if len(value) > 80:
        raise MachineError(f"{what}: a name of {len(value)} characters is too long; use at most 80")


def require_choice_name(value: str, *, what: str) -> None:
    """Refuse a gear or belt position that could not be typed as part of a setting (`low / high`, `gear=low`)."""
    require_name(value, what=what)
    if set(value) & set('/=,;"'):
        raise MachineError(f'{what}: {value!r} holds one of / = , ; "; name it without them')


def pick(wanted: str | None, names: Iterable[str], *, what: str) -> str:
    """Find the chosen name among those that exist; a machine with one choice needs no telling.

    Raises MachineError naming the choices, and the nearest one to a misspelt name.
    """
    known = list(names)
    if wanted is None:
        if len(known) == 1:
            return known[0]
        raise MachineError(f"{what}: not said; choose one of {', '.join(known)}")
    folded = {name.casefold(): name for name in known}
    if wanted.casefold() in folded:
        return folded[wanted.casefold()]
    near = difflib.get_close_matches(wanted.casefold(), list(folded), n=1)
    guess = f'; did you mean "{folded[near[0]]}"?' if near else ""
    choices = ", ".join(name for name in known if name) or "one fixed choice only"
    raise MachineError(f'{what}: there is no "{wanted}"; this machine has {choices}{guess}')


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheave:
    """One pulley groove by its pitch diameters: equal when it is fixed, a range when its width varies.

    taken : how the user measured it; "outside" and "datum" were converted for the classical `section`.
    """

    minimum_m: float
    maximum_m: float
    taken: Literal["pitch", "outside", "datum"] = "pitch"
    section: str | None = None

    def __post_init__(self) -> None:
        for diameter_m in (self.minimum_m, self.maximum_m):
            if not SMALLEST_SHEAVE_M <= diameter_m <= LARGEST_SHEAVE_M:
                raise MachineError(
                    f"a pitch diameter of {diameter_m * 1e3:g} mm cannot be; "
                    f"write one from {SMALLEST_SHEAVE_M * 1e3:g} mm to {LARGEST_SHEAVE_M:g} m"
                )
        if self.minimum_m > self.maximum_m:
            raise MachineError(
                f"minimum {self.minimum_m * 1e3:g} mm is above maximum {self.maximum_m * 1e3:g} mm; swap them"
            )

    @classmethod
    def from_pitch(cls, pitch_m: float) -> Sheave:
        """Make a fixed sheave of known pitch diameter."""
        return cls(minimum_m=pitch_m, maximum_m=pitch_m)

    @classmethod
    def from_outside(cls, outside_m: float, *, section: str) -> Sheave:
        """Make a fixed sheave measured at its rim: pitch = outside for classical sections (see above)."""
        _require_section(section)
        return cls(minimum_m=outside_m, maximum_m=outside_m, taken="outside", section=section)

    @classmethod
    def from_datum(cls, datum_m: float, *, section: str) -> Sheave:
        """Make a fixed sheave from a datum diameter, which older catalogues print as "pitch diameter"."""
        pitch_m = datum_m + DATUM_BELOW_OUTSIDE_M[_require_section(section)]
        return cls(minimum_m=pitch_m, maximum_m=pitch_m, taken="datum", section=section)

    @property
    def varies(self) -> bool:
        """Whether this is a variable-width sheave."""
        return self.maximum_m > self.minimum_m

    @property
    def pitch_m(self) -> float:
        """Pitch diameter of a fixed sheave; the middle of the range of a variable one."""
        return (self.minimum_m + self.maximum_m) / 2


def _belt_about_m(one_m: float, other_m: float, *, centre_m: float) -> float:
    """Length of an open belt to about 0.1 %: 2 C + pi (D + d) / 2 + (D - d)^2 / 4 C.

    Source: Mott, Machine Elements in Mechanical Design, 4th ed., eq. 7-3.
    """
    return 2 * centre_m + math.pi / 2 * (one_m + other_m) + (one_m - other_m) ** 2 / (4 * centre_m)


def _require_section(section: str) -> str:
    if section not in DATUM_BELOW_OUTSIDE_M:
        known = ", ".join(DATUM_BELOW_OUTSIDE_M)
        raise MachineError(f'section: "{section}" is not a classical V-belt section; write one of {known}')
    return section


@dataclass(frozen=True, kw_only=True, slots=True)
class BeltPosition:
    """One pair of grooves a belt can run in; `name` is None where there is only one."""

    name: str | None = None
    driver: Sheave
    driven: Sheave

    def __post_init__(self) -> None:
        if self.name is not None:
            require_choice_name(self.name, what="position")


@dataclass(frozen=True, kw_only=True, slots=True)
class BeltStage:
    """A belt between two shafts: one pair of grooves, several steps, or a variable-width pair.

    With two variable sheaves the driven one closes as the driver opens (spring-loaded), so one number, the
    driver's pitch diameter, tells where the belt runs.  Of a single variable sheave its own diameter tells.
    """

    name: str | None = None
    positions: tuple[BeltPosition, ...]
    centre_distance_m: float | None = None
    belt_length_m: float | None = None

    def __post_init__(self) -> None:
        if self.name is not None:
            require_name(self.name, what="name")
        if not self.positions:
            raise MachineError("positions: none given; write driver and driven, or a table of positions")
        names = [position.name for position in self.positions]
        if len(names) > 1 and (None in names or len(set(names)) < len(names)):
            raise MachineError("positions: each needs a name of its own")
        if len(names) > 1 and any(p.driver.varies or p.driven.varies for p in self.positions):
            raise MachineError("positions: a stepped pulley cannot also vary its width; describe one or the other")
        if self.centre_distance_m is not None:
            for position in self.positions:
                self._require_room(position, self.centre_distance_m)
        if self.belt_length_m is not None:
            for position in self.positions:
                self._require_reach(position, self.belt_length_m)

    def _require_room(self, position: BeltPosition, centre_distance_m: float) -> None:
        least_m = (position.driver.minimum_m + position.driven.minimum_m) / 2
        if centre_distance_m <= least_m:
            raise MachineError(
                f"centre_distance: at {centre_distance_m * 1e3:g} mm the pulleys overlap; "
                f"it must be more than {least_m * 1e3:g} mm"
            )
        if centre_distance_m > LONGEST_BELT_M / 2:
            raise MachineError(
                f"centre_distance: {centre_distance_m:g} m is too far for a belt; at most {LONGEST_BELT_M / 2:g} m"
            )

    def _require_reach(self, position: BeltPosition, belt_length_m: float) -> None:
        centre_m = self.centre_distance_m
        least_m, most_m = math.pi * max(position.driver.minimum_m, position.driven.minimum_m), LONGEST_BELT_M
        if centre_m is not None:
            needed_m = [_belt_about_m(*pair, centre_m=centre_m) for pair in self._ends_m(position)]
            least_m = max(least_m, 2 * centre_m, min(needed_m) * (1 - BELT_GRACE))
            most_m = max(needed_m) * (1 + BELT_GRACE)
        if belt_length_m <= least_m:
            raise MachineError(
                f"belt_length: {belt_length_m * 1e3:.10g} mm is too short to go round; it must be more than "
                f"{least_m * 1e3:.0f} mm (pitch length, both pulleys and both spans)"
            )
        if belt_length_m > most_m:
            raise MachineError(
                f"belt_length: {belt_length_m * 1e3:.10g} mm is too long; at most {most_m * 1e3:.0f} mm fits here "
                "(check it, the distance of the shafts and their units)"
            )

    @staticmethod
    def _ends_m(position: BeltPosition) -> list[tuple[float, float]]:
        """Pitch diameters at both ends of what a position can be; one closes as the other opens."""
        driver, driven = position.driver, position.driven
        return [(driver.minimum_m, driven.maximum_m), (driver.maximum_m, driven.minimum_m)]

    @property
    def varies(self) -> bool:
        """Whether the ratio varies steplessly."""
        return any(p.driver.varies or p.driven.varies for p in self.positions)

    def diameters_m(self, where: str | float | None) -> tuple[float, float]:
        """Pitch diameters (driver, driven) in metres at one belt position.

        where : the position's name; for a variable stage the diameter in metres, a text such as "95 mm",
            "minimum" or "maximum".
        Raises MachineError if there is no such position.
        """
        if not self.varies:
            if isinstance(where, float):
                raise MachineError("belt: this stage has no variable-width sheave")
            by_name = {position.name or "": position for position in self.positions}
            position = by_name[pick(where, by_name, what="belt")]
            return position.driver.pitch_m, position.driven.pitch_m
        driver, driven = self.positions[0].driver, self.positions[0].driven
        told = driver if driver.varies else driven
        diameter_m = self._told_diameter_m(where, told)
        opened = (diameter_m - told.minimum_m) / (told.maximum_m - told.minimum_m)
        if driver.varies:
            return diameter_m, driven.maximum_m - opened * (driven.maximum_m - driven.minimum_m)
        return driver.pitch_m, diameter_m

    @staticmethod
    def _told_diameter_m(where: str | float | None, told: Sheave) -> float:
        between = f"from {told.minimum_m * 1e3:g} mm to {told.maximum_m * 1e3:g} mm (pitch diameter)"
        if where is None:
            raise MachineError(f"belt: not said; write where the variable sheave stands, {between}")
        if isinstance(where, str):
            ends = {"minimum": told.minimum_m, "maximum": told.maximum_m}
            try:
                where = ends[where] if where in ends else parse_length_m(where)
            except UnitError as problem:
                raise MachineError(f"belt: {problem}") from problem
        grace_m = 0.5e-4  # labels are rounded to 0.1 mm
        if not told.minimum_m - grace_m <= where <= told.maximum_m + grace_m:
            raise MachineError(f"belt: the variable sheave cannot stand at {where * 1e3:g} mm; choose {between}")
        return min(max(where, told.minimum_m), told.maximum_m)


@dataclass(frozen=True, kw_only=True, slots=True)
class Gear:
    """One ratio, in turns in per turn out; `name` is None where there is only one."""

    name: str | None = None
    ratio: float

    def __post_init__(self) -> None:
        if self.name is not None:
            require_choice_name(self.name, what="gear")
        if not (math.isfinite(self.ratio) and 1 / HIGHEST_RATIO <= self.ratio <= HIGHEST_RATIO):
            raise MachineError(
                f"{self.ratio:g} cannot be a ratio; write turns in per turn out, such as 30.0 for a 30:1 reduction"
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class GearStage:
    """A gearbox or a chain between two shafts, with one gear or several."""

    name: str | None = None
    kind: Literal["gearbox", "chain"]
    gears: tuple[Gear, ...]

    def __post_init__(self) -> None:
        if self.name is not None:
            require_name(self.name, what="name")
        names = [gear.name for gear in self.gears]
        if not names:
            raise MachineError("ratios: none given; write ratios = 30.0 or ratios = { low = 30.0, high = 13.0 }")
        if len(names) > 1 and (None in names or len(set(names)) < len(names)):
            raise MachineError("ratios: each gear needs a name of its own")

    def ratio(self, name: str | None) -> float:
        """Turns in per turn out in the named gear; MachineError if there is no such gear."""
        by_name = {gear.name or "": gear.ratio for gear in self.gears}
        return by_name[pick(name, by_name, what="gear")]


Stage = BeltStage | GearStage
