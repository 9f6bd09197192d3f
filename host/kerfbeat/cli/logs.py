"""Which commands work on logs?  speed, import and export."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbeat.cli._board import chosen_setting, setting_options
from kerfbeat.cli._diagnose import machine_option, opened
from kerfbeat.cli._echo import echo
from kerfbeat.cli._progress import file_progress
from kerfbeat.cli._show import (
    FILE,
    Quantity,
    Whole,
    examples,
    json_option,
    plot_option,
    print_json,
    table,
    unit_option,
    warn,
)

if TYPE_CHECKING:
    from kerfbeat.capture.log import PulseLog

__all__ = ["export", "import_", "speed"]

SPEED_NEEDS = ("target spacing", "wheel diameter")  # of what is stored; the clock is measured by the log itself


@click.command(
    epilog=examples(
        "kerfbeat speed cut-3.csv",
        "kerfbeat speed cut-3.csv --from 10s --to 40s --plot cut-3.png",
        "kerfbeat speed cut-3.csv --machine saw-new-pulley.toml --json",
        "kerfbeat speed cut-3.csv --machine saw.toml --budget",
    )
)
@click.argument("log_path", type=FILE, metavar="LOG")
@machine_option
@click.option(
    "--from",
    "start_s",
    type=Quantity("duration"),
    metavar="TIME",
    help="Leave out what was before, as 10s, by the corrected clock.",
)
@click.option("--to", "end_s", type=Quantity("duration"), metavar="TIME", help="Leave out what came after, as 40s.")
@click.option("--budget", is_flag=True, help="Tell what makes up the uncertainty of the blade's speed.")
@unit_option
@json_option
@plot_option
def speed(
    *,
    log_path: Path,
    machine_path: Path | None,
    start_s: float | None,
    end_s: float | None,
    unit: str | None,
    budget: bool,
    as_json: bool,
    plot: Path | None,
) -> None:
    """Tell the speeds in a log: the average while each shaft turned, with its uncertainty.

    Pauses, and stretches in which pulses were lost, count neither as turns nor as time.  What `kerfbeat calibrate`
    has found of the machine is used: as it stood in the log, or beside the machine file given.
    """
    from kerfbeat.calibrate.budget import calibrated_speed
    from kerfbeat.cli._known import known_in_warned
    from kerfbeat.diagnose.parts import parts_of
    from kerfbeat.present.budget_words import BUDGET_HEADINGS, budget_document, budget_line, budget_rows, largest_line
    from kerfbeat.present.numbers import unit_for
    from kerfbeat.present.speed_report import (
        CHANNEL_HEADINGS,
        blade_line,
        channel_rows,
        settings_caution,
        speed_document,
        window_line,
    )

    if start_s is not None and end_s is not None and start_s >= end_s:
        raise click.UsageError("--from and --to leave nothing between them; --to must be later")
    log = opened(log_path, machine_path)
    held = known_in_warned(log)
    result, parts = calibrated_speed(log, held, start_s=start_s, end_s=end_s)
    if plot is not None:
        from kerfbeat.present.speed_plot import plot_speed

        plot_speed(log, result, plot, unit=unit or unit_for(log.machine))
    used = str(machine_path or "as in the log")
    if as_json:
        shown = {"budget": None if parts is None else budget_document(parts)} if budget else {}
        print_json({**speed_document(result), "machine": used, "calibration": held.described(*SPEED_NEEDS), **shown})
    else:
        first = unit or unit_for(log.machine)
        echo(blade_line(result, first))
        echo(table(CHANNEL_HEADINGS, channel_rows(result)))
        echo(window_line(result))
        echo(f"machine: {log.machine.name}, {used}")
        for line in held.described(*SPEED_NEEDS):
            echo(line)
        if parts is not None and result.blade_channel == "wheel" and held.wheel_diameter_m is None:
            echo(largest_line(parts.largest))
        if budget and parts is not None:
            echo(budget_line(parts, first))
            echo(table(BUDGET_HEADINGS, budget_rows(parts), left=2))
    mixed = settings_caution(parts_of(log), start_s=result.start_s, end_s=result.end_s)
    for warning in (*result.warnings, *mixed):
        warn(warning)


@click.command(
    "import",
    epilog=examples(
        "kerfbeat import pulses.csv --machine saw.toml -o cut-3.csv --hz 45 --gear low",
        "kerfbeat import scope.csv --machine saw.toml -o run.csv && kerfbeat speed run.csv",
    ),
)
@click.argument("source", type=FILE, metavar="PULSES")
@click.option("--machine", "machine_path", type=FILE, metavar="M", required=True, help="Machine file (TOML).")
@click.option("-o", "--log", "log_path", type=FILE, metavar="LOG", required=True, help="The log to write.")
@click.option("--tick-hz", type=Whole(most=10**12), metavar="N", help="Ticks a second in the log; else as times need.")
@setting_options
def import_(
    *,
    source: Path,
    machine_path: Path,
    log_path: Path,
    tick_hz: int | None,
    hz: str | None,
    gear: str | None,
    belt: str | None,
) -> None:
    """Turn pulse times from another logger into a log.

    PULSES is a CSV file with the header channel,seconds and one row a pulse, as a logic analyser, a scope or another
    logger can write it.  The channels are the machine's sensors: wheel, motor, driven, blade.
    """
    from kerfbeat.capture.importers import import_pulses
    from kerfbeat.machine import load_machine

    machine = load_machine(machine_path)
    setting = chosen_setting(machine, hz=hz, gear=gear, belt=belt)
    with file_progress(source.name) as progress:
        done = import_pulses(source, log_path, machine=machine, setting=setting, tick_hz=tick_hz, progress=progress)
    counts = ", ".join(f"{channel} {pulses}" for channel, pulses in done.pulses.items())
    echo(f"{log_path}: pulses of {counts}")
    for warning in done.warnings:
        warn(warning)


@click.command(
    epilog=examples(
        "kerfbeat export cut-3.csv -o pulses.csv",
        "kerfbeat export cut-3.csv --every 1s -o speed.csv",
        "kerfbeat export cut-3.csv --segment 2 > pulses.csv",
    )
)
@click.argument("log_path", type=FILE, metavar="LOG")
@click.option("-o", "--output", type=FILE, metavar="FILE", help="File to write; without it standard output.")
@click.option("--speed", "as_speed", is_flag=True, help="Speed against time instead of pulses.")
@click.option(
    "--every",
    "every_s",
    type=Quantity("duration", above_zero=True),
    metavar="TIME",
    help="Speed against time, one row in so long, as 1s.",
)
@click.option("--segment", type=Whole(), metavar="N", help="Pulses of which segment (start of the board), of several.")
def export(
    *, log_path: Path, output: Path | None, as_speed: bool, every_s: float | None, segment: int | None
) -> None:
    """Write a log's pulses or speed as CSV.

    Pulses: channel,seconds, which `kerfbeat import` reads back.  Seconds are true ones, by the board's clock as far as
    the log corrects it; how far that goes, an imported log's ± does not know.  Speed: one row a time and channel, with
    its uncertainty, smoothed over the pulses before and after; so many rows that a spreadsheet takes them with --every.
    """
    from kerfbeat.calibrate.budget import stored_clocks
    from kerfbeat.capture.exporters import pulse_lines, write_lines
    from kerfbeat.capture.log import read_log
    from kerfbeat.cli._known import known_in_warned
    from kerfbeat.measure.pieces import clock_of

    as_speed = as_speed or every_s is not None  # pulses are never thinned
    if segment is not None and as_speed:
        raise click.UsageError("--segment chooses pulses; speeds are written for the whole log")
    log = read_log(log_path)
    for warning in log.warnings:
        warn(warning)
    if as_speed:
        lines = speed_lines(log, every_s=every_s)
    else:
        clocks = stored_clocks(known_in_warned(log), at=log.start_utc)
        lines = pulse_lines(log, segment=segment, rate_of=lambda each: clock_of(each, clocks).factor)
    if output is None:
        for line in lines:
            echo(line)
    else:
        echo(f"{output}: {write_lines(output, lines)} lines")


def speed_lines(log: "PulseLog", *, every_s: float | None) -> Iterator[str]:
    """Speed against time with what the log carries of the machine's calibration."""
    from kerfbeat.calibrate.budget import calibrated_speed
    from kerfbeat.calibrate.travel import blade_travel
    from kerfbeat.capture.exporters import table_lines
    from kerfbeat.cli._known import known_in_warned
    from kerfbeat.present.speed_table import COLUMNS, speed_rows

    held = known_in_warned(log)
    result, _ = calibrated_speed(log, held)
    channel = result.blade_channel
    travel = None if channel is None else blade_travel(log.machine, held, channel=channel)
    return table_lines(COLUMNS, speed_rows(log, result, travel=travel, every_s=every_s))
