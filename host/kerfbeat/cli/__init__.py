"""What does the user type?

A command is one line of COMMANDS and one function in a module of this folder.  The module is imported when its command
is used, so that `kerfbeat --help` answers at once.  Errors become one line on standard error and an exit status here
and nowhere else: 0 done, 1 the work failed, 2 the input or usage is wrong.
"""

import difflib
import errno
import importlib
import io
import os
import re
import sys
from collections.abc import Sequence
from typing import Any, NamedTuple

import click

from kerfbeat.errors import KerfbeatError
from kerfbeat.present.text import harmless

__all__ = ["COMMANDS", "Entry", "main"]


class Entry(NamedTuple):
    """One command: its name, where its function is, under which heading and with what words `--help` lists it."""

    name: str
    target: str  # "module:function"
    heading: str
    summary: str


MACHINE = "At the machine"
LOGS = "With a log"
PLAN = "Describe the machine, plan its drive"
PRACTICE = "Without a machine"

COMMANDS = (
    Entry("check", "kerfbeat.cli.live:check", MACHINE, "Is the board well, and does every sensor count?"),
    Entry("watch", "kerfbeat.cli.live:watch", MACHINE, "Show the blade speed now."),
    Entry("record", "kerfbeat.cli.live:record", MACHINE, "Write the pulses to a log, with marks."),
    Entry("calibrate", "kerfbeat.cli.calibrate:calibrate", MACHINE, "Measure targets, clock, wheel, drive; keep it."),
    Entry("configure", "kerfbeat.cli.configure:configure", MACHINE, "Show or write what the board keeps."),
    Entry("speed", "kerfbeat.cli.logs:speed", LOGS, "Tell the speeds in a log."),
    Entry("import", "kerfbeat.cli.logs:import_", LOGS, "Turn pulse times from another logger into a log."),
    Entry("export", "kerfbeat.cli.logs:export", LOGS, "Write a log's pulses or speed as CSV."),
    Entry("slip", "kerfbeat.cli.diagnose:slip", LOGS, "Tell what slips: motor, belt or blade, since when."),
    Entry("drift", "kerfbeat.cli.diagnose:drift", LOGS, "Tell warm-up, trend, and how runs differ over the years."),
    Entry("orders", "kerfbeat.cli.diagnose:orders", LOGS, "Name what shakes the speed: sheave, belt, wheel, blade."),
    Entry("compare", "kerfbeat.cli.diagnose:compare", LOGS, "Tell where runs differ, setting by setting."),
    Entry("report", "kerfbeat.cli.report:report", LOGS, "Write a report to hand on: PDF, or a page for a browser."),
    Entry("describe", "kerfbeat.cli.machine:describe", PLAN, "Ask for a machine and write its file."),
    Entry("predict", "kerfbeat.cli.machine:predict", PLAN, "Tell the blade speed of every setting."),
    Entry("choose", "kerfbeat.cli.choose:choose", PLAN, "Find the settings for a speed or a material."),
    Entry("materials", "kerfbeat.cli.choose:materials", PLAN, "Search the table of band speeds."),
    Entry("size", "kerfbeat.cli.plan:size", PLAN, "Find a fixed pulley and inverter limits for a range."),
    Entry("mount", "kerfbeat.cli.plan:mount", PLAN, "Tell what the sensors will see, and what holds a target on."),
    Entry("chart", "kerfbeat.cli.paper:chart", PLAN, "Print a speed chart for the machine's door."),
    Entry("dial", "kerfbeat.cli.paper:dial", PLAN, "Print a dial face for the speed knob."),
    Entry("strip", "kerfbeat.cli.paper:strip", PLAN, "Print a marking strip that spaces targets evenly."),
    Entry("simulate", "kerfbeat.cli.simulate:simulate", PRACTICE, "Write the log of a simulated run, and its truth."),
)

INTERRUPTED = "stopped by Ctrl-C before it was done."
FAULT_VARIABLE = "KERFBEAT_TRACEBACK"


