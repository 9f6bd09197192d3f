"""Does a damaged log tell so in one line, and never a wrong tick?"""

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture.events import Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.log import LogWriter, read_log
from kerfbeat.errors import LogError
from kerfbeat.machine import Setting, demo_machine

SAW = demo_machine("saw")
WHEEL = [100, 1_100, 99_999_999, 100_000_000, 12_345_678_901, 1_234_567_890_123_456_789]


@pytest.fixture
def whole(tmp_path: Path) -> bytes:
    """A small log with a row of every kind, in two segments."""
    path = tmp_path / "whole.log"
    with LogWriter(
        path,
        machine=SAW,
        start_utc=datetime(2025, 3, 1, tzinfo=UTC),
        setting=Setting(hz=50.0),
        calibration_text="a = 1",
    ) as writer:
        for cause in ("recording began", "board reset"):
            writer.accept(SegmentStarted(board_id="B", firmware="1", tick_hz=16e6, cause=cause, start_ticks=100))
            writer.accept(Pulses(edge_ticks={"wheel": np.array(WHEEL), "motor": np.array([7000])}, complete_ticks=1))
            writer.accept(Sync(sent_host_s=0.5, received_host_s=0.75, ping_ticks=5, answer_ticks=6))
            writer.accept(Lost(channel="motor", start_ticks=7000, end_ticks=9000, pulses=17, cause="frames lost"))
            writer.mark("note", "x, y")
    return path.read_bytes()


def refused(tmp_path: Path, content: bytes) -> str:
    path = tmp_path / "damaged.log"
    path.write_bytes(content)
    with pytest.raises(LogError) as caught:
        read_log(path)
    said = str(caught.value)
    assert said.startswith(str(path))
    assert "\n" not in said
    return said.removeprefix(str(path))


