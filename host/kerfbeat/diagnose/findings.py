"""What do all analyses together say of one log, and why could some not be done?"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from kerfbeat.calibrate.budget import Budget, calibrated_speed
from kerfbeat.calibrate.travel import blade_travel
from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.compare import RunMeans, means_of, steady_speeds
from kerfbeat.diagnose.drift import Drift, drift_of
from kerfbeat.diagnose.orders import Orders, orders_of
from kerfbeat.diagnose.slip import Slip, slip_of
from kerfbeat.diagnose.tracks import tracks_with
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting
from kerfbeat.measure.speed import SpeedResult
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["Findings", "findings_of", "idle_speeds"]

Result = TypeVar("Result")


@dataclass(frozen=True, kw_only=True, slots=True)
class Findings:
    """Everything found in one log; None, or left out of `orders`, where `not_done` has the reason.

    known : calibration in use.   means : what comparing with other runs needs.
    idle_m_per_s : blade speed of every setting that idled steadily.
    not_done : one line for each analysis that could not be done, by "speed", "slip", "drift", "orders of CHANNEL".
    """

    log: PulseLog
    known: Known
    speed: SpeedResult | None
    budget: Budget | None
    means: RunMeans
    idle_m_per_s: Mapping[Setting, Estimate]
    slip: Slip | None
    drift: Drift | None
    orders: Mapping[str, Orders]
    not_done: Mapping[str, str]


def findings_of(log: PulseLog, known: Known) -> Findings:
    """Do every analysis that this log allows."""
    not_done: dict[str, str] = {}

    def tried(name: str, analysis: Callable[[], Result]) -> Result | None:
        try:
            return analysis()
        except MeasureError as problem:
            not_done[name] = str(problem).removeprefix(f"{log.source}: ")
            return None

    speed = tried("speed", lambda: calibrated_speed(log, known))
    tracks = tracks_with(log, known)
    slip = tried("slip", lambda: slip_of(log, known=known, tracks=tracks))
    drift = tried("drift", lambda: drift_of(log, known=known, tracks=tracks))
    orders = {}
    for channel in log.machine.sensors:
        found = tried(f"orders of {channel}", partial(orders_of, log, channel=channel, known=known, tracks=tracks))
        if found is not None:
            orders[channel] = found
    means = means_of(log, known=known, tracks=tracks)
    return Findings(
        log=log,
        known=known,
        speed=None if speed is None else speed[0],
        budget=None if speed is None else speed[1],
        means=means,
        idle_m_per_s=idle_speeds(log, known, means),
        slip=slip,
        drift=drift,
        orders=orders,
        not_done=not_done,
    )


def idle_speeds(log: PulseLog, known: Known, means: RunMeans) -> dict[Setting, Estimate]:
    """Blade speed of every setting that idled steadily, by the wheel or the blade."""
    found = {}
    for setting, (channel, shaft_hz) in steady_speeds(log, means).items():
        if channel == "wheel" or (channel == "blade" and log.machine.wheel.blade_length_m is not None):
            found[setting] = blade_travel(log.machine, known, channel=channel).speed(shaft_hz)
    return found
