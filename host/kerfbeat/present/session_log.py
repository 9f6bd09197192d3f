"""What of a live session goes into its log, and when does a log begin and end?"""

from pathlib import Path

from kerfbeat.capture.events import Event, SegmentStarted
from kerfbeat.errors import KerfbeatError, LogError
from kerfbeat.machine import Machine, Setting
from kerfbeat.present.logbook import Logbook
from kerfbeat.present.snapshot import LogNow

__all__ = ["SessionLog"]


class SessionLog:
    """The log that is running, if one is."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._logbook: Logbook | None = None
        self._began_host_s = 0.0

    @property
    def running(self) -> bool:
        """Whether there is one."""
        return self._logbook is not None

    def begin(
        self,
        path: Path,
        *,
        at_host_s: float,
        setting: Setting,
        calibration_text: str | None,
        segment: SegmentStarted | None,
    ) -> None:
        """Begin one; `segment` is the one under way, `start_ticks` being now.

        Raises LogError if the file exists or cannot be made, or if a log is running.
        """
        if self._logbook is not None:
            raise LogError(f"{self._logbook.path}: this log is still running; end it first")
        self._logbook = Logbook(
            path, machine=self._machine, setting=setting, calibration_text=calibration_text, running=segment
        )
        self._began_host_s = at_host_s

    def accept(self, event: Event) -> None:
        """Write an event of the link."""
        if self._logbook is not None:
            self._logbook.accept(event)

    def mark(self, key: str, value: str, ticks: int | None) -> None:
        """Write what the operator did, or what was found."""
        if self._logbook is not None:
            self._logbook.mark(key, value, ticks)

    def end(self) -> Logbook | None:
        """End it whole and return it; None if none was running.

        Raises KerfbeatError if the disk does not take the last of it.
        """
        logbook, self._logbook = self._logbook, None
        if logbook is not None:
            try:
                logbook.close()
            except LogError as error:  # the work failed, not the input
                raise KerfbeatError(str(error)) from error
        return logbook

    def now(self, at_host_s: float) -> LogNow | None:
        """How far it is."""
        if self._logbook is None:
            return None
        tally = self._logbook.tally
        return LogNow(
            path=self._logbook.path,
            seconds=at_host_s - self._began_host_s,
            pulses=tally.pulses.total(),
            marks=tally.marks,
        )
