"""Which commands work on logs?  speed, import and export."""

from pathlib import Path

import click

from kerfbeat.cli._show import Quantity, examples, json_option, plot_option, print_json, table, unit_option, warn

__all__ = ["speed"]

LOG = click.Path(path_type=Path)


@click.command(
    epilog=examples(
        "kerfbeat speed cut-3.csv",
        "kerfbeat speed cut-3.csv --from 10s --to 40s --plot cut-3.png",
        "kerfbeat speed cut-3.csv --machine saw-new-pulley.toml --json",
    )
)
@click.argument("log_path", type=LOG, metavar="LOG")
@click.option("--machine", "machine_path", type=LOG, metavar="M", help="Use this machine file, not the one in the log.")
@click.option("--from", "start_s", type=Quantity("duration"), metavar="TIME", help="Leave out what was before.")
@click.option("--to", "end_s", type=Quantity("duration"), metavar="TIME", help="Leave out what came after, as 40s.")
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
    as_json: bool,
    plot: Path | None,
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
    if plot is not None:
        from kerfbeat.present.speed_plot import plot_speed

        plot_speed(log, result, plot, unit=unit)