def test_a_log_cut_at_any_byte_is_read_with_a_warning_or_refused_in_one_line(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "cut.log"
    header_size = whole.index(b"kind,channel,ticks,value\n") + 25
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        if size < header_size:
            with pytest.raises(LogError) as caught:
                read_log(path)
            assert "\n" not in str(caught.value)
            continue
        log = read_log(path)
        assert log.warnings
        for segment in log.segments:
            assert segment.edge_ticks["wheel"].tolist() == WHEEL[: len(segment.edge_ticks["wheel"])]
            assert segment.edge_ticks["motor"].tolist() in ([], [7000])
            assert [loss.pulses for loss in segment.losses] in ([], [17])
            assert [mark.value for mark in segment.marks] in ([], ["50"], ["50", "x, y"])


def test_a_log_with_any_bit_flipped_never_ends_in_a_traceback(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "flipped.log"
    refusals: list[str] = []
    for place in range(0, 8 * len(whole), 7):  # 7 and 8 have no common factor: every bit of a byte comes up
        content = bytearray(whole)
        content[place // 8] ^= 1 << place % 8
        path.write_bytes(content)
        try:
            read_log(path)
        except LogError as error:
            refusals.append(str(error))
    assert len(refusals) > 100
    assert not [said for said in refusals if "\n" in said]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", ": the file is empty"),
        (b"\n", ": is not a pulse log"),
        (b"channel,seconds\nwheel,1\n", ": is not a pulse log"),
        (b"\x89PNG\r\n\x1a\n\0\0\0", ": is not a pulse log"),
        (bytes(100), ": is not a pulse log"),
        (b"# kerfbeat log 2\nkind,channel,ticks,value\n", ": is a log of version '2'"),
        (b"# kerfbeat log \nkind,channel,ticks,value\n", ": is a log of version ''"),
        (b"# kerfbeat log 1\n", ": the header ends early"),
        (b"# kerfbeat log 1\nkind,channel,ticks,value\n", ": the header lacks the machine"),
        (b"# kerfbeat log 1\n# started = 2025-01-01\n# machine|\nkind,channel,ticks,value\n", "has no time zone"),
        (b"# kerfbeat log 1\n# started = 0001-01-01T00:00+23:59\n# machine|\nkind,channel,ticks,value\n", "years 1970"),
        (b"# kerfbeat log 1\n# started = soon\n# machine|\nkind,channel,ticks,value\n", "is not a date and time"),
        (b"# kerfbeat log 1\n# \xff\n", ": line 2: is not UTF-8 text"),
        (b"# kerfbeat log 1\nhello\n", ": line 2: expected a comment"),
        (b"# kerfbeat log 1\n# started = 2025-01-01T00:00Z\n# machine| name = 3\nkind,channel,ticks,value\n", "name"),
    ],
)
def test_what_is_not_a_whole_log_is_told(tmp_path: Path, content: bytes, said: str) -> None:
    assert said in refused(tmp_path, content)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (b"pulse,wheel,99,", "tick 99 of wheel goes back from 1234567890123456789"),
        (b"pulse,wheel,1234567890123456789,", "tick 1234567890123456789 of wheel is repeated"),
        (b"pulse,motor,6999,", "tick 6999 of motor goes back from 7000"),
        (b"pulse,blade,99,", "before the start of its segment"),
        (b"pulse,elbow,9000,", "'elbow' is not a sensor of the machine"),
        (b"pulse,,9000,", "'' is not a sensor of the machine"),
        (b"pluse,motor,9000,", "the kind of the row is none of"),
        (b"pulse,motor,,", "'' is not a whole number"),
        (b"pulse,motor,soon,", "'soon' is not a whole number"),
        (b"pulse,motor,-5,", "'-5' is not a whole number"),
        (b"pulse,motor,9e3,", "a spreadsheet rounds long numbers"),
        (b"pulse,motor,1.2E+09,", "a spreadsheet rounds long numbers"),
        (b'pulse,motor,"9,000",', "a spreadsheet rounds long numbers"),
        (b"pulse,motor,9000.0,", "is not a whole number"),
        (b"pulse,motor,9223372036854775808,", "is not a whole number"),
        ("pulse,motor,\u0669,".encode(), "is not a whole number"),  # a digit, but not one of ours
        (b"pulse,motor,9000,5", "a pulse has no value"),
        (b"pulse,motor,9000,,,x", "has 6 cells where 4 belong"),
        (b"pulse,motor,90\x0000,", "control characters"),
        (b"\0\0\0\0", "control characters"),
        (b"pulse,motor,9000,\xff", "is not UTF-8 text"),
        (b"lost,motor,9000,until=8999; pulses=1", "before its start"),
        (b"lost,motor,9000,until=9999", "lacks pulses="),
        (b"lost,motor,9000,until=9999; pulses=many", "'many' is not a whole number"),
        (b"lost,elbow,9000,until=9999; pulses=1", "'elbow' is not a sensor"),
        (b"sync,,9000,sent_s=1; received_s=nan; ping_ticks=1", "'nan' is not a number of seconds"),
        (b"sync,,9000,sent_s=1; received_s=2", "lacks ping_ticks="),
        # A century is 3.156e9 s (365.25 days of 86,400 s); the bound is the next round number.
        (b"sync,,9000,sent_s=1.0; received_s=3.3e9; ping_ticks=1", "cannot be: both go forward"),
        (b"sync,,9000,sent_s=3300000000.0; received_s=3300000001.0; ping_ticks=1", "clock from 0 to 3.2e+09 s"),
        (b"sync,,9000,sent_s=-1.0; received_s=2.0; ping_ticks=1", "cannot be: both go forward"),
        (b"sync,,9000,sent_s=2.0; received_s=1.0; ping_ticks=1", "cannot be: both go forward"),
        (b"sync,,9000,sent_s=1.0; received_s=2.0; ping_ticks=9001", "cannot be: both go forward"),
        (b"sync,,x,sent_s=1.0; received_s=2.0; ping_ticks=1", "'x' is not a whole number"),
        (b"mark,,9000,hello", "a mark is written key=value"),
        (b"segment,,0,tick_hz=1; cause=x", "lacks board="),
        (b"segment,,0,board=x; tick_hz=0", "must be above 0"),
        (b"segment,,0,board=x; tick_hz=fast", "'fast' is not a number"),
        (b"segment,,0,board=x; tick_hz=1e300", "from 1 to 1e+12 ticks a second"),
        (b"segment,,0,board=x; tick_hz=0.1", "from 1 to 1e+12 ticks a second"),
        (b"mark,,9000,hz=1e308", "is no frequency from 0 to 1000"),
        (b"mark,,9000,hz=nan", "is no frequency from 0 to 1000"),
        (b"mark,,9000,hz=-5", "is no frequency from 0 to 1000"),
    ],
)
@pytest.mark.parametrize("line_end", [b"\n", b"\r\n"])
def test_a_wrong_row_is_told_with_its_line(
    tmp_path: Path, whole: bytes, row: bytes, said: str, line_end: bytes
) -> None:
    end = whole.index(b"mark,,", whole.rindex(b"lost,"))
    content = (whole[:end] + row + b"\n" + whole[end:]).replace(b"\n", line_end)
    line = whole[:end].count(b"\n") + 1
    told = refused(tmp_path, content)
    assert told.startswith(f": line {line}: ")
    assert said in told


