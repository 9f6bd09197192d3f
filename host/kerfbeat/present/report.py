"""What does a customer get to read of one run, or of a change?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.changes import Changes
from kerfbeat.diagnose.findings import Findings
from kerfbeat.diagnose.parts import setting_words
from kerfbeat.errors import LogError
from kerfbeat.present.compare_report import comparisons_document
from kerfbeat.present.drift_report import drift_document, setting_document, wear_document
from kerfbeat.present.happenings import happenings_of
from kerfbeat.present.orders_report import orders_document
from kerfbeat.present.report_basis import basis_sections, known_in_use, left_out_rows
from kerfbeat.present.report_change import change_sections
from kerfbeat.present.report_content import Block, Chapter, Facts, Grid, Head, Report, Section
from kerfbeat.present.report_run import run_sections, settings_of
from kerfbeat.present.report_verdict import speed_words, verdict_section
from kerfbeat.present.report_words import closing_sections
from kerfbeat.present.slip_report import slip_document
from kerfbeat.present.speed_report import speed_document

__all__ = ["log_names", "report_document", "report_of", "require_one_machine_name"]


def log_names(paths: Sequence[Path]) -> list[str]:
    """Names of logs without their folders, unless two would be the same."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]


def require_one_machine_name(logs: Sequence[PulseLog]) -> None:
    """Refuse logs of different machines; sensors, pulleys and calibration of one may have changed between them.

    Raises LogError, naming both.
    """
    for log in logs[1:]:
        if log.machine.name != logs[0].machine.name:
            raise LogError(
                f'{log.source}: was recorded at "{log.machine.name}" and {logs[0].source} at '
                f'"{logs[0].machine.name}"; a report is of one machine, so write one for each.'
            )


def report_of(
    runs: Sequence[Findings],
    changes: Changes | None,
    *,
    names: Sequence[str],
    unit: str,
    described: str,
    made: datetime,
) -> Report:
    """Put the report together.

    changes : between several runs; None for one.   described : where the machine's description comes from.
    made : when the report is written.
    """
    heads = tuple(Head(name=name, start_utc=run.log.start_utc) for name, run in zip(names, runs, strict=True))
    machine = runs[0].log.machine.name
    closing = closing_sections(compared=changes is not None)
    if changes is None:
        run = runs[0]
        sections = (
            _about(run, heads[0], unit=unit, made=made),
            verdict_section(run, unit=unit),
            *run_sections(run, unit=unit),
            *basis_sections(run, described=described),
            *closing,
        )
        chapters = [Chapter(title="", sections=sections)]
        return Report(title="Blade drive report", machine=machine, logs=heads, chapters=tuple(chapters))
    verdicts = [
        verdict_section(run, unit=unit, title=f"Verdict on {head.words}") for run, head in zip(runs, heads, strict=True)
    ]
    first = (_about_all(runs, heads, unit=unit, made=made), *change_sections(changes), *verdicts)
    chapters = [Chapter(title="", sections=first)]
    for run, head in zip(runs, heads, strict=True):
        inner = (*run_sections(run, unit=unit), *basis_sections(run, described=described))
        chapters.append(Chapter(title=head.words, sections=inner))
    chapters.append(Chapter(title="To all runs", sections=closing, follows=True))
    title = f"Blade drive report: {'before and after' if len(runs) == 2 else f'{len(runs)} runs'}"
    return Report(title=title, machine=machine, logs=heads, chapters=tuple(chapters))


def _about(run: Findings, head: Head, *, unit: str, made: datetime) -> Section:
    log = run.log
    settings = "; ".join(setting_words(each) for each in settings_of(happenings_of(log)))
    rows = (
        ("machine", log.machine.name),
        ("log", f"{head.name}, begun {log.start_utc:%Y-%m-%d %H:%M} UTC, {_length(run)}"),
        ("setting", settings),
        ("blade speed", speed_words(run, unit=unit)),
        ("report made", f"{made:%Y-%m-%d %H:%M} UTC"),
    )
    return Section(title="The run", blocks=(Facts(rows=rows),))


def _about_all(runs: Sequence[Findings], heads: Sequence[Head], *, unit: str, made: datetime) -> Section:
    rows = []
    for place, (run, head) in enumerate(zip(runs, heads, strict=True)):
        settings = "; ".join(setting_words(each) for each in settings_of(happenings_of(run.log)))
        role = "before" if place == 0 else "after" if len(runs) == 2 else f"run {place + 1}"
        rows.append((role, head.name, f"{head.start_utc:%Y-%m-%d %H:%M}", _length(run), settings))
    blocks: tuple[Block, ...] = (
        Facts(rows=(("machine", runs[0].log.machine.name), ("report made", f"{made:%Y-%m-%d %H:%M} UTC"))),
        Grid(headings=("", "log", "begun, UTC", "length", "settings"), rows=tuple(rows), left=5),
        Facts(
            rows=tuple(
                (f"blade, {head.name}", speed_words(run, unit=unit)) for run, head in zip(runs, heads, strict=True)
            )
        ),
    )
    return Section(title="The runs", blocks=blocks)


def _length(run: Findings) -> str:
    seconds = sum(segment.duration_s for segment in run.log.segments)
    return f"{seconds:.0f} s" if seconds < 600 else f"{seconds / 60:.0f} min"


def report_document(
    runs: Sequence[Findings], changes: Changes | None, *, names: Sequence[str], written: Sequence[Path]
) -> dict[str, Any]:
    """Everything as it stands in JSON: of each log what speed, slip, drift and orders print, null where not done."""
    return {
        "machine": runs[0].log.machine.name,
        "logs": [_run_document(run, name) for run, name in zip(runs, names, strict=True)],
        "comparison": comparisons_document(changes.comparisons)
        if changes is not None and changes.comparisons
        else None,
        "between_runs": [] if changes is None else [wear_document(wear) for wear in changes.wears],
        "not_compared": [] if changes is None else list(changes.not_done),
        "written": [str(path) for path in written],
    }


def _run_document(run: Findings, name: str) -> dict[str, Any]:
    happened = happenings_of(run.log)
    idle: Mapping[Any, Any] = run.idle_m_per_s
    return {
        "log": name,
        "began_utc": run.log.start_utc.isoformat(),
        "settings": [
            {
                "start_s": start_s,
                "end_s": end_s,
                **setting_document(setting),
                "idle_m_per_min": idle[setting].times(60.0) if setting in idle else None,
            }
            for start_s, end_s, setting in happened.settings
        ],
        "calibration": known_in_use(run.known),
        "calibration_refused": list(run.known.refused),
        "speed": None if run.speed is None else speed_document(run.speed),
        "slip": None if run.slip is None else slip_document(run.slip),
        "drift": None if run.drift is None else drift_document(run.drift),
        "orders": {channel: orders_document(found) for channel, found in run.orders.items()},
        "not_done": dict(run.not_done),
        "left_out": [{"of": of, "what": what} for of, what in left_out_rows(run)],
    }
