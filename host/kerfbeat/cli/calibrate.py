"""Which commands find out about the machine by measuring it?  calibrate targets, clock, wheel, drive, and --all."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from kerfbeat.cli._calibration import gather, keep_and_tell, source_options
from kerfbeat.cli._show import (
    FILE,
    Quantity,
    Whole,
    examples,
    json_option,
    paper_option,
    plot_option,
    table,
    unit_option,
)

__all__ = ["calibrate"]



@click.group(
    invoke_without_command=True,
    epilog=examples(
        "kerfbeat calibrate --all --port /dev/ttyUSB0 --machine saw.toml -o saw-setup.pdf",
        "kerfbeat calibrate targets run.csv --machine saw.toml",
        "kerfbeat calibrate drive sweep.csv --machine saw.toml --plot sweep.png",
    ),
)
@click.option("--all", "everything", is_flag=True, help="Guide through it all at the machine, or all from --from.")
@click.option("--port", metavar="P", help="With --all: the board.")
@click.option("--machine", "machine_path", type=FILE, metavar="M", help="With --all: the machine file.")
@click.option("-o", "--output", type=FILE, metavar="PDF", help="With --all: the page to write.")
@click.option("--log", "log_path", type=FILE, metavar="LOG", help="With --all: the log to record.")
@click.option(
    "--from", "from_paths", type=FILE, multiple=True, metavar="LOG", help="With --all: logs instead of a board."
)
@click.option("--gear", "gears", multiple=True, metavar="NAME", help="With --all: only this gear; may be given again.")
@click.option("--belt", metavar="NAME", help="With --all: the belt position that is in.")
@click.option("--baud", type=Whole(), metavar="RATE", help="With --all: baud rate; else it is found.")
@paper_option
@click.option("--replace", is_flag=True, help="With --all: write over the page if it is there.")
@click.option("--dry-run", is_flag=True, help="With --all: show what was found and keep nothing.")
@unit_option
@click.pass_context
def calibrate(
    ctx: click.Context,
    *,
    everything: bool,
    port: str | None,
    machine_path: Path | None,
    output: Path | None,
    log_path: Path | None,
    from_paths: Sequence[Path],
    gears: Sequence[str],
    belt: str | None,
    baud: int | None,
    paper: str,
    replace: bool,
    dry_run: bool,
    unit: str | None,
) -> None:
    """Find out about this machine by measuring it, and keep it beside the machine file.

    Everything that is found carries its uncertainty and is used by the other commands.  Run the machine idle, guards
    closed, from where the operator stands.

    --all guides through the whole first set-up in about ten minutes: it asks for one setting after the other, records
    one log, and ends with a page: before and after, what is not right, what to look at again and when.
    """
    if ctx.invoked_subcommand is not None:
        return
    if not everything:
        raise click.UsageError("say what to calibrate: targets, clock, wheel, drive, or --all", ctx)
    if machine_path is None:
        raise click.UsageError("--all needs --machine M; kerfbeat describe -o M writes one", ctx)
    if output is None or output.suffix.lower() != ".pdf":
        raise click.UsageError("--all needs -o PAGE.pdf for its page", ctx)
    from kerfbeat.cli.guided import calibrate_all

    calibrate_all(
        port,
        machine_path,
        output,
        log_path=log_path,
        from_paths=from_paths,
        gears=gears,
        belt=belt,
        baud=baud,
        paper=paper,
        dry_run=dry_run,
        unit=unit,
        replace=replace,
    )


@calibrate.command(
    epilog=examples(
        "kerfbeat calibrate targets run.csv --machine saw.toml",
        "kerfbeat calibrate targets run.csv --machine saw.toml --against motor --plot spacing.png",
        "kerfbeat calibrate targets --port COM3 --machine saw.toml -o targets.csv --for 3min",
    )
)
@source_options
@click.option("--channel", metavar="C", default="wheel", show_default=True, help="Whose targets.")
@click.option("--against", metavar="CHANNEL", help="A faster channel that turns along rigidly: tells wobble apart.")
@json_option
@plot_option
def targets(
    *,
    log_paths: Sequence[Path],
    channel: str,
    against: str | None,
    dry_run: bool,
    as_json: bool,
    plot: Path | None,
    **source: Any,
) -> None:
    """At what angles do the targets sit?

    Any run does, at any speed, while it wanders; a hundred turns or more.  With a pattern in store, a target that
    fell off, moved, or is one too many is named.
    """
    from kerfbeat.calibrate.keep import targets_result
    from kerfbeat.calibrate.learn import learn_targets, stored_spacing
    from kerfbeat.present.calibration_words import TARGET_HEADINGS, target_rows, targets_document, targets_lines

    gathered = gather(log_paths, **source)
    stored = {name: stored_spacing(*pair) for name, pair in gathered.known.spacing_turns.items()}
    found = learn_targets(
        gathered.logs,
        channel,
        stored=stored.get(channel),
        reference=against,
        reference_spacing=None if against is None else stored.get(against),
        clocks=gathered.clocks,
    )
    results = [targets_result(found, gathered.machine, date=gathered.date, sources=gathered.sources)]
    results = results if found.worth_keeping else []
    lines = [table(TARGET_HEADINGS, target_rows(found)), *targets_lines(found)]
    keep_and_tell(
        gathered, results, targets_document(found), lines, dry_run=dry_run, as_json=as_json, warnings=found.warnings
    )
    if plot is not None:
        from kerfbeat.present.calibration_plot import plot_targets

        plot_targets(found, plot)


@calibrate.command(
    epilog=examples(
        "kerfbeat calibrate clock run.csv --machine saw.toml",
        "kerfbeat calibrate clock --port /dev/ttyUSB0 --machine saw.toml -o clock.csv --for 5min",
    )
)
@source_options
@json_option
@plot_option
def clock(*, log_paths: Sequence[Path], dry_run: bool, as_json: bool, plot: Path | None, **source: Any) -> None:
    """How fast does the board's clock run?

    Measured against this computer's clock by the exchanges that every recording holds; two minutes or more.
    """
    from kerfbeat.calibrate.clocks import clocks_of
    from kerfbeat.calibrate.keep import NO_IDENTITY, clock_result, has_identity
    from kerfbeat.present.calibration_words import clock_document, clock_lines

    gathered = gather(log_paths, **source)
    found = clocks_of(gathered.logs)
    results = [
        clock_result(result, gathered.machine, board, date=gathered.date, sources=gathered.sources)
        for board, result in found
        if has_identity(board)
    ]
    document = {"boards": [clock_document(board, result) for board, result in found]}
    lines = [line for board, result in found for line in clock_lines(board, result)]
    warnings = [NO_IDENTITY for board, _ in found if not has_identity(board)]
    keep_and_tell(gathered, results, document, lines, dry_run=dry_run, as_json=as_json, warnings=warnings)
    if plot is not None:
        from kerfbeat.present.calibration_plot import plot_clock

        plot_clock(found, plot)


@calibrate.command(
    epilog=examples(
        "kerfbeat calibrate wheel run.csv --machine saw.toml --length-error 1mm",
        "kerfbeat calibrate wheel run.csv --machine saw.toml --passes 40 --seconds 252s",
        "kerfbeat calibrate wheel run.csv --machine saw.toml --speed 41.2m/min --speed-error 0.2m/min",
    )
)
@source_options
@click.option("--blade-length", type=Quantity("length"), metavar="LENGTH", help="Blade length, if not in the file.")
@click.option(
    "--length-error", type=Quantity("length"), metavar="LENGTH",
    help="How well it was measured (standard uncertainty); without it 2 mm.",
)  # fmt: skip
@click.option("--passes", type=Whole(), metavar="N", help="Blade passes counted by eye while the log ran.")
@click.option("--seconds", type=Quantity("duration"), metavar="TIME", help="How long that took, by a stopwatch.")
@click.option("--speed", type=Quantity("speed"), metavar="SPEED", help="Blade speed by a reference instrument.")
@click.option("--speed-error", type=Quantity("speed"), metavar="SPEED", help="Its standard uncertainty.")
@json_option
@plot_option
def wheel(
    *,
    log_paths: Sequence[Path],
    blade_length: float | None,
    length_error: float | None,
    passes: int | None,
    seconds: float | None,
    speed: float | None,
    speed_error: float | None,
    dry_run: bool,
    as_json: bool,
    plot: Path | None,
    **source: Any,
) -> None:
    """What diameter gives the blade's true speed?

    From the blade's own passes (channel blade, or counted by eye with a stopwatch) and its length, or from another
    instrument's reading of the blade's speed.
    """
    from kerfbeat.calibrate.diameter import U_LENGTH_M, Counted, Reference, find_diameter
    from kerfbeat.calibrate.keep import wheel_result
    from kerfbeat.present.calibration_words import wheel_document, wheel_lines

    if (passes is None) != (seconds is None):
        raise click.UsageError("--passes and --seconds go together")
    if (speed is None) != (speed_error is None):
        raise click.UsageError("--speed and --speed-error go together")
    if passes is not None and speed is not None:
        raise click.UsageError("give either counted passes or a reference speed")
    gathered = gather(log_paths, **source)
    found, slip = find_diameter(
        gathered.logs,
        blade_length_m=blade_length,
        u_length_m=U_LENGTH_M if length_error is None else length_error,
        counted=None if passes is None or seconds is None else Counted(passes=passes, seconds=seconds),
        reference=None if speed is None or speed_error is None else Reference(m_per_s=speed, u_m_per_s=speed_error),
        clocks=gathered.clocks,
    )
    results = [wheel_result(found, gathered.machine, date=gathered.date, sources=gathered.sources)]
    results = results if found.plausible else []
    document, lines = wheel_document(found, slip), wheel_lines(found, slip)
    keep_and_tell(gathered, results, document, lines, dry_run=dry_run, as_json=as_json)
    if plot is not None:
        from kerfbeat.present.calibration_plot import plot_wheel

        plot_wheel(found, plot)


@calibrate.command(
    short_help="What are the chain's true ratio and the motor's slip?",
    epilog=examples(
        "kerfbeat calibrate drive sweep.csv --machine saw.toml",
        "kerfbeat calibrate drive low.csv high.csv --machine saw.toml --json",
    )
)
@source_options
@click.option("--gear", "gears", multiple=True, metavar="NAME", help="With --port: only this gear; may be given again.")
@click.option("--belt", metavar="NAME", help="With --port: the belt position that is in.")
@click.option("--exact-slip-law", is_flag=True, help="Take no-load slip as constant up to base frequency.")
@json_option
@plot_option
def drive(
    *,
    log_paths: Sequence[Path],
    gears: Sequence[str],
    belt: str | None,
    exact_slip_law: bool,
    dry_run: bool,
    as_json: bool,
    plot: Path | None,
    **source: Any,
) -> None:
    """What are the chain's true ratio and the motor's slip, and is it the chain that is described?

    From logs with the inverter's frequency marked, idle and steady at six frequencies or so in each gear, twenty
    seconds each; with --port it asks for them one after the other.  A wrong gear, belt position, pole count or pulley
    is named, or said to be a tie.

    How slip grows with frequency is seldom known, and leaves it uncertain by about ten rpm where only the wheel is
    seen.  A sensor on the motor brings that to about one; so does a display of 0.01 Hz (resolution_hz) with
    --exact-slip-law, if the law is known to hold.
    """
    from kerfbeat.calibrate.drive import calibrate_drive
    from kerfbeat.calibrate.keep import drive_results
    from kerfbeat.calibrate.points import steady_points_of
    from kerfbeat.present.sweep_words import (
        POINT_HEADINGS,
        RATIO_HEADINGS,
        drive_document,
        drive_lines,
        point_rows,
        ratio_rows,
    )

    if source["port"] is not None and not log_paths:
        from kerfbeat.cli.guided import swept_log

        log_paths = [swept_log(gears=gears, belt=belt, **source)]
        source["port"] = None
    gathered = gather(log_paths, **source)
    points, reasons = steady_points_of(gathered.logs, clocks=gathered.clocks)
    found = calibrate_drive(points, gathered.machine, exact_law=exact_slip_law, reasons=reasons)
    results = drive_results(found, gathered.machine, date=gathered.date, sources=gathered.sources)
    document = {**drive_document(found), "left_out": reasons}
    tables = table(POINT_HEADINGS, point_rows(found), left=3), table(RATIO_HEADINGS, ratio_rows(found.ratios), left=2)
    keep_and_tell(
        gathered, results, document, [*tables, *drive_lines(found)], dry_run=dry_run, as_json=as_json,
        warnings=[*reasons, *found.warnings],
    )  # fmt: skip
    if plot is not None:
        from kerfbeat.present.calibration_plot import plot_drive

        plot_drive(found, plot)
