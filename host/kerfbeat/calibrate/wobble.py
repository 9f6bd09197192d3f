"""Is it the spacing, or does the shaft really wobble once a turn?

One sensor cannot tell: a speed that changes with the shaft's own angle moves every pass of a target alike, just as a
target out of place does.  A second channel can, if its shaft turns along rigidly and gives several pulses between two
targets: then its turning takes the place of time.  Against it the wobble, which both shafts share, drops out; what is
left is the spacing (and any fault of the gears between that repeats each turn of this shaft).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfbeat.calibrate.passes import Block, Floats
from kerfbeat.calibrate.targets import Spacing, estimate_spacing
from kerfbeat.errors import CalibrateError

__all__ = ["Split", "split_wobble", "turns_at"]

LEAST_PULSES = 3.0  # of the other channel between two targets: fewer cannot follow a wobble between them
SIGNIFICANT = 0.001  # chance of calling a wobble that is not there


@dataclass(frozen=True, kw_only=True, slots=True)
class Split:
    """Spacing told from wobble.

    apparent : from time alone, spacing and wobble together.   spacing : against the other channel.
    wobble_turns, u_turns : (M,) how far wobble shifted each spacing.   chance : of such shifts without any wobble.
    """

    apparent: Spacing
    spacing: Spacing
    wobble_turns: Floats
    u_turns: Floats
    chance: float

    @property
    def wobbles(self) -> bool:
        """Whether the shaft surely wobbles with its own turning."""
        return self.chance < SIGNIFICANT


def turns_at(when_s: Floats, reference: Block, *, spacing_turns: Floats) -> Floats:
    """Turns of the reference shaft at (n,) times within its record; cubic between its passes.

    spacing_turns : (M,) spacing of its targets, whose number 0 is target 0.
    """
    from scipy.interpolate import CubicSpline

    m = len(spacing_turns)
    angles = np.concatenate(([0.0], np.cumsum(spacing_turns)[:-1]))
    place = reference.numbers // m + angles[reference.numbers % m]
    return np.asarray(CubicSpline(reference.seconds, place)(when_s), dtype=float)


def split_wobble(
    runs: Sequence[Block], references: Sequence[Block], *, targets: int, reference_spacing_turns: Floats
) -> Split:
    """Tell spacing from wobble with a second channel.

    runs, references : pairs of records of the same time, this shaft's and the other's.
    Raises CalibrateError if the other channel gives too few pulses between two targets, or the records do not overlap.
    """
    against: list[Block] = []
    in_time: list[Block] = []
    for run, reference in zip(runs, references, strict=True):
        inside = (run.seconds >= reference.seconds[0]) & (run.seconds <= reference.seconds[-1])
        if np.count_nonzero(inside) < 2:
            continue
        seconds, numbers = run.seconds[inside], run.numbers[inside]
        pulses = np.ptp(np.interp(seconds, reference.seconds, reference.numbers)) / np.ptp(numbers)
        if pulses < LEAST_PULSES:
            raise CalibrateError(
                f"the other channel gives {pulses:.1f} pulses from one target to the next; to tell wobble from spacing "
                f"at least {LEAST_PULSES:g} are needed. Use a faster shaft."
            )
        turns = turns_at(seconds, reference, spacing_turns=reference_spacing_turns)
        against.append(Block(seconds=turns, numbers=numbers))
        in_time.append(Block(seconds=seconds, numbers=numbers))
    spacing = estimate_spacing(against, targets=targets)
    apparent = estimate_spacing(in_time, targets=targets)
    return _split(apparent, spacing)


def _split(apparent: Spacing, spacing: Spacing) -> Split:
    from scipy.stats import f

    wobble = apparent.spacing_turns - spacing.spacing_turns
    covariance = apparent.covariance + spacing.covariance
    free = len(wobble) - 1  # spacings sum to 1
    chi2 = float(wobble[:free] @ np.linalg.solve(covariance[:free, :free], wobble[:free]))
    chance = float(f.sf(chi2 / free, free, min(apparent.dof, spacing.dof)))
    return Split(
        apparent=apparent, spacing=spacing, wobble_turns=wobble, u_turns=np.sqrt(np.diag(covariance)), chance=chance
    )
