"""What does a board keep without power?

Its identity and inputs, and all that its display needs to tell blade speed with no host at hand.  Numbers stand as they
go over the line (`firmware/PROTOCOL.md` section 8), whole ones in the unit that their name ends in, so that what is
read back can be compared to the last bit.
"""

from __future__ import annotations

import struct
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Self

from kerfbeat.capture.wire_numbers import BAUD_FAST, BAUD_SLOW, INPUTS
from kerfbeat.errors import SettingsError

__all__ = [
    "BAUDS",
    "CLOCK_NEVER",
    "FLOOD_EDGES",
    "INPUT_WORDS",
    "LENGTH",
    "MASK_MS",
    "MODE_ON",
    "MODE_PULL_UP",
    "MODE_RISING",
    "MOST_RATIOS",
    "MOST_TARGETS",
    "TURN",
    "UNITS",
    "VERSION",
    "BoardSettings",
    "date_of",
    "day_number",
    "mode_of",
]

VERSION = 2
_LAYOUT = struct.Struct("<BIB3BBBBBBBBIiIHH4IIIHB60H")
LENGTH = _LAYOUT.size
MODE_ON, MODE_RISING, MODE_PULL_UP = 0x01, 0x02, 0x04
MOST_MODE = MODE_ON | MODE_RISING | MODE_PULL_UP
MOST_TARGETS = 60
MOST_RATIOS = 4
FLOOD_EDGES = (2, 24)
MASK_MS = (5, 250)
CIRCUMFERENCE_UM = (10_000, 20_000_000)  # so that the board's speeds stay within 32 bits
MOST_CLOCK_PPB = 50_000_000  # ten times what a ceramic resonator is off by
MOST_SLIP_1E4 = 10_000
BAUDS = (BAUD_FAST, BAUD_SLOW)  # by the number that is stored
INPUT_WORDS = ("on", "off", "falling", "rising", "pull-up", "no-pull-up")
UNITS = ("ft/min", "m/min")  # of the display's first line, by the number that is stored
CLOCK_NEVER = 0xFFFF_FFFF  # as `clock_u95_ppb`: the clock was never measured
TURN = 1 << 16  # an angle is a share of it
FIRST_DAY = date(2000, 1, 1)  # day 0, which also means never
LARGEST = {1: 0xFF, 2: 0xFFFF, 4: 0xFFFF_FFFF}  # by the width in bytes


def day_number(day: date) -> int:
    """Days since 2000-01-01; SettingsError outside of what two bytes hold, 2000-01-02 to 2179-06-06."""
    number = (day - FIRST_DAY).days
    if not 1 <= number <= LARGEST[2]:
        raise SettingsError(f"{day}: a board keeps days from 2000-01-02 to 2179-06-06; set this computer's clock")
    return number


def date_of(day: int) -> date | None:
    """Inverse of `day_number`; None for 0, never."""
    return FIRST_DAY + timedelta(days=day) if day else None


def mode_of(words: Collection[str]) -> int:
    """Mode of an input from INPUT_WORDS; what is not said is on, falling, pull-up."""
    mode = 0 if "off" in words else MODE_ON
    mode |= MODE_RISING if "rising" in words else 0
    return mode | (0 if "no-pull-up" in words else MODE_PULL_UP)


