"""Which command reads and writes what a board keeps?  configure."""

import secrets
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbeat.cli._board import board_options, chosen_setting, open_board, required_port
from kerfbeat.cli._echo import echo
from kerfbeat.cli._known import known_beside
from kerfbeat.cli._show import Quantity, examples, json_option, print_json, table, warn
from kerfbeat.errors import LinkError

if TYPE_CHECKING:
    from kerfbeat.capture.board_settings import BoardSettings
    from kerfbeat.capture.link import BoardLink
    from kerfbeat.capture.settings_link import StoredSettings

__all__ = ["configure"]

ANSWERS = {"y": True, "yes": True, "n": False, "no": False, "": False}


class Percentage(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """A share of a hundred, with or without its sign: 3 or 3%."""

    name = "percentage"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read the number."""
        try:
            number = float(str(value).removesuffix("%"))
        except ValueError:
            number = -1.0
        if not 0.0 <= number <= 100.0:
            self.fail(f'"{value}" cannot be; write a percentage from 0 to 100, such as 3', param, ctx)
        return number


class BoardId(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """A board's identity as it is shown everywhere."""

    name = "board id"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read up to eight hexadecimal digits."""
        from kerfbeat.board_identity import read_identity

        try:
            return read_identity(str(value))
        except ValueError as problem:
            self.fail(str(problem), param, ctx)


class InputMode(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """How one input is to be listened to: 2=rising,no-pull-up or 3=off."""

    name = "input mode"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """The input's number and its mode."""
        from kerfbeat.capture.board_settings import INPUT_WORDS, mode_of

        number, _, words = str(value).partition("=")
        said = [word.strip() for word in words.split(",")]
        if number not in ("1", "2", "3") or not all(word in INPUT_WORDS for word in said):
            self.fail(f'"{value}" is no input; write 2=rising or 3=off ({", ".join(INPUT_WORDS)})', param, ctx)
        return int(number), mode_of(said)


@click.command(
    epilog=examples(
        "kerfbeat configure --port /dev/ttyUSB0",
        "kerfbeat configure --port /dev/ttyUSB0 --machine saw.toml --slip-limit 3",
        "kerfbeat configure --port COM3 --machine saw.toml --slowest 15m/min --show",
        "kerfbeat configure --port COM3 --id 2A --input 2=rising --input 3=off --yes",
    )
)
@board_options
@click.option("--show", "only_show", is_flag=True, help="Show what would change, and write nothing.")
@click.option("--again", is_flag=True, help="Write although nothing changes; mends a damaged copy.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--id", "board_id", type=BoardId(), metavar="HEX", help="The board's identity, up to 8 hex digits.")
@click.option("--unit", type=click.Choice(["m/min", "ft/min"]), help="Of the display's first line.")
@click.option("--belt", metavar="NAME", help="Belt position in use, where the ratio depends on it.")
@click.option("--slowest", type=Quantity("speed"), metavar="SPEED", help="Alarm below it; 0m/min for none.")
@click.option("--fastest", type=Quantity("speed"), metavar="SPEED", help="Alarm above it; else the file's limit.")
@click.option(
    "--slip-limit", type=Percentage(), metavar="PERCENT", help="Alarm above this belt slip; 0 for none."
)
@click.option(
    "--input",
    "inputs",
    type=InputMode(),
    multiple=True,
    metavar="N=WORDS",
    help="on or off, falling or rising, pull-up or no-pull-up, as 2=rising,no-pull-up; else the first of each.",
)
@click.option("--flood-edges", type=int, metavar="N", help="Edges in 0.5 ms that mask an input, 2 to 24.")
@click.option("--mask", "mask_s", type=Quantity("duration"), metavar="TIME", help="For how long, 5ms to 250ms.")
@click.option("--new-baud", type=click.Choice(["500000", "115200"]), help="Line rate from the board's next start on.")
@click.option("--no-clock", is_flag=True, help="Clear the stored clock correction.")
@json_option
def configure(
    *,
    port: str | None,
    machine_path: Path | None,
    baud: int | None,
    trace: bool,
    only_show: bool,
    again: bool,
    yes: bool,
    board_id: int | None,
    unit: str | None,
    belt: str | None,
    slowest: float | None,
    fastest: float | None,
    slip_limit: float | None,
    inputs: tuple[tuple[int, int], ...],
    flood_edges: int | None,
    mask_s: float | None,
    new_baud: str | None,
    no_clock: bool,
    as_json: bool,
) -> None:
    """Show what the board keeps for its display, or write it anew.

    Alone it reads: wheel, sensors, alarms, the clock's correction and how old that is; where one has no value, what
    sets it.  With a machine file it works out the settings from it and from what was calibrated, shows every
    difference, asks, writes, and reads back.  Other options change one thing each, with a machine file or without.  A
    board without an identity is given one, so that its clock can be calibrated.

    If supply or cable fails meanwhile the board keeps the old settings or the new ones, never a mixture.  Display and
    alarms are an indicator, not a safety device.
    """
    from kerfbeat.capture.settings_link import health_of, read_settings
    from kerfbeat.drive.board_plan import Wishes, planned_settings
    from kerfbeat.machine import load_machine
    from kerfbeat.present.settings_words import (
        CHANGE_HEADINGS,
        board_line,
        change_rows,
        display_lines,
        settings_lines,
        stored_document,
    )

    port = required_port(port, machine_path)
    if belt is not None and machine_path is None:
        raise click.UsageError("--belt says nothing without a machine file; add --machine M")
    machine = None if machine_path is None else load_machine(machine_path)
    known = None if machine is None or machine_path is None else known_beside(machine_path, machine)
    wishes = Wishes(
        board_id=board_id,
        baud=None if new_baud is None else int(new_baud),
        modes=dict(inputs) or None,
        flood_edges=flood_edges,
        mask_s=mask_s,
        unit=unit,
        slowest_m_per_s=slowest,
        fastest_m_per_s=fastest,
        slip_limit_percent=slip_limit,
        belt=None if machine is None else chosen_setting(machine, hz=None, gear=None, belt=belt).belt,
        keep_clock=not no_clock,
    )
    reads_only = machine is None and wishes == Wishes() and not again
    wishes = replace(wishes, fresh_id=secrets.randbits(32) or 1)
    today = datetime.now(UTC).date()
    with open_board(port, None, baud=baud, trace=trace) as link:
        before = read_settings(link)
        health = health_of(link)
        plan = None
        if not reads_only:
            plan = planned_settings(before.settings, machine=machine, known=known, wishes=wishes, today=today)
        changes = [] if plan is None else change_rows(before.settings, plan.settings, plan.basis)
        said = [board_line(before, link.hello, health, firmware=link.firmware)]
        if plan is None:
            said += [*settings_lines(before.settings), *display_lines(before.settings, today=today)]
        else:
            said += [table(CHANGE_HEADINGS, changes, left=4) if changes else "the board holds these settings already."]
        if not as_json:
            echo("\n".join(said))
        for note in () if plan is None else plan.notes:
            warn(note)
        after = None
        if plan is not None and (changes or again) and not only_show:
            _require_yes(yes)
            after = _written(link, plan.settings, before)
            said = ["written, read back, and the same", *display_lines(after.settings, today=today)]
            echo("\n".join(said), err=as_json)
    if as_json:
        print_json(stored_document(before, after, link.hello, health, plan, firmware=link.firmware, today=today))


def _require_yes(yes: bool) -> None:
    """Ask whether to write, until the answer is one; without anybody who could answer, say how."""
    agreed: bool | None = True if yes else None
    while agreed is None:
        echo("write this to the board? [y/N] ", err=True, nl=False)
        typed = sys.stdin.readline()
        if not typed:
            echo("", err=True)
        agreed = ANSWERS.get(typed.strip().casefold())
        if agreed is None:
            echo(f'"{typed.strip()}" is no answer; y writes it, n or Enter leaves the board as it is.', err=True)
    if not agreed:
        raise click.ClickException("nothing was written; answer y, or add --yes (--show only shows the difference).")


def _written(link: "BoardLink", settings: "BoardSettings", before: "StoredSettings") -> "StoredSettings":
    """Write the settings; whatever ends it says what the board holds."""
    from kerfbeat.capture.settings_link import either_words, write_settings

    try:
        return write_settings(link, settings, before=before)
    except KeyboardInterrupt:
        raise LinkError(f"stopped by Ctrl-C while it was written: {either_words(link.url)}") from None
