"""Which commands find the setting for a speed or a material?"""

from collections.abc import Sequence
from pathlib import Path

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._page import echo_notes, echo_table
from kerfbeat.cli._show import FILE, Quantity, examples, json_option, plot_option, print_json, unit_option

__all__ = ["choose", "materials"]

THICKNESS = click.option(
    "--thickness", type=Quantity("length"), metavar="LENGTH", help="Length of the cut, such as 100mm or 4in."
)
DRY = click.option("--dry", is_flag=True, help="Without cutting fluid.")
CARBON = click.option("--carbon-band", is_flag=True, help="A carbon-steel band instead of a bimetal one.")


@click.command(
    epilog=examples(
        "kerfbeat choose saw.toml --speed 80m/min",
        "kerfbeat choose saw.toml --material 4140 --thickness 2in --dry",
    )
)
@click.argument("machine", type=FILE)
@click.option("--speed", type=Quantity("speed"), metavar="SPEED", help="Wanted blade speed, such as 80m/min.")
@click.option("--material", metavar="NAME", help='Material to cut, such as 4140 or "mild steel".')
@THICKNESS
@DRY
@CARBON
@unit_option
@json_option
@plot_option
def choose(
    *,
    machine: Path,
    speed: float | None,
    material: str | None,
    thickness: float | None,
    dry: bool,
    carbon_band: bool,
    unit: str | None,
    as_json: bool,
    plot: Path | None,
) -> None:
    """Find the settings that give a blade speed, or suit a material; best torque first.

    Ranked by the pull along the blade that the motor can give for hours; settings that may pass a limit come last, and
    "gives it at" leaves them out.  What `kerfbeat calibrate` has found of the machine takes the place of what is
    described.  Speeds for materials are starting points: the blade maker's figures and the practice of your shop come
    first.
    """
    from kerfbeat.cli._known import known_beside
    from kerfbeat.drive import material as materials_
    from kerfbeat.drive.calibrated import calibrated_words
    from kerfbeat.drive.choose import choose as find
    from kerfbeat.machine import belt_choices, gear_choices, load_machine
    from kerfbeat.present import chosen
    from kerfbeat.present.predicted import basis_of, basis_words, setting_words, speed_unit

    if (speed is None) == (material is None):
        raise click.UsageError("give either --speed 80m/min or --material NAME")
    if material is None and (thickness is not None or dry or carbon_band):
        raise click.UsageError("--thickness, --dry and --carbon-band go with --material; a --speed is taken as it is")
    described = load_machine(machine)
    found = None if material is None else materials_.one_material(material)
    if found is not None:
        wanted = found.speed_range(thickness_m=thickness, dry=dry, carbon_band=carbon_band)
    else:
        assert speed is not None
        wanted = materials_.SpeedRange(low_m_per_s=speed, high_m_per_s=speed)
    held = known_beside(machine, described)
    choices = find(described, wanted, known=held)
    inch, asked, notes = described.lengths == "inch", "", []
    if found is not None:
        cut = chosen.cut_words(found.name, thickness_m=thickness, dry=dry, carbon_band=carbon_band, inch=inch)
        asked = f"{cut}: "
        notes = [f"Source: {found.source}.", *chosen.speed_notes([found], thickness_m=thickness, inch=inch)]
    measured = calibrated_words([choice.curve for choice in choices], held)
    first = speed_unit(described, unit)
    if plot is not None:
        from kerfbeat.present.drive_plot import plot_choices

        plot_choices(described, choices, wanted, plot, unit=first, basis=basis_of(measured))
    if as_json:
        print_json(chosen.choice_document(described, wanted, choices, found, calibration=measured, notes=notes))
        return
    asked += chosen.range_words(wanted, first)
    echo(f"{described.name}: settings for {asked}, {basis_words(measured)}; best first\n")
    belts, gears = bool(belt_choices(described)), bool(gear_choices(described))
    headings, cells = chosen.choice_rows(choices, unit=first, belts=belts, gears=gears)
    echo_table(headings, cells, left=1 + belts + gears, spare=("motor rpm", "gives it at"))
    cautions = [
        f"{place}  {setting_words(choice.prediction.setting)}: {text}."
        for place, choice in enumerate(choices, start=1)
        for text in choice.prediction.warnings
    ]
    echo_notes("Cautions", cautions)
    echo_notes("Calibrated", measured)
    echo_notes("Speeds", notes)


@click.command(epilog=examples("kerfbeat materials stainless", "kerfbeat materials --thickness 2in --dry"))
@click.argument("words", nargs=-1)
@THICKNESS
@DRY
@CARBON
@click.option(
    "--unit", type=click.Choice(["m/min", "ft/min"]), default="m/min", help="The speed unit that comes first."
)
@json_option
def materials(
    *, words: Sequence[str], thickness: float | None, dry: bool, carbon_band: bool, unit: str, as_json: bool
) -> None:
    """Search the table of band speeds by material; without WORDS it lists the groups.

    Each row is a range, with its source.  Without --thickness it spans stock from 1/4 in to 8 in; beyond these ends
    their speeds are given, and said to be theirs.
    """
    from kerfbeat.drive.material import GROUPS, find_materials
    from kerfbeat.present import chosen

    found = find_materials(" ".join(words)) if words else GROUPS
    rows = [
        (material, material.speed_range(thickness_m=thickness, dry=dry, carbon_band=carbon_band)) for material in found
    ]
    notes = chosen.speed_notes(found, thickness_m=thickness, inch=unit == "ft/min")
    if as_json:
        print_json(chosen.material_document(rows, notes))
        return
    headings, cells = chosen.material_rows(rows, unit=unit)
    echo_table(headings, cells, left=len(headings) - 3)
    echo_notes("Speeds", notes)
