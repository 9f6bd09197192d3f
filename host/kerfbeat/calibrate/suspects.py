"""If the chain's ratio is not as described, what single mistake would explain it, and how likely is it?

Every suspect predicts the scale of each channel in each belt position and gear; what was measured is compared with all
of them by Bayes' rule.  How well a right description predicts (pitch diameters as measured, idle creep, rounded gear
ratios) is part of the comparison, so that an honest half per cent is no mistake.  Suspects whose scales are alike are a
tie; then it is said what would break it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibration import setting_name
from kerfbeat.drive.chain import sheave_half_width
from kerfbeat.machine import (
    BeltStage,
    Machine,
    Setting,
    belt_choices,
    gear_choices,
    stage_diameters_m,
    stage_ratios,
)
from kerfbeat.machine.stages import DATUM_BELOW_OUTSIDE_M
from kerfbeat.units import M_PER_IN

__all__ = ["NAMED_ODDS", "Explanation", "explain", "tolerance"]

Floats = NDArray[np.float64]

NAMED_ODDS = 20.0  # an explanation is named when it is so many times likelier than any other
# Prior chances, by judgement: a description is right nine times in ten; of the rest each kind of mistake has a share,
# and one in five hundred is something not thought of.
AS_DESCRIBED, SOMETHING_ELSE = 0.9, 0.002
SHARES: Mapping[str, float] = {"gear": 0.25, "belt": 0.2, "diameters": 0.25, "targets": 0.2, "poles": 0.1}
ELSE_SPREAD = 0.7  # sd of ln(scale) when nothing thought of explains it
# Creep of a healthy belt at no load, from 0 to this part of speed, rectangular; and how far a gearbox's ratio may be
# rounded.  Common practice, no published source.
IDLE_CREEP = 0.005
GEAR_HALF_WIDTH = 0.001
# Least datum diameters of the classical sections, Machinery's Handbook, 31st ed., table 9 (ANSI/RMA IP-20-1988);
# smaller sheaves are made, but not by much.
LEAST_DATUM_M: Mapping[str, float] = {
    "A": 3.0 * M_PER_IN,
    "B": 5.4 * M_PER_IN,
    "C": 9.0 * M_PER_IN,
    "D": 13.0 * M_PER_IN,
}
SMALLER_STILL = 0.8

BREAKS: Mapping[str, str] = {
    "gear": "look at the shift lever, or run another gear in the same sweep",
    "belt": "look which grooves the belt runs in",
    "diameters": "measure the pulleys over their rims and describe them as outside = ... with the belt's section",
    "targets": "count the targets that pass in one turn by hand",
    "poles": "read the pole count or full-load speed from the motor's nameplate, or put a sensor on the motor",
    "something else": "count turns of each shaft by hand and compare with the description, stage by stage",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Explanation:
    """One way to explain what was measured.

    kind : "as described", "gear", "belt", "diameters", "targets", "poles" or "something else".
    said : in words.   probability : among all that were tried.   breaks : what would tell it from the others.
    log_scale : what it predicts for every scale.
    """

    kind: str
    said: str
    probability: float
    breaks: str
    log_scale: Floats = field(repr=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Suspect:
    kind: str
    said: str
    prior: float
    mean: Floats
    loadings: Mapping[tuple[object, ...], Floats]  # each by its cause, in standard deviations


class _Chain:
    """Predicts ln(scale) of every channel and group under changes of the description."""

    def __init__(self, machine: Machine, settings: Sequence[Setting], scales: Sequence[tuple[str, int]]) -> None:
        assert machine.motor is not None
        self.machine, self.settings, self.scales = machine, tuple(settings), tuple(scales)
        self.poles = machine.motor.poles

    def suspect(
        self,
        kind: str,
        said: str,
        *,
        prior: float = 1.0,
        poles: int | None = None,
        targets: tuple[str, int] | None = None,
        settings: Mapping[int, Setting] | None = None,
        datum: tuple[int, str] | None = None,
    ) -> _Suspect:
        """The prediction with other poles, (channel, targets), settings by group, or a stage's (index, section)."""
        mean = np.zeros(len(self.scales))
        loadings: dict[tuple[object, ...], Floats] = {}
        for row, (channel, group) in enumerate(self.scales):
            setting = (settings or {}).get(group, self.settings[group])
            for index in range(self._stages(channel)):
                shift, causes = self._stage(index, setting, datum)
                mean[row] -= shift
                for cause, u in causes.items():
                    loadings.setdefault(cause, np.zeros(len(self.scales)))[row] += u
            if poles is not None:
                mean[row] += math.log(self.poles / poles)
            if targets is not None and targets[0] == channel:
                mean[row] += math.log(targets[1] / self.machine.sensors[channel].targets)
        return _Suspect(kind=kind, said=said, prior=prior, mean=mean, loadings=loadings)

    def _stages(self, channel: str) -> int:
        if channel == "motor":
            return 0
        index = self.machine.driven_stage_index()
        return len(self.machine.stages) if channel != "driven" or index is None else index + 1

    def _stage(
        self, index: int, setting: Setting, datum: tuple[int, str] | None
    ) -> tuple[float, dict[tuple[object, ...], float]]:
        """ln(turns in per turn out) of a stage, and its standard uncertainties by cause."""
        stage = self.machine.stages[index]
        pair = stage_diameters_m(self.machine, setting)[index]
        if pair is None:
            ratio = stage_ratios(self.machine, setting)[index]
            return math.log(ratio), {("gear", index, ratio): -GEAR_HALF_WIDTH / math.sqrt(3.0)}
        assert isinstance(stage, BeltStage)
        driver_m, driven_m = pair
        if datum is not None and datum[0] == index:
            more_m = DATUM_BELOW_OUTSIDE_M[datum[1]]
            driver_m, driven_m = driver_m + more_m, driven_m + more_m
        position = stage.positions[0]
        return (
            math.log(driven_m / driver_m) + IDLE_CREEP / 2.0,
            {
                ("driver", index, pair[0]): sheave_half_width(position.driver) / math.sqrt(3.0),
                ("driven", index, pair[1]): -sheave_half_width(position.driven) / math.sqrt(3.0),
                ("creep", index): -IDLE_CREEP / math.sqrt(12.0),
            },
        )


