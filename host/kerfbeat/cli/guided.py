"""How does a terminal lead through the whole calibration?"""

import select
import shlex
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbeat.cli._board import open_board, required_port
from kerfbeat.cli._echo import echo, echo_over
from kerfbeat.cli._show import refuse_existing, warn
from kerfbeat.errors import KerfbeatError

if TYPE_CHECKING:
    from kerfbeat.machine import Machine
    from kerfbeat.present.guided import Told

__all__ = ["Terminal", "calibrate_all", "finish", "lead_and_record", "swept_log"]


class Terminal:
    """Asks on standard error and reads standard input; a line that shows progress is written over."""

    def __init__(self) -> None:
        self._open = False
        self._live = sys.stderr.isatty()

    def ask(self, question: str) -> str:
        """One line of answer."""
        self.end()
        echo(f"{question} ", err=True, nl=False)
        ahead = _typed_ahead()
        self._open = self._live
        line = sys.stdin.readline()
        self._open = False
        if not line:
            raise click.Abort
        answer = line.rstrip("\r\n")
        if ahead:  # typed while the last stretch ran: the terminal showed it there, not behind this question
            echo(answer, err=True)
        return answer

    def say(self, line: str) -> None:
        """Tell something in a line of its own."""
        self.end()
        echo(line, err=True)

    def show(self, line: str) -> None:
        """Write over the line that shows progress; elsewhere than on a terminal nothing."""
        if self._live:
            echo_over(line)
            self._open = True

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)

    def end(self) -> None:
        """Leave the line that stands open: of progress, or of a question that Ctrl-C answered."""
        if self._open:
            echo("", err=True)
            self._open = False


def _typed_ahead() -> bool:
    """Whether a line waits in the terminal already; on Windows, where that cannot be asked so, no."""
    try:
        return sys.stdin.isatty() and bool(select.select([sys.stdin], [], [], 0.0)[0])
    except (OSError, ValueError):
        return False


def lead_and_record(
    port: str | None, machine: "Machine", machine_path: Path, log_path: Path, *, baud: int | None, belt: str | None,
    gears: Sequence[str], unit: str, blade: bool = True,
) -> "Told":  # fmt: skip
    """Open the board, record, and lead through every step; the log is whole whatever happens.

    blade : ask how else the blade's speed is known, where no sensor sees it.
    """
    from kerfbeat.calibrate.keep import NO_IDENTITY, has_identity
    from kerfbeat.calibrate.plan import planned_steps
    from kerfbeat.capture.stream import board_name
    from kerfbeat.machine import Setting, belt_choices
    from kerfbeat.present.entry import choice_of
    from kerfbeat.present.feed import Feed
    from kerfbeat.present.guided import Guide
    from kerfbeat.present.listen import Listener
    from kerfbeat.present.numbers import counted

    chosen = None if belt is None else choice_of(belt, belt_choices(machine), what="belt")
    if chosen is None and belt_choices(machine):
        raise click.UsageError(f"say which belt position is in: --belt with one of {', '.join(belt_choices(machine))}")
    steps = planned_steps(machine, belt=chosen, gears=gears)
    feed = Feed(machine, setting=Setting(belt=chosen))
    terminal = Terminal()
    guide = Guide(machine, feed, terminal, steps, unit=unit)
    with open_board(required_port(port, machine_path), machine.sensors, baud=baud, trace=False) as link:
        echo(f"{machine.name}: a board answers.", err=True)
        if not has_identity(board_name(link.hello)):
            warn(NO_IDENTITY)  # now, since a clock takes a whole run to measure
        try:
            with Listener(feed, link.events) as listener:
                guide.introduce()
                feed.begin_log(log_path)
                told = guide.lead(blade=blade)
                if listener.error is not None:
                    raise listener.error
        finally:
            terminal.end()
            ended = feed.end_log()
            if ended is not None:
                echo(
                    f"{log_path}: {counted(ended.tally.pulses.total(), 'pulse')}, "
                    f"{counted(ended.tally.marks, 'mark')}",
                    err=True,
                )
    return told


