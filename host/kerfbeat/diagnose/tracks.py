"""Where was each shaft at every pulse that counts?

Pulses are cleaned and counted by `measure`; here each gets its time and its place in turns.  The targets' angles are
the calibrated ones where they fit the run in one way only, else those that the run itself shows: a wobble in step with
the shaft's own turns is then taken for spacing, which a single sensor cannot avoid.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibrate.budget import calibrated_spacing
from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.clock_path import ClockPath, clock_path
from kerfbeat.errors import MeasureError
from kerfbeat.measure.clean import CleanPulses
from kerfbeat.measure.pieces import Piece, pieces_of
from kerfbeat.measure.spacing import find_angles, match_pattern, pattern_angles, places

__all__ = ["Run", "Track", "breaks_of", "tracks_of", "tracks_with"]

Floats = NDArray[np.float64]
Source = Literal["calibrated", "from the run", "one target", "even"]
LEAST_EDGES = 3
SILENT_GAPS = 2.5  # usual gaps between pulses; one pulse that is missing makes two
SURE_TURNS = 3  # of a run that is matched to the longest
OWN_TURNS = 12  # of a run that shows angles of its own well enough


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """An unbroken count of one channel: (n,) seconds of the log, (n,) turns from the run's first target on.

    numbers : (n,) pulse numbers; number modulo the pulses of a turn tells the target, in all runs alike where matched.
    sure : False where the run is too short to know its targets' angles: then only whole turns can be trusted.
    from_still : whether the channel was silent before, with nothing lost: the shaft stood, and comes up to speed.
    """

    seconds: Floats
    turns: Floats
    numbers: NDArray[np.int64]
    sure: bool = True
    from_still: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """One channel of one segment.

    angles : "calibrated", "from the run", "one target", or "even" where nothing better is known.
    per_turn : pulses seen in a turn, which differs from `targets` if one is lost or false.
    lost_s : (k, 2) stretches of the log in which its pulses were lost.
    clock_measured : whether times follow the host's clock.
    """

    channel: str
    segment: int
    targets: int
    per_turn: int
    angles: Source
    runs: tuple[Run, ...]
    missing: int
    extra: int
    stray: int
    lost_s: Floats
    clock_measured: bool

    @property
    def pulses(self) -> int:
        """Pulses that count."""
        return sum(len(run.seconds) for run in self.runs)


def tracks_of(log: PulseLog, *, spacing_turns: Mapping[str, Floats] | None = None) -> tuple[Track, ...]:
    """Every channel of every segment, in the order of the log.

    spacing_turns : calibrated spacing of a channel's targets, from each to the next, in turns.
    """
    found = []
    for index, piece in enumerate(pieces_of(log)):
        path = clock_path(piece.segment, rate=piece.clock.factor)
        for channel, sensor in log.machine.sensors.items():
            clean = piece.clean(channel, sensor.targets)
            angles, source = _angles(clean, None if spacing_turns is None else spacing_turns.get(channel))
            lost = np.array([(loss.start_ticks, loss.end_ticks) for loss in piece.losses(channel)], dtype=np.int64)
            found.append(
                Track(
                    channel=channel,
                    segment=index,
                    targets=sensor.targets,
                    per_turn=clean.per_turn,
                    angles=source,
                    runs=tuple(_runs(clean, angles, piece, path, lost)),
                    missing=clean.missing,
                    extra=clean.extra,
                    stray=clean.stray,
                    lost_s=_seconds(lost.reshape(-1, 2), piece, path),
                    clock_measured=path.measured,
                )
            )
    return tuple(found)


def tracks_with(log: PulseLog, known: Known | None) -> tuple[Track, ...]:
    """The same, with the targets' spacing as calibrated."""
    return tracks_of(log, spacing_turns=None if known is None else calibrated_spacing(known))


