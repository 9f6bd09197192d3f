"""Does a log give back exactly what was written?"""

import csv
import dataclasses
import os
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerfbeat.capture.events import Event, Health, LineCounts, LinkDown, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import LogWriter, Mark, PulseLog, read_log
from kerfbeat.capture.log_format import escape, fields_text, parse_fields, unescape
from kerfbeat.errors import LogError
from kerfbeat.machine import Machine, Setting, demo_machine, parse_machine

START = datetime(2025, 3, 1, 12, 0, 0, 123456, tzinfo=UTC)
SAW = demo_machine("saw")
NO_FIXTURE_PER_EXAMPLE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


def segment(start_ticks: int = 0, **changes: object) -> SegmentStarted:
    event = SegmentStarted(
        board_id="0000BEEF", firmware="1.2.3", tick_hz=16e6, cause="recording began", start_ticks=start_ticks
    )
    return dataclasses.replace(event, **changes)


def pulses(complete_ticks: int = 0, **edges: list[int]) -> Pulses:
    arrays = {channel: np.array(ticks, dtype=np.int64) for channel, ticks in edges.items()}
    return Pulses(edge_ticks=arrays, complete_ticks=complete_ticks)


def write(path: Path, *events: Event, machine: Machine = SAW, **options: object) -> Path:
    with LogWriter(path, machine=machine, start_utc=START, **options) as writer:
        for event in events:
            writer.accept(event)
    return path


def edges_of(log: PulseLog, index: int = 0) -> dict[str, list[int]]:
    return {channel: ticks.tolist() for channel, ticks in log.segments[index].edge_ticks.items() if len(ticks)}


def test_everything_that_is_written_is_read(tmp_path: Path) -> None:
    with LogWriter(
        tmp_path / "a.log",
        machine=SAW,
        calibration_text="date = 2025-01-01\n\n[wheel]\nnote = 'a, \"b\"'",
        start_utc=START,
        setting=Setting(hz=47.5, gear="low"),
    ) as writer:
        writer.accept(segment(100))
        writer.accept(pulses(2000, wheel=[100, 1100, 2100], motor=[150]))
        writer.accept(Sync(sent_host_s=1.25, received_host_s=1.2500000001, ping_ticks=2200, answer_ticks=2210))
        writer.accept(Lost(channel="wheel", start_ticks=2100, end_ticks=5000, pulses=3, cause="ring overrun"))
        writer.accept(Lost(channel="motor", start_ticks=2000, end_ticks=5000, pulses=None, cause="edge flood"))
        writer.accept(LinkDown(reason="unplugged", host_s=3.0))
        writer.mark("note", 'first line\nsecond, "quoted" =1+1')
        writer.mark("hz", "50")
        writer.accept(segment(7, cause="board reset (power on)", board_id="0000F00D", tick_hz=15.9e6))
        writer.accept(pulses(9, wheel=[8]))
    log = read_log(tmp_path / "a.log")
    assert log.warnings == ()
    assert log.start_utc == START
    assert log.machine == SAW
    assert log.machine.text == SAW.text
    assert log.calibration_text == "date = 2025-01-01\n\n[wheel]\nnote = 'a, \"b\"'"
    first, second = log.segments
    assert (first.board_id, first.firmware, first.tick_hz, first.cause) == (
        "0000BEEF", "1.2.3", 16e6, "recording began",
    )  # fmt: skip
    assert edges_of(log, 0) == {"wheel": [100, 1100, 2100], "motor": [150]}
    assert set(first.edge_ticks) == set(SAW.sensors)
    assert (first.start_ticks, first.end_ticks) == (100, 5000)
    assert first.duration_s == 4900 / 16e6
    assert first.losses == (
        Lost(channel="motor", start_ticks=2000, end_ticks=5000, pulses=None, cause="edge flood"),
        Lost(channel="wheel", start_ticks=2100, end_ticks=5000, pulses=3, cause="ring overrun"),
    )
    assert first.marks == (
        Mark(ticks=100, key="hz", value="47.5"),
        Mark(ticks=100, key="gear", value="low"),
        Mark(ticks=5000, key="note", value='first line\nsecond, "quoted" =1+1'),
        Mark(ticks=5000, key="hz", value="50"),
    )
    assert first.syncs.sent_host_s.tolist() == [1.25]
    assert first.syncs.received_host_s.tolist() == [1.2500000001]
    assert (first.syncs.ping_ticks.tolist(), first.syncs.answer_ticks.tolist()) == ([2200], [2210])
    assert (second.board_id, second.tick_hz, second.start_ticks, second.end_ticks) == ("0000F00D", 15.9e6, 7, 9)
    # What is in force stands again at the start of the new segment; a note was said once.
    assert second.marks == (Mark(ticks=7, key="hz", value="50"), Mark(ticks=7, key="gear", value="low"))


