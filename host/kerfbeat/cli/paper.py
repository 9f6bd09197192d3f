"""Which commands print what hangs at the machine: door chart, speed dial, marking strip?"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._show import FILE, Quantity, examples, paper_option, refuse_existing, unit_option

__all__ = ["chart", "dial", "strip"]

Function = TypeVar("Function", bound=Callable[..., Any])

GEARS = click.option(
    "--gear", "gears", multiple=True, metavar="NAME", help="Gear to show; may be given again. All without it."
)
BELTS = click.option(
    "--belt", "belts", multiple=True, metavar="NAME", help="Belt position to show; may be given again."
)


def pdf_option(function: Function) -> Function:
    """Add `-o FILE.pdf` and `--replace` (arguments output, replace)."""
    replace = click.option("--replace", is_flag=True, help="Write over a file that exists.")
    return click.option("-o", "--output", type=FILE, required=True, metavar="FILE", help="PDF to write.")(
        replace(function)
    )


def checked_output(output: Path, replace: bool) -> Path:
    """Refuse a file that is no PDF or exists already, before any work is done."""
    if output.suffix.lower() != ".pdf":
        raise click.UsageError(f"{output} is no PDF name; end it with .pdf")
    refuse_existing(output, replace=replace)
    return output


@click.command(
    epilog=examples("kerfbeat chart saw.toml -o door.pdf", "kerfbeat chart saw.toml -o door.pdf --paper letter")
)
@click.argument("machine", type=FILE)
@pdf_option
@paper_option
@GEARS
@BELTS
@click.option("--material", "names", multiple=True, metavar="NAME", help="Band speeds to show; may be given again.")
@unit_option
def chart(
    *,
    machine: Path,
    output: Path,
    replace: bool,
    paper: str,
    gears: Sequence[str],
    belts: Sequence[str],
    names: Sequence[str],
    unit: str | None,
) -> None:
    """Print a speed chart for the machine's door: speed over hertz, materials, zones not to be used.

    Speeds are predicted from the machine file and what `kerfbeat calibrate` has found; the page says which.
    """
    from kerfbeat.cli._known import known_beside
    from kerfbeat.drive.calibrated import calibrated_curves, calibrated_words
    from kerfbeat.drive.frequency import fine_hz, listed_hz
    from kerfbeat.drive.material import GROUPS, one_material
    from kerfbeat.machine import load_machine
    from kerfbeat.present.chart import draw_chart
    from kerfbeat.present.predicted import basis_of, speed_unit

    path = checked_output(output, replace)
    described = load_machine(machine)
    held = known_beside(machine, described)
    chosen = {"belts": belts or None, "gears": gears or None}
    curves = calibrated_curves(described, held, supply_hz=fine_hz(described), **chosen)
    left_out = draw_chart(
        described,
        curves,
        list(listed_hz(described)),
        path,
        unit=speed_unit(described, unit),
        paper=paper,
        basis=basis_of(calibrated_words(curves, held)),
        materials=[one_material(name) for name in names] or GROUPS,
    )
    echo(f"{path}: one page, {paper}. {basis_of(calibrated_words(curves, held))}", err=True)
    if names and left_out:
        shown = ", ".join(material.name for material in left_out)
        echo(f"left out, because no speed of this machine suits them: {shown}", err=True)


@click.command(
    epilog=examples(
        "kerfbeat dial saw.toml -o dial.pdf --diameter 90mm --hole 10mm",
        "kerfbeat dial saw.toml -o dial.pdf --at -140deg=20Hz --at 0deg=45Hz --at 140deg=80Hz",
    )
)
@click.argument("machine", type=FILE)
@pdf_option
@paper_option
@click.option(
    "--diameter", type=Quantity("length"), default="90mm", show_default=True, help="Outer diameter of the dial."
)
@click.option("--hole", type=Quantity("length"), default="10mm", show_default=True, help="Hole for the knob's shaft.")
@click.option(
    "--from", "from_rad", type=Quantity("angle"), default="-135deg", show_default=True, help="Knob fully down."
)
@click.option("--to", "to_rad", type=Quantity("angle"), default="135deg", show_default=True, help="Knob fully up.")
@click.option("--at", "pairs", multiple=True, metavar="ANGLE=HZ", help="A measured place of the knob; two or more.")
@GEARS
@BELTS
@unit_option
def dial(
    *,
    machine: Path,
    output: Path,
    replace: bool,
    paper: str,
    diameter: float,
    hole: float,
    from_rad: float,
    to_rad: float,
    pairs: Sequence[str],
    gears: Sequence[str],
    belts: Sequence[str],
    unit: str | None,
) -> None:
    """Print a true-size dial face for the inverter's speed knob: blade speed in each gear, and hertz.

    Angles are degrees clockwise from straight up.  With --from and --to the knob is taken as linear between the
    inverter's limits; with --at its measured places are used instead.

    An inverter's terminals stay live for minutes after switch-off: obey the time on its label before you open it.
    """
    from kerfbeat.cli._known import known_beside
    from kerfbeat.drive.calibrated import calibrated_curves, calibrated_words
    from kerfbeat.drive.frequency import fine_hz
    from kerfbeat.machine import load_machine
    from kerfbeat.present import dial as dials
    from kerfbeat.present.predicted import basis_of, speed_unit

    path = checked_output(output, replace)
    described = load_machine(machine)
    knob = dials.typed_knob(pairs) if pairs else dials.even_knob(from_rad, to_rad, fine_hz(described))
    held = known_beside(machine, described)
    chosen = {"belts": belts or None, "gears": gears or None}
    curves = calibrated_curves(described, held, supply_hz=knob.fine_hz(), **chosen)
    first = speed_unit(described, unit)
    face = dials.plan_rings(curves, knob, unit=first, diameter_mm=diameter * 1e3)
    dials.draw_dial(
        face, knob, path, title=described.name, unit=first,
        basis=basis_of(calibrated_words(curves, held)), paper=paper, diameter_mm=diameter * 1e3,
        hole_mm=hole * 1e3,
    )  # fmt: skip
    echo(f"{path}: one page, {paper}; print it at 100 % and measure the scale bars", err=True)


@click.command(
    epilog=examples(
        "kerfbeat strip -o strip.pdf --diameter 120mm --targets 8",
        "kerfbeat strip saw.toml -o strip.pdf --diameter 4in",
    )
)
@click.argument("machine", type=FILE, required=False)
@pdf_option
@paper_option
@click.option("--diameter", type=Quantity("length"), help="Hub or rim to wrap, measured; else the blade wheel.")
@click.option("--targets", type=int, metavar="N", help="How many; else as the machine file says for --channel.")
@click.option("--channel", metavar="C", default="wheel", show_default=True, help="The machine file's sensor it is for.")
@click.option("--width", type=Quantity("length"), default="15mm", show_default=True, help="Width of the strip.")
@click.option(
    "--thickness", type=Quantity("length"), default="0.1mm", show_default=True, help="Of the paper, with tape."
)
def strip(
    *,
    machine: Path | None,
    output: Path,
    replace: bool,
    paper: str,
    diameter: float | None,
    targets: int | None,
    channel: str,
    width: float,
    thickness: float,
) -> None:
    """Print a true-size strip that wraps round a hub or rim and divides it evenly.

    As dark and light fields it serves a reflective sensor; as a template it shows where magnets or screws go.  A strip
    does not hold them: a target that comes off flies.  Lock out before you reach in.
    """
    from kerfbeat.present.numbers import counted
    from kerfbeat.present.strip import draw_strip, plan_strip, strip_sizes

    path = checked_output(output, replace)
    described = None
    if machine is not None:
        from kerfbeat.machine import load_machine

        described = load_machine(machine)
    hub_m, count = strip_sizes(described, channel=channel, diameter_m=diameter, targets=targets)
    plan = plan_strip(diameter_m=hub_m, targets=count, paper=paper, width_m=width, thickness_m=thickness)
    draw_strip(plan, path)
    echo(
        f"{path}: {plan.length_mm:.2f} mm in {counted(len(plan.tiles), 'piece')} on {counted(plan.pages, 'page')}; "
        "print it at 100 % and measure the scale bars",
        err=True,
    )
    if diameter is None:
        echo(
            f"taken: the blade wheel's {hub_m * 1e3:g} mm. A strip there lies beside the blade's track, never under "
            "the blade; for a hub or an inner rim measure that and give --diameter.",
            err=True,
        )
