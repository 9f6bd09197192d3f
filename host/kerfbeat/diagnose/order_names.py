"""Which element of the machine makes a wave in the speed?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.diagnose import shafts
from kerfbeat.diagnose.order_sources import Source, folded, nearest_alias
from kerfbeat.diagnose.order_spectrum import Spectrum, Wave
from kerfbeat.measure.uncertainty import Estimate, coverage_factor

__all__ = ["WIDE", "Peak", "named", "without_images"]

Floats = NDArray[np.float64]

NOTHING_KNOWN = 0.02  # prior weight of "none of the described elements", spread evenly over all orders
LACKING = 0.3  # the same for each element that is there but whose order the description does not give
NAMED = 0.5  # posterior chance from which an element is named; others above MENTIONED are mentioned
MENTIONED = 0.05
LONELY = 0.1  # prior of a higher harmonic whose first one is not seen
WIDE = 0.25  # part of the visible orders that a source's band may cover and still tell anything
LEAST_MET = 0.2  # of a wave's size: what is left of less says nothing of it
IMAGE_ROOM = 2.0  # how much larger than to first order an image may be


@dataclass(frozen=True, kw_only=True, slots=True)
class Peak:
    """One wave in the speed.

    order : events per turn of the watched shaft, the true one if a source is named, else as it shows up.
    shows_at : where the spectrum has it.   source : None if nothing described fits.
    chance : posterior chance of that source among those described.   also : others that fit nearly as well.
    seen_on : the channel that shows it.
    """

    order: float
    shows_at: float
    amplitude_percent: Estimate
    source: Source | None
    chance: float
    also: tuple[str, ...]
    seen_on: str


def _density(source: Source, shows_at: float, spectrum: Spectrum, per_turn: int) -> tuple[float, float]:
    """Likelihood of a peak at `shows_at` if it came from a source (per order), and the true order it would have."""
    order = nearest_alias(shows_at, near=source.order.middle, per_turn=per_turn)
    sd = math.hypot(source.order.half / 2, spectrum.resolution / 4)
    if sd > WIDE * per_turn / 4:
        return 0.0, order
    off = (order - source.order.middle) / sd
    return math.exp(-0.5 * off * off) / (sd * math.sqrt(2 * math.pi)), order


def named(
    spectrum: Spectrum, sources: Sequence[Source], channel: str, *, offsets_turns: Floats, lacking: int = 0
) -> list[Peak]:
    """Name all waves: first each by itself, then once more knowing which elements show their first harmonic.

    Of those the higher harmonics are expected exactly where they belong; of the others they are unlikely.
    offsets_turns : (per_turn,) how far each target is from its even place.
    lacking : how many elements have no order for want of description.
    """

    def all_by(known: Sequence[Source], prior: Sequence[float]) -> list[Peak]:
        return [
            _peak(
                wave, known, prior, spectrum, offsets_turns=offsets_turns, channel=channel,
                nothing=NOTHING_KNOWN + LACKING * lacking,
            )
            for wave in spectrum.waves
        ]

    first = all_by(sources, [1.0 / each.harmonic**2 for each in sources])
    base: dict[str, float] = {}
    for peak in first:  # strongest first: an image of it does not take its place
        if peak.source is not None and peak.source.harmonic == 1:
            base.setdefault(peak.source.element, peak.order)
    sharper, priors = [], []
    for each in sources:
        order, prior = each.order, 1.0 / each.harmonic**2
        if each.harmonic > 1 and each.element in base:
            order = shafts.around(each.harmonic * base[each.element], spectrum.resolution / 8 / base[each.element])
            prior = 1.0 / each.harmonic
        elif each.harmonic > 1:
            prior *= LONELY
        sharper.append(Source(element=each.element, harmonic=each.harmonic, order=order))
        priors.append(prior)
    return all_by(sharper, priors)


def _peak(
    wave: Wave, sources: Sequence[Source], prior: Sequence[float], spectrum: Spectrum, *, offsets_turns: Floats,
    channel: str, nothing: float,
) -> Peak:  # fmt: skip
    """Name one wave by Bayes' rule.

    Uneven targets meet a wave of order q out of step, so that its sum over them is |mean exp(2 pi i q offset)| of its
    size: 0.7 % is missing at order 13, 13 % at order 60 with 0.5 degrees.  That is put back.
    """
    per_turn = len(offsets_turns)
    likely = [(source, *_density(source, wave.order, spectrum, per_turn)) for source in sources]
    total_prior = sum(prior) or 1.0
    weights = [p / total_prior * density for p, (_, density, _) in zip(prior, likely, strict=True)]
    unknown = nothing / (per_turn / 2)
    total = sum(weights) + unknown
    best = max(range(len(sources)), key=lambda k: weights[k], default=None)
    normal = coverage_factor(math.inf)
    source, chance, order = None, unknown / total, wave.order
    if best is not None and weights[best] / total > NAMED:
        source, chance, order = likely[best][0], weights[best] / total, likely[best][2]
    also = [
        each.words for k, (each, _, _) in enumerate(likely) if weights[k] / total > MENTIONED and each is not source
    ]
    met = float(abs(np.exp(2j * np.pi * order * offsets_turns).mean()))
    factor = 100 * 2 * math.pi * order / max(met, LEAST_MET)
    return Peak(
        order=order,
        shows_at=wave.order,
        amplitude_percent=Estimate(value=wave.amplitude_turns * factor, u95=normal * wave.u_amplitude_turns * factor),
        source=source,
        chance=chance,
        also=tuple(also),
        seen_on=channel,
    )


def without_images(peaks: Sequence[Peak], *, offsets_turns: Floats, resolution: float) -> list[Peak]:
    """Drop the images that uneven targets make of a strong wave.

    offsets_turns : (per_turn,) how far each target is from its even place.

    Passes at uneven places sample a wave of order q and amplitude A with the pattern of their offsets: to first order
    waves of A 2 pi q |O_k| at q +- k appear, O_k being the k-th Fourier coefficient of the offsets.
    """
    m = len(offsets_turns)
    if m == 1:
        return list(peaks)
    pattern = np.abs(np.fft.fft(offsets_turns)) / m
    kept: list[Peak] = []
    for peak in sorted(peaks, key=lambda each: -_place(each).value):
        mine = _place(peak)
        images = (
            (folded(strong.order + k, per_turn=m), _place(strong).value * 2 * math.pi * strong.order * pattern[k % m])
            for strong in kept
            for k in range(1 - m, m)
            if k
        )
        if not any(
            abs(at - peak.shows_at) < resolution and mine.value < IMAGE_ROOM * size + mine.u95 for at, size in images
        ):
            kept.append(peak)
    return kept


def _place(peak: Peak) -> Estimate:
    """A peak's amplitude of place in turns."""
    return peak.amplitude_percent.times(1.0 / (100 * 2 * math.pi * peak.order))
