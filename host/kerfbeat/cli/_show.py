"""How do commands take their options and show their results?

What all commands share: `--json`, `--plot`, `--paper`, `--unit`, files, quantities with units, tables, warnings.
"""

import dataclasses
import json
import math
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from kerfbeat.cli._echo import echo
from kerfbeat.errors import UnitError
from kerfbeat.present.text import harmless

__all__ = [
    "FILE",
    "Hertz",
    "PlotFile",
    "Quantity",
    "Whole",
    "examples",
    "json_option",
    "paper_option",
    "plot_option",
    "print_json",
    "refuse_existing",
    "table",
    "unit_option",
    "warn",
]

Function = TypeVar("Function", bound=Callable[..., Any])

FILE = click.Path(path_type=Path)
PLOT_SUFFIXES = (".png", ".svg", ".pdf")
LARGEST = 10**18  # of a number without a bound of its own: what 64 bits hold
PARSERS = {
    "angle": "parse_angle_rad",
    "duration": "parse_duration_s",
    "force": "parse_force_n",
    "frequency": "parse_frequency_hz",
    "length": "parse_length_m",
    "linear density": "parse_linear_density_kg_per_m",
    "mass": "parse_mass_kg",
    "power": "parse_power_w",
    "speed": "parse_speed_m_per_s",
    "torque": "parse_torque_n_m",
}


class Quantity(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """A number with its unit, such as 80m/min; the command gets it in SI.  A time is not negative.

    above_zero : refuse zero, too.
    """

    def __init__(self, kind: str, *, above_zero: bool = False) -> None:
        self.name = kind
        self.parser = PARSERS[kind]
        self.above_zero = above_zero

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Turn the text into SI; a wrong or missing unit is a usage error."""
        if isinstance(value, int | float):
            return float(value)
        from kerfbeat import units

        try:
            number = float(getattr(units, self.parser)(value))
        except UnitError as error:
            self.fail(str(error), param, ctx)
        if (number < 0.0 and self.name == "duration") or (number <= 0.0 and self.above_zero):
            self.fail(f'"{value}" cannot be; write a time above zero, such as "30 s"', param, ctx)
        return number


class Hertz(Quantity):
    """A frequency in hertz, with or without its unit: an inverter shows the bare number."""

    def __init__(self) -> None:
        super().__init__("frequency")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Turn the text into hertz; anything but a frequency is a usage error."""
        try:
            number = float(value)
        except ValueError:
            return super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f'"{value}" is no frequency; write one such as 50 or "50 Hz"', param, ctx)
        return number


class Whole(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of click only
    """A whole number between bounds; help says what it counts, not how a program would bound it."""

    name = "whole number"

    def __init__(self, *, least: int = 1, most: int = LARGEST) -> None:
        self.least, self.most = least, most

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read the number; anything else, or one beyond the bounds, is a usage error."""
        text = str(value).strip()
        if not (text.isascii() and text.isdecimal() and len(text) < 20 and self.least <= int(text) <= self.most):
            bounds = f"from {self.least} " + ("up" if self.most == LARGEST else f"to {self.most}")
            self.fail(f'"{value}" cannot be; write a whole number {bounds}', param, ctx)
        return int(text)


class PlotFile(click.Path):
    """A file to draw into; its suffix chooses the format."""

    name = "plot file"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Refuse a suffix that cannot be drawn before any work is done."""
        path = Path(value)
        if path.suffix.lower() not in PLOT_SUFFIXES:
            self.fail(f'"{value}" is no plot file; end its name with {", ".join(PLOT_SUFFIXES)}', param, ctx)
        return path


def json_option(function: Function) -> Function:
    """Add `--json` (argument as_json)."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")(function)


def plot_option(function: Function) -> Function:
    """Add `--plot FILE` (argument plot: Path or None)."""
    text = "Draw the result; .png, .svg or .pdf by suffix. Replaces an older one."
    return click.option("--plot", type=PlotFile(), metavar="FILE", help=text)(function)


def paper_option(function: Function) -> Function:
    """Add `--paper` (argument paper: "a4" or "letter")."""
    kinds = click.Choice(["a4", "letter"])
    return click.option("--paper", type=kinds, default="a4", show_default=True, help="Paper size.")(function)


def unit_option(function: Function) -> Function:
    """Add `--unit` (argument unit: "m/min", "ft/min" or None for the machine file's own)."""
    text = "The speed unit that comes first; without it that of the machine file's lengths."
    return click.option("--unit", type=click.Choice(["m/min", "ft/min"]), help=text)(function)


def examples(*lines: str) -> str:
    """Text of `epilog=` that shows command lines as they are typed, one below the other."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


def print_json(document: Any) -> None:
    """Print one JSON document: plain floats, null for what is no number, an estimate as {"value", "u95"}."""
    click.echo(json.dumps(_plain(document), indent=2, allow_nan=False))


def _plain(item: Any) -> Any:
    """The item in JSON's own types."""
    if item is None or isinstance(item, str | bool):
        return item
    if hasattr(item, "tolist"):  # a number or an array of numpy, which this module does not import
        return _plain(item.tolist())
    if isinstance(item, int):
        return item
    if isinstance(item, float):
        return item if math.isfinite(item) else None
    if isinstance(item, Mapping):
        return {str(key): _plain(value) for key, value in item.items()}
    if isinstance(item, list | tuple | set | frozenset):
        return [_plain(value) for value in item]
    if isinstance(item, Path):
        return str(item)
    if dataclasses.is_dataclass(item):
        return {field.name: _plain(getattr(item, field.name)) for field in dataclasses.fields(item)}
    raise TypeError(f"{type(item).__name__} has no place in a JSON document")


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], *, left: int = 1) -> str:
    """Rows as aligned text: the first `left` columns to the left, the others (numbers) to the right."""
    lines = [list(headings), *([harmless(cell) for cell in row] for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(headings))]

    def aligned(line: Sequence[str]) -> str:
        cells = (
            cell.ljust(width) if column < left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    return "\n".join(aligned(line) for line in lines)


def refuse_existing(path: Path, *, replace: bool) -> None:
    """Refuse to write over a file that was not said to be replaced."""
    if os.path.lexists(path) and not replace:  # also a link to nowhere: what it points at was not asked for
        raise click.UsageError(f"{path} exists already; choose another name, or add --replace to write over it")


def warn(text: str) -> None:
    """Say on standard error what the user should know beside the result."""
    echo(f"warning: {harmless(text)}", err=True)
