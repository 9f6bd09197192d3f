"""Which commands work on logs?  speed, import and export."""

from pathlib import Path

import click

from kerfbeat.cli._board import chosen_setting, setting_options
from kerfbeat.cli._progress import file_progress
from kerfbeat.cli._show import Quantity, examples, json_option, print_json, table, unit_option, warn

__all__ = ["export", "import_", "speed"]

LOG = click.Path(path_type=Path)


@click.command(
    epilog=examples(
        "kerfbeat speed cut-3.csv",
        "kerfbeat speed cut-3.csv --from 10s --to 40s",
        "kerfbeat speed cut-3.csv --machine saw-new-pulley.toml --json",
    )
)
@click.argument("log_path", type=LOG, metavar="LOG")
@click.option("--machine", "machine_path", type=LOG, metavar="M", help="Use this machine file, not the one in the log.")
@click.option("--from", "start_s", type=Quantity("duration"), metavar="TIME", help="Leave out what was before.")
@click.option("--to", "end_s", type=Quantity("duration"), metavar="TIME", help="Leave out what came after, as 40s.")
@unit_option
@json_option
def speed(
    *,
    log_path: Path,
    machine_path: Path | None,
    start_s: float | None,
    end_s: float | None,
    unit: str | None,
    as_json: bool,
) -> None:
    """Tell the speeds in a log: the average while each shaft turned, with its uncertainty.

    Pauses, and stretches in which pulses were lost, count neither as turns nor as time.
    """
    from dataclasses import replace

    from kerfbeat.capture.log import read_log
    from kerfbeat.measure.speed import speed_of
    from kerfbeat.present.numbers import unit_for
    from kerfbeat.present.speed_report import (
        CHANNEL_HEADINGS,
        blade_line,
        channel_rows,
        speed_document,
        window_line,
    )

    log = read_log(log_path)
    if machine_path is not None:
        from kerfbeat.machine import load_machine

        log = replace(log, machine=load_machine(machine_path))
    result = speed_of(log, start_s=start_s, end_s=end_s)
    used = str(machine_path or "as in the log")
    if as_json:
        print_json({**speed_document(result), "machine": used})
    else:
        click.echo(blade_line(result, unit or unit_for(log.machine)))
        click.echo(table(CHANNEL_HEADINGS, channel_rows(result)))
        click.echo(window_line(result))
        click.echo(f"machine: {log.machine.name}, {used}")
    for warning in result.warnings:
        warn(warning)


@click.command(
    "import",
    epilog=examples(
        "kerfbeat import pulses.csv --machine saw.toml -o cut-3.csv --hz 45 --gear low",
        "kerfbeat import scope.csv --machine saw.toml -o run.csv && kerfbeat speed run.csv",
    ),
)
@click.argument("source", type=LOG, metavar="PULSES")
@click.option("--machine", "machine_path", type=LOG, metavar="M", required=True, help="Machine file (TOML).")
@click.option("-o", "--log", "log_path", type=LOG, metavar="LOG", required=True, help="The log to write.")
@click.option("--tick-hz", type=click.IntRange(min=1), help="Ticks a second of the log; without it as the times need.")
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
    click.echo(f"{log_path}: pulses of {counts}")
    for warning in done.warnings:
        warn(warning)


@click.command(
    epilog=examples(
        "kerfbeat export cut-3.csv -o pulses.csv",
        "kerfbeat export cut-3.csv --segment 2 > pulses.csv",
    )
)
@click.argument("log_path", type=LOG, metavar="LOG")
@click.option("-o", "--output", type=LOG, metavar="FILE", help="File to write; without it standard output.")
@click.option("--segment", type=click.IntRange(min=1), metavar="N", help="Which segment, if the board restarted.")
def export(*, log_path: Path, output: Path | None, segment: int | None) -> None:
    """Write a log's pulses as CSV (channel,seconds): `kerfbeat import` reads it back."""
    from kerfbeat.capture.exporters import pulse_lines, write_lines
    from kerfbeat.capture.log import read_log

    log = read_log(log_path)
    for warning in log.warnings:
        warn(warning)
    lines = pulse_lines(log, segment=segment)
    if output is None:
        for line in lines:
            click.echo(line)
    else:
        click.echo(f"{output}: {write_lines(output, lines)} lines")
