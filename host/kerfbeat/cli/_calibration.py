"""How do calibration commands get their logs, and where do their results go?"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._known import warned
from kerfbeat.cli._show import FILE, Quantity, Whole, print_json, warn

if TYPE_CHECKING:
    from kerfbeat.calibration import Calibration, Known, Result
    from kerfbeat.capture.log import PulseLog
    from kerfbeat.machine import Machine
    from kerfbeat.measure.clock import ClockRate

__all__ = ["Gathered", "gather", "keep_and_tell", "keep_results", "kept_line", "source_options"]

Function = TypeVar("Function", bound=Callable[..., Any])


def source_options(function: Function) -> Function:
    """Add LOG..., `--machine`, `--port`, `--for`, `-o`, `--baud`, `--dry-run`."""
    for option in (
        click.option("--dry-run", is_flag=True, help="Show what was found and keep nothing."),
        click.option("--baud", type=Whole(), metavar="RATE", help="Baud rate; else it is found."),
        click.option("-o", "--log", "log_path", type=FILE, metavar="LOG", help="With --port: the log to record."),
        click.option(
            "--for", "for_s", type=Quantity("duration"), default=120.0, metavar="TIME",
            help="With --port: how long to record; without it 2min.",
        ),
        click.option("--port", metavar="P", help="Record from this board first, instead of reading logs."),
        click.option(
            "--machine", "machine_path", type=FILE, metavar="M",
            help="Machine file; results are kept beside it. Without it they are only shown.",
        ),
        click.argument("log_paths", nargs=-1, type=FILE, metavar="[LOG]..."),
    ):  # fmt: skip
        function = option(function)
    return function


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """Logs, the machine they are looked at with, and what is already known of it."""

    logs: "tuple[PulseLog, ...]"
    machine: "Machine"
    machine_path: Path | None
    calibration: "Calibration | None"
    known: "Known"

    @property
    def sources(self) -> list[str]:
        """Names of the logs."""
        return [Path(log.source).name for log in self.logs]

    @property
    def date(self) -> datetime:
        """When the last of the logs was begun."""
        return max(log.start_utc for log in self.logs)

    @property
    def clocks(self) -> "dict[str, ClockRate]":
        """Stored clock corrections, aged to the time of the logs."""
        from kerfbeat.calibrate.budget import stored_clocks

        return stored_clocks(self.known, at=self.date)


def gather(
    log_paths: Sequence[Path],
    *,
    machine_path: Path | None,
    port: str | None,
    for_s: float,
    log_path: Path | None,
    baud: int | None,
) -> Gathered:
    """Read the logs, or record one first."""
    from dataclasses import replace

    from kerfbeat.calibrate.runs import require_machine, require_one_machine
    from kerfbeat.calibration import calibration_path, known, load_calibration
    from kerfbeat.capture.log import read_log
    from kerfbeat.machine import load_machine

    if (port is None) == (not log_paths):
        raise click.UsageError("give either logs, or --port P to record one")
    if port is not None:
        log_paths = [_recorded(port, machine_path=machine_path, for_s=for_s, log_path=log_path, baud=baud)]
    logs = tuple(read_log(path) for path in log_paths)
    require_one_machine(logs)
    machine, calibration = logs[0].machine, None
    if machine_path is not None:
        machine = load_machine(machine_path)
        require_machine(logs, machine, name=machine_path.name)
        calibration = load_calibration(calibration_path(machine_path))
    held = warned(known(calibration, machine))
    for log in logs:
        for line in log.warnings:
            warn(line)
    return Gathered(
        logs=tuple(replace(log, machine=machine) for log in logs),
        machine=machine,
        machine_path=machine_path,
        calibration=calibration,
        known=held,
    )


def _recorded(port: str, *, machine_path: Path | None, for_s: float, log_path: Path | None, baud: int | None) -> Path:
    """Record a log from a board."""
    from kerfbeat.cli._board import chosen_machine, open_board, required_port
    from kerfbeat.cli._progress import Progress, typed_lines
    from kerfbeat.cli._stop import stop_on_signal
    from kerfbeat.present.feed import Feed
    from kerfbeat.present.logbook import require_new
    from kerfbeat.present.numbers import unit_for
    from kerfbeat.present.recording import record_log

    if log_path is None:
        raise click.UsageError("--port needs -o LOG, the log to record; results refer to it later")
    port = required_port(port, machine_path)
    machine = chosen_machine(machine_path, port=port)
    require_new(log_path)
    feed = Feed(machine)
    progress = Progress(unit_for(machine), quiet=False)
    with open_board(port, machine.sensors, baud=baud, trace=False) as link, stop_on_signal() as stopped:
        record_log(
            feed, link, log_path, for_s=for_s, stopped=stopped, marks=typed_lines(), show=progress.show,
            say=progress.say,
        )  # fmt: skip
    progress.end()
    return log_path


def keep_results(source: Gathered, results: "Sequence[Result]", *, dry_run: bool) -> Path | None:
    """Put results into the store beside the machine file; None if nothing was kept."""
    from kerfbeat.calibration import Calibration, calibration_path, save_calibration

    if source.machine_path is None or dry_run or not results:
        return None
    path = calibration_path(source.machine_path)
    before = source.calibration or Calibration(machine=source.machine.name)
    save_calibration(path, before.with_results(*results))
    return path


def keep_and_tell(
    source: Gathered, results: "Sequence[Result]", document: Mapping[str, Any], lines: Iterable[str], *, dry_run: bool,
    as_json: bool, warnings: Iterable[str] = (),
) -> None:  # fmt: skip
    """Keep the results and tell what was found: in lines and warnings, or as a document; and where it was kept."""
    kept = keep_results(source, results, dry_run=dry_run)
    if as_json:
        print_json({**document, "kept": kept})
        return
    for line in (*lines, kept_line(kept, source, results=len(results), dry_run=dry_run)):
        echo(line)
    for line in warnings:
        warn(line)


def kept_line(kept: Path | None, source: Gathered, *, results: int, dry_run: bool) -> str:
    """Where the results went, or why they were not kept."""
    if kept is not None:
        return f"kept in {kept}"
    if dry_run:
        return "not kept (--dry-run)"
    if not results:
        return "nothing to keep"
    return "not kept; add --machine M to keep it beside the machine file"
