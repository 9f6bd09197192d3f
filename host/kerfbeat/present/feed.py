"""How do the events of a link become the reading of this moment?

One place for the screen, the plain lines and the recording: it hands pulses to the live estimator of their channel,
keeps count of troubles, follows what the operator enters, and passes everything on to the running log.  It knows
neither a terminal nor a port.  One thread may feed it while another takes snapshots.
"""

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfbeat.calibration import Known
from kerfbeat.capture.events import Event, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.diagnose.live_slip import Alarm, LiveSlip
from kerfbeat.machine import Machine, Setting, belt_choices, gear_choices
from kerfbeat.measure.live import ShaftReading
from kerfbeat.present.blade import BladeRule
from kerfbeat.present.board_clock import BoardClock
from kerfbeat.present.entry import choice_of, hz_of
from kerfbeat.present.line_watch import LineWatch
from kerfbeat.present.logbook import Logbook
from kerfbeat.present.outlook import motor_slip, prospect_of
from kerfbeat.present.recent import RecentSpeeds
from kerfbeat.present.session_log import SessionLog
from kerfbeat.present.shafts import Shafts
from kerfbeat.present.slip_told import begin_mark, end_mark, slips_now
from kerfbeat.present.snapshot import BladeNow, SlipNow, Snapshot

__all__ = ["Feed"]

NOTICE_S = 8.0  # how long a notice stands


