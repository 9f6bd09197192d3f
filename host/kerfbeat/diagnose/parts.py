"""Which setting was in force, and was it cutting, from when to when?

By the operator's marks.  Times are seconds of the log, by the corrected clock, as in `tracks`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibrate.points import stretches
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.clock_path import clock_path
from kerfbeat.machine import Setting
from kerfbeat.measure.pieces import pieces_of

__all__ = ["UNMARKED", "Part", "by_setting", "longest_setting", "parts_of", "setting_words"]

UNMARKED = "no marked setting"


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A time of one setting in one segment; `cutting` as marked."""

    segment: int
    setting: Setting
    start_s: float
    end_s: float
    cutting: bool

    @property
    def duration_s(self) -> float:
        """How long it lasts."""
        return self.end_s - self.start_s


def parts_of(log: PulseLog) -> tuple[Part, ...]:
    """The parts of a log, in order, without gaps inside a segment."""
    found = []
    for index, piece in enumerate(pieces_of(log)):
        segment, path = piece.segment, clock_path(piece.segment, rate=piece.clock.factor)
        for stretch in stretches(segment):
            ends = np.array([stretch.start_ticks, stretch.end_ticks], dtype=np.int64)
            start_s, end_s = (piece.offset_s + path.seconds((ends - segment.start_ticks) / segment.tick_hz)).tolist()
            found.append(
                Part(
                    segment=index,
                    setting=stretch.setting,
                    start_s=start_s,
                    end_s=end_s,
                    cutting=stretch.cutting,
                )
            )
    return tuple(found)


def by_setting(
    parts: Sequence[Part], part_of: NDArray[np.int64]
) -> Iterator[tuple[Setting, NDArray[np.bool_]]]:
    """Every setting of a log, and which of (n,) steps fall under it.   part_of : (n,) index of each step's part."""
    for setting in dict.fromkeys(part.setting for part in parts):
        yield setting, np.isin(part_of, [k for k, part in enumerate(parts) if part.setting == setting])


def setting_words(setting: Setting) -> str:
    """A setting in words: "50 Hz, gear low"; "no marked setting" where nothing was said."""
    words = [f"{setting.hz:g} Hz"] if setting.hz is not None else []
    words += [f"{what} {name}" for what, name in (("belt", setting.belt), ("gear", setting.gear)) if name is not None]
    return ", ".join(words) or UNMARKED


def longest_setting(parts: Sequence[Part]) -> Setting:
    """The setting with the most time outside cuts; with the most time at all if all was cutting."""
    idle = [part for part in parts if not part.cutting] or list(parts)
    total: dict[Setting, float] = {}
    for part in idle:
        total[part.setting] = total.get(part.setting, 0.0) + part.duration_s
    return max(total, key=lambda setting: total[setting])
