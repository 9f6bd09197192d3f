"""How does a simulated run become a log, with its truth beside it?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfbeat.board_identity import identity_name
from kerfbeat.capture.events import Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import LogWriter
from kerfbeat.machine import Machine
from kerfbeat.simulate.board import FIRMWARE
from kerfbeat.simulate.board_memory import BOARD_ID
from kerfbeat.simulate.clock import TICK_HZ
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.plan import OperatorMark
from kerfbeat.simulate.truth import TruthKeeper
from kerfbeat.simulate.world import Stretch, World
from kerfbeat.whole_file import gone_unless_whole

__all__ = ["simulate_log"]

Floats = NDArray[np.float64]

START_UTC = datetime(2025, 1, 6, 7, 0, tzinfo=UTC)  # the same for every run, so that a seed gives one file
BOOT_S = 0.4  # from a reset to the first tick that counts
HOST_SPREAD_PPM = 20.0  # of a computer's clock drawn by seed: crystals are within 10 to 50 ppm
HOST_START_S = 1000.0  # what the host's clock shows when the run begins
# A round trip through a USB serial adapter: a fixed part, a random part of the same size, now and then a busy host
# (common practice, no published source).
LEAST_TRIP_S = 0.4e-3
USUAL_TRIP_S = 0.4e-3
BUSY_TRIP_S = 8e-3
BUSY_CHANCE = 0.03
ANSWER_S = 60e-6


def simulate_log(
    scenario: str,
    machine: Machine,
    path: str | Path,
    *,
    seed: int = 0,
    settings: Mapping[str, str | float] | None = None,
    real_machine: Machine | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> dict[str, Any]:
    """Play a scenario, write its pulse log and return its truth (see `truth`), ready for JSON.

    settings : parameters by name, as text with units or as plain numbers.
    real_machine : what really stands there, if the description that the log carries is wrong.
    progress : is called with the simulated seconds done so far, and with how many there are.
    Raises SimulateError or MachineError before a file is made if the run cannot be played, LogError if the file exists.
    """
    world = World(scenario, machine, seed=seed, settings=settings, real_machine=real_machine)
    plan, parameters = world.plan, world.parameters
    marks = plan.marks(delay_s=parameters.mark_delay_s, random=stream(seed, "operator"))
    host = _Host(world)
    keeper = TruthKeeper(world)
    stretches = world.stretches()
    first = next(stretches)  # what cannot be played is told before a file exists
    with (
        gone_unless_whole(path),
        LogWriter(path, machine=machine, start_utc=START_UTC, setting=plan.setting) as log,
    ):
        session = _Session(world, log, host, marks)
        for stretch in _chained(first, stretches):
            keeper.accept(stretch)
            session.accept(stretch)
            if progress is not None:
                progress(stretch.trajectory.end_s, plan.duration_s)
    return keeper.document(marks=marks, host_ppm=host.ppm)


def _chained(first: Stretch, rest: Iterator[Stretch]) -> Iterator[Stretch]:
    yield first
    yield from rest


class _Host:
    """The computer's clock, and how long its messages take."""

    def __init__(self, world: World) -> None:
        self._random = stream(world.seed, "host")
        drawn_ppm = float(self._random.uniform(-1, 1)) * HOST_SPREAD_PPM
        asked_ppm = world.parameters.host_ppm
        self.ppm = asked_ppm if asked_ppm is not None else drawn_ppm

    def reading_s(self, true_s: float) -> float:
        """What its clock shows."""
        return HOST_START_S + true_s * (1 + 1e-6 * self.ppm)

    def trip_s(self) -> float:
        """How long one journey takes."""
        trip_s = LEAST_TRIP_S + float(self._random.exponential(USUAL_TRIP_S))
        return trip_s + (float(self._random.exponential(BUSY_TRIP_S)) if self._random.random() < BUSY_CHANCE else 0.0)


