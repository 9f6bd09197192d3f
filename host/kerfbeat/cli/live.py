"""Which commands listen to a board?  check, watch and record."""

import os
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbeat.cli._board import (
    board_options,
    chosen_machine,
    chosen_setting,
    open_board,
    required_port,
    setting_options,
)
from kerfbeat.cli._echo import echo
from kerfbeat.cli._known import known_beside, known_if_any
from kerfbeat.cli._progress import Progress, time_progress, typed_lines
from kerfbeat.cli._show import FILE, Quantity, examples, json_option, print_json, table, unit_option, warn
from kerfbeat.cli._stop import stop_on_signal
from kerfbeat.errors import LinkError, SettingsError

if TYPE_CHECKING:
    from kerfbeat.capture.bringup import BringUp
    from kerfbeat.capture.link import BoardLink
    from kerfbeat.machine import Machine

__all__ = ["check", "record", "watch"]


@click.command(
    epilog=examples(
        "kerfbeat check --port /dev/ttyUSB0",
        "kerfbeat check --port COM3 --machine saw.toml --for 30s",
        "kerfbeat check --port sim:// --json",
    )
)
@board_options
@click.option(
    "--for",
    "for_s",
    type=Quantity("duration", above_zero=True),
    default=10.0,
    metavar="TIME",
    help="How long to listen; else 10s.",
)
@json_option
def check(
    *, port: str | None, machine_path: Path | None, baud: int | None, trace: bool, for_s: float, as_json: bool
) -> None:
    """Is the board well, and does every sensor count?

    Tells the board, its firmware, link and clock, the pulses of every sensor, bounce and noise, and what to mend.
    Without a machine file the board's inputs are told by number; with one, whether a target is seen no more, and
    whether the board's settings fit it.

    Let the machine run with its guards on; or isolate it, lock it out, and turn the wheel by hand.
    """
    from kerfbeat.capture.bringup import bring_up
    from kerfbeat.capture.ports import is_simulated
    from kerfbeat.present.bringup_report import INPUT_HEADINGS, bring_up_document, bring_up_lines, input_rows
    from kerfbeat.present.shafts import TargetWatch

    port = required_port(port, machine_path)
    machine = chosen_machine(machine_path, port=port) if machine_path is not None or is_simulated(port) else None
    sensors = None if machine is None else machine.sensors
    with open_board(port, sensors, baud=baud, trace=trace) as link, time_progress("listening", for_s) as progress:
        targets = None if machine is None else TargetWatch(machine)
        seen = bring_up(link, watch_s=for_s, progress=progress, beside=None if targets is None else targets.take)
        if targets is not None:
            seen = replace(seen, findings=(*targets.told(), *seen.findings))
        if machine is not None and machine_path is not None:
            seen = replace(seen, findings=(*seen.findings, *_settings_findings(link, seen, machine, machine_path)))
    if as_json:
        print_json(bring_up_document(seen))
        return
    for line in bring_up_lines(seen):
        echo(line)
    echo(table(INPUT_HEADINGS, input_rows(seen, sensors)))
    echo("to mend:" if seen.findings else "nothing to mend.")
    for finding in seen.findings:
        echo(f"  {finding}")


def _settings_findings(link: "BoardLink", seen: "BringUp", machine: "Machine", machine_path: Path) -> list[str]:
    """What to mend about the settings that the board keeps."""
    from kerfbeat.capture.settings_link import read_settings
    from kerfbeat.drive.board_plan import nearest_plan
    from kerfbeat.present.bringup_report import clock_off_ppm
    from kerfbeat.present.settings_check import settings_findings

    known = known_beside(machine_path, machine)
    try:
        stored = read_settings(link).settings
        plan = nearest_plan(stored, machine=machine, known=known, today=datetime.now(UTC).date())
    except (LinkError, SettingsError) as problem:
        return [str(problem)]
    return settings_findings(stored, plan, clock_off_ppm(seen))


