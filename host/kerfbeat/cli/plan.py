"""Which commands plan a change: another drive, or sensors on the machine?"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._page import echo_facts, echo_notes, echo_table
from kerfbeat.cli._show import FILE, Hertz, Quantity, examples, json_option, plot_option, print_json, unit_option

if TYPE_CHECKING:
    from kerfbeat.drive.material import SpeedRange
    from kerfbeat.machine import Machine

__all__ = ["mount", "size"]

MACHINE = click.argument("machine", type=FILE)


class Section(click.Choice):  # type: ignore[type-arg]  # generic in newer releases of click only
    """A classical V-belt section of which lengths are known, in either case."""

    def __init__(self) -> None:
        super().__init__(["A", "B", "C"])

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take the letter as the standard writes it."""
        return super().convert(str(value).upper(), param, ctx)


@click.command(
    epilog=examples(
        "kerfbeat size saw.toml",
        "kerfbeat size saw.toml --low 20m/min --high 90m/min --min-hz 25 --max-hz 80 --plot change.pdf",
    )
)
@MACHINE
@click.option("--low", type=Quantity("speed"), metavar="SPEED", help="Slow end of the wanted blade range.")
@click.option("--high", type=Quantity("speed"), metavar="SPEED", help="Fast end of the wanted blade range.")
@click.option("--stage", metavar="NAME", help="Belt to replace, by name or number; else the one that varies.")
@click.option("--gear", "gears", multiple=True, metavar="NAME", help="Gear to use; may be given again. All without it.")
@click.option("--min-hz", type=Hertz(), metavar="HZ", help="Lowest hertz the inverter may be set to.")
@click.option("--max-hz", type=Hertz(), metavar="HZ", help="Highest hertz the inverter may be set to.")
@click.option("--driver", type=Quantity("length"), metavar="LENGTH", help="Check this driving pulley (pitch diameter).")
@click.option("--driven", type=Quantity("length"), metavar="LENGTH", help="Driven pulley to use; else today's.")
@click.option("--centre", type=Quantity("length"), metavar="LENGTH", help="Distance of the two shafts.")
@click.option(
    "--section",
    type=Section(),
    help="Classical V-belt section.",
)
@click.option("--belt-mass", type=Quantity("linear density"), metavar="KG/M", help="Belt mass per length.")
@click.option("--belt-stiffness", type=Quantity("force"), metavar="FORCE", help="Force per unit stretch: tells creep.")
@click.option(
    "--hum", type=Hertz(), metavar="HZ", help="Measured note of a plucked span: checks tension."
)
@click.option("--friction", type=float, metavar="MU", help="Belt on pulley, about 0.3; else what designers count on.")
@click.option("--groove", type=Quantity("angle"), metavar="ANGLE", help="Wedge angle of the groove, such as 38deg.")
@unit_option
@json_option
@plot_option
def size(
    *,
    machine: Path,
    low: float | None,
    high: float | None,
    gears: Sequence[str],
    min_hz: float | None,
    max_hz: float | None,
    section: str | None,
    unit: str | None,
    as_json: bool,
    plot: Path | None,
    **sizes: Any,
) -> None:
    """Find the fixed pulley and inverter limits for a wanted blade range, beside the drive of today.

    Without --low and --high the range of today is wanted.  Without --min-hz and --max-hz the machine file's inverter
    limits are used, else half to double the motor's base frequency.  The pulley puts the range in the middle of them.

    Before any change: lock out; guards back on before the first run; the makers of motor, blade and inverter, local
    rules and a licensed electrician come before this advice.
    """
    from kerfbeat.drive.arrange import arrange
    from kerfbeat.drive.belt_fit import BeltFacts
    from kerfbeat.machine import load_machine
    from kerfbeat.present import arrangement
    from kerfbeat.present.numbers import other_unit
    from kerfbeat.present.predicted import speed_unit

    described = load_machine(machine)
    wish: dict[str, Any] = {
        "wanted": _pair(low, high, "--low and --high"),
        "stage": sizes["stage"],
        "gears": _known_gears(described, gears),
        "limits_hz": _hz_pair(min_hz, max_hz),
        "driver_m": sizes["driver"],
        "driven_m": sizes["driven"],
        "centre_m": sizes["centre"],
        "section": section,
        "facts": BeltFacts(
            density_kg_per_m=sizes["belt_mass"],
            stiffness_n=sizes["belt_stiffness"],
            hum_hz=sizes["hum"],
            friction=sizes["friction"],
            groove_rad=sizes["groove"],
        ),
    }
    made = arrange(described, **wish)
    first = speed_unit(described, unit)
    if plot is not None:
        from kerfbeat.present.arrangement_plot import plot_arrangement

        plot_arrangement(arrange(described, **wish, points=241), plot, unit=first)
    if as_json:
        print_json(arrangement.arrangement_document(made))
        return
    echo(f"{described.name}: one fixed pulley and an inverter, predicted\n")
    echo_facts(arrangement.arrangement_lines(made, unit=first))
    headings, cells = arrangement.comparison_rows(made, unit=first)
    echo("\nOld and new at one blade speed, full load, before losses; – out of reach\n")
    echo_table(headings, cells, left=headings[0] == "gear", spare=("power", other_unit(first)))
    if any(line[-1] for line in cells):
        echo("\nx: a limit may be passed; not to be used")
    echo_notes("Cautions", arrangement.arrangement_cautions(made))