class _Session:
    """Turns edges at true times into what a link to the board would have given."""

    def __init__(self, world: World, log: LogWriter, host: _Host, marks: list[OperatorMark]) -> None:
        self._world, self._log, self._host = world, log, host
        self._marks = marks
        parameters = world.parameters
        self._stampers = world.stampers()
        self._zero_ticks = 0  # reading of the board's clock at its last reset
        self._next_ping_s = parameters.ping_s
        self._lost = dict.fromkeys(world.sensors, 0)
        self._gap_s = (parameters.loss_at_s, parameters.loss_at_s + parameters.loss_s)
        self._reset_s = parameters.reset_at_s or math.inf
        self._alive_s = 0.0  # when the board began to count
        self._begin(0.0, "recording began")

    def _begin(self, true_s: float, cause: str) -> None:
        reading = self._world.clock.ticks_at(true_s)
        self._zero_ticks = reading if true_s > 0 else 0
        self._written_s = true_s
        self._log.accept(
            SegmentStarted(
                board_id=identity_name(BOARD_ID),
                firmware=f"{'.'.join(map(str, FIRMWARE))} (simulated)",
                tick_hz=TICK_HZ,
                cause=cause,
                start_ticks=reading - self._zero_ticks,
            )
        )

    def _ticks(self, true_s: float) -> int:
        return max(self._world.clock.ticks_at(true_s) - self._zero_ticks, 0)

    def accept(self, stretch: Stretch) -> None:
        """Write one stretch, second by second as a live session would."""
        edges = {channel: each.seconds for channel, each in stretch.edges.items()}
        start_s, end_s = stretch.trajectory.start_s, stretch.trajectory.end_s
        if start_s <= self._reset_s < end_s:
            self._reset(edges)
        # What passes while the board starts is in no count; its start may last into the next stretch.
        edges = {name: each[each >= self._alive_s] for name, each in edges.items()}
        if stretch.complete_s > self._alive_s:
            self._write(edges, stretch.complete_s)

    def _reset(self, edges: Mapping[str, Floats]) -> None:
        """End the segment; frames that are being lost belong partly to it, partly to the next."""
        gap_start_s, gap_end_s = self._gap_s
        self._gap_s = (gap_start_s, min(gap_end_s, self._reset_s))
        self._write({name: each[each < self._reset_s] for name, each in edges.items()}, self._reset_s)
        self._alive_s = self._reset_s + BOOT_S
        self._gap_s = (max(gap_start_s, self._alive_s), gap_end_s)
        self._lost = dict.fromkeys(self._lost, 0)
        self._reset_s = math.inf
        self._begin(self._alive_s, "board reset (power on)")

    def _write(self, edges: Mapping[str, Floats], complete_s: float) -> None:
        """Pulses, then what else happened since the last time; a stretch is complete a little before its end."""
        gap_start_s, gap_end_s = self._gap_s
        kept: dict[str, NDArray[np.int64]] = {}
        for channel, seconds in edges.items():
            lost = (seconds > gap_start_s) & (seconds <= gap_end_s)
            self._lost[channel] += int(np.count_nonzero(lost))
            kept[channel] = (self._stampers[channel].ticks(seconds) - self._zero_ticks)[~lost]
        if gap_end_s > gap_start_s and self._written_s < gap_end_s <= complete_s:
            self._write_loss(kept, gap_start_s, gap_end_s)
        self._log.accept(Pulses(edge_ticks=kept, complete_ticks=self._ticks(complete_s)))
        while self._next_ping_s < complete_s and self._world.parameters.ping_s:
            if not gap_start_s <= self._next_ping_s <= gap_end_s and self._next_ping_s >= self._written_s:
                self._ping(self._next_ping_s)
            self._next_ping_s += self._world.parameters.ping_s
        while self._marks and self._marks[0].at_s <= complete_s:
            mark = self._marks[0]
            self._marks = self._marks[1:]
            self._log.mark(mark.key, mark.value, self._ticks(mark.at_s))
        self._written_s = complete_s

    def _write_loss(self, kept: Mapping[str, NDArray[np.int64]], gap_start_s: float, gap_end_s: float) -> None:
        """What the link dropped: the count that each batch carries tells how many."""
        start_ticks, end_ticks = self._ticks(gap_start_s), self._ticks(gap_end_s)
        for channel, ticks in kept.items():
            before = ticks[ticks <= start_ticks]
            first_ticks = max(start_ticks, int(before[-1])) if len(before) else start_ticks
            self._log.accept(
                Lost(
                    channel=channel, start_ticks=first_ticks, end_ticks=end_ticks, pulses=self._lost[channel],
                    cause="link lost frames",
                )
            )  # fmt: skip

    def _ping(self, sent_s: float) -> None:
        there_s = sent_s + self._host.trip_s()
        answer_s = there_s + ANSWER_S
        received_s = answer_s + self._host.trip_s()
        self._log.accept(
            Sync(
                sent_host_s=self._host.reading_s(sent_s), received_host_s=self._host.reading_s(received_s),
                ping_ticks=self._ticks(there_s), answer_ticks=self._ticks(answer_s),
            )
        )  # fmt: skip