ticks_lists = st.lists(st.integers(0, 2**63 - 1), unique=True, max_size=30).map(sorted)
channel_edges = st.fixed_dictionaries(dict.fromkeys(SAW.sensors, ticks_lists))


@NO_FIXTURE_PER_EXAMPLE
@given(edges=channel_edges, cuts=st.lists(st.integers(0, 30), max_size=4))
def test_any_ticks_survive_the_round_trip(
    tmp_path_factory: pytest.TempPathFactory, edges: dict[str, list[int]], cuts: list[int]
) -> None:
    path = tmp_path_factory.mktemp("log") / "a.log"
    bounds = [0, *sorted(cuts), 30]
    parts = [pulses(**{channel: ticks[a:b] for channel, ticks in edges.items()}) for a, b in pairwise(bounds)]
    log = read_log(write(path, segment(), *parts))
    assert edges_of(log) == {channel: ticks for channel, ticks in edges.items() if ticks}
    assert log.segments[0].end_ticks == max((ticks[-1] for ticks in edges.values() if ticks), default=0)


@pytest.mark.parametrize("digits", range(1, 20))
def test_ticks_of_every_length_survive(tmp_path: Path, digits: int) -> None:
    ticks = [10 ** (digits - 1), min(10**digits, 2**63) - 1]  # 1, 9; 10, 99; ... up to 2**63 - 1
    log = read_log(write(tmp_path / "a.log", segment(), pulses(wheel=ticks, driven=ticks), machine=four_sensor_like()))
    assert edges_of(log) == {"wheel": ticks, "driven": ticks}


def four_sensor_like() -> Machine:
    return parse_machine(
        'name = "x"\n[wheel]\ndiameter = "300 mm"\n[sensor.wheel]\ntargets = 1\n[sensor.driven]\ntargets = 2\n'
    )


@NO_FIXTURE_PER_EXAMPLE
@given(value=st.text(max_size=60), cause=st.text(max_size=20))
def test_any_text_of_a_mark_or_a_cause_survives_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, value: str, cause: str
) -> None:
    path = tmp_path_factory.mktemp("log") / "a.log"
    with LogWriter(path, machine=SAW, start_utc=START) as writer:
        writer.accept(segment(cause=cause))
        writer.mark("note", value)
        writer.accept(Lost(channel="wheel", start_ticks=0, end_ticks=1, pulses=None, cause=cause))
    text = path.read_bytes().decode()
    rows = text.split("kind,channel,ticks,value\n")[1]
    assert rows.count("\n") == 4  # segment, mark, lost, the end
    assert all(character.isprintable() or character == "\n" for character in rows)
    log = read_log(path)
    assert log.segments[0].marks == (Mark(ticks=0, key="note", value=value),)
    assert log.segments[0].losses[0].cause == cause
    assert log.segments[0].cause == cause


def test_no_cell_starts_with_a_sign_that_a_spreadsheet_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with LogWriter(path, machine=SAW, start_utc=START) as writer:
        writer.accept(segment(cause="=cmd()"))
        for value in ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"):
            writer.mark("note", value)
    body = path.read_text().split("kind,channel,ticks,value\n")[1]
    cells = [cell for row in csv.reader(body.splitlines()) for cell in row if cell]
    assert not [cell for cell in cells if cell[0] in "=+-@\t\r"]