@click.command(epilog=examples("kerfbeat mount saw.toml", "kerfbeat mount saw.toml --mass 5g --radius 150mm"))
@MACHINE
@click.option("--low", type=Quantity("speed"), metavar="SPEED", help="Slowest blade speed; else what the drive gives.")
@click.option("--high", type=Quantity("speed"), metavar="SPEED", help="Fastest blade speed.")
@click.option("--mass", type=Quantity("mass"), default="5g", show_default=True, help="Mass of one target.")
@click.option("--radius", type=Quantity("length"), help="Where the targets sit; else the rim of the blade wheel.")
@json_option
@plot_option
def mount(
    *,
    machine: Path,
    low: float | None,
    high: float | None,
    mass: float,
    radius: float | None,
    as_json: bool,
    plot: Path | None,
) -> None:
    """Tell what the sensors will see: pulses, readings, orders, and the force on a target.

    A target that comes off flies: fix it so that it cannot come off if the glue fails, and stand out of its plane at
    the first run.
    """
    from kerfbeat.drive.mount import plan_mount
    from kerfbeat.machine import load_machine
    from kerfbeat.present import mounting

    described = load_machine(machine)
    plan = plan_mount(described, blade=_pair(low, high, "--low and --high"), mass_kg=mass, radius_m=radius)
    if plot is not None:
        from kerfbeat.present.mount_plot import plot_mount

        plot_mount(described, plan, plot)
    if as_json:
        print_json(mounting.mount_document(described, plan))
        return
    echo(f"{described.name}: sensors over the whole speed range; targets of {mass * 1e3:g} g\n")
    headings, cells = mounting.mount_rows(plan)
    echo_table(headings, cells, spare=("resolution", "input", "orders seen", "pulses/s"))
    echo_notes("What can be seen", mounting.mount_lines(plan))
    echo_notes("Cautions", [*(f"{text}." for text in plan.warnings), *mounting.FLYING])


def _pair(low: float | None, high: float | None, names: str) -> "SpeedRange | None":
    from kerfbeat.drive.material import SpeedRange

    if low is None and high is None:
        return None
    if low is None or high is None:
        raise click.UsageError(f"give both {names}, or neither")
    return SpeedRange(low_m_per_s=low, high_m_per_s=high)


def _hz_pair(min_hz: float | None, max_hz: float | None) -> tuple[float, float] | None:
    if min_hz is None and max_hz is None:
        return None
    if min_hz is None or max_hz is None:
        raise click.UsageError("give both --min-hz and --max-hz, or neither")
    return min_hz, max_hz


def _known_gears(described: "Machine", gears: Sequence[str]) -> list[str] | None:
    from kerfbeat.machine import gear_choices
    from kerfbeat.machine.stages import pick

    return [pick(gear, gear_choices(described), what="gear") for gear in gears] or None
