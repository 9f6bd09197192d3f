"""How is a board's bring-up told: what was seen, and what to mend?"""

import math
from collections.abc import Mapping
from typing import Any

from kerfbeat.capture.bringup import BringUp, InputCheck
from kerfbeat.machine import Sensor
from kerfbeat.measure.clock import rate_of
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.numbers import at_least, plus_minus

__all__ = ["INPUT_HEADINGS", "bring_up_document", "bring_up_lines", "clock_off_ppm", "input_rows"]

INPUT_HEADINGS = ("channel", "input", "pulses", "a second", "shortest", "usual", "longest", "extra", "lost")


def clock_off_ppm(seen: BringUp) -> Estimate | None:
    """How far the board's clock is off what it says, in ppm of the host's; None if too few exchanges were made."""
    rate = rate_of(seen.syncs, tick_hz=seen.tick_hz)
    if not rate.basis.startswith("measured"):
        return None
    return Estimate(value=rate.ppm, u95=coverage_factor(math.inf) * rate.u_ppm)


def bring_up_lines(seen: BringUp) -> list[str]:
    """Board, link and clock, one line each."""
    baud = f" at {seen.baud} baud" if seen.baud is not None else ""
    off_ppm = clock_off_ppm(seen)
    clock = "not measured: too few answers" if off_ppm is None else f"{plus_minus(off_ppm)} ppm off this computer's"
    trip = "" if seen.round_trip_s is None else f", shortest round trip {1e3 * seen.round_trip_s:.2f} ms"
    line = seen.line
    damaged = line.bad_crc + line.malformed + line.implausible
    supply = "" if seen.supply_v is None else f", supply {seen.supply_v:.2f} V"
    settings = "" if seen.stored_settings is None else f", stored settings: {seen.stored_settings}"
    return [
        f"board {seen.board_id}, firmware {seen.firmware}, {seen.tick_hz / 1e6:g} MHz, started by: {seen.reset_cause}",
        f"link  {seen.url}{baud}: {line.frames} frames, {damaged} damaged, {line.frames_missing} missing, "
        f"{line.noise_bytes} bytes of noise{trip}",
        f"clock {clock}{supply}{settings}",
    ]


def input_rows(seen: BringUp, sensors: Mapping[str, Sensor] | None) -> list[list[str]]:
    """One row an input, under INPUT_HEADINGS."""
    return [
        [
            channel,
            str(sensors[channel].input) if sensors is not None else channel.removeprefix("input "),
            str(each.pulses),
            f"{each.pulses / seen.watched_s:.1f}",
            _milliseconds(each.shortest_s),
            _milliseconds(each.median_s),
            _milliseconds(each.longest_s),
            str(each.extra),
            at_least(each.lost, unknown=each.lost_unknown),
        ]
        for channel, each in seen.inputs.items()
    ]


def _milliseconds(seconds: float | None) -> str:
    return "-" if seconds is None else f"{1e3 * seconds:.4g} ms"


def bring_up_document(seen: BringUp) -> dict[str, Any]:
    """Everything as it stands in JSON."""
    return {
        "board_id": seen.board_id,
        "firmware": seen.firmware,
        "tick_hz": seen.tick_hz,
        "url": seen.url,
        "baud": seen.baud,
        "reset_cause": seen.reset_cause,
        "stored_settings": seen.stored_settings,
        "supply_v": seen.supply_v,
        "watched_s": seen.watched_s,
        "clock_off_ppm": clock_off_ppm(seen),
        "round_trip_s": seen.round_trip_s,
        "resets": seen.resets,
        "interruptions": seen.interruptions,
        "host_frames_damaged": seen.host_frames_damaged,
        "line": seen.line,
        "channels": {channel: _input_document(each) for channel, each in seen.inputs.items()},
        "findings": list(seen.findings),
    }


def _input_document(each: InputCheck) -> dict[str, Any]:
    return {
        "pulses": each.pulses,
        "lost": None if each.lost_unknown else each.lost,
        "overruns": each.overruns,
        "floods": each.floods,
        "shortest_s": each.shortest_s,
        "median_s": each.median_s,
        "longest_s": each.longest_s,
        "extra": each.extra,
        "extra_after_s": each.extra_after_s,
    }
