"""What makes the speed change in step with the turning: a bent sheave, a lumpy belt, a bad blade joint?

Peaks of the order spectrum are named from the machine's description.  What one sensor cannot tell is said: whole orders
of its own shaft look like unequal target spacing, and orders beyond half its targets appear folded.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibrate.budget import calibrated_spacing
from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose import shafts
from kerfbeat.diagnose.order_names import WIDE, Peak, named, without_images
from kerfbeat.diagnose.order_sources import Source, folded, sources_of
from kerfbeat.diagnose.order_spectrum import LOWEST, SLOWEST, Spectrum, spectrum_of
from kerfbeat.diagnose.parts import longest_setting, parts_of, setting_words
from kerfbeat.diagnose.steady import cut_run, steady_spans
from kerfbeat.diagnose.tracks import Run, Track, breaks_of, tracks_with
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting
from kerfbeat.measure.spacing import find_angles, match_pattern, pattern_angles

__all__ = ["Orders", "Undecided", "orders_of", "unseen_of"]

Floats = NDArray[np.float64]

FINE_S = 1e-8
PATTERN_SD_TURNS = 2e-4  # a stored pattern is known again although its targets seem shifted by some 0.1 degrees
BLIND_WIDTHS = 1.5  # resolution widths around a whole order in which it swallows a source


@dataclass(frozen=True, kw_only=True, slots=True)
class Undecided:
    """A whole order of the shaft: unequal spacing of its targets, or a wobble of this size; one sensor cannot tell."""

    order: int
    amplitude_percent: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Orders:
    """Order content of one channel over its longest steady stretch.

    undecided : whole orders; if since_calibration, what has changed against the calibrated pattern.
    unseen : one line for each element that this sensor cannot show.
    """

    source: str
    channel: str
    setting: Setting
    start_s: float
    end_s: float
    per_turn: int
    shaft_hz: float
    spectrum: Spectrum
    peaks: tuple[Peak, ...]
    undecided: tuple[Undecided, ...]
    since_calibration: bool
    unseen: tuple[str, ...]
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]


def orders_of(
    log: PulseLog, *, channel: str = "wheel", known: Known | None = None, tracks: Sequence[Track] | None = None
) -> Orders:
    """Find and name the waves in one channel's speed.

    known : its calibrated spacing of targets tells what of the whole orders is new, never why.
    tracks : this log's, with that spacing, where they are at hand.
    Raises MeasureError if the channel is not there or nothing of it is steady for a dozen turns.
    """
    machine = log.machine
    if channel not in machine.sensors:
        raise MeasureError(
            f"{log.source}: there is no channel {channel}; this machine has {', '.join(machine.sensors)}"
        )
    tracks, parts = tracks or tracks_with(log, known), parts_of(log)
    setting = longest_setting(parts)
    cutting = all(part.cutting for part in parts if part.setting == setting)
    spans = steady_spans(tracks, parts, channel=channel, setting=setting, cutting=cutting)
    if not spans:
        raise MeasureError(
            f"{log.source}: {channel} never turns steadily at one setting; record a minute of idle running"
        )
    start_s, end_s = spans[0]
    track, run = _stretch(tracks, channel, start_s, end_s)
    if len(run.seconds) <= 2 * track.per_turn:
        raise MeasureError(
            f"{log.source}: {channel} has no two whole turns without a gap; record a minute of running"
        )
    measured, hz = _measured(tracks, channel, start_s, end_s)
    sources, lacking = sources_of(machine, setting, channel=channel, measured=measured)
    offsets = _offsets(track, run)
    spectrum = _spectrum(track, run, sources)
    peaks = named(spectrum, sources, channel, offsets_turns=offsets, lacking=len(lacking))
    peaks = without_images(peaks, offsets_turns=offsets, resolution=spectrum.resolution)
    stored = None if known is None else calibrated_spacing(known).get(channel)
    undecided, since_calibration = _undecided(track, offsets, stored)
    peaks += _from_rigid(log, tracks, spans[0], setting, measured, seen=peaks, channel=channel)
    warnings = list(log.warnings)
    if track.per_turn != track.targets:
        warnings.append(
            f"{channel}: {track.per_turn} pulses a turn are seen, not {track.targets}; orders go by what is seen"
        )
    said = unseen_of(sources, spectrum, track.per_turn, channel)
    left = f"used {end_s - start_s:.0f} s of steady {'cutting' if cutting else 'running'} at {setting_words(setting)}"
    rest = len(spans) - 1
    more = f"; {rest} shorter stretch{'es' if rest > 1 else ''} left out" if rest else ""
    return Orders(
        source=log.source,
        channel=channel,
        setting=setting,
        start_s=start_s,
        end_s=end_s,
        per_turn=track.per_turn,
        shaft_hz=hz,
        spectrum=spectrum,
        peaks=tuple(sorted(peaks, key=lambda peak: -peak.amplitude_percent.value)),
        undecided=undecided,
        since_calibration=since_calibration,
        unseen=(*said, *lacking),
        left_out=(left + more, *breaks_of([each for each in tracks if each.channel == channel])),
        warnings=tuple(warnings),
    )


def _stretch(tracks: Sequence[Track], channel: str, start_s: float, end_s: float) -> tuple[Track, Run]:
    """The channel's longest run inside a stretch."""
    inside = [
        (track, cut_run(run, start_s, end_s)) for track in tracks if track.channel == channel for run in track.runs
    ]
    return max(inside, key=lambda pair: len(pair[1].seconds))