class CommandList(click.Group):
    """The commands of COMMANDS under their headings, and the one place where errors become words and an exit status."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of COMMANDS."""
        return [entry.name for entry in COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of the command and return its function; None if there is no such command."""
        entry = next((entry for entry in COMMANDS if entry.name == cmd_name), None)
        if entry is None:
            return None
        module_name, function_name = entry.target.split(":")
        command = getattr(importlib.import_module(module_name), function_name)
        assert isinstance(command, click.Command), f"{entry.target} is not a click command"
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; an unknown name is answered with the nearest known one."""
        name = args[0]
        command = self.get_command(ctx, name)
        if command is None:
            near = difflib.get_close_matches(name, self.list_commands(ctx), n=1)
            hint = f'did you mean "{near[0]}"?' if near else "see the list of commands."
            raise click.UsageError(f'there is no command or option "{name}"; {hint}', ctx)
        return name, command, args[1:]

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep what was typed for `invoke`, which sees only what is left of it."""
        ctx.obj = tuple(args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; an error that does not say whose it is, as of an option without its value, is the command's.

        Without that its help would not be named.
        """
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            if error.ctx is None:
                error.ctx = _named(ctx, ctx.obj)
            raise

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands under their headings from COMMANDS alone."""
        width = max(len(entry.name) for entry in COMMANDS)
        for heading in dict.fromkeys(entry.heading for entry in COMMANDS):
            with formatter.section(heading):
                rows = [(entry.name.ljust(width), entry.summary) for entry in COMMANDS if entry.heading == heading]
                formatter.write_dl(rows)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command line and end the process with the right status; errors become one line."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        # Before numpy is loaded: its small matrices gain nothing from threads, and on a busy machine these spend more
        # processor time on waiting for each other than the work takes (7.6 s instead of 1 s for an hour's orders).
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")  # an old terminal shows "?" for "±" and goes on
        try:
            status = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
            sys.stdout.flush()
        except BrokenPipeError:
            _forget_broken_output()
            status = 1
        except Exception as error:
            # The last line before the user: nothing may leave as a traceback, unless it was asked for.
            if os.environ.get(FAULT_VARIABLE):
                raise
            message, status = _explain(error)
            from kerfbeat.cli._echo import echo

            echo(f"kerfbeat: {message}", err=True)
        sys.exit(status if isinstance(status, int) else 0)


def _named(ctx: click.Context, typed: Sequence[str]) -> click.Context:
    """Of the command that these words name, a command of a command included."""
    for word in typed:
        command = ctx.command.get_command(ctx, word) if isinstance(ctx.command, click.Group) else None
        if command is not None:
            ctx = click.Context(command, info_name=word, parent=ctx)
    return ctx


def _explain(error: Exception) -> tuple[str, int]:
    """One line for the user, and the exit status."""
    if isinstance(error, KerfbeatError):
        return harmless(str(error)), error.exit_status
    if isinstance(error, click.UsageError):
        command = error.ctx.command_path if error.ctx else "kerfbeat"
        where = command.removeprefix("kerfbeat").strip()
        message = harmless(_one_too_many(error) or error.format_message()).rstrip(".")
        message = message if message.endswith("?") else f"{message}."
        return f"{where + ': ' if where else ''}{message} Help: {command} --help", error.exit_code
    if isinstance(error, click.ClickException):
        return harmless(error.format_message()), error.exit_code
    if isinstance(error, click.Abort):
        return INTERRUPTED, 1
    if isinstance(error, OSError):
        return _explain_os_error(error)
    if isinstance(error, MemoryError):
        return "there is not memory enough for so much at once; ask for fewer frequencies, or a piece of the log.", 1
    return _explain_fault(error), 1


def _one_too_many(error: click.UsageError) -> str | None:
    """Say what a command takes where it was given more; None for another error."""
    extra = re.fullmatch(r"Got unexpected extra arguments? \((.*)\)", error.format_message(), re.DOTALL)
    if extra is None or error.ctx is None:
        return None
    takes = [each.make_metavar(error.ctx) for each in error.ctx.command.params if isinstance(each, click.Argument)]
    what = f"it takes {' '.join(takes)} and options" if takes else "it takes options only"
    several = "; drift, compare and report take several logs" if takes == ["LOG"] else ""
    return f'"{extra[1]}" is too much: {what}{several}'


def _explain_os_error(error: OSError) -> tuple[str, int]:
    where = f"{harmless(str(error.filename))}: " if error.filename else ""
    if isinstance(error, FileNotFoundError):
        return f"{where}no such file or folder; check the name.", 2
    if isinstance(error, IsADirectoryError):
        return f"{where}is a folder; give the name of a file.", 2
    if isinstance(error, FileExistsError):
        return f"{where}exists already; choose another name.", 2
    if isinstance(error, PermissionError):
        return f"{where}permission denied; choose another folder, or ask who owns it.", 1
    if error.errno == errno.ENOSPC:
        return f"{where}the disk is full; free some space and try again.", 1
    return harmless(f"{where}{error.strerror or error}."), 1


def _explain_fault(error: Exception) -> str:
    """A fault in our own code: say so, where, and how its author can be told."""
    trail = error.__traceback__
    while trail is not None and trail.tb_next is not None:
        trail = trail.tb_next
    where = f" in {trail.tb_frame.f_code.co_name}, line {trail.tb_lineno}" if trail is not None else ""
    what = harmless(f"{type(error).__name__}: {error}")
    return f"a fault in kerfbeat itself{where} ({what}); set {FAULT_VARIABLE}=1, run again and report what it prints."


def _forget_broken_output() -> None:
    """Point standard output at nothing, so that the interpreter's last flush does not complain either."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _print_version(ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"kerfbeat {version('kerfbeat')}")
        ctx.exit()


@click.group(
    cls=CommandList,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=(
        "\b\nTry it now, with a simulated saw:\n  kerfbeat watch --port sim://\n\n"
        "Kerfbeat is an indicator, not a safety device: a reading of no pulses never means that it is safe to reach in."
    ),
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Show the version and end.",
)
@click.pass_context
def main(ctx: click.Context) -> None:
    """What does the blade really do?

    A sensor on the blade wheel, a small board that times its pulses, and this program: true blade speed in m/min and
    ft/min, always with its uncertainty, and what the motor, belts and gears should make of the setting.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
