"""Do marks, losses and restarts stand where they happened in the log's time?"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture.events import Lost, Pulses, SegmentStarted
from kerfbeat.capture.log import LogWriter, PulseLog, read_log
from kerfbeat.machine import Setting, demo_text, parse_machine
from kerfbeat.present.happenings import happenings_of

HZ = 1000.0


@pytest.fixture
def log(tmp_path: Path) -> PulseLog:
    """Ten seconds from tick 5000, then a restart and five seconds from tick 0."""
    path = tmp_path / "log.csv"
    machine = parse_machine(demo_text("saw"))
    start_utc = datetime(2026, 1, 5, tzinfo=UTC)
    with LogWriter(path, machine=machine, start_utc=start_utc, setting=Setting(gear="low")) as writer:
        writer.accept(SegmentStarted(board_id="A", firmware="1", tick_hz=HZ, cause="start", start_ticks=5000))
        writer.mark("hz", "45", 7000)
        writer.mark("cut", "start", 8000)
        writer.mark("note", "new blade", 9000)
        writer.mark("cut", "stop", 11000)
        writer.mark("cut", "start", 14000)
        writer.accept(Lost(channel="wheel", start_ticks=6000, end_ticks=6500, pulses=None, cause="x"))
        writer.accept(Pulses(edge_ticks={"wheel": np.array([15000])}, complete_ticks=15000))
        writer.accept(SegmentStarted(board_id="A", firmware="1", tick_hz=HZ, cause="board reset", start_ticks=0))
        writer.mark("hz", "50", 1000)
        writer.accept(Lost(channel="motor", start_ticks=2000, end_ticks=3000, pulses=4, cause="x"))
        writer.accept(Pulses(edge_ticks={"wheel": np.array([5000])}, complete_ticks=5000))
    return read_log(path)


def test_settings_stand_without_gaps(log: PulseLog) -> None:
    assert happenings_of(log).settings == (
        (0.0, 2.0, Setting(gear="low")),
        (2.0, 11.0, Setting(gear="low", hz=45.0)),
        (11.0, 15.0, Setting(gear="low", hz=50.0)),
    )


def test_cuts_notes_losses_and_restarts(log: PulseLog) -> None:
    happened = happenings_of(log)
    assert happened.cuts == ((3.0, 6.0), (9.0, 15.0))
    assert happened.notes == ((4.0, "new blade"),)
    assert happened.losses == {"wheel": ((1.0, 1.5),), "motor": ((12.0, 13.0),), "blade": ()}
    assert happened.restarts == ((10.0, "board reset"),)
