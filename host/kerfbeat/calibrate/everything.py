"""What do some recordings say of the whole machine: targets, clock, wheel and drive?

Each part stands alone: what cannot be told is left out with its reason, and does not hinder the others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import TypeVar

from kerfbeat.calibrate.clock import ClockResult
from kerfbeat.calibrate.clocks import clocks_of
from kerfbeat.calibrate.diameter import Counted, Reference, find_diameter
from kerfbeat.calibrate.drive import DriveResult, calibrate_drive
from kerfbeat.calibrate.keep import (
    NO_IDENTITY,
    clock_result,
    drive_results,
    has_identity,
    targets_result,
    wheel_result,
)
from kerfbeat.calibrate.learn import TargetsResult, learn_targets
from kerfbeat.calibrate.points import steady_points_of
from kerfbeat.calibrate.targets import Spacing
from kerfbeat.calibrate.wheel import WheelResult
from kerfbeat.calibration import Result
from kerfbeat.capture.log import PulseLog
from kerfbeat.errors import KerfbeatError
from kerfbeat.machine import Machine
from kerfbeat.measure.clock import ClockRate

__all__ = ["Everything", "calibrate_everything"]

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, slots=True)
class Everything:
    """All that was found; None or absent where nothing was, with the reason in `reasons` by what it is of."""

    machine: Machine
    targets: Mapping[str, TargetsResult]
    clocks: Sequence[tuple[str, ClockResult]]
    wheel: WheelResult | None
    drive: DriveResult | None
    reasons: Mapping[str, str]
    warnings: tuple[str, ...]

    def results(self, *, date: datetime, sources: Sequence[str]) -> list[Result]:
        """What is worth keeping."""
        kept = [
            targets_result(found, self.machine, date=date, sources=sources)
            for found in self.targets.values()
            if found.worth_keeping
        ]
        kept += [
            clock_result(found, self.machine, board, date=date, sources=sources)
            for board, found in self.clocks
            if has_identity(board)
        ]
        if self.wheel is not None and self.wheel.plausible:
            kept.append(wheel_result(self.wheel, self.machine, date=date, sources=sources))
        if self.drive is not None:
            kept += drive_results(self.drive, self.machine, date=date, sources=sources)
        return kept


def calibrate_everything(
    logs: Sequence[PulseLog],
    machine: Machine,
    *,
    stored: Mapping[str, Spacing] | None = None,
    counted: Counted | None = None,
    reference: Reference | None = None,
    clocks: Mapping[str, ClockRate] | None = None,
) -> Everything:
    """Calibrate all that these recordings allow.

    stored : patterns in store, by channel.
    counted, reference : how else the blade's speed is known; see `find_diameter`.
    """
    reasons: dict[str, str] = {}
    warnings: list[str] = []

    def attempt(what: str, find: Callable[[], Found]) -> Found | None:
        try:
            return find()
        except KerfbeatError as problem:
            reasons[what] = str(problem)
            return None

    def learn(channel: str) -> TargetsResult:
        return learn_targets(logs, channel, stored=(stored or {}).get(channel), clocks=clocks)

    targets = {}
    for channel, sensor in machine.sensors.items():
        if sensor.targets > 1:
            found = attempt(f"targets of {channel}", partial(learn, channel))
            if found is not None:
                targets[channel] = found
                warnings += found.warnings
    measured = attempt("clock", lambda: clocks_of(logs)) or []
    warnings += [NO_IDENTITY for board, _ in measured if not has_identity(board)]
    wheel = attempt(
        "wheel",
        lambda: find_diameter(
            logs, blade_length_m=None, counted=counted, reference=reference, clocks=clocks
        )[0],
    )
    if wheel is not None and wheel.remark != "agrees with the description":
        warnings.append(f"wheel: {wheel.remark}")
    points, left_out = steady_points_of(logs, clocks=clocks)
    drive = attempt("drive", lambda: calibrate_drive(points, machine, reasons=left_out))
    if drive is not None:
        warnings += [*left_out, *drive.warnings]
    return Everything(
        machine=machine,
        targets=targets,
        clocks=measured,
        wheel=wheel,
        drive=drive,
        reasons=reasons,
        warnings=tuple(warnings),
    )