def breaks_of(tracks: Sequence[Track]) -> list[str]:
    """Where these tracks were not counted, in words: time lost, however many channels lost it at once, and restarts."""
    said, total_s, until_s = [], 0.0, -math.inf
    for start_s, end_s in sorted((float(a), float(b)) for track in tracks for a, b in track.lost_s):
        total_s += max(0.0, end_s - max(start_s, until_s))
        until_s = max(until_s, end_s)
    if total_s:
        lost = f"{total_s:.1f}" if total_s >= 0.1 else f"{total_s:.1g}"  # never "0.0 s" of what was something
        said.append(f"{lost} s in which pulses of a channel were lost")
    times = len({track.segment for track in tracks}) - 1
    if times > 0:
        said.append(f"the board restarted {'once' if times == 1 else f'{times} times'}; counts do not reach across")
    return said


def _seconds(ticks: NDArray[np.int64], piece: Piece, path: ClockPath) -> Floats:
    """Seconds of the log, by the corrected clock inside the segment."""
    return piece.offset_s + path.seconds((ticks - piece.segment.start_ticks) / piece.segment.tick_hz)


def _angles(clean: CleanPulses, known: Floats | None) -> tuple[Floats, Source]:
    """Angles of the targets in turns, in the order in which the longest run counts them, and whence they are known."""
    per_turn = clean.per_turn
    if per_turn == 1:
        return np.zeros(1), "one target"
    even = np.arange(per_turn) / per_turn
    first, last = max(clean.runs(), key=lambda run: run[1] - run[0], default=(0, 0))
    if last - first < LEAST_EDGES:
        return even, "even"
    try:
        angles, u_turns = find_angles(clean.ticks[first:last], numbers=clean.numbers(first, last), per_turn=per_turn)
    except MeasureError:
        return even, "even"
    if known is not None and len(known) == per_turn:
        match = match_pattern(angles, u_turns=u_turns, spacing_turns=known)
        if match.certain and match.fits:
            return pattern_angles(known, rotation=match.rotation), "calibrated"
    return angles, "from the run"


def _runs(
    clean: CleanPulses, angles: Floats, piece: Piece, path: ClockPath, lost: NDArray[np.int64]
) -> Iterator[Run]:
    """The runs of a channel, with the targets of each shorter one matched to those of the longest."""
    spans = [span for span in clean.runs() if span[1] - span[0] >= LEAST_EDGES]
    longest = max(spans, key=lambda run: run[1] - run[0], default=None)
    spacing = np.diff(angles, append=angles[0] + 1.0)
    for span in spans:
        first, last = span
        numbers = clean.numbers(first, last)
        mine, sure, rotation = (angles, True, 0) if span == longest else _turned(clean, span, spacing)
        yield Run(
            seconds=_seconds(clean.ticks[first:last], piece, path),
            turns=places(numbers, angles_turns=mine),
            numbers=numbers + rotation,
            sure=sure and (clean.per_turn == 1 or last - first >= SURE_TURNS * clean.per_turn),
            from_still=_from_still(clean, span, begin=piece.segment.start_ticks, lost=lost),
        )


def _from_still(clean: CleanPulses, span: tuple[int, int], *, begin: int, lost: NDArray[np.int64]) -> bool:
    """Whether no pulse came before a run for longer than its own gaps explain, though none could be lost."""
    first, last = span
    before = int(clean.ticks[first - 1]) if first else begin
    start = int(clean.ticks[first])
    if any(one < start and other > before for one, other in lost.reshape(-1, 2).tolist()):
        return False
    return start - before > SILENT_GAPS * float(np.median(np.diff(clean.ticks[first:last])))


def _turned(clean: CleanPulses, span: tuple[int, int], spacing: Floats) -> tuple[Floats, bool, int]:
    """The angles as a run counts them that began at another target, whether that is sure, and where it began."""
    first, last = span
    per_turn = clean.per_turn
    if per_turn == 1:
        return np.zeros(1), True, 0
    try:
        angles, u_turns = find_angles(clean.ticks[first:last], numbers=clean.numbers(first, last), per_turn=per_turn)
    except MeasureError:
        return np.arange(per_turn) / per_turn, False, 0
    match = match_pattern(angles, u_turns=u_turns, spacing_turns=spacing)
    if match.certain:
        return pattern_angles(spacing, rotation=match.rotation), True, match.rotation
    return angles, last - first >= OWN_TURNS * per_turn, 0
