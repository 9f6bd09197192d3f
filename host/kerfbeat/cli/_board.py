"""How does a command reach the board, its machine file and its setting?"""

import contextlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import parse_qsl, quote, urlsplit

import click

from kerfbeat.cli._echo import echo
from kerfbeat.cli._show import FILE, Whole, warn
from kerfbeat.present.text import harmless

if TYPE_CHECKING:
    from kerfbeat.capture.greeting import Trace
    from kerfbeat.capture.link import BoardLink
    from kerfbeat.capture.wire import Frame
    from kerfbeat.machine import Machine, Sensor, Setting

__all__ = ["board_options", "chosen_machine", "chosen_setting", "open_board", "required_port", "setting_options"]

Function = TypeVar("Function", bound=Callable[..., Any])

SIMULATED_MACHINE = "saw"  # the demo machine behind sim:// where no machine file is given


def board_options(function: Function) -> Function:
    """Add `--port`, `--machine`, `--baud` and `--trace` (arguments port, machine_path, baud, trace)."""
    for option in (
        click.option("--trace", is_flag=True, help="Show every frame with its time on standard error."),
        click.option("--baud", type=Whole(), metavar="RATE", help="Baud rate; else it is found."),
        click.option(
            "--machine",
            "machine_path",
            type=FILE,
            metavar="M",
            help="Machine file (kerfbeat describe writes one). With sim:// it may be left out.",
        ),
        click.option(
            "--port",
            metavar="P",
            help="Serial port (/dev/ttyUSB0, COM3), socket://HOST:PORT, or sim:// for a simulated saw.",
        ),
    ):
        function = option(function)
    return function


def setting_options(function: Function) -> Function:
    """Add `--hz`, `--gear` and `--belt` (arguments of these names)."""
    for option in (
        click.option("--belt", metavar="NAME", help="Belt position, by name or number."),
        click.option("--gear", metavar="NAME", help="Gear, by name or number."),
        click.option("--hz", metavar="HERTZ", help="Frequency that the inverter shows."),
    ):
        function = option(function)
    return function


def chosen_machine(machine_path: Path | None, *, port: str) -> "Machine":
    """The machine of the file; that of a simulated port if none is given."""
    from kerfbeat.capture.ports import is_simulated
    from kerfbeat.machine import load_machine, named_machine

    if machine_path is not None:
        return load_machine(machine_path)
    if is_simulated(port):
        return named_machine(dict(parse_qsl(urlsplit(port).query)).get("machine", SIMULATED_MACHINE))
    raise click.UsageError(
        "no machine file given; add --machine M (kerfbeat describe -o M asks the questions and writes one)"
    )


def chosen_setting(machine: "Machine", *, hz: str | None, gear: str | None, belt: str | None) -> "Setting":
    """The setting that the options state; wrong ones are told with what would be right, odd ones are warned of."""
    from kerfbeat.machine import Setting, belt_choices, gear_choices
    from kerfbeat.present.entry import beyond_inverter, choice_of, hz_of

    stated_hz = None if hz is None else hz_of(hz)
    odd = beyond_inverter(stated_hz, machine.inverter)
    if odd is not None:
        warn(odd)
    return Setting(
        hz=stated_hz,
        gear=None if gear is None else choice_of(gear, gear_choices(machine), what="gear"),
        belt=None if belt is None else choice_of(belt, belt_choices(machine), what="belt"),
    )


def required_port(port: str | None, machine_path: Path | None) -> str:
    """The port; if none is given, the message names those that were found.

    A simulated port runs the machine of the file, unless its address names one.
    """
    if port is not None:
        from kerfbeat.capture.ports import SIMULATED, is_simulated

        parts = urlsplit(port)
        if port.partition(":")[0].casefold() == "sim" and not is_simulated(port):
            raise click.UsageError(f'"{harmless(port)}" is no port; the simulated saw is written {SIMULATED}')
        if is_simulated(port):
            _require_real_time(parts.query)
        if machine_path is None or not is_simulated(port) or "machine=" in parts.query:
            return port
        return f"{port}{'&' if parts.query else '?'}machine={quote(str(machine_path))}"
    from kerfbeat.capture.port_names import found_ports

    found = ", ".join(found_ports()) or "none"
    raise click.UsageError(f"no port given; add --port P (found: {harmless(found)}; sim:// is a simulated saw)")


def _require_real_time(query: str) -> None:
    """Refuse a simulated board whose ticks run away from this computer's clock: its batches would count as damaged."""
    speed = dict(parse_qsl(query)).get("speed", "1")
    with contextlib.suppress(ValueError):  # what is no number is told by the simulated board
        if float(speed) != 1.0:
            raise click.UsageError(
                f"speed={harmless(speed)}: a command reads the board in real time; leave speed out, or write the whole "
                "run at once with kerfbeat simulate"
            )


def open_board(
    port: str, sensors: "Mapping[str, Sensor] | None", *, baud: int | None, trace: bool
) -> "BoardLink":
    """Open the link to the board with these sensors, or to all its inputs; a simulated port is made known first."""
    from kerfbeat.capture.link import BoardLink
    from kerfbeat.capture.ports import is_simulated

    if is_simulated(port):
        from kerfbeat.simulate.port import register

        register()
    return BoardLink(port, sensors=sensors, baud=baud, trace=_tracer() if trace else None)


def _tracer() -> "Trace":
    """Print each frame as it passes: seconds since the first, direction, message."""
    first_s: list[float] = []

    def show(host_s: float, direction: str, frame: "Frame") -> None:
        first_s.extend([host_s] if not first_s else [])
        echo(f"{host_s - first_s[0]:10.4f} {direction:<10} #{frame.sequence:<3} {frame.message}", err=True)

    return show