def _slowest(sources: Sequence[Source]) -> float:
    """The lowest order that anything described has; a third where that is more."""
    return min([SLOWEST, *(source.order.low for source in sources if source.harmonic == 1)])


def _spectrum(track: Track, run: Run, sources: Sequence[Source]) -> Spectrum:
    return spectrum_of(
        run.numbers / track.per_turn, run.seconds, numbers=run.numbers, per_turn=track.per_turn,
        known=track.per_turn == 1, slowest=_slowest(sources),
    )  # fmt: skip


def _measured(tracks: Sequence[Track], channel: str, start_s: float, end_s: float) -> tuple[dict[str, float], float]:
    """Turns of every other channel per turn of this one, and this one's speed, over the stretch."""
    speeds = {}
    for name in dict.fromkeys(track.channel for track in tracks):
        track, run = _stretch(tracks, name, start_s, end_s) if any(
            t.channel == name and t.runs for t in tracks
        ) else (None, None)  # fmt: skip
        if track is not None and run is not None and len(run.seconds) > 2 * track.per_turn:
            whole = (len(run.seconds) - 1) // track.per_turn * track.per_turn
            turns = (run.numbers[whole] - run.numbers[0]) / track.per_turn
            speeds[name] = float(turns / (run.seconds[whole] - run.seconds[0]))
    here = speeds[channel]
    return {name: speed / here for name, speed in speeds.items() if name != channel}, here


