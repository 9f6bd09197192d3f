"""How fast should a band run in this material?

A table of published band speeds, each row with its source.  Starting points only: the blade maker's figures and the
practice of the shop come first.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.errors import DriveError
from kerfbeat.units import M_PER_FT, M_PER_IN, m_per_min

__all__ = [
    "CAUTION",
    "GROUPS",
    "HANDBOOK",
    "MATERIALS",
    "THICKNESS_AT_M",
    "Material",
    "SpeedRange",
    "find_materials",
    "one_material",
]

CAUTION = "Starting points only: the blade maker's figures and the practice of your shop come first."

HANDBOOK = "Machinery's Handbook, 31st ed., p. 1245"
MEMORY = "from memory, not verified"  # of the page before, which was not read

# Corrections of the same page, between its thicknesses linear.
THICKNESS_AT_M = tuple(inches * M_PER_IN for inches in (0.25, 0.75, 1.25, 4.0, 8.0))
THICKNESS_FACTOR = (1.15, 1.12, 1.10, 1.00, 0.88)
DRY_FACTOR = (0.5, 0.7)  # dry: 30 to 50 % less
CARBON_FACTOR = 0.5  # carbon-steel band: 50 % less

M_PER_S_PER_FT_PER_MIN = M_PER_FT / 60


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeedRange:
    """From a slowest to a fastest blade speed."""

    low_m_per_s: float
    high_m_per_s: float

    def require_runnable(self) -> None:
        """Refuse a range that no blade can be wanted to run in, with DriveError; what a drive gives may reach 0."""
        low, high = self.low_m_per_s, self.high_m_per_s
        if math.isfinite(high) and 0.0 < low <= high:
            return
        if low == high:
            raise DriveError(f"a blade speed of {m_per_min(low):g} m/min cannot be; write one above 0.")
        raise DriveError(
            f"a blade range from {m_per_min(low):g} to {m_per_min(high):g} m/min cannot be; "
            "write the slow end first, both above 0."
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Material:
    """A grade, or a group of grades: band speeds of the table in m/s, lowest and highest, and where they are from."""

    name: str
    group: str
    low_m_per_s: float
    high_m_per_s: float
    source: str
    also: tuple[str, ...] = ()

    def speed_range(
        self, *, thickness_m: float | None = None, dry: bool = False, carbon_band: bool = False
    ) -> SpeedRange:
        """Band speeds for a thickness of stock, coolant and band; an unknown thickness widens the range.

        thickness_m : length of the cut, in metres; outside 1/4 to 8 in the table's ends hold.
        Raises DriveError for a thickness that is not above 0.
        """
        if thickness_m is None:
            low, high = min(THICKNESS_FACTOR), max(THICKNESS_FACTOR)
        elif thickness_m > 0.0:
            low = high = float(np.interp(thickness_m, THICKNESS_AT_M, THICKNESS_FACTOR))
        else:
            raise DriveError(f"a thickness of {thickness_m * 1e3:g} mm cannot be; write one such as 50 mm or 2 in.")
        band = CARBON_FACTOR if carbon_band else 1.0
        dry_low, dry_high = DRY_FACTOR if dry else (1.0, 1.0)
        return SpeedRange(
            low_m_per_s=self.low_m_per_s * low * band * dry_low,
            high_m_per_s=self.high_m_per_s * high * band * dry_high,
        )


def _rows(group: str, source: str, *rows: tuple[float, str]) -> list[Material]:
    return [
        Material(
            name=name, group=group, source=source,
            low_m_per_s=speed * M_PER_S_PER_FT_PER_MIN, high_m_per_s=speed * M_PER_S_PER_FT_PER_MIN,
        )
        for speed, names in rows
        for name in names.split(", ")
    ]  # fmt: skip


# ft/min and grades as printed; the groups are ours.
MATERIALS: tuple[Material, ...] = (
    *_rows(
        "Free-machining steels", HANDBOOK,
        (425, "12L14"), (400, "1213, 1215"), (340, "1117"), (290, "1137"), (280, "1141, 1144"), (275, "41L40"),
    ),
    *_rows(
        "Low-carbon steels", HANDBOOK,
        (330, "1030"), (320, "1008, 1015, 1020, 1025"), (300, "1018, 1021, 1022, 1026, 1513"),
        (270, "A36 shapes, weathering B"),
    ),
    *_rows(
        "Medium- and high-carbon steels", HANDBOOK,
        (310, "1035"), (270, "1040"), (250, "1042, 1541"), (220, "1044, 1045, 1330"), (210, "1345"), (200, "1060"),
        (185, "1095"),
    ),
    *_rows(
        "Alloy steels", HANDBOOK,
        (270, "4130"), (250, "4140, 4142"), (240, "8615, 8620, 8622"), (220, "4340, 5160, 8630"),
        (210, "4145, 6150"), (200, "4150, 8640"), (175, "E9310"), (160, "300M, E52100, HY-80, HY-100"),
        (105, "HP 9-4-20, HP 9-4-25"),
    ),
    *_rows(
        "Tool steels", HANDBOOK,
        (225, "W-1"), (200, "A-6, O-1, S-1"), (190, "H-11, H-12, H-13, L-6, O-6"), (180, "A-2"), (160, "A-10"),
        (140, "S-5"), (125, "S-7"), (90, "D-2"),
    ),
    *_rows("High-speed steels", HANDBOOK, (110, "M-1"), (100, "M-2, M-42, T1"), (70, "T-15")),
    *_rows("Stainless steels", HANDBOOK, (120, "304")),
    *_rows(
        "Titanium", HANDBOOK,
        (80, "pure titanium, Ti-3Al-8V-6Cr-4Mo-4Zr, Ti-8Mo-8V-2Fe-3Al"), (75, "Ti-5Al-2.5Sn, Ti-6Al-2Sn-4Zr-2Mo"),
        (70, "Ti-6Al-4V"), (65, "Ti-7Al-4Mo, Ti-8Al-1Mo-1V"),
    ),
    *_rows("Grey cast iron", MEMORY, (150, "class 30 iron")),
    *_rows("Aluminium alloys", MEMORY, (500, "aluminium alloys, general")),
)  # fmt: skip

# Everyday words for a group.
ALSO = {
    "Low-carbon steels": ("mild steel", "structural steel"),
    "Alloy steels": ("chrome-moly steel",),
    "Stainless steels": ("stainless steel", "inox"),
    "Grey cast iron": ("gray cast iron",),
    "Aluminium alloys": ("aluminum alloys", "aluminium", "aluminum"),
    "High-speed steels": ("HSS",),
}


def _group(name: str, members: Sequence[Material]) -> Material:
    return Material(
        name=name,
        group=name,
        low_m_per_s=min(member.low_m_per_s for member in members),
        high_m_per_s=max(member.high_m_per_s for member in members),
        source=members[0].source,
        also=ALSO.get(name, ()),
    )


GROUPS: tuple[Material, ...] = tuple(
    _group(name, [material for material in MATERIALS if material.group == name])
    for name in dict.fromkeys(material.group for material in MATERIALS)
)


def _plain(text: str) -> str:
    """Bring a name to what is compared: no case, no hyphens, no prefix of a standard."""
    text = re.sub(r"\b(aisi|sae|astm|uns)\b", " ", text.casefold())
    return re.sub(r"[^a-z0-9.]+", "", text)


def _names(material: Material) -> Iterable[str]:
    return (material.name, *material.also)


def find_materials(text: str) -> list[Material]:
    """Find groups and grades whose name holds this text; a whole name found exactly stands alone.

    An empty text finds everything.  Raises DriveError, naming near matches, if nothing fits.
    """
    wanted = _plain(text)
    everything = [*GROUPS, *MATERIALS]
    exact = [material for material in everything if wanted in (_plain(name) for name in _names(material))]
    if exact and wanted:
        return exact
    found = [
        material
        for material in everything
        if any(wanted in _plain(name) for name in (*_names(material), material.group))
    ]
    if found and (wanted or not text.strip()):
        return found
    names = {_plain(name): name for material in everything for name in _names(material)}
    near = [names[key] for key in difflib.get_close_matches(wanted, list(names), n=4, cutoff=0.6)]
    hint = f"near: {', '.join(near)}" if near else f"groups: {', '.join(group.name for group in GROUPS)}"
    raise DriveError(f'no material "{text[:40].strip()}" in the table; {hint}.')


def one_material(text: str) -> Material:
    """Find the one group or grade meant; DriveError if there is none, or several."""
    found = find_materials(text)
    if len(found) > 1:
        groups = [material for material in found if material in GROUPS]
        if len(groups) == 1 and all(material.group == groups[0].name for material in found):
            return groups[0]
        shown = ", ".join(material.name for material in found[:6])
        more = f" and {len(found) - 6} more" if len(found) > 6 else ""
        raise DriveError(f'"{text[:40].strip()}" fits several: {shown}{more}; name one of them.')
    return found[0]
