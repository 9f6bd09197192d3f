"""Which commands say what is wrong, and since when?  drift, orders, slip and compare."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbeat.cli._diagnose import log_files, machine_option, opened
from kerfbeat.cli._echo import echo
from kerfbeat.cli._known import known_in_warned
from kerfbeat.cli._many import from_each
from kerfbeat.cli._show import FILE, examples, json_option, plot_option, print_json, table, warn

if TYPE_CHECKING:
    from kerfbeat.diagnose.compare import RunMeans

__all__ = ["compare", "drift", "orders", "slip"]



@click.command(
    epilog=examples(
        "kerfbeat drift cold-start.csv --plot warm-up.png",
        "kerfbeat drift run.csv --channel motor --json",
        "kerfbeat drift logs/ --plot years.pdf",
    )
)
@click.argument("paths", nargs=-1, required=True, type=FILE, metavar="LOG...")
@click.option("--channel", metavar="C", help="Which channel; without it the wheel.")
@machine_option
@json_option
@plot_option
def drift(
    *, paths: Sequence[Path], channel: str | None, machine_path: Path | None, as_json: bool, plot: Path | None
) -> None:
    """How does the speed change slowly at one setting?

    One log: warm-up (change, time constant, when it has settled), trend, and over what averaging time a reading is
    good.  Several logs or a folder: each of them, and how runs of one setting differ from date to date.
    """
    from kerfbeat.cli._digest import BLOCKS_OF_MANY, DRIFT_CLASSES, drift_of_file, machine_words
    from kerfbeat.diagnose.wear import wear_between
    from kerfbeat.errors import MeasureError
    from kerfbeat.present.drift_report import RUN_HEADINGS, drift_lines, drifts_document, run_rows, wear_lines

    files = log_files(paths)
    most_blocks = None if len(files) == 1 else BLOCKS_OF_MANY
    work = partial(drift_of_file, machine_path=machine_path, channel=channel, most_blocks=most_blocks)
    named = f"drift, channel {channel}, {machine_words(machine_path)}"
    runs, unread = from_each(files, work, named=named, known=DRIFT_CLASSES)
    if not runs:
        raise MeasureError(f"none of the {len(files)} logs can be used; the first: {unread[0]}")
    found = [(run.began_utc, run.drift) for run in runs]
    name, drifts, wears = runs[0].name, [run.drift for run in runs], wear_between(found)
    if as_json:
        print_json(drifts_document(drifts, wears, unread))
    elif len(files) == 1:
        echo("\n".join(drift_lines(drifts[0])))
    else:
        echo(table(RUN_HEADINGS, run_rows(drifts, [f"{date:%Y-%m-%d}" for date, _ in found]), left=3))
        echo("\n".join(wear_lines(wears)))
    if plot is not None:
        from kerfbeat.present.drift_plot import plot_drifts

        plot_drifts(drifts, wears, plot, name=name)
    for line in [*unread, *dict.fromkeys(line for each in drifts for line in each.warnings)]:
        warn(line)


@click.command(
    epilog=examples(
        "kerfbeat orders idle.csv --channel wheel --plot orders.png",
        "kerfbeat orders idle.csv --channel motor --json",
    )
)
@click.argument("log_path", type=FILE, metavar="LOG")
@click.option("--channel", default="wheel", show_default=True, metavar="C", help="Which sensor's shaft.")
@machine_option
@json_option
@plot_option
def orders(*, log_path: Path, channel: str, machine_path: Path | None, as_json: bool, plot: Path | None) -> None:
    """What shakes the speed in step with the turning: bent sheave, lumpy belt, bad blade joint?

    An order is how often something happens in a turn of that shaft: 1 is once a turn, 0.5 once in two turns.

    Looks at the longest steady stretch; an idle minute or more is best.  Peaks are named from the machine file; what
    this sensor cannot show is said.
    """
    from kerfbeat.diagnose.orders import orders_of
    from kerfbeat.present.orders_report import ORDER_HEADINGS, order_rows, orders_document, orders_lines

    log = opened(log_path, machine_path)
    found = orders_of(log, channel=channel, known=known_in_warned(log))
    if as_json:
        print_json(orders_document(found))
    else:
        first, *rest = orders_lines(found)
        echo(first)
        if found.peaks:
            echo(table(ORDER_HEADINGS, order_rows(found)))
        echo("\n".join(rest))
    if plot is not None:
        from kerfbeat.present.orders_plot import plot_orders

        plot_orders(found, plot, name=log.machine.name)
    for line in found.warnings:
        warn(line)


@click.command(
    epilog=examples(
        "kerfbeat slip cut-3.csv --plot slip.png",
        "kerfbeat slip cut-3.csv --idle idle-after-pulley-swap.csv --json",
    )
)
@click.argument("log_path", type=FILE, metavar="LOG")
@click.option("--idle", "idle_path", type=FILE, metavar="LOG", help="Take the idle running of this log as baseline.")
@machine_option
@json_option
@plot_option
def slip(
    *, log_path: Path, idle_path: Path | None, machine_path: Path | None, as_json: bool, plot: Path | None
) -> None:
    """What slips, when, and under which cut?

    Two channels: slip of belts and blade against idle running (this log's own, or that of --idle; for belts else the
    calibrated ratio), told from the creep that belongs to the load.  One channel: what its fall of speed may be and
    what would decide.

    Of every marked cut: drop of speed, slip, load by motor slip, and how soon the speed was back.  Without marks, the
    whole log.
    """
    from kerfbeat.diagnose.compare import means_of
    from kerfbeat.diagnose.findings import idle_speeds
    from kerfbeat.diagnose.slip import slip_of
    from kerfbeat.diagnose.tracks import tracks_with
    from kerfbeat.present.cut_report import CUT_HEADINGS, cut_lines, cut_rows
    from kerfbeat.present.numbers import unit_for
    from kerfbeat.present.report_verdict import misfit_lines
    from kerfbeat.present.slip_report import (
        EVENT_HEADINGS,
        event_lines,
        event_rows,
        slip_document,
        slip_lines,
        verdict_lines,
    )

    log = opened(log_path, machine_path)
    held = known_in_warned(log)
    idle = None if idle_path is None else opened(idle_path, machine_path)
    tracks = tracks_with(log, held)
    found = slip_of(log, idle=idle, known=held, tracks=tracks)
    idle_m_per_s = idle_speeds(log, held, means_of(log, known=held, tracks=tracks))
    misfits = misfit_lines(log, held, idle_m_per_s, unit=unit_for(log.machine))
    if as_json:
        print_json(slip_document(found))
    else:
        echo("\n".join(verdict_lines(found)))
        echo("\n".join(slip_lines(found)))
        if found.events:
            echo(table(EVENT_HEADINGS, event_rows(found)))
            echo("\n".join(event_lines()))
        echo(table(CUT_HEADINGS, cut_rows(found.cuts)))
        echo("\n".join(cut_lines(found.cuts)))
    if plot is not None:
        from kerfbeat.present.slip_plot import plot_slip

        plot_slip(found, plot, name=log.machine.name)
    for line in (*misfits, *found.warnings):
        warn(line)


@click.command(
    epilog=examples(
        "kerfbeat compare before.csv after.csv",
        "kerfbeat compare autumn/ spring/ --plot change.png",
    )
)
@click.argument("paths", nargs=-1, required=True, type=FILE, metavar="LOG LOG...")
@machine_option
@json_option
@plot_option
def compare(*, paths: Sequence[Path], machine_path: Path | None, as_json: bool, plot: Path | None) -> None:
    """Do runs differ, setting by setting?

    Each log or folder is compared with the first, by belt position, gear and hertz as marked, in steady idle running.
    What is called different is so at 95 % for all rows together.
    """
    from kerfbeat.cli._digest import MEANS_CLASSES, machine_words, means_of_file
    from kerfbeat.diagnose.compare import compare_means
    from kerfbeat.errors import MeasureError
    from kerfbeat.present.compare_report import (
        ROW_HEADINGS,
        comparison_rows,
        comparisons_document,
        plot_comparisons,
    )

    if len(paths) < 2:
        raise click.UsageError("give at least two logs or folders to compare")
    if len({each.resolve() for each in paths}) < len(paths):
        raise click.UsageError("one log or folder is named twice; a run does not differ from itself")
    work, named = partial(means_of_file, machine_path=machine_path), f"compare, {machine_words(machine_path)}"
    sets: list[list[RunMeans]] = []
    unread: list[str] = []
    for each in paths:
        files = log_files([each])
        runs, refused = from_each(files, work, named=named, known=MEANS_CLASSES)
        if not runs:
            raise MeasureError(f"{each}: no log can be used; the first: {refused[0]}")
        sets.append(runs)
        unread += refused
    found = [
        compare_means(sets[0], other, names=(str(paths[0]), str(path)))
        for path, other in zip(paths[1:], sets[1:], strict=True)
    ]
    if as_json:
        print_json(comparisons_document(found))
    else:
        echo(table(ROW_HEADINGS, comparison_rows(found), left=3))
        for line in dict.fromkeys(line for each in found for line in each.left_out):
            echo(f"left out: {line}")
    if plot is not None:
        plot_comparisons(found, plot, name=sets[0][0].name)
    for line in dict.fromkeys([*unread, *(line for runs in sets for run in runs for line in run.warnings)]):
        warn(line)
