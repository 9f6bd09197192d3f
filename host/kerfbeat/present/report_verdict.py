"""What does a report say in plain words, and on what evidence?"""

from collections.abc import Iterator, Mapping

from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.findings import Findings
from kerfbeat.diagnose.order_names import Peak
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.drift_report import SHAPES
from kerfbeat.present.happenings import happenings_of
from kerfbeat.present.numbers import SPEED_UNITS, both_speeds, plus_minus, short_number
from kerfbeat.present.orders_report import source_words
from kerfbeat.present.outlook import prospect_of
from kerfbeat.present.report_content import Block, Points, Section, Words

__all__ = ["band_words", "idle_against_band", "misfit_lines", "notes_of", "speed_words", "verdict_section"]

NOT_AS_DESCRIBED = (
    "The speed lies outside the band that the description predicts. Either something slips all the time, or what runs "
    "is not what is described: check pulleys, gear, the motor's poles, the wheel, the targets' number and the marked "
    "hertz."
)


def verdict_section(found: Findings, *, unit: str, title: str = "Verdict") -> Section:
    """The verdict of one log with what speaks for it."""
    blocks: list[Block] = [Words(text=_sentence(line), weight="verdict") for line in _gone(found)]
    evidence: list[str] = []
    open_ends: tuple[str, ...] = ()
    if found.slip is None:
        blocks.append(Words(text=f"No verdict on slip: {found.not_done['slip']}.", weight="verdict"))
    else:
        verdict = found.slip.verdict
        blocks.append(Words(text=verdict.words, weight="verdict"))
        evidence, open_ends = [_sentence(line) for line in verdict.evidence], verdict.would_decide
    blocks += [Words(text=line, weight="verdict") for line in _bad_signals(found)]
    against = [idle_against_band(found, setting, unit=unit) for setting in found.idle_m_per_s]
    if any(place in ("below", "above") for place, _ in against):
        blocks.append(Words(text=NOT_AS_DESCRIBED, weight="verdict"))
    evidence += [words for _, words in against]
    evidence += _drift(found)
    evidence += _orders(found)
    if evidence:
        blocks.append(Points(lead="Evidence", lines=tuple(evidence)))
    notes = [line for line in notes_of(found) if line not in _gone(found)]
    if notes:
        blocks.append(Points(lead="To look at besides", lines=tuple(map(_sentence, notes))))
    if open_ends:
        blocks.append(Points(lead="What would decide what stays open", lines=tuple(map(_sentence, open_ends))))
    return Section(title=title, blocks=tuple(blocks))


def _gone(found: Findings) -> Iterator[str]:
    """Targets that may be lying in the shop come before all else."""
    for channel in () if found.speed is None else found.speed.channels.values():
        yield from channel.gone


def _bad_signals(found: Findings) -> Iterator[str]:
    """Sensors that count so badly that the rest is hardly worth reading."""
    for name, channel in () if found.speed is None else found.speed.channels.items():
        if channel.noisy:
            yield (
                f"The {name} sensor counts badly: {channel.stray} of {channel.pulses} pulses belong to no turning "
                "shaft. Mend it and record again before you rely on what it tells."
            )


def _sentence(line: str) -> str:
    """A line of evidence as a sentence."""
    return f"{line[:1].upper()}{line[1:]}".rstrip(".") + "."


def band_words(found: Findings, setting: Setting, *, unit: str) -> str:
    """The predicted band of a setting; "" where nothing is predicted."""
    band = _band(found.log, found.known, setting)
    if band is None:
        return ""
    low, high = (short_number(SPEED_UNITS[unit](each)) for each in band)
    return f"{low} to {high} {unit}"


def _band(log: PulseLog, known: Known, setting: Setting) -> tuple[float, float] | None:
    prospect = prospect_of(log.machine, setting, known)
    if prospect.low_m_per_s is None or prospect.high_m_per_s is None:
        return None
    return prospect.low_m_per_s, prospect.high_m_per_s


def idle_against_band(found: Findings, setting: Setting, *, unit: str) -> tuple[str, str]:
    """Where the idle speed of a setting lies, and that in a sentence.

    The place is "within", "at the edge of", "below", "above" or "unknown".
    """
    return _against_band(found.log, found.known, setting, found.idle_m_per_s[setting], unit=unit)


def misfit_lines(log: PulseLog, known: Known, idle_m_per_s: Mapping[Setting, Estimate], *, unit: str) -> list[str]:
    """What to tell of marked settings at which the blade idles at another speed than they can give."""
    told = [_against_band(log, known, setting, idle, unit=unit) for setting, idle in idle_m_per_s.items()]
    return [
        f"{words} Are gear, belt and hertz marked as they were?" for place, words in told if place in ("below", "above")
    ]


def _against_band(log: PulseLog, known: Known, setting: Setting, idle: Estimate, *, unit: str) -> tuple[str, str]:
    band = _band(log, known, setting)
    said = f"At {setting_words(setting)} it idles at {both_speeds(idle, unit)}"
    if band is None:
        return "unknown", f"{said}; nothing is predicted for it."
    place = _place(idle, band)
    low, high = (short_number(SPEED_UNITS[unit](each)) for each in band)
    where = f"the band of {low} to {high} {unit} where a healthy machine is found"
    return place, f"{said}, {place} {where}."


def _place(idle: Estimate, band: tuple[float, float]) -> str:
    """Where an interval lies against a band; one that only reaches into it is at its edge."""
    if idle.value + idle.u95 < band[0]:
        return "below"
    if idle.value - idle.u95 > band[1]:
        return "above"
    return "within" if band[0] <= idle.value <= band[1] else "at the edge of"


def _drift(found: Findings) -> Iterator[str]:
    if found.drift is not None:
        drift = found.drift
        what, _, meaning = SHAPES[drift.shape].partition(": ")
        change = "" if drift.shape == "steady" else f" by {plus_minus(drift.total_percent, '%')}"
        yield f"Slow change of the {drift.channel}'s speed: {what}{change} ({meaning})."


def _orders(found: Findings) -> Iterator[str]:
    """The largest wave that has a name."""
    peaks: list[tuple[str, Peak]] = [
        (channel, peak)
        for channel, each in found.orders.items()
        for peak in each.peaks
        if peak.source is not None and peak.amplitude_percent.value > peak.amplitude_percent.u95
    ]
    if peaks:
        channel, peak = max(peaks, key=lambda pair: pair[1].amplitude_percent.value)
        yield (
            f"What shakes the speed most in step with the turning: {source_words(peak)}, by ± "
            f"{plus_minus(peak.amplitude_percent, '%')} (seen on the {channel})."
        )


def notes_of(found: Findings) -> tuple[str, ...]:
    """What the analyses warn of, and the prediction at the settings that were run; each once."""
    analyses = (found.speed, found.slip, found.drift, *found.orders.values())
    said = [line for analysis in analyses if analysis is not None for line in analysis.warnings]
    for _, _, setting in happenings_of(found.log).settings:
        prospect = prospect_of(found.log.machine, setting, found.known)
        if prospect.low_m_per_s is not None and prospect.words:
            said.append(prospect.words)
    return tuple(dict.fromkeys(said))


def speed_words(found: Findings, *, unit: str) -> str:
    """The average blade speed, or why there is none."""
    if found.speed is None:
        return f"none: {found.not_done['speed']}"
    if found.speed.blade_m_per_s is None:
        return "none: neither wheel nor blade turned long enough"
    return f"{both_speeds(found.speed.blade_m_per_s, unit)}, on average, starts and stops included"