@given(st.text())
def test_escaping_is_undone_exactly(text: str) -> None:
    assert unescape(escape(text)) == text
    assert parse_fields(fields_text({"a": text, "b": text})) == {"a": text, "b": text}


@pytest.mark.parametrize(
    ("escaped", "text"),
    [(r"a\nb", "a\nb"), (r"\x00\x7f", "\0\x7f"), (r"\\n", r"\n"), (r"\q", r"\q"), (r"\Uffffffff", r"\Uffffffff")],
)
def test_written_escapes(escaped: str, text: str) -> None:
    assert unescape(escaped) == text


def test_the_writer_refuses_to_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("precious")
    with pytest.raises(LogError, match=r"a\.log: the file exists and is not overwritten"):
        LogWriter(path, machine=SAW, start_utc=START)
    assert path.read_text() == "precious"


@pytest.mark.parametrize("name", ["absent/a.log", "."])
def test_a_file_that_cannot_be_made_is_one_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(LogError) as caught:
        LogWriter(tmp_path / name, machine=SAW, start_utc=START)
    assert "\n" not in str(caught.value)


def test_what_contradicts_the_rows_before_is_refused_and_nothing_of_it_written(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "a.log", machine=SAW, start_utc=START) as writer:
        for early in (pulses(wheel=[1]), Lost(channel="wheel", start_ticks=0, end_ticks=1, pulses=1, cause="")):
            with pytest.raises(LogError, match="before a segment"):
                writer.accept(early)
        writer.accept(segment())
        writer.accept(pulses(wheel=[5]))
        for wrong in (
            pulses(motor=[1], wheel=[5]),
            pulses(wheel=[4]),
            pulses(wheel=[6, 6]),
            pulses(wheel=[8, 7]),
            pulses(motor=[-1]),
        ):
            with pytest.raises(LogError, match="backwards"):
                writer.accept(wrong)
        with pytest.raises(LogError, match="not a sensor"):
            writer.accept(pulses(elbow=[6]))
        with pytest.raises(LogError, match="key"):
            writer.mark("two words", "x")
    assert edges_of(read_log(tmp_path / "a.log")) == {"wheel": [5]}
    with pytest.raises(LogError, match="closed"):
        writer.accept(pulses(wheel=[9]))


def test_a_session_without_a_board_is_a_readable_log(tmp_path: Path) -> None:
    log = read_log(write(tmp_path / "a.log", setting=Setting(hz=50.0)))
    assert (log.segments, log.warnings) == ((), ())


def test_idle_time_up_to_the_end_is_in_the_log(tmp_path: Path) -> None:
    log = read_log(write(tmp_path / "a.log", segment(), pulses(16_000_000, wheel=[5])))
    assert log.segments[0].end_ticks == 16_000_000


def test_rows_reach_the_disk_within_each_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now_s, kept_s = [0.0], []
    writer = LogWriter(tmp_path / "a.log", machine=SAW, start_utc=START, clock=lambda: now_s[0])
    monkeypatch.setattr(os, "fsync", lambda _: kept_s.append(now_s[0]))
    writer.accept(segment())
    writer.accept(pulses(wheel=[5]))
    assert (tmp_path / "a.log").stat().st_size == 0  # not a write for each batch
    ticks = 5
    for now_s[0] in np.arange(0.1, 10.0, 0.1).tolist():  # batches as of a board that stands
        writer.accept(pulses(wheel=[ticks := ticks + 1]))
        on_disk = (tmp_path / "a.log").read_bytes()
        assert ticks - int(on_disk.rsplit(b"pulse,wheel,")[-1].split(b",")[0] if b"pulse" in on_disk else 5) <= 2
    assert np.diff([0.0, *kept_s]).max() < 0.95  # of a power cut, too; a batch comes each 0.1 s, and is as old
    assert len(kept_s) <= 13  # but the disk is not worn
    log = read_log(tmp_path / "a.log")  # as after a power cut at this moment
    assert edges_of(log)["wheel"][:3] == [5, 6, 7]
    assert "not closed" in log.warnings[0]
    writer.accept(pulses(wheel=[500]))
    writer.accept(LinkDown(reason="unplugged", host_s=0.0))  # after which nothing may come for hours
    assert edges_of(read_log(tmp_path / "a.log"))["wheel"][-1] == 500
    writer.mark("cut", "start")
    writer.keep()
    assert read_log(tmp_path / "a.log").segments[0].marks == (Mark(ticks=500, key="cut", value="start"),)
    writer.close()
    writer.close()
    assert read_log(tmp_path / "a.log").warnings == ()