class Feed:
    """The live session of one machine."""

    def __init__(
        self,
        machine: Machine,
        *,
        known: Known | None = None,
        setting: Setting | None = None,
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        """Begin without a board.

        known : what is stored of the machine's calibration; logs carry it.
        clock : the host clock of the events, in seconds.
        Raises MachineError if no sensor sees the blade's speed.
        """
        self.machine = machine
        self._known = known
        self._rule = BladeRule(machine, known)
        self._clock = clock
        self._lock = threading.RLock()
        self._setting = setting or Setting()
        self._prospect = prospect_of(machine, self._setting, known)
        self._cutting = False
        self._slip = LiveSlip(machine, known=known, setting=self._setting)
        self._slipping: dict[tuple[str, str], Alarm] = {}
        self._shafts = Shafts(machine, known, placed=self._slip.watched)
        self._segment: SegmentStarted | None = None
        self._complete_ticks = 0
        self._told_ticks = 0  # the latest that was told: an edge may come before its batch is complete
        self._line = LineWatch(at_host_s=clock())
        self._board_clock = BoardClock(known)
        self._estimates = 0
        self._log = SessionLog(machine)
        self._notice = ("", -NOTICE_S)
        self._recent = RecentSpeeds()

    # What comes from the board.

    def accept(self, event: Event) -> None:
        """Take the next event of the link.

        Raises LogError if the running log cannot be kept; the reading itself is then up to date all the same.
        """
        with self._lock:
            match event:
                case Pulses():
                    self._accept_pulses(event)
                case SegmentStarted():
                    self._accept_segment(event)
                case Lost():
                    self._shafts.lose(event)
                    self._slip.lose(event.channel, event.end_ticks)
                case Sync():
                    if self._board_clock.take(event):
                        self._set_clock()
            self._line.take(event)
            self._log.accept(event)
            self._tell_slips()

    def _tell_slips(self) -> None:
        """Mark where slip beyond creep was found, and where it ended."""
        alarms = {(each.up, each.down): each for each in self._slip.alarms}
        for pair in alarms.keys() - self._slipping.keys():
            self._mark_slip(alarms[pair])
        for pair in self._slipping.keys() - alarms.keys():
            ended = self._slipping[pair]
            self._mark("slip", end_mark(ended))
            self.tell(f"{ended.what} slipped, at most {ended.now.peak_percent:.1f} %")
        self._slipping = alarms

    def _mark_slip(self, alarm: Alarm) -> None:
        self._mark("slip", begin_mark(alarm, tick_hz=1.0 if self._segment is None else self._segment.tick_hz))

    def _accept_segment(self, event: SegmentStarted) -> None:
        if self._segment is not None:
            self.tell(f"{event.cause}: counting begins anew")
        self._segment = event
        self._complete_ticks = self._told_ticks = event.start_ticks
        self._shafts.restart(event.tick_hz)
        self._slip.restart(event.tick_hz)
        self._board_clock.restart(event)
        self._set_clock()

    def _set_clock(self) -> None:
        if self._board_clock.rate is not None:
            self._shafts.set_clock(*self._board_clock.rate)

    def _accept_pulses(self, event: Pulses) -> None:
        self._complete_ticks = event.complete_ticks
        last_ticks = [int(ticks[-1]) for ticks in event.edge_ticks.values() if len(ticks)]
        self._told_ticks = max(self._told_ticks, event.complete_ticks, *last_ticks)
        self._shafts.feed(event)
        if self._slip.watched:
            self._slip.feed(self._shafts.take_places(), event.complete_ticks)
        self._estimates += len(event.edge_ticks[self._rule.channel]) > 0
        if self._recent.wants(event.received_host_s):
            self._recent.take(event.received_host_s, self._blade(self._shafts.readings()).speed_m_per_s)

    # What the operator does.

    @property
    def cutting(self) -> bool:
        """Whether a cut is marked as running."""
        return self._cutting

    @property
    def logging(self) -> bool:
        """Whether a log is running."""
        return self._log.running

    def set_hz(self, text: str) -> None:
        """Take the inverter's frequency; raises UnitError for what is none."""
        hz = hz_of(text)
        self._set(replace(self._setting, hz=hz), "hz", f"{hz:.10g}")

    def set_gear(self, text: str) -> None:
        """Take the gear by name or number; raises MachineError for an unknown one."""
        gear = choice_of(text, gear_choices(self.machine), what="gear")
        self._set(replace(self._setting, gear=gear), "gear", gear)

    def set_belt(self, text: str) -> None:
        """Take the belt position by name or number; raises MachineError for an unknown one."""
        belt = choice_of(text, belt_choices(self.machine), what="belt")
        self._set(replace(self._setting, belt=belt), "belt", belt)

    def _set(self, setting: Setting, key: str, value: str) -> None:
        with self._lock:
            self._setting = setting
            self._slip.set_setting(setting, self._ticks_now() or 0)
            self._prospect = prospect_of(self.machine, setting, self._known)
            self._mark(key, value)
            odd = self._prospect.words if self._prospect.low_m_per_s is not None else ""
            self.tell(odd or ("" if self.logging else "no log is running: the next one begins with this setting"))

    def mark_cut(self, running: bool) -> None:
        """Mark that a cut begins or ends."""
        with self._lock:
            self._cutting = running
            self._slip.set_cutting(running, self._ticks_now() or 0)
            self._mark("cut", "start" if running else "stop")
            self.tell("" if self.logging else "no log is running: the cut is not kept")

    def note(self, text: str) -> None:
        """Keep a line of text in the log."""
        with self._lock:
            self._mark("note", text)
            self.tell("noted" if self.logging else "no log is running: the note is not kept")

    def tell(self, notice: str) -> None:
        """Show a notice for a while."""
        self._notice = (notice, self._clock())

    def _mark(self, key: str, value: str) -> None:
        self._log.mark(key, value, self._ticks_now())

    def _ticks_now(self) -> int | None:
        """Board time of this moment: a mark is made between two batches.  None before the first board."""
        if self._segment is None:
            return None
        return self._complete_ticks + int(self._line.unheard_s(self._clock()) * self._segment.tick_hz)

    def begin_log(self, path: Path) -> None:
        """Begin a log; raises LogError if the file exists or cannot be made, or if one is running."""
        with self._lock:
            self._log.begin(
                path,
                at_host_s=self._clock(),
                setting=self._setting,
                calibration_text=self._calibration_text,
                segment=self._segment and replace(self._segment, start_ticks=self._told_ticks),
            )
            if self._cutting:
                self._mark("cut", "start")
            for alarm in self._slipping.values():
                self._mark_slip(alarm)
            self.tell(f"log begun: {path}")

    def end_log(self) -> Logbook | None:
        """End the running log whole and return it; None if none was running.

        Raises KerfbeatError if the disk does not take the last of it.
        """
        with self._lock:
            logbook = self._log.end()
            if logbook is not None:
                self.tell(f"log ended: {logbook.path}, {logbook.tally.pulses.total()} pulses")
            return logbook

    @property
    def _calibration_text(self) -> str | None:
        """The calibration file as it is now, for logs to carry."""
        calibration = None if self._known is None else self._known.calibration
        return None if calibration is None else calibration.text or None

    @property
    def _calibrated(self) -> tuple[str, ...]:
        """Names of what calibration is used."""
        results = {} if self._known is None else self._known.results
        return tuple(dict.fromkeys(result.quantity for result in results.values()))

    # What is known now.

    def now_s(self) -> float:
        """The host's time, on the clock of the events."""
        return self._clock()

    def snapshot(self) -> Snapshot:
        """Everything at this moment."""
        with self._lock:
            at_s = self._clock()
            readings = self._shafts.readings()
            link = self._line.now(at_s, begun=self._segment is not None)
            channels = self._shafts.channels_now(readings, linked=link.up)
            motor_hz = next((each.shaft_hz for each in channels if each.channel == "motor"), None)
            notice, told_s = self._notice
            return Snapshot(
                at_s=at_s,
                estimates=self._estimates,
                machine=self.machine,
                setting=self._setting,
                cutting=self._cutting,
                blade=self._blade(readings) if link.up else BladeNow(channel=self._rule.channel, state="no link"),
                blade_slip_percent=self._rule.slip_percent(readings) if link.up else None,
                channels=channels,
                motor=motor_slip(self.machine, self._setting, motor_hz),
                prospect=self._prospect,
                link=link,
                clock=self._board_clock.now,
                calibrated=self._calibrated,
                slips=self._slips() if link.up else (),
                slip_against=self._slip.baseline,
                log=self._log.now(at_s),
                notice=notice if at_s - told_s < NOTICE_S else "",
            )

    def trend(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Blade speed of the last minutes: host times in s and m/s, NaN where there was no reading."""
        with self._lock:
            return self._recent.points()

    def _blade(self, readings: Mapping[str, ShaftReading]) -> BladeNow:
        reading = readings.get(self._rule.channel)
        if reading is None:
            return BladeNow(channel=self._rule.channel, state="waiting")
        return self._rule.blade_now(reading)

    def _slips(self) -> tuple[SlipNow, ...]:
        now_s = self._complete_ticks / self._segment.tick_hz if self._segment is not None else 0.0
        return slips_now(self._slipping.values(), now_s=now_s)