@pytest.mark.parametrize("row", [b"pulse,wheel,5,\n", b"lost,wheel,1,until=2; pulses=1\n", b"sync,,1,sent_s=1.0\n"])
def test_rows_before_the_first_segment_are_refused(tmp_path: Path, whole: bytes, row: bytes) -> None:
    start = whole.index(b"segment,")
    assert "line" in refused(tmp_path, whole[:start] + row + whole[start:])


def test_a_spreadsheet_may_have_saved_it_anew(tmp_path: Path, whole: bytes) -> None:
    """Byte order mark, CRLF, comment lines filled up with commas and quoted as cells."""

    def as_cells(line: str) -> str:
        cells = line.split(",") + [""] * (6 - len(line.split(",")))
        return ",".join('"' + cell.replace('"', '""') + '"' if '"' in cell else cell for cell in cells)

    head, rows = whole.decode().split("kind,channel,ticks,value\n")
    lines = [as_cells(line) for line in [*head.splitlines(), "kind,channel,ticks,value"]]
    lines += [line + ",," for line in rows.splitlines()] + [",,,,,"]
    path = tmp_path / "anew.log"
    path.write_bytes(b"\xef\xbb\xbf" + "\r\n".join([*lines, ""]).encode())
    log = read_log(path)
    assert "saved this log anew" in log.warnings[0]
    assert log.machine == SAW
    assert [segment.edge_ticks["wheel"].tolist() for segment in log.segments] == [WHEEL, WHEEL]
    assert log.segments[0].marks[-1].value == "x, y"


