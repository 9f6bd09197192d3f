"""Which command plays a simulated machine?"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._progress import span_progress
from kerfbeat.cli._show import FILE, Hertz, Quantity, Whole, examples, json_option, print_json, table

if TYPE_CHECKING:
    from kerfbeat.machine import Machine

__all__ = ["play", "simulate"]



@click.command(
    epilog=examples(
        "kerfbeat simulate cut -o cut.csv --truth cut.json --seed 3",
        "kerfbeat simulate sweep -o sweep.csv --machine saw.toml --gear high --set points=8",
        'kerfbeat simulate steady -o lumpy.csv --set belt_lump="0.2 %" --set jitter="15 us"',
        "kerfbeat simulate --list",
    )
)
@click.argument("scenario", required=False)
@click.option("-o", "--output", type=FILE, metavar="LOG", help="Log to write.")
@click.option("--truth", type=FILE, metavar="FILE", help="Write what is true of the run, as JSON.")
@click.option("--edges", type=FILE, metavar="FILE", help="Write the pin changes for the emulated board.")
@click.option("--seed", type=Whole(least=0), metavar="N", default=0, show_default=True, help="One seed gives one run.")
@click.option("--machine", metavar="M", help="Machine file, or a demo machine (saw, grinder). Default: saw.")
@click.option("--real-machine", metavar="M", help="What really stands there, if the description is to be wrong.")
@click.option("--duration", type=Quantity("duration"), metavar="TIME", help="Length of the run, as 10min.")
@click.option("--hz", type=Hertz(), metavar="HZ", help="Inverter frequency.")
@click.option("--gear", metavar="NAME", help="Gear.")
@click.option("--belt", metavar="NAME", help="Belt position.")
@click.option("--set", "settings", multiple=True, metavar="NAME=VALUE", help="Set anything else; see --list.")
@click.option("--list", "listed", is_flag=True, help="List the scenarios and everything that can be set.")
@json_option
def simulate(
    *,
    scenario: str | None,
    output: Path | None,
    truth: Path | None,
    edges: Path | None,
    seed: int,
    machine: str | None,
    real_machine: str | None,
    duration: float | None,
    hz: float | None,
    gear: str | None,
    belt: str | None,
    settings: Sequence[str],
    listed: bool,
    as_json: bool,
) -> None:
    """Play a machine with known truth and write its log.

    The machine is physics (motor, inverter, belts that creep and slip, cutting load), so that everything that reads
    logs can be judged by the truth file. The numbers in it are invented, never a measurement.
    """
    from kerfbeat.machine import named_machine

    if listed:
        echo(listing())
        return
    if scenario is None:
        raise click.UsageError("no scenario given; write one of kerfbeat simulate --list")
    if output is None and edges is None:
        raise click.UsageError("nothing to write; add -o LOG")
    chosen: dict[str, str | float] = {}
    for text in settings:
        name, equals, value = text.partition("=")
        if not equals:
            raise click.UsageError(f'--set {text}: write NAME=VALUE, such as --set jitter="15 us"')
        chosen[name] = value
    options = {"duration_s": duration, "hz": hz, "gear": gear, "belt": belt}
    chosen.update({name: value for name, value in options.items() if value is not None})
    document = play(
        scenario,
        output=output,
        truth=truth,
        edges=edges,
        seed=seed,
        machine=named_machine(machine or "saw"),
        real_machine=named_machine(real_machine) if real_machine else None,
        settings=chosen,
    )
    if as_json:
        print_json(document)
    else:
        echo(summary(document))


def play(
    scenario: str,
    *,
    output: Path | None,
    truth: Path | None,
    edges: Path | None,
    seed: int,
    machine: "Machine",
    real_machine: "Machine | None",
    settings: dict[str, str | float],
) -> dict[str, Any]:
    """Play a scenario into the files asked for; returns what was written and the truth without its long lists."""
    from kerfbeat.simulate import World, simulate_log
    from kerfbeat.simulate.pins import write_pins
    from kerfbeat.whole_file import write_whole

    if truth is not None and truth.exists():
        raise click.UsageError(f"{truth} exists already; choose another name")
    if truth is not None and output is None:
        raise click.UsageError("--truth tells of a log; add -o LOG")
    document: dict[str, Any] = {"scenario": scenario, "machine": machine.name, "seed": seed}
    if output is not None:
        with span_progress("simulated") as progress:
            known = simulate_log(
                scenario,
                machine,
                output,
                seed=seed,
                settings=settings,
                real_machine=real_machine,
                progress=progress,
            )
        if truth is not None:
            write_whole(truth, json.dumps(known, allow_nan=False, separators=(",", ":")).encode(), new=True)
        kept = ("scenario", "duration_s", "mean_blade_m_per_s", "mean_hz", "steady", "events")
        document |= {name: known[name] for name in kept}
        document["channels"] = {
            name: {key: each[key] for key in ("passes", "pulses", "missing", "extra")}
            for name, each in known["channels"].items()
        }
    if edges is not None:
        world = World(scenario, machine, seed=seed, settings=settings, real_machine=real_machine)
        document["edges"] = write_pins(world, edges)
    document["written"] = [str(path) for path in (output, truth, edges) if path is not None]
    return document


def summary(document: dict[str, Any]) -> str:
    """What was written, in words."""
    lines = [f"{document['scenario']} on {document['machine']}, seed {document['seed']} (simulated)"]
    if "channels" in document:
        rows = [
            (name, str(each["pulses"]), str(each["missing"]), str(each["extra"]))
            for name, each in document["channels"].items()
        ]
        lines += [table(("channel", "pulses", "missing", "extra"), rows)]
    return "\n".join([*lines, f"written: {', '.join(document['written'])}"])


def listing() -> str:
    """The scenarios and the parameters, as text."""
    from kerfbeat.simulate import SCENARIOS
    from kerfbeat.simulate.parameters import describe

    scenarios = table(
        ("scenario", "what happens", "length s"),
        [(each.name, each.summary, f"{each.duration_s:g}") for each in SCENARIOS],
        left=2,
    )
    parameters = table(("NAME", "default", "meaning"), describe(), left=3)
    return f"{scenarios}\n\nWhat --set NAME=VALUE can change (seconds, Hz, fractions, or with a unit):\n\n{parameters}"
