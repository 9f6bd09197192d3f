"""What do a run's numbers rest on: calibration in use and its age, and what was left out and why?"""

from collections.abc import Iterator

from kerfbeat.calibration import Known, Result, setting_name
from kerfbeat.diagnose.drift import Drift
from kerfbeat.diagnose.findings import Findings
from kerfbeat.diagnose.orders import Orders
from kerfbeat.diagnose.slip import Slip
from kerfbeat.drive.chain import WHEEL_HALF_WIDTH
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate, coverage_factor
from kerfbeat.present.happenings import happenings_of
from kerfbeat.present.numbers import counted, plus_minus, two_digits
from kerfbeat.present.report_content import Block, Facts, Grid, Points, Section, Words
from kerfbeat.present.report_machine import machine_facts

__all__ = ["basis_sections", "calibration_rows", "known_in_use", "left_out_rows"]

HEADINGS = ("what", "in use", "found on", "age at the run", "from")
MEASURED = "measured against"
DAY_S = 86400.0
SHOWN_UNITS = {"m": (1e3, "mm"), "1": (1.0, ""), "degree": (1.0, "°")}  # of stored values, as people write them


def basis_sections(found: Findings, *, described: str) -> tuple[Section, ...]:
    """What was left out, and what the numbers rest on.

    described : where the machine's description comes from, in words.
    """
    rows = left_out_rows(found)
    once = tuple(("" if k and rows[k - 1][0] == name else name, line) for k, (name, line) in enumerate(rows))
    out: tuple[Block, ...] = (Facts(rows=once),) if rows else (Words(text="Nothing."),)
    sections = [Section(title="What was left out, and why", blocks=out)]
    settings = list(dict.fromkeys(setting for _, _, setting in happenings_of(found.log).settings))
    facts = Facts(rows=machine_facts(found.log.machine, settings))
    sections.append(Section(title="The machine", blocks=(Words(text=f"As described {described}."), facts)))
    blocks: list[Block] = [Grid(headings=HEADINGS, rows=calibration_rows(found), left=5)]
    if found.known.refused:
        blocks.append(Points(lead="Stored, but not used", lines=found.known.refused))
    sections.append(Section(title="Calibration", blocks=tuple(blocks)))
    return tuple(sections)


def left_out_rows(found: Findings) -> tuple[tuple[str, str], ...]:
    """Which analysis, and what was left out of it and why."""
    return tuple(dict.fromkeys((*_left_out(found), *_absent(found))))


def _left_out(found: Findings) -> Iterator[tuple[str, str]]:
    for name, reason in found.not_done.items():
        yield name, f"not done: {reason}"
    analyses: dict[str, Slip | Drift | Orders | None] = {"slip": found.slip, "drift": found.drift}
    analyses |= {f"orders of {channel}": orders for channel, orders in found.orders.items()}
    for name, analysis in analyses.items():
        for line in () if analysis is None else analysis.left_out:
            yield name, line


def _absent(found: Findings) -> Iterator[tuple[str, str]]:
    """What nobody watched, described or marked."""
    machine = found.log.machine
    if "motor" not in machine.sensors:
        yield "motor", "no sensor watches it: its slip and the load are not known"
    if "blade" not in machine.sensors:
        yield "blade", "no mark on it is watched: its slip on the wheel is not known"
    if machine.motor is None:
        yield "prediction", "no motor is described: no band of predicted speed"
    happened = happenings_of(found.log)
    unmarked = [setting for _, _, setting in happened.settings if setting.hz is None]
    if unmarked and machine.motor is not None:
        yield "prediction", "the inverter's hertz are not marked all through: no band of predicted speed there"
    if not happened.cuts:
        yield "cuts", "none is marked"


def calibration_rows(found: Findings) -> tuple[tuple[str, ...], ...]:
    """One row for everything that calibration could say, under HEADINGS."""
    log = found.log
    rows = []
    for channel, sensor in log.machine.sensors.items():
        if sensor.targets > 1:
            rows.append(_row(found, f"targets of the {channel}", "target spacing", channel, "found in this run itself"))
    rows += _clocks(found)
    diameter_mm, half_percent = 1e3 * log.machine.wheel.diameter_m, 100 * WHEEL_HALF_WIDTH
    described = f"{diameter_mm:.6g} mm, as described; the ± takes it as right to {half_percent:g} %"
    rows.append(_row(found, "wheel diameter", "wheel diameter", "", described))
    shown = dict.fromkeys((each.belt, each.gear) for _, _, each in happenings_of(log).settings)
    for belt, gear in shown:
        rows += _ratios(found, Setting(belt=belt, gear=gear))
    if log.machine.motor is not None:
        rows.append(_row(found, "motor slip, no load", "motor slip", "", "not measured; as a motor of this plate has"))
    return tuple(rows)


def _ratios(found: Findings, setting: Setting) -> Iterator[tuple[str, ...]]:
    if not found.log.machine.stages:
        return
    name = setting_name(setting)
    yield _row(found, f"ratio, {name}" if name else "ratio", "total ratio", name, "not measured; as described")


def _row(found: Findings, what: str, quantity: str, of: str, otherwise: str) -> tuple[str, ...]:
    result = found.known.results.get((quantity, of))
    if result is None:
        return what, otherwise, "", "", ""
    return what, _value(result), f"{result.date:%Y-%m-%d}", _age(found, result), ", ".join(result.sources)


def _value(result: Result) -> str:
    """A stored value as people write it; of many targets only how well they are known."""
    factor, unit = SHOWN_UNITS.get(result.unit, (1.0, result.unit))
    normal = coverage_factor(float("inf"))
    if len(result.value) > 1:
        return f"{counted(len(result.value), 'angle')}, ± {two_digits(normal * factor * max(result.u))}{unit}"
    return plus_minus(Estimate(value=factor * result.value[0], u95=normal * factor * result.u[0]), unit)


def _age(found: Findings, result: Result) -> str:
    days = (found.log.start_utc - result.date).total_seconds() / DAY_S
    return counted(int(days), "day") if days >= 0 else "found after the run"


def _clocks(found: Findings) -> Iterator[tuple[str, ...]]:
    """The rate of every board that wrote the log."""
    if found.speed is None:
        return
    normal = coverage_factor(float("inf"))
    seen = set()
    for clock, segment in zip(found.speed.clocks, found.log.segments, strict=False):
        stored = found.known.results.get(("clock offset", segment.board_id))
        off = plus_minus(Estimate(value=clock.ppm, u95=normal * clock.u_ppm), "ppm")
        if clock.basis.startswith(MEASURED):
            row = (off, f"{found.log.start_utc:%Y-%m-%d}", "this run", "exchanges with the recording computer")
        elif stored is not None and clock.basis.startswith("as calibrated"):
            row = (off, f"{stored.date:%Y-%m-%d}", _age(found, stored), ", ".join(stored.sources))
        else:
            row = (clock.basis, "", "", "")
        if (segment.board_id, row) not in seen:
            seen.add((segment.board_id, row))
            yield (f"clock of board {segment.board_id}", *row)


def known_in_use(known: Known) -> list[dict[str, object]]:
    """Stored results in use as they stand in JSON."""
    return [
        {
            "quantity": result.quantity,
            "of": result.of,
            "value": list(result.value),
            "u": list(result.u),
            "unit": result.unit,
            "date": result.date.isoformat(),
            "sources": list(result.sources),
        }
        for result in known.results.values()
    ]