def _from_rigid(
    log: PulseLog, tracks: Sequence[Track], span: tuple[float, float], setting: Setting,
    measured: Mapping[str, float], *, seen: Sequence[Peak], channel: str,
) -> list[Peak]:  # fmt: skip
    """Whole orders of this shaft as another sensor sees them, on a shaft that turns along without a belt between."""
    machine = log.machine
    here = shafts.shaft_of(machine, channel)
    already = {(each.source.element, each.source.harmonic) for each in seen if each.source is not None}
    found = []
    for name, ratio in measured.items():
        there = shafts.shaft_of(machine, name)
        if here is None or there is None or there == here or shafts.belts_between(machine, here, there):
            continue
        track, run = _stretch(tracks, name, *span)
        back = {channel: 1.0 / ratio} | {other: each / ratio for other, each in measured.items() if other != name}
        sources, lacking = sources_of(machine, setting, channel=name, measured=back)
        offsets = _offsets(track, run)
        try:
            spectrum = _spectrum(track, run, sources)
        except MeasureError:
            continue  # too few turns of it in this stretch; the channel asked for has its own
        element = shafts.shaft_name(machine, here)
        for peak in without_images(
            named(spectrum, sources, name, offsets_turns=offsets, lacking=len(lacking)),
            offsets_turns=offsets,
            resolution=spectrum.resolution,
        ):
            mine = peak.source
            if mine is not None and mine.element == element and (element, mine.harmonic) not in already:
                order = float(mine.harmonic)
                here_too = Source(element=element, harmonic=mine.harmonic, order=shafts.Band(low=order, high=order))
                found.append(
                    Peak(
                        order=order, shows_at=peak.shows_at,
                        amplitude_percent=peak.amplitude_percent, source=here_too, chance=peak.chance, also=peak.also,
                        seen_on=name,
                    )
                )  # fmt: skip
    return found


def _offsets(track: Track, run: Run) -> Floats:
    """How far each target seems to be from its even place, in turns, mean 0; (per_turn,), 0 if too little is seen."""
    m = track.per_turn
    if m == 1:
        return np.zeros(1)
    try:
        angles, _ = find_angles(_fine(run), numbers=run.numbers, per_turn=m)
    except MeasureError:
        return np.zeros(m)
    return np.asarray(angles - np.arange(m) / m)


def _fine(run: Run) -> NDArray[np.int64]:
    """Corrected times of a run as whole ticks of 10 ns."""
    return np.asarray(np.round((run.seconds - run.seconds[0]) / FINE_S), dtype=np.int64)


def _undecided(track: Track, offsets: Floats, stored: Floats | None) -> tuple[tuple[Undecided, ...], bool]:
    """Whole orders that the targets' apparent angles hold; of a calibrated pattern what has changed since."""
    m = track.per_turn
    since = False
    if m > 1 and stored is not None and len(stored) == m:
        angles = np.arange(m) / m + offsets
        match = match_pattern(angles, u_turns=np.full(m, PATTERN_SD_TURNS), spacing_turns=stored)
        if since := match.certain and match.fits:
            pattern = pattern_angles(stored, rotation=match.rotation) - np.arange(m) / m
            offsets = offsets - (pattern - pattern.mean())
    parts = np.abs(np.fft.rfft(offsets)) * 2 / m
    if m % 2 == 0:
        parts[-1] /= 2
    each = (Undecided(order=k, amplitude_percent=float(100 * 2 * np.pi * k * parts[k])) for k in range(1, len(parts)))
    return tuple(each), since


def unseen_of(sources: Sequence[Source], spectrum: Spectrum, per_turn: int, channel: str) -> list[str]:
    """What this sensor cannot show, of each element's first harmonic."""
    said = []
    width = BLIND_WIDTHS * spectrum.resolution
    for source in sources:
        if source.harmonic > 1:
            continue
        at = folded(source.order.middle, per_turn=per_turn)
        half = source.order.half
        order = f"order {source.order.middle:.4g}"
        if half > WIDE * per_turn / 4:
            said.append(f"{source.words}: {order} is known only to ±{half:.2g}, too little to name a peak of {channel}")
        elif at < max(LOWEST * _slowest(sources), width):
            said.append(f"{source.words}: {order} shows up at {at:.3g}, where slow changes of the speed are")
        elif abs(at - round(at)) <= width and per_turn > 1:
            said.append(
                f"{source.words}: {order} shows up at the whole order {round(at)} and looks like target spacing"
                + ("" if half < width else ", or beside it")
            )
    pulses = "1 pulse" if per_turn == 1 else f"{per_turn} pulses"
    said.append(
        f"orders above {per_turn / 2:g} show up folded into 0 to {per_turn / 2:g} ({pulses} a turn); a peak's "
        "name says which one it is taken for"
    )
    return said