def _other_settings(chain: _Chain) -> Iterator[_Suspect]:
    """One group in another gear or belt position than its mark says, or two gears with each other's names."""
    machine, settings = chain.machine, chain.settings
    for kind, choices in (("gear", gear_choices(machine)), ("belt", belt_choices(machine))):
        if any(isinstance(stage, BeltStage) and stage.varies for stage in machine.stages) and kind == "belt":
            continue  # its place is a number, and its doubt is in the tolerance
        for group, setting in enumerate(settings):
            now = setting.gear if kind == "gear" else setting.belt
            for other in choices:
                if other == now:
                    continue
                there = (
                    Setting(belt=setting.belt, gear=other) if kind == "gear" else Setting(belt=other, gear=setting.gear)
                )
                said = f"marked {setting_name(setting)}, but it ran in {kind} {other}"
                yield chain.suspect(kind, said, settings={group: there})
        if len(settings) == 2 and len(choices) >= 2:
            swapped = {0: settings[1], 1: settings[0]}
            same_otherwise = (
                settings[0].belt == settings[1].belt if kind == "gear" else settings[0].gear == settings[1].gear
            )
            if same_otherwise:
                yield chain.suspect(kind, f"the two {kind}s have each other's name", settings=swapped)


def _other_counts(chain: _Chain) -> Iterator[_Suspect]:
    for channel, sensor in chain.machine.sensors.items():
        if channel not in {scale[0] for scale in chain.scales}:
            continue
        described = sensor.targets
        for count in sorted(
            {described - 2, described - 1, described + 1, described + 2, 2 * described, described // 2}
        ):
            if count >= 1 and count != described:
                said = f"{count} targets pass the {channel} sensor in a turn, not {described}"
                yield chain.suspect("targets", said, targets=(channel, count))
    for poles in (2, 4, 6, 8):
        if poles != chain.poles:
            yield chain.suspect("poles", f"the motor has {poles} poles, not {chain.poles}", poles=poles)


def _other_diameters(chain: _Chain) -> Iterator[_Suspect]:
    """Datum diameters typed as pitch diameters, for every classical section that such small sheaves are made in."""
    for index, stage in enumerate(chain.machine.stages):
        if not isinstance(stage, BeltStage):
            continue
        sheaves = [sheave for position in stage.positions for sheave in (position.driver, position.driven)]
        if any(sheave.taken != "pitch" for sheave in sheaves):
            continue
        smallest_m = min(sheave.minimum_m for sheave in sheaves)
        for section, least_m in LEAST_DATUM_M.items():
            if smallest_m >= SMALLER_STILL * least_m:
                name = stage.name or f"stage {index + 1}"
                said = f"diameters of {name} are datum, not pitch diameters (section {section})"
                yield chain.suspect("diameters", said, datum=(index, section))


def _suspects(chain: _Chain) -> list[_Suspect]:
    found = [chain.suspect("as described", "as described", prior=AS_DESCRIBED)]
    others = [*_other_settings(chain), *_other_counts(chain), *_other_diameters(chain)]
    kinds = {suspect.kind for suspect in others}
    shared = (1.0 - AS_DESCRIBED - SOMETHING_ELSE) / sum(SHARES[kind] for kind in kinds)
    for suspect in others:
        many = sum(each.kind == suspect.kind for each in others)
        found.append(
            _Suspect(
                kind=suspect.kind,
                said=suspect.said,
                prior=shared * SHARES[suspect.kind] / many,
                mean=suspect.mean,
                loadings=suspect.loadings,
            )
        )
    return found


def _log_density(miss: Floats, covariance: Floats) -> float:
    # A hair of variance more: scales that one cause fixes exactly would make the matrix singular.
    safe = covariance + np.diag(np.full(len(miss), 1e-12))
    return -0.5 * float(miss @ np.linalg.solve(safe, miss) + np.linalg.slogdet(safe)[1])


def _spread(suspect: _Suspect) -> Floats:
    return sum((np.outer(each, each) for each in suspect.loadings.values()), np.zeros((len(suspect.mean),) * 2))


def explain(
    log_scale: Floats,
    covariance: Floats,
    *,
    machine: Machine,
    settings: Sequence[Setting],
    scales: Sequence[tuple[str, int]],
) -> list[Explanation]:
    """Every explanation with its probability, likeliest first.

    log_scale (s,), covariance (s, s) : measured, of the channels and groups in `scales`.
    settings : belt position and gear of every group.
    """
    chain = _Chain(machine, settings, scales)
    suspects = _suspects(chain)
    scores = [
        math.log(suspect.prior) + _log_density(log_scale - suspect.mean, covariance + _spread(suspect))
        for suspect in suspects
    ]
    wide = covariance + ELSE_SPREAD**2 * np.eye(len(log_scale))
    scores.append(math.log(SOMETHING_ELSE) + _log_density(log_scale - suspects[0].mean, wide))
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    said = [(suspect.kind, suspect.said, suspect.mean) for suspect in suspects]
    said.append(("something else", "something that was not thought of", suspects[0].mean))
    found = [
        Explanation(kind=kind, said=words, probability=float(each), breaks=BREAKS.get(kind, ""), log_scale=mean)
        for (kind, words, mean), each in zip(said, weight, strict=True)
    ]
    return sorted(found, key=lambda each: -each.probability)


def tolerance(machine: Machine, setting: Setting, *, channel: str = "wheel") -> float:
    """Standard uncertainty of ln(ratio) to a channel of a right description: diameters, idle creep, rounded gears."""
    chain = _Chain(machine, [setting], [(channel, 0)])
    return math.sqrt(float(_spread(chain.suspect("as described", ""))[0, 0]))