def finish(
    log_paths: Sequence[Path], machine_path: Path, output: Path, *, told: "Told | None", paper: str, unit: str | None,
    dry_run: bool,
) -> None:  # fmt: skip
    """Calibrate from the logs, keep it, and write the page."""
    from kerfbeat.calibrate.everything import calibrate_everything
    from kerfbeat.calibrate.learn import stored_spacing
    from kerfbeat.calibration import Calibration, known
    from kerfbeat.cli._calibration import gather, keep_results, kept_line
    from kerfbeat.present.calibration_report import draw_calibration_report, summary_lines
    from kerfbeat.present.numbers import unit_for

    gathered = gather(log_paths, machine_path=machine_path, port=None, for_s=0.0, log_path=None, baud=None)
    found = calibrate_everything(
        gathered.logs,
        gathered.machine,
        stored={name: stored_spacing(*pair) for name, pair in gathered.known.spacing_turns.items()},
        counted=None if told is None else told.counted,
        reference=None if told is None else told.reference,
        clocks=gathered.clocks,
    )
    results = found.results(date=gathered.date, sources=gathered.sources)
    kept = keep_results(gathered, results, dry_run=dry_run)
    now = (gathered.calibration or Calibration(machine=gathered.machine.name)).with_results(*results)
    for line in summary_lines(found):
        echo(line)
    for what, why in found.reasons.items():
        echo(f"{what}: not kept, because {why}")
    echo(kept_line(kept, gathered, results=len(results), dry_run=dry_run))
    for line in found.warnings:
        warn(line)
    draw_calibration_report(
        found, output, known=known(now, gathered.machine), unit=unit or unit_for(gathered.machine), paper=paper,
        date=gathered.date, sources=gathered.sources, kept=kept,
    )  # fmt: skip
    echo(f"{output}: one page, {paper}")
    if not results:
        raise KerfbeatError("nothing could be calibrated; the page says why, and the log is kept.")


def calibrate_all(
    port: str | None, machine_path: Path, output: Path, *, log_path: Path | None, from_paths: Sequence[Path],
    gears: Sequence[str], belt: str | None, baud: int | None, paper: str, dry_run: bool, unit: str | None,
    replace: bool,
) -> None:  # fmt: skip
    """Lead through everything and record it, or take recorded logs; then calibrate, keep and write the page."""
    from kerfbeat.machine import load_machine
    from kerfbeat.present.logbook import require_new
    from kerfbeat.present.numbers import unit_for

    refuse_existing(output, replace=replace)
    told = None
    if from_paths and port is not None:
        raise click.UsageError("give either --port P to record, or --from LOG for what is recorded already")
    if not from_paths:
        machine = load_machine(machine_path)
        log_path = log_path or output.with_suffix(".csv")
        require_new(log_path)
        try:
            told = lead_and_record(
                port, machine, machine_path, log_path, baud=baud, belt=belt, gears=gears, unit=unit or unit_for(machine)
            )
        except (KeyboardInterrupt, click.Abort):
            if log_path.exists():
                echo(
                    "What was recorded is kept. To calibrate from it as far as it goes: "
                    f"{_from_log_command(log_path, machine_path, output)}",
                    err=True,
                )
            raise
        from_paths = [log_path]
    finish(from_paths, machine_path, output, told=told, paper=paper, unit=unit, dry_run=dry_run)
    if not dry_run:
        words = shlex.join(["--port", port or "P", "--machine", str(machine_path)])
        echo(f"next, so that the board's own display knows it too: kerfbeat configure {words}")


def _from_log_command(log_path: Path, machine_path: Path, output: Path) -> str:
    """The command that calibrates from a log, as it is typed."""
    parts = ("--from", str(log_path), "--machine", str(machine_path), "-o", str(output))
    return f"kerfbeat calibrate --all {shlex.join(parts)}"


def swept_log(
    *, port: str, machine_path: Path | None, log_path: Path | None, baud: int | None, gears: Sequence[str],
    belt: str | None, for_s: float,
) -> Path:  # fmt: skip
    """Lead through a sweep and record it; how long each stretch lasts is the guide's affair, not `--for`'s."""
    from kerfbeat.machine import load_machine
    from kerfbeat.present.logbook import require_new
    from kerfbeat.present.numbers import unit_for

    if machine_path is None or log_path is None:
        raise click.UsageError("--port needs --machine M, and -o LOG, the log to record")
    machine = load_machine(machine_path)
    require_new(log_path)
    lead_and_record(
        port, machine, machine_path, log_path, baud=baud, belt=belt, gears=gears, unit=unit_for(machine), blade=False
    )
    return log_path
