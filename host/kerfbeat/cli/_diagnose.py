"""How do the commands that look into logs get them?"""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from kerfbeat.cli._show import FILE

if TYPE_CHECKING:
    from kerfbeat.capture.log import PulseLog

__all__ = ["log_files", "machine_option", "opened"]

Function = TypeVar("Function", bound=Callable[..., Any])


def machine_option(function: Function) -> Function:
    """Add `--machine` (argument machine_path)."""
    text = "Use this machine file and the calibration beside it, not those in the log."
    return click.option("--machine", "machine_path", type=FILE, metavar="M", help=text)(function)


def log_files(paths: Iterable[Path]) -> list[Path]:
    """The logs named, and all .csv files of the folders named."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(each for each in path.iterdir() if each.suffix == ".csv")
            if not inside:
                raise click.UsageError(f"{path}: no log (.csv) in this folder")
            found += inside
        else:
            found.append(path)
    return found


def opened(path: Path, machine_path: Path | None) -> "PulseLog":
    """Read a log, with another machine file and its calibration in place of those it carries, if wanted."""
    from kerfbeat.capture.log import read_log

    log = read_log(path)
    if machine_path is None:
        return log
    from kerfbeat.calibration import calibration_path, load_calibration
    from kerfbeat.machine import load_machine

    stored = load_calibration(calibration_path(machine_path))
    return log.described_by(load_machine(machine_path), calibration_text=None if stored is None else stored.text)
