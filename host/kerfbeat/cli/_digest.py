"""What is kept of one log where thousands are looked at?"""

from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from kerfbeat.calibration import Known
from kerfbeat.capture.log import PulseLog
from kerfbeat.cli._diagnose import opened
from kerfbeat.cli._known import known_in
from kerfbeat.diagnose.allan import Stability
from kerfbeat.diagnose.compare import Mean, RunMeans, means_of
from kerfbeat.diagnose.drift import Drift, drift_of, thinned
from kerfbeat.diagnose.pace import Pace
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["BLOCKS_OF_MANY", "DRIFT_CLASSES", "MEANS_CLASSES", "Run", "drift_of_file", "machine_words", "means_of_file"]

BLOCKS_OF_MANY = 200  # of each log's blocks of turns: enough for its page of a plot


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """One log's drift, when it began, and the name of its machine."""

    name: str
    began_utc: datetime
    drift: Drift


DRIFT_CLASSES = (Run, Drift, Setting, Pace, Estimate, Stability)
MEANS_CLASSES = (RunMeans, Mean, Setting)


def drift_of_file(path: Path, *, machine_path: Path | None, channel: str | None, most_blocks: int | None = None) -> Run:
    """Read a log and describe its slow change."""
    log, held = _opened_as_known(path, machine_path)
    drift = drift_of(log, channel=channel, known=held)
    kept = drift if most_blocks is None else thinned(drift, most_blocks)
    return Run(name=log.machine.name, began_utc=log.start_utc, drift=kept)


def means_of_file(path: Path, *, machine_path: Path | None) -> RunMeans:
    """Read a log and take what comparing needs."""
    log, held = _opened_as_known(path, machine_path)
    return means_of(log, known=held)


def _opened_as_known(path: Path, machine_path: Path | None) -> tuple[PulseLog, Known]:
    """A log and its calibration; what of that is refused stands before the log's warnings, which all results carry on.

    It is not warned of here: this may be one of many processes, and the results are told later.
    """
    log = opened(path, machine_path)
    held = known_in(log)
    return replace(log, warnings=(*held.refused, *log.warnings)), held


def machine_words(machine_path: Path | None) -> str:
    """What results depend on beside the logs: this program, and the machine file with its calibration."""
    from kerfbeat.calibration import calibration_path

    beside = [] if machine_path is None else [machine_path, calibration_path(machine_path)]
    states = [f"{path} of {path.stat().st_mtime_ns}" for path in beside if path.exists()]
    return "; ".join([f"kerfbeat {version('kerfbeat')}", *states])
