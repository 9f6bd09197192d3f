"""What can be set on the simulated machine, in which unit, and what stands where nothing is said?

Every field of `Parameters` can be given as `--set NAME=VALUE` or in a `sim://` address as `NAME=VALUE`.  A plain number
is in the unit that the table of `describe` shows (SI, or Hz, degrees and ppm where the name says so); times, speeds and
the like may carry a unit ("15 us"), fractions may be written in per cent ("0.2 %").
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from kerfbeat.errors import SimulateError, UnitError
from kerfbeat.units import parse_quantity

__all__ = ["Parameters", "describe", "with_settings"]

Default = float | int | str | None


def _p(default: Default, kind: str, help_text: str, *, least: float = 0.0, most: float = math.inf) -> Any:
    """Declare one parameter: its default, its kind (unit), what it means, and the range it must lie in."""
    return field(default=default, metadata={"kind": kind, "help": help_text, "least": least, "most": most})


@dataclass(frozen=True, kw_only=True, slots=True)
class Parameters:
    """Everything that can be set; None means that the machine file, the scenario or the seed decides."""

    # the operator
    duration_s: float | None = _p(None, "duration", "length of the run; default: the scenario's", least=0.1, most=1e7)
    hz: float | None = _p(None, "frequency", "inverter frequency; default: the nameplate's", least=0.1, most=1000.0)
    belt: str | None = _p(None, "text", "belt position; default: the first")
    gear: str | None = _p(None, "text", "gear; default: the first")
    cut_load: float = _p(0.5, "fraction", "cutting load, of the motor's full-load torque", most=10.0)
    chatter: float = _p(0.1, "fraction", "rms of the cutting load's fluctuation, of the load", most=1.0)
    chatter_s: float = _p(0.2, "duration", "correlation time of that fluctuation", least=1e-3, most=1e3)
    points: int = _p(6, "count", "steps of a frequency sweep", least=2, most=1000)
    dwell_s: float = _p(20.0, "duration", "time on each step of a sweep", least=1.0, most=1e5)
    sweep_from_hz: float | None = _p(None, "frequency", "lowest frequency of a sweep", least=0.1, most=1000.0)
    sweep_to_hz: float | None = _p(None, "frequency", "highest frequency of a sweep", least=0.1, most=1000.0)
    all_gears: int = _p(0, "count", "1: a sweep goes through every gear, stopping between them", most=1)
    mark_delay_s: float = _p(0.0, "duration", "operator marks come up to this late", most=60.0)
    # motor and inverter
    ramp_hz_per_s: float = _p(20.0, "number", "inverter ramp in Hz per second", least=0.01, most=1e4)
    coast: int = _p(0, "count", "1: the stop button lets the machine run down freely; 0: down the ramp", most=1)
    hz_error: float | None = _p(
        None,
        "frequency",
        "true less shown frequency; default: by seed within half a display step",
        least=-5.0,
        most=5.0,
    )
    slip_compensation: float = _p(0.0, "fraction", "part of the motor slip that the inverter makes good", most=1.5)
    torque_limit: float = _p(1.6, "number", "inverter's torque limit, times full load; 0: none", most=20.0)
    flux_droop: float = _p(0.0, "fraction", "flux missing towards 0 Hz (a poor low-frequency voltage)", most=0.9)
    inertia: float = _p(1.0, "number", "scales every inertia", least=0.01, most=1000.0)
    idle_drag: float = _p(0.05, "fraction", "drag of the idling machine, of full-load torque", most=1.0)
    wander: float = _p(0.0, "fraction", "rms wander of the supply, hence of every speed", most=0.2)
    wander_s: float = _p(1.0, "duration", "correlation time of the wander", least=1e-2, most=1e5)
    # belts and blade
    creep: float = _p(0.008, "fraction", "elastic creep of every belt at full load", least=1e-5, most=0.1)
    grip: float = _p(1.5, "number", "pull at which a healthy belt slips, times full load", least=0.01, most=100.0)
    grip_rise: float = _p(4.0, "number", "how a slipping belt's pull rises, per unit of slip", least=0.01, most=100.0)
    belt_slip: float = _p(0.0, "fraction", "slip of the first belt at any load", most=0.9)
    pitch_error: float = _p(0.0, "fraction", "true less described first driver sheave", least=-0.5, most=0.5)
    wheel_error: float = _p(0.0, "fraction", "true less described wheel diameter", least=-0.5, most=0.5)
    blade_error: float = _p(0.0, "fraction", "true less described blade length", least=-0.5, most=0.5)
    blade_grip: float = _p(2.5, "number", "pull at which the blade slips, times full load", least=0.01, most=100.0)
    blade_slip: float = _p(0.0, "fraction", "slip of the blade on its wheel at any load", most=0.9)
    # warm-up: x(t) = hot + (cold - hot) exp(-t / warm_s)
    warm_s: float = _p(600.0, "duration", "time constant of the warm-up", least=1.0, most=1e6)
    warm_pitch: float = _p(0.0, "fraction", "first driver's pitch, cold less hot", least=-0.2, most=0.2)
    warm_motor: float = _p(0.0, "fraction", "rotor resistance (hence slip), cold less hot", least=-0.9, most=0.9)
    warm_drag: float = _p(0.0, "fraction", "extra drag when cold, of full-load torque", most=1.0)
    # once-a-turn faults, as relative speed
    belt_lump: float = _p(0.0, "fraction", "speed ripple of a lumpy belt, once a pass; half of it twice", most=0.3)
    lumpy_belt: int = _p(1, "count", "which belt stage is lumpy", least=1, most=20)
    driver_runout: float = _p(0.0, "fraction", "e/r of the first belt's driver sheave", most=0.3)
    driven_runout: float = _p(0.0, "fraction", "e/r of the first belt's driven sheave", most=0.3)
    wheel_wobble: float = _p(0.0, "fraction", "speed ripple once a turn of the wheel", most=0.3)
    blade_joint: float = _p(0.0, "fraction", "depth of the speed dip as a bad joint passes", most=0.3)
    # what goes wrong
    slip: float | None = _p(None, "fraction", "slip scenarios: impose exactly this slip instead of oil", most=0.9)
    oil: float = _p(0.8, "fraction", "slip scenarios: grip left by the oil, of the cut's pull", least=0.01, most=2.0)
    # sensors
    target_error_deg: float = _p(0.5, "number", "standard deviation of target placement, degrees", most=30.0)
    wheel_angles_deg: str | None = _p(None, "text", "true wheel target angles instead, such as 0;88.5;181;270")
    motor_angles_deg: str | None = _p(None, "text", "the same for the motor")
    driven_angles_deg: str | None = _p(None, "text", "the same for the driven shaft")
    blade_angles_deg: str | None = _p(None, "text", "the same for the blade, 360 being one pass")
    ring_runout: float = _p(0.0, "fraction", "e/R of an eccentric target ring on the wheel", most=0.3)
    jitter_s: float = _p(5e-6, "duration", "white timing noise of a sensor", most=0.1)
    sensor_delay_s: float = _p(20e-6, "duration", "delay of a sensor", most=0.1)
    missing: float = _p(0.0, "fraction", "chance that a target is not seen", most=1.0)
    extra_hz: float = _p(0.0, "frequency", "stray pulses per second on each channel", most=1e4)
    bounce: float = _p(0.0, "fraction", "chance that a pulse is followed by a second edge", most=1.0)
    bounce_s: float = _p(100e-6, "duration", "longest time to that second edge", least=12e-6, most=0.01)
    burst_hz: float = _p(500.0, "frequency", "edges per second inside a noise burst", least=1.0, most=1e5)
    burst_s: float = _p(0.02, "duration", "length of a noise burst", least=1e-4, most=10.0)
    burst_every_s: float = _p(0.0, "duration", "mean time between noise bursts; 0: none", most=1e6)
    fall_at_s: float = _p(0.0, "duration", "a wheel target falls off at this time; 0: none does", most=1e7)
    fallen: int = _p(1, "count", "which wheel target falls off", least=1, most=1000)
    # board and line
    clock_ppm: float | None = _p(None, "ppm", "board clock fast by this; default: by seed", least=-1e5, most=1e5)
    clock_warm_ppm: float = _p(20.0, "ppm", "change of the board clock as it warms", least=-1e4, most=1e4)
    clock_warm_s: float = _p(300.0, "duration", "time constant of that change", least=1.0, most=1e6)
    clock_wander_ppm: float = _p(1.0, "ppm", "rms wander of the board clock over minutes", most=1e4)
    host_ppm: float | None = _p(None, "ppm", "host clock fast by this; default: by seed", least=-1000.0, most=1000.0)
    ping_s: float = _p(1.0, "duration", "time between clock comparisons; 0: none", most=1e4)
    loss_at_s: float = _p(0.0, "duration", "the link drops everything from this time on ...", most=1e7)
    loss_s: float = _p(0.0, "duration", "... for so long; 0: nothing is lost", most=1e6)
    reset_at_s: float = _p(0.0, "duration", "the board restarts at this time; 0: it does not", most=1e7)

    def __post_init__(self) -> None:
        for item in dataclasses.fields(self):
            value = getattr(self, item.name)
            if isinstance(value, int | float):
                _require_in_range(item, value)


def _require_in_range(item: dataclasses.Field[Any], value: float) -> None:
    least, most = item.metadata["least"], item.metadata["most"]
    if not (math.isfinite(value) and least <= value <= most):
        allowed = f"{least:g} to {most:g}" if math.isfinite(most) else f"{least:g} or more"
        raise SimulateError(f"{item.name}: {value:g} cannot be; write {allowed}")


def _read(item: dataclasses.Field[Any], text: str) -> Default:
    """Turn one typed value into what its field holds."""
    kind = item.metadata["kind"]
    text = text.strip()
    if kind == "text":
        return text
    if text.lower() == "default":
        return cast("Default", item.default)
    try:
        if kind == "count":
            return int(text)
        if kind == "fraction" and text.endswith("%"):
            return float(text[:-1]) / 100
        if kind == "ppm":
            text = text.removesuffix("ppm")
        return float(text)
    except ValueError:
        pass
    if kind in {"duration", "frequency"}:
        try:
            return parse_quantity(text, kind)
        except UnitError as error:
            raise SimulateError(f"{item.name}: {error}") from error
    wanted = {"count": "a whole number", "fraction": 'a fraction such as 0.002 or "0.2 %"'}.get(kind, "a number")
    raise SimulateError(f'{item.name}: "{text}" is not {wanted}')


def _short_names(known: Iterable[str]) -> dict[str, str]:
    """Names without their unit, where that leaves no doubt."""
    short: dict[str, str] = {}
    doubtful = set(known)
    for name in known:
        stem = re.sub(r"_(s|hz|ppm|deg|hz_per_s)$", "", name)
        if stem in short:
            doubtful.add(stem)
        short[stem] = name
    return {stem: name for stem, name in short.items() if stem not in doubtful}


def with_settings(base: Parameters, settings: Mapping[str, str | float]) -> Parameters:
    """Put settings in place of a base's values.

    settings : name -> text as typed, or a number in the parameter's own unit; dashes in a name count as underscores,
        and the unit of a name may be left out ("jitter" for "jitter_s").
    Raises SimulateError for an unknown name (the nearest known one is told), an unreadable or impossible value.
    """
    known = {item.name: item for item in dataclasses.fields(base)}
    short = _short_names(known)
    values: dict[str, Any] = {}
    for typed, text in settings.items():
        name = typed.strip().replace("-", "_")
        name = name if name in known else short.get(name, name)
        if name not in known:
            near = difflib.get_close_matches(name, [*known, *short], n=1)
            guess = f'did you mean "{near[0]}"?' if near else "kerfbeat simulate --list shows them all"
            raise SimulateError(f'nothing called "{typed}" can be set; {guess}')
        values[name] = _read(known[name], text) if isinstance(text, str) else text
    return dataclasses.replace(base, **values)


def describe() -> list[tuple[str, str, str]]:
    """List every parameter as (name, default as text, meaning)."""
    rows = []
    for item in dataclasses.fields(Parameters):
        default = cast("Default", item.default)
        shown = "" if default is None else default if isinstance(default, str) else f"{default:g}"
        rows.append((item.name, shown, str(item.metadata["help"])))
    return rows