def test_events_that_are_not_of_the_log_are_passed_over(tmp_path: Path) -> None:
    counts = LineCounts(frames=1, bad_crc=0, malformed=0, implausible=0, noise_bytes=0, frames_missing=0)
    health = Health(ticks=5, supply_v=None, host_frames_damaged=0, stored_settings="good", inputs={}, line=counts)
    log = read_log(write(tmp_path / "a.log", segment(), health, LinkDown(reason="x", host_s=1.0)))
    assert log.segments[0].end_ticks == 0


def test_start_time_is_kept_in_universal_time(tmp_path: Path) -> None:
    east = datetime(2025, 3, 1, 14, 0, tzinfo=timezone(timedelta(hours=2)))
    with LogWriter(tmp_path / "a.log", machine=SAW, start_utc=east):
        pass
    assert read_log(tmp_path / "a.log").start_utc == datetime(2025, 3, 1, 12, 0, tzinfo=UTC)
    with pytest.raises(ValueError, match="time zone"):
        LogWriter(tmp_path / "b.log", machine=SAW, start_utc=datetime(2025, 3, 1, 12, 0))


@pytest.mark.parametrize("bad", ["a\0b", "\x1b[2J"])
def test_control_characters_in_the_calibration_are_refused_before_a_file_exists(tmp_path: Path, bad: str) -> None:
    with pytest.raises(LogError, match="control character"):
        LogWriter(tmp_path / "a.log", machine=SAW, start_utc=START, calibration_text=bad)
    assert not (tmp_path / "a.log").exists()


@pytest.mark.parametrize(
    "text", ["", "\n", "a = 1", "a = 1\n", "  # kerfbeat log 1\nkind,channel,ticks,value\n", "é\n\n"]
)
def test_header_text_is_kept_word_for_word(tmp_path: Path, text: str) -> None:
    assert read_log(write(tmp_path / "a.log", calibration_text=text)).calibration_text == text


WRITTEN_BY_HAND = """\
# kerfbeat log 1
# started = 2025-03-01T13:00:00+01:00
# anything may stand in a comment
# machine| name = "Bench"
# machine|
# machine| [wheel]
# machine| diameter = "300 mm"
# machine| [sensor.wheel]
# machine| targets = 2
kind,channel,ticks,value
segment,,5,board=B; tick_hz=1000; cause=a \\x3b b
mark,,5,hz=50
pulse,wheel,10,
pulse,wheel,20,
lost,wheel,20,until=90; pulses=unknown; cause=frames lost
pulse,wheel,100,
sync,,110,sent_s=0.5; received_s=0.75; ping_ticks=105
mark,,120,"note=one, \\"two\\"\\nthree"
mark,,130,log=end
"""


def test_a_log_written_by_hand_from_the_page_is_read(tmp_path: Path) -> None:
    """So that a change of the format cannot pass because writer and reader changed alike."""
    path = tmp_path / "hand.log"
    path.write_text(WRITTEN_BY_HAND.replace('\\"', '""'))
    log = read_log(path)
    assert log.warnings == ()
    assert (log.machine.name, log.start_utc, log.calibration_text) == ("Bench", START.replace(microsecond=0), None)
    (only,) = log.segments
    assert (only.board_id, only.tick_hz, only.cause, only.start_ticks, only.end_ticks) == ("B", 1000.0, "a ; b", 5, 130)
    assert edges_of(log) == {"wheel": [10, 20, 100]}
    assert only.losses == (Lost(channel="wheel", start_ticks=20, end_ticks=90, pulses=None, cause="frames lost"),)
    assert only.marks == (
        Mark(ticks=5, key="hz", value="50"),
        Mark(ticks=120, key="note", value='one, "two"\nthree'),
    )
    assert only.syncs.answer_ticks.tolist() == [110]