@click.command(
    epilog=examples(
        "kerfbeat watch --port sim://",
        "kerfbeat watch --port /dev/ttyUSB0 --machine saw.toml --unit ft/min",
        "kerfbeat watch --port COM3 --machine saw.toml --every 1s > speeds.txt",
    )
)
@board_options
@setting_options
@unit_option
@click.option(
    "--every",
    "every_s",
    type=Quantity("duration"),
    default=0.0,
    metavar="TIME",
    help="Least time between lines, as 1s.",
)
@click.option("--lines", is_flag=True, help="Write lines on a terminal, too, instead of the full screen.")
@click.option("-o", "--log", "log_path", type=FILE, metavar="LOG", help="Begin a log at once.")
def watch(
    *,
    port: str | None,
    machine_path: Path | None,
    baud: int | None,
    trace: bool,
    hz: str | None,
    gear: str | None,
    belt: str | None,
    unit: str | None,
    every_s: float,
    lines: bool,
    log_path: Path | None,
) -> None:
    """Show the blade speed now, in both units and with its uncertainty.

    With two sensors it tells at once when a belt or the blade slips beyond its creep, and marks that in the log.

    On a terminal: a full screen; its keys, for the inverter's hertz, the gear, cuts, notes and a log, stand at its
    foot.  Into a file or a pipe: one line for each new estimate.  Ctrl-C ends it; a running log is whole.

    An indicator, not a safety device: no pulses never means that it is safe to reach in.
    """
    from kerfbeat.present.blade import BladeRule
    from kerfbeat.present.budget_words import largest_line
    from kerfbeat.present.feed import Feed
    from kerfbeat.present.lines import write_lines
    from kerfbeat.present.logbook import require_new
    from kerfbeat.present.numbers import counted, unit_for
    from kerfbeat.present.snapshot import CAUTION

    port = required_port(port, machine_path)
    machine = chosen_machine(machine_path, port=port)
    held = known_if_any(machine_path, machine)
    feed = Feed(machine, known=held, setting=chosen_setting(machine, hz=hz, gear=gear, belt=belt))
    unit = unit or unit_for(machine)
    if log_path is not None:
        require_new(log_path)
    on_terminal = all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))  # textual draws on stderr
    full_screen = on_terminal and os.environ.get("TERM") != "dumb" and not lines
    with open_board(port, machine.sensors, baud=baud, trace=trace and not full_screen) as link:
        try:
            if log_path is not None:
                feed.begin_log(log_path)
            if full_screen:
                from kerfbeat.present.screen import show_live

                show_live(feed, link.events, unit=unit, log_stem=machine_path.stem if machine_path else "simulated")
            else:
                echo(f"{machine.name}, {port}. {CAUTION}", err=True)
                travel = BladeRule(machine, held).travel
                if travel.described:
                    echo(largest_line(travel), err=True)
                with stop_on_signal() as stopped:
                    write_lines(feed, link.events, unit=unit, every_s=every_s, stopped=stopped, write=echo)
        finally:
            ended = feed.end_log()
            if ended is not None:
                echo(f"{ended.path}: {counted(ended.tally.pulses.total(), 'pulse')}", err=True)


@click.command(
    epilog=examples(
        "kerfbeat record --port sim:// -o practice.csv --for 1min",
        "kerfbeat record --port /dev/ttyUSB0 --machine saw.toml --hz 45 --gear low -o cut-3.csv",
        'printf "cut=start\\n" | kerfbeat record --port COM3 --machine saw.toml -o cut-4.csv --for 2min',
    )
)
@board_options
@setting_options
@unit_option
@click.option("-o", "--log", "log_path", type=FILE, metavar="LOG", required=True, help="The log.")
@click.option(
    "--for",
    "for_s",
    type=Quantity("duration", above_zero=True),
    metavar="TIME",
    help="End by itself after so long, as 5min.",
)
@click.option("--quiet", is_flag=True, help="No progress.")
def record(
    *,
    port: str | None,
    machine_path: Path | None,
    baud: int | None,
    trace: bool,
    hz: str | None,
    gear: str | None,
    belt: str | None,
    unit: str | None,
    log_path: Path,
    for_s: float | None,
    quiet: bool,
) -> None:
    """Write every pulse to a log, with marks of what you do.

    While it runs, type a mark and Enter: hz=45, gear=high, belt=low, cut=start, cut=stop; any other line is kept as
    a note.  Slip beyond creep is told and marked by itself (slip=start, slip=stop).  Ctrl-C ends it; the log is whole
    at any moment, also after a power cut.
    """
    from kerfbeat.present.feed import Feed
    from kerfbeat.present.logbook import require_new
    from kerfbeat.present.numbers import counted, unit_for
    from kerfbeat.present.recording import record_log, summary_rows, summary_warnings

    port = required_port(port, machine_path)
    machine = chosen_machine(machine_path, port=port)
    held = known_if_any(machine_path, machine)
    feed = Feed(machine, known=held, setting=chosen_setting(machine, hz=hz, gear=gear, belt=belt))
    require_new(log_path)
    progress = Progress(unit or unit_for(machine), quiet=quiet)
    with open_board(port, machine.sensors, baud=baud, trace=trace) as link, stop_on_signal() as stopped:
        logbook = record_log(
            feed,
            link,
            log_path,
            for_s=for_s,
            stopped=stopped,
            marks=typed_lines(),
            show=progress.show,
            say=progress.say,
        )
    progress.end()
    pulses, marks = sum(logbook.tally.pulses.values()), logbook.tally.marks
    beside = "" if hz is None and gear is None and belt is None else " beside the setting at the start"
    echo(f"{logbook.path}: {counted(pulses, 'pulse')}, {counted(marks, 'mark')}{beside}")
    echo(table(["channel", "pulses", "missing", "extra", "lost"], summary_rows(logbook, feed.snapshot())))
    for warning in summary_warnings(logbook, feed.snapshot()):
        warn(warning)
