"""How are a board's stored settings told, and what changes if others are written?"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, NamedTuple

from kerfbeat.board_identity import identity_name
from kerfbeat.calibration import aged_clock_u_ppm
from kerfbeat.capture.board_settings import (
    BAUDS,
    MODE_ON,
    MODE_PULL_UP,
    MODE_RISING,
    TURN,
    UNITS,
    BoardSettings,
    date_of,
)
from kerfbeat.capture.events import Health
from kerfbeat.capture.messages import Hello
from kerfbeat.capture.settings_link import StoredSettings
from kerfbeat.capture.stream import board_name
from kerfbeat.drive.board_plan import BoardPlan
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.numbers import counted, plus_minus, short_number, two_digits
from kerfbeat.units import M_PER_IN, ft_per_min, m_per_min

__all__ = [
    "CHANGE_HEADINGS",
    "board_line",
    "change_rows",
    "display_lines",
    "settings_lines",
    "stored_document",
]

CHANGE_HEADINGS = ("setting", "stored", "new", "from")
NONE = "none"
DAY_S = 86400.0
MM_PER_MIN = 60e3  # to the metre a second


class _Line(NamedTuple):
    """One line of the table: what it is called, the fields it shows, how, and what sets them."""

    label: str
    fields: tuple[str, ...]
    words: Callable[[BoardSettings], str]
    sets: str = ""  # what gives it a value, told where it has none


def _mode(mode: int) -> str:
    edge = "rising" if mode & MODE_RISING else "falling"
    pull_up = "pull-up" if mode & MODE_PULL_UP else "no pull-up"
    return f"{'' if mode & MODE_ON else 'off, '}{edge} edge, {pull_up}"


def _sensor(board_input: int, targets: int) -> str:
    return f"input {board_input}, {counted(targets, 'target')}" if board_input else NONE


def _circumference(settings: BoardSettings) -> str:
    mm = settings.circumference_um / 1e3
    return f"{mm:.3f} mm ({mm / 1e3 / M_PER_IN:.3f} in)" if mm else NONE


def _angles(settings: BoardSettings) -> str:
    degrees = [f"{360.0 * each / TURN:.2f}" for each in settings.angles_65536]
    return f"{', '.join(degrees)} degrees" if degrees else NONE


def _ratios(settings: BoardSettings) -> str:
    ratios = [f"{each / 1e6:.6g}" for each in settings.ratios_millionths]
    return f"{' or '.join(ratios)} turns per wheel turn" if ratios else NONE


def _speed(mm_per_min: int, unit: str) -> str:
    if not mm_per_min:
        return NONE
    said = [
        f"{short_number(convert(mm_per_min / MM_PER_MIN))} {name}"
        for name, convert in (("m/min", m_per_min), ("ft/min", ft_per_min))
    ]
    first, second = said if unit == "m/min" else said[::-1]
    return f"{first} ({second})"


def _clock(settings: BoardSettings) -> str:
    if not settings.clock_measured:
        return NONE
    stored = Estimate(value=settings.clock_ppb / 1e3, u95=settings.clock_u95_ppb / 1e3)
    return f"{plus_minus(stored)} ppm on {_date(settings.clock_day)}"


def _date(day: int) -> str:
    found = date_of(day)
    return "no date" if found is None else f"{found:%Y-%m-%d}"


LINES = (
    _Line(
        "board id", ("board_id",), lambda s: identity_name(s.board_id) if s.board_id else NONE,
        "--id HEX, or by the first write",
    ),
    _Line(
        "wheel sensor", ("wheel_input", "wheel_targets"), lambda s: _sensor(s.wheel_input, s.wheel_targets),
        "--machine M",
    ),
    _Line("blade per wheel turn", ("circumference_um",), _circumference, "--machine M"),
    _Line("target angles", ("angles_65536",), _angles, "kerfbeat calibrate targets and then --machine M"),
    _Line(
        "belt slip sensor", ("fast_input", "fast_targets"), lambda s: _sensor(s.fast_input, s.fast_targets),
        "--machine M that has a sensor on motor or driven shaft",
    ),
    _Line("its ratio at idle", ("ratios_millionths",), _ratios, "--machine M"),
    _Line(
        "clock correction", ("clock_ppb", "clock_u95_ppb", "clock_day"), _clock,
        "kerfbeat calibrate clock and then --machine M",
    ),
    _Line("first line shows", ("unit",), lambda s: UNITS[s.unit]),
    _Line("alarm below", ("slowest_mm_min",), lambda s: _speed(s.slowest_mm_min, UNITS[s.unit]), "--slowest SPEED"),
    _Line("alarm above", ("fastest_mm_min",), lambda s: _speed(s.fastest_mm_min, UNITS[s.unit]), "--fastest SPEED"),
    _Line(
        "alarm at belt slip", ("slip_limit_1e4",),
        lambda s: f"over {s.slip_limit_1e4 / 100.0:g} %" if s.slip_limit_1e4 else NONE, "--slip-limit PERCENT",
    ),
    _Line("input 1", ("modes",), lambda s: _mode(s.modes[0])),
    _Line("input 2", ("modes",), lambda s: _mode(s.modes[1])),
    _Line("input 3", ("modes",), lambda s: _mode(s.modes[2])),
    _Line(
        "flood of edges", ("flood_edges", "mask_ms"),
        lambda s: f"{s.flood_edges} in 0.5 ms, then deaf for {s.mask_ms} ms",
    ),
    _Line("line rate", ("baud",), lambda s: f"{BAUDS[s.baud]} baud"),
    _Line("settings made", ("settings_day",), lambda s: _date(s.settings_day)),
)  # fmt: skip


def change_rows(before: BoardSettings, after: BoardSettings, basis: Mapping[str, str]) -> list[list[str]]:
    """What would change, under CHANGE_HEADINGS; [] if nothing but the date would."""
    rows = []
    for line in LINES:
        changed = [name for name in line.fields if getattr(before, name) != getattr(after, name)]
        if not changed or line.fields == ("settings_day",):
            continue
        old, new = line.words(before), line.words(after)
        if old == new and line.fields != ("modes",):  # they differ by less than is shown
            old, new = (", ".join(f"{name} {getattr(each, name)}" for name in changed) for each in (before, after))
        if old != new:
            rows.append([line.label, old, new, basis.get(changed[0], "")])
    return rows


def board_line(stored: StoredSettings, hello: Hello, health: Health | None, *, firmware: str) -> str:
    """Who the board is, and how well its memory is."""
    return f"board {board_name(hello)}, firmware {firmware}, {_memory(stored, health)}"


def settings_lines(settings: BoardSettings) -> list[str]:
    """Every setting; where one has no value, what sets it."""
    width = max(len(line.label) for line in LINES)
    said = []
    for line in LINES:
        words = line.words(settings)
        sets = f" (set by {line.sets})" if words == NONE and line.sets else ""
        said.append(f"  {line.label:<{width}}  {words}{sets}")
    return said


def display_lines(settings: BoardSettings, *, today: date) -> list[str]:
    """What the display makes of the settings, and how good its time is."""
    return [_readiness(settings), *_clock_lines(settings, today=today)]


def _memory(stored: StoredSettings, health: Health | None) -> str:
    if stored.generation == 0:
        return "stored settings: none (a new board, or both copies damaged); the defaults are in force"
    written = f"stored settings: written {counted(stored.generation, 'time')}"
    if health is not None and health.stored_settings == "one copy damaged":
        return (
            f"{written}; one of two copies is damaged, or its writing was cut off: the other one is in force; --again "
            "writes it anew"
        )
    return written


def _readiness(settings: BoardSettings) -> str:
    """Whether the display can show blade speed; what it lacks."""
    if settings.display_ready:
        return f"display: shows blade speed, {UNITS[settings.unit]} first; no host is needed"
    lacking = "how much blade a wheel turn moves" if settings.wheel_input else "which input the wheel's sensor is on"
    return f"display: says NOT SET, for it was not told {lacking}; add --machine M, which does, or use its set button"


def _age_days(settings: BoardSettings, today: date) -> int | None:
    measured = date_of(settings.clock_day)
    return None if measured is None or not settings.clock_measured else (today - measured).days


def _clock_today_ppm(settings: BoardSettings, *, today: date) -> Estimate | None:
    """The stored clock correction with the doubt that it has come to by today; None if there is none."""
    days = _age_days(settings, today)
    if days is None:
        return None
    k95 = coverage_factor(float("inf"))
    u_ppm = aged_clock_u_ppm(settings.clock_u95_ppb / 1e3 / k95, age_s=days * DAY_S)
    return Estimate(value=settings.clock_ppb / 1e3, u95=k95 * u_ppm)


def _clock_lines(settings: BoardSettings, *, today: date) -> list[str]:
    """How old the clock correction is, and what that does to it and to the blade speed shown."""
    now, days = _clock_today_ppm(settings, today=today), _age_days(settings, today)
    if now is None or days is None:
        return [
            "clock: never measured; a ceramic resonator may be off by 0.5 %, and the display with it; "
            "kerfbeat calibrate clock measures it"
        ]
    ahead = " (this computer's date is before it)" if days < 0 else ""
    return [
        f"clock: {plus_minus(now)} ppm by today, {counted(abs(days), 'day')} after it was measured{ahead}",
        "  a ceramic resonator moves with temperature (0.05 % over a workshop's seasons, 0.3 % over 100 K) and with "
        f"time (0.03 % a year); that alone leaves ± {two_digits(now.u95 / 1e4)} % of doubt in the speed shown; "
        "kerfbeat calibrate clock measures it anew",
    ]


def stored_document(
    stored: StoredSettings,
    after: StoredSettings | None,
    hello: Hello,
    health: Health | None,
    plan: BoardPlan | None,
    *,
    firmware: str,
    today: date,
) -> dict[str, Any]:
    """Everything as it stands in JSON; `after` is what was read back, None if nothing was written."""
    return {
        "board_id": board_name(hello),
        "firmware": firmware,
        "generation": (after or stored).generation,
        "stored_settings": None if health is None else health.stored_settings,
        "stored": _document(stored.settings, today=today),
        "new": None if plan is None else _document(plan.settings, today=today),
        "changes": [
            dict(zip(CHANGE_HEADINGS, row, strict=True))
            for row in ([] if plan is None else change_rows(stored.settings, plan.settings, plan.basis))
        ],
        "notes": [] if plan is None else list(plan.notes),
        "written": after is not None,
    }


def _document(settings: BoardSettings, *, today: date) -> dict[str, Any]:
    """Every setting as it stands in JSON."""
    measured, made = date_of(settings.clock_day), date_of(settings.settings_day)
    clock = Estimate(value=settings.clock_ppb / 1e3, u95=settings.clock_u95_ppb / 1e3)
    return {
        "board_id": identity_name(settings.board_id),
        "baud": BAUDS[settings.baud],
        "inputs": [
            {
                "on": bool(mode & MODE_ON),
                "edge": "rising" if mode & MODE_RISING else "falling",
                "pull_up": bool(mode & MODE_PULL_UP),
            }
            for mode in settings.modes
        ],
        "flood_edges": settings.flood_edges,
        "mask_ms": settings.mask_ms,
        "first_unit": UNITS[settings.unit],
        "wheel_input": settings.wheel_input or None,
        "wheel_targets": settings.wheel_targets or None,
        "circumference_mm": settings.circumference_um / 1e3 or None,
        "target_angles_deg": [360.0 * each / TURN for each in settings.angles_65536],
        "fast_input": settings.fast_input or None,
        "fast_targets": settings.fast_targets or None,
        "fast_turns_per_wheel_turn": [each / 1e6 for each in settings.ratios_millionths],
        "slowest_m_per_min": settings.slowest_mm_min / 1e3 or None,
        "fastest_m_per_min": settings.fastest_mm_min / 1e3 or None,
        "slip_limit_percent": settings.slip_limit_1e4 / 100.0 or None,
        "clock_ppm": clock if settings.clock_measured else None,
        "clock_measured": None if measured is None else measured.isoformat(),
        "clock_age_days": _age_days(settings, today),
        "clock_ppm_today": _clock_today_ppm(settings, today=today),
        "settings_made": None if made is None else made.isoformat(),
        "display_ready": settings.display_ready,
    }
