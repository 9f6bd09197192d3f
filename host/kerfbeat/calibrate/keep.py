"""What of a calibration run goes into the store, and in which words?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from kerfbeat.calibrate.clock import ClockResult
from kerfbeat.calibrate.drive import DriveResult
from kerfbeat.calibrate.learn import TargetsResult
from kerfbeat.calibrate.wheel import WheelResult
from kerfbeat.calibration import QUANTITIES, Result, belongs_to, setting_name
from kerfbeat.machine import Machine
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["NO_IDENTITY", "clock_result", "drive_results", "has_identity", "targets_result", "wheel_result"]

NO_IDENTITY = (
    "the board has no identity of its own, so its clock is not kept, lest it be taken for another's; "
    "kerfbeat configure --port P --machine M gives it one"
)

K95 = 1.96  # the store keeps standard uncertainties of which 1.96 make the 95 % half-width, whatever the freedom was


def _result(
    machine: Machine,
    quantity: str,
    of: str,
    values: Sequence[Estimate],
    *,
    date: datetime,
    sources: Sequence[str],
    conditions: Mapping[str, str],
    without: Sequence[str] = (),
) -> Result:
    parts = {key: value for key, value in belongs_to(machine, quantity, of).items() if key not in without}
    return Result(
        quantity=quantity,
        of=of,
        value=tuple(each.value for each in values),
        u=tuple(each.u95 / K95 for each in values),
        unit=QUANTITIES[quantity],
        date=date,
        sources=tuple(dict.fromkeys(sources)),
        conditions=conditions,
        belongs_to=parts,
    )


def targets_result(found: TargetsResult, machine: Machine, *, date: datetime, sources: Sequence[str]) -> Result:
    """The spacing; only of as many targets as are described."""
    spacing = found.spacing
    values = [
        Estimate(value=360.0 * value, u95=360.0 * u95)
        for value, u95 in zip(spacing.spacing_turns.tolist(), spacing.u95_turns.tolist(), strict=True)
    ]
    conditions = {
        "turns": f"{spacing.turns:.0f}",
        "timing": f"{1e6 * spacing.timing_sd_s:.2g} us",
        "speed wander": f"{100.0 * spacing.wander:.2g} %",
        "wobble": "a wobble locked to the turns of this shaft looks like spacing"
        + (f", but for one that the channel {found.split_channel} shares" if found.split is not None else ""),
    }
    return _result(machine, "target spacing", found.channel, values, date=date, sources=sources, conditions=conditions)


def has_identity(board: str) -> bool:
    """Whether a board can be told from others: one that was never given an identity says zero."""
    return bool(board.strip("0"))


def clock_result(found: ClockResult, machine: Machine, board: str, *, date: datetime, sources: Sequence[str]) -> Result:
    """The clock's offset from its stated rate."""
    conditions = {
        "minutes": f"{found.minutes:.1f}",
        "against this computer's clock alone": f"+-{found.against_host.u95:.2g} ppm (95 %)",
        "kind": "ceramic resonator" if found.is_resonator else "crystal or a good resonator",
    }
    return _result(machine, "clock offset", board, [found.ppm], date=date, sources=sources, conditions=conditions)


def wheel_result(found: WheelResult, machine: Machine, *, date: datetime, sources: Sequence[str]) -> Result:
    """The wheel's effective diameter; it depends on the blade's length only if that was used."""
    used_length = "blade length" in found.contributions_m
    conditions = {
        "method": found.method,
        "blade slip": "contained: the blade's slip at that load cannot be told from diameter",
    }
    return _result(
        machine,
        "wheel diameter",
        "",
        [found.diameter_m],
        date=date,
        sources=sources,
        conditions=conditions,
        without=() if used_length else ("wheel.blade_length",),
    )


def drive_results(found: DriveResult, machine: Machine, *, date: datetime, sources: Sequence[str]) -> list[Result]:
    """Ratios of every setting, and the slip; nothing if the chain is not as described."""
    if not found.as_described:
        return []
    shown = sorted({point.setting.hz for point in found.points if point.setting.hz is not None})
    conditions = {
        "frequencies": ", ".join(f"{hz:g}" for hz in shown) + " Hz, no load",
        "display": f"steps of {found.resolution_hz:g} Hz",
        "slip law": "taken as exact" if found.exact_law else "with its own doubt",
    }
    kept = [
        _result(
            machine,
            "first ratio" if each.channel == "driven" else "total ratio",
            setting_name(each.setting),
            [each.ratio],
            date=date,
            sources=sources,
            conditions=conditions | {"creep": "contained, as it is at no load"},
        )
        for each in found.ratios
        if each.channel != "driven" or "motor" in machine.sensors
    ]
    kept.append(_result(machine, "motor slip", "", [found.slip_rpm], date=date, sources=sources, conditions=conditions))
    return kept
