"""Which commands describe a machine and predict its speeds?"""

import sys
from pathlib import Path

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._page import echo_notes, echo_table
from kerfbeat.cli._show import FILE, examples, json_option, plot_option, refuse_existing, unit_option
from kerfbeat.whole_file import write_whole

__all__ = ["describe", "predict"]

@click.command(epilog=examples("kerfbeat describe -o saw.toml", "kerfbeat describe -o saw.toml < answers.txt"))
@click.option("-o", "--output", type=FILE, metavar="FILE", help="Machine file to write.")
@click.option("--replace", is_flag=True, help="Write over a file that exists.")
def describe(output: Path | None, replace: bool) -> None:
    """Ask for a machine in the words of the shop and write its file.

    Each answer is checked at once, and < goes back to the question before.  Answers may also come from a file or a
    pipe, one line to each question; then the first wrong one ends it.  Without -o the file's text is printed.

    Switch off and lock out the machine before you measure pulleys or the wheel; an inverter's terminals stay live
    for the minutes its label states.
    """
    from kerfbeat.machine.describe import describe_machine
    from kerfbeat.machine.interview import BACK, Interview

    if output is not None:
        refuse_existing(output, replace=replace)
    if output is not None and not output.parent.is_dir():
        raise click.UsageError(f"{output.parent}: no such folder; make it first, or choose another")
    person = sys.stdin.isatty()
    if person:
        echo(
            f"Quantities with their unit (330 mm, 13 in, 1.5 kW). {BACK} goes back a question. Ctrl-C ends; nothing is "
            "written then.",
            err=True,
        )
    interview = Interview(
        read=_ask_person if person else _read_line,
        say=lambda text: echo(f"  {text}", err=True),
        again=person,
    )
    text = describe_machine(interview)
    if output is None:
        echo(text, nl=False, wrap=False)
        return
    try:
        write_whole(output, text.encode("utf-8"), new=not replace)
    except OSError:
        echo(text, nl=False, wrap=False)  # the answers are not lost
        raise
    echo(f"{output} is written; see its speeds with: kerfbeat predict {output}", err=True)


def _ask_person(question: str) -> str:
    echo(f"{question} ", nl=False, err=True)
    return input()


def _read_line(_question: str) -> str:
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line


@click.command(epilog=examples("kerfbeat predict saw.toml", "kerfbeat predict saw.toml --hz 20:80:5 --gear low --json"))
@click.argument("machine", type=FILE)
@click.option("--hz", metavar="LIST", help="Frequencies: 45, or 20,35,50, or from:to:step as 20:80:0.5.")
@click.option("--belt", metavar="NAME", help="This belt position only.")
@click.option("--gear", metavar="NAME", help="This gear only.")
@unit_option
@json_option
@plot_option
def predict(
    *,
    machine: Path,
    hz: str | None,
    belt: str | None,
    gear: str | None,
    unit: str | None,
    as_json: bool,
    plot: Path | None,
) -> None:
    """Tell the blade speed of every setting, from no load to full load.

    Frequencies are round ones between the inverter's limits unless --hz says others.  "Band" is where a healthy
    machine should be found: belt creep and the measured diameters widen it.  "Torque" and "power" are parts of the
    nameplate's at full load; "torque for hours" is what the motor's cooling allows.  What `kerfbeat calibrate` has
    found of the machine takes the place of what is described.
    """
    from kerfbeat.cli._known import known_beside
    from kerfbeat.drive.assumptions import describe_assumptions
    from kerfbeat.drive.calibrated import calibrated_curves, calibrated_words
    from kerfbeat.drive.chain import require_motor
    from kerfbeat.drive.frequency import fine_hz, frequencies_hz, listed_hz
    from kerfbeat.machine import belt_choices, gear_choices, load_machine
    from kerfbeat.present import predicted
    from kerfbeat.present.numbers import other_unit

    described = load_machine(machine)
    require_motor(described)
    chosen = {"belts": [belt] if belt else None, "gears": [gear] if gear else None}
    supply_hz = listed_hz(described) if hz is None else frequencies_hz(hz)
    held = known_beside(machine, described)
    curves = calibrated_curves(described, held, supply_hz=supply_hz, **chosen)
    rows = [row for curve in curves for row in curve.predictions()]
    measured = calibrated_words(curves, held)
    assumed = describe_assumptions(described, curves, held)
    if plot is not None:
        from kerfbeat.present.drive_plot import plot_speed_curves

        wide_hz = fine_hz(described) if hz is None else supply_hz
        wide = calibrated_curves(described, held, supply_hz=wide_hz, **chosen)
        basis, first = predicted.basis_of(measured), predicted.speed_unit(described, unit)
        plot_speed_curves(described, wide, plot, unit=first, basis=basis)
    if as_json:
        for piece in predicted.prediction_json(described, rows, assumptions=assumed, calibration=measured):
            click.echo(piece, nl=False)
        return
    first = predicted.speed_unit(described, unit)
    belts, gears = bool(belt_choices(described)), bool(gear_choices(described))
    headings, cells = predicted.prediction_rows(rows, unit=first, belts=belts, gears=gears)
    echo(f"{described.name}: speeds {predicted.basis_words(measured)}; full load – no load\n")
    echo_table(headings, cells, left=belts + gears, spare=("motor rpm", "wheel rpm", "power", other_unit(first)))
    echo_notes("Cautions", predicted.caution_lines(rows))
    echo_notes("Calibrated", measured)
    echo_notes("Assumed", assumed)