def _within(name: str, value: int, least: int, most: int, *, unit: str = "") -> None:
    if not least <= value <= most:
        raise SettingsError(f"board settings: {name} {value}{unit} cannot be; {least} to {most}{unit} can")


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardSettings:
    """Everything a board keeps; made without arguments, what it does that was never told anything.

    modes : of each input, bits MODE_...
    unit : of the display's first line, index into UNITS.   baud : index into BAUDS, from the next reset on.
    wheel_input, fast_input : 1 to 3, 0 for none; the fast one sits on the motor or a driven shaft, to tell belt slip.
    circumference_um : blade per turn of the wheel, 0 if not set.
    clock_ppb : true tick rate over the nominal one, less 1, in parts of 10^9; `clock_u95_ppb` its 95 % half-width when
        it was measured, CLOCK_NEVER if it never was.
    clock_day, settings_day : days since 2000-01-01, 0 for never.
    ratios_millionths : turns of the fast shaft per wheel turn at idle, one for each gear, at most MOST_RATIOS.
    slowest_mm_min, fastest_mm_min, slip_limit_1e4 : alarms; the last a share in ten-thousandths; 0 for none.
    angles_65536 : place of each target in 1/65536 turn, the first 0; () where they were never calibrated.
    """

    board_id: int = 0
    baud: int = 0
    modes: tuple[int, ...] = (MODE_ON | MODE_PULL_UP,) * INPUTS
    flood_edges: int = 12
    mask_ms: int = 20
    unit: int = 0
    wheel_input: int = 0
    fast_input: int = 0
    wheel_targets: int = 0
    fast_targets: int = 0
    circumference_um: int = 0
    clock_ppb: int = 0
    clock_u95_ppb: int = CLOCK_NEVER
    clock_day: int = 0
    settings_day: int = 0
    ratios_millionths: tuple[int, ...] = ()
    slowest_mm_min: int = 0
    fastest_mm_min: int = 0
    slip_limit_1e4: int = 0
    angles_65536: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        _within("board id", self.board_id, 0, LARGEST[4])
        _within("line rate", self.baud, 0, len(BAUDS) - 1)
        _within("number of input modes", len(self.modes), INPUTS, INPUTS)
        for mode in self.modes:
            _within("input mode", mode, 0, MOST_MODE)
        _within("flood limit, edges,", self.flood_edges, *FLOOD_EDGES)
        _within("mask", self.mask_ms, *MASK_MS, unit=" ms")
        _within("unit", self.unit, 0, len(UNITS) - 1)
        self._require_sensor("wheel", self.wheel_input, self.wheel_targets)
        self._require_sensor("fast shaft", self.fast_input, self.fast_targets)
        if self.wheel_input and self.wheel_input == self.fast_input:
            raise SettingsError(f"board settings: input {self.wheel_input} cannot be the wheel's and the fast shaft's")
        if self.circumference_um:
            _within("blade per wheel turn, micrometres,", self.circumference_um, *CIRCUMFERENCE_UM)
        _within("clock correction, parts in 10^9,", self.clock_ppb, -MOST_CLOCK_PPB, MOST_CLOCK_PPB)
        _within("doubt of the clock, parts in 10^9,", self.clock_u95_ppb, 0, LARGEST[4])
        _within("day of the clock", self.clock_day, 0, LARGEST[2])
        _within("day of the settings", self.settings_day, 0, LARGEST[2])
        _within("number of ratios", len(self.ratios_millionths), 0, MOST_RATIOS)
        for ratio in self.ratios_millionths:
            _within("ratio, millionths,", ratio, 1, LARGEST[4])
        _within("slowest speed, mm/min,", self.slowest_mm_min, 0, LARGEST[4])
        _within("fastest speed, mm/min,", self.fastest_mm_min, 0, LARGEST[4])
        if 0 < self.fastest_mm_min <= self.slowest_mm_min:
            raise SettingsError(
                f"board settings: the alarm above {self.fastest_mm_min / 1e3:g} m/min is not over that below "
                f"{self.slowest_mm_min / 1e3:g} m/min; change --slowest or --fastest"
            )
        _within("slip limit, ten-thousandths,", self.slip_limit_1e4, 0, MOST_SLIP_1E4)
        self._require_angles()

    def _require_sensor(self, what: str, board_input: int, targets: int) -> None:
        _within(f"input of the {what}", board_input, 0, INPUTS)
        _within(f"targets of the {what}", targets, 1 if board_input else 0, MOST_TARGETS)
        if board_input and not self.modes[board_input - 1] & MODE_ON:
            raise SettingsError(
                f"board settings: input {board_input} is switched off, and the {what} has its sensor there; "
                f"switch it on (--input {board_input}=on)"
            )

    def _require_angles(self) -> None:
        angles = self.angles_65536
        if not angles:
            return
        if len(angles) != self.wheel_targets:
            raise SettingsError(f"board settings: {len(angles)} angles of {self.wheel_targets} targets cannot be")
        if angles[0] != 0 or angles[-1] >= TURN or any(after <= before for before, after in pairwise(angles)):
            raise SettingsError("board settings: angles of targets begin at 0 and rise within one turn")

    @property
    def clock_measured(self) -> bool:
        """Whether a clock correction is stored."""
        return self.clock_u95_ppb != CLOCK_NEVER

    @property
    def display_ready(self) -> bool:
        """Whether the display has what it needs to show blade speed."""
        return bool(self.wheel_input and self.circumference_um)

    def pack(self) -> bytes:
        """The LENGTH bytes that the board keeps."""
        ratios = self.ratios_millionths + (0,) * (MOST_RATIOS - len(self.ratios_millionths))
        angles = self.angles_65536 + (0,) * (MOST_TARGETS - len(self.angles_65536))
        return _LAYOUT.pack(
            VERSION, self.board_id, self.baud, *self.modes, self.flood_edges, self.mask_ms, self.unit, self.wheel_input,
            self.fast_input, self.wheel_targets, self.fast_targets, self.circumference_um, self.clock_ppb,
            self.clock_u95_ppb, self.clock_day, self.settings_day, *ratios, self.slowest_mm_min, self.fastest_mm_min,
            self.slip_limit_1e4, len(self.angles_65536), *angles,
        )  # fmt: skip

    @classmethod
    def unpack(cls, data: bytes) -> Self:
        """Read what a board keeps.

        Raises SettingsError if it is of another length or version, or a value cannot be.
        """
        if len(data) != LENGTH or data[0] != VERSION:
            raise SettingsError(f"board settings of {len(data)} bytes, version {data[:1].hex()}: not this layout")
        (
            _, board_id, baud, mode_1, mode_2, mode_3, flood_edges, mask_ms, unit, wheel_input, fast_input,
            wheel_targets, fast_targets, circumference_um, clock_ppb, clock_u95_ppb, clock_day, settings_day, *rest,
        ) = _LAYOUT.unpack(data)  # fmt: skip
        ratios, (slowest_mm_min, fastest_mm_min, slip_limit_1e4, count), angles = rest[:4], rest[4:8], rest[8:]
        _within("number of angles", count, 0, MOST_TARGETS)
        return cls(
            board_id=board_id, baud=baud, modes=(mode_1, mode_2, mode_3), flood_edges=flood_edges, mask_ms=mask_ms,
            unit=unit, wheel_input=wheel_input, fast_input=fast_input, wheel_targets=wheel_targets,
            fast_targets=fast_targets, circumference_um=circumference_um, clock_ppb=clock_ppb,
            clock_u95_ppb=clock_u95_ppb, clock_day=clock_day, settings_day=settings_day,
            ratios_millionths=tuple(ratio for ratio in ratios if ratio), slowest_mm_min=slowest_mm_min,
            fastest_mm_min=fastest_mm_min, slip_limit_1e4=slip_limit_1e4, angles_65536=tuple(angles[:count]),
        )  # fmt: skip