def test_other_line_ends_and_a_byte_order_mark_change_nothing(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "crlf.log"
    path.write_bytes(b"\xef\xbb\xbf" + whole.replace(b"\n", b"\r\n"))
    log = read_log(path)
    assert log.warnings == ()
    assert [segment.edge_ticks["wheel"].tolist() for segment in log.segments] == [WHEEL, WHEEL]


def test_rows_written_in_other_ways_keep_their_place_among_the_plain_ones(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "mixed.log"
    odd = whole.replace(b"pulse,wheel,1100,\n", b'"pulse","wheel","1100"\n# a comment\n\n')
    path.write_bytes(odd)
    assert read_log(path).segments[1].edge_ticks["wheel"].tolist() == WHEEL


def test_a_tail_of_zero_bytes_is_what_a_power_cut_left(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "zeros.log"
    for torn in (b"", b"pulse,whe"):
        path.write_bytes(whole[: whole.rindex(b"mark,,")] + torn + bytes(3 << 20))
        log = read_log(path)
        assert "torn" in log.warnings[0]
        assert len(log.segments) == 2
    told = refused(tmp_path, whole + b"pul" + bytes(3 << 20) + b"se,wheel,9,\n")
    assert "control characters" in told


def test_a_line_without_end_does_not_fill_the_memory(tmp_path: Path, whole: bytes) -> None:
    assert "line without end" in refused(tmp_path, whole + b"7" * (5 << 20))


def test_pieces_join_without_a_seam(tmp_path: Path) -> None:
    """Rows of many lengths across several pieces; a wrong row far down is told by its line."""
    rng = np.random.default_rng(3)
    wheel = np.cumsum(rng.integers(1, 10**6, 120_000))
    motor = np.cumsum(rng.integers(1, 10**9, 60_000))
    path = tmp_path / "long.log"
    with LogWriter(path, machine=SAW, start_utc=datetime(2025, 3, 1, tzinfo=UTC)) as writer:
        writer.accept(SegmentStarted(board_id="B", firmware="1", tick_hz=16e6, cause="x", start_ticks=0))
        for k in range(600):
            edges = {"wheel": wheel[k * 200 : (k + 1) * 200], "motor": motor[k * 100 : (k + 1) * 100]}
            writer.accept(Pulses(edge_ticks=edges, complete_ticks=0))
            writer.accept(Sync(sent_host_s=k + 0.1, received_host_s=k + 0.2, ping_ticks=k, answer_ticks=k))
    (segment,) = read_log(path).segments
    assert np.array_equal(segment.edge_ticks["wheel"], wheel)
    assert np.array_equal(segment.edge_ticks["motor"], motor)
    assert np.array_equal(segment.syncs.ping_ticks, np.arange(600))
    content = path.read_bytes()
    row = f"pulse,wheel,{wheel[100_000]},\n".encode()
    place = content.index(row) + len(row)
    line = content[:place].count(b"\n") + 1
    assert f"line {line}: tick {wheel[100_000]} of wheel is repeated" in refused(
        tmp_path, content[:place] + row + content[place:]
    )


FULL_DISK = """
import resource, sys
from datetime import UTC, datetime
import numpy as np
from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.capture.log import LogWriter
from kerfbeat.errors import LogError
from kerfbeat.machine import demo_machine

writer = LogWriter(sys.argv[1], machine=demo_machine("saw"), start_utc=datetime(2025, 3, 1, tzinfo=UTC))
writer.accept(SegmentStarted(board_id="B", firmware="1", tick_hz=16e6, cause="x", start_ticks=0))
writer.keep()
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, resource.RLIM_INFINITY))
writer.accept(Pulses(edge_ticks={"wheel": np.arange(1, 5001)}, complete_ticks=5000))
try:
    writer.keep()
except LogError as error:
    print(error, error.exit_status)
if sys.argv[2] == "free":
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    writer.close()
"""


@pytest.mark.parametrize("then", ["free", "stop"])
def test_a_full_disk_is_told_and_costs_nothing_that_fits(tmp_path: Path, then: str) -> None:
    path = tmp_path / "full.log"
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(path), then], capture_output=True, text=True, check=True, timeout=60
    )
    assert "the disk does not take the log" in done.stdout
    assert done.stdout.endswith(" 1\n")  # failed work, no wrong input
    log = read_log(path)
    wheel = log.segments[0].edge_ticks["wheel"]
    assert np.array_equal(wheel, np.arange(1, len(wheel) + 1))
    if then == "free":
        assert len(wheel) == 5000
        assert log.warnings == ()
    else:
        assert 19_980 < path.stat().st_size <= 20_000
        assert f"{len(wheel) + 1} rows are in the file, {5000 - len(wheel)} wait in memory" in done.stdout
        assert ["not closed" in warning for warning in log.warnings] == [True]
