"""Is slip told on the screen, in the lines, while recording and in the log, and does it look like nothing else?"""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from kerfbeat.present import panels
from kerfbeat.present.layout import PARTS, part_heights
from kerfbeat.present.lines import LinePacer, reading_line
from kerfbeat.present.recording import progress_line
from kerfbeat.present.snapshot import SlipNow

SLIPS = SlipNow(what="first belt", since_s=4.2, percent=2.13, peak_percent=2.6, against="idle running so far")
AT = datetime(2026, 1, 5, 12, tzinfo=UTC)


def test_the_bar_fills_the_width_and_looks_like_no_other_alarm(moment):
    now = moment(slips=(SLIPS,))
    text = panels.alarm(now, columns=90, rows=3)
    lines = text.plain.split("\n")
    assert [len(line) for line in lines] == [90, 90, 90]
    assert "FIRST BELT SLIPS 2.1 %" in lines[0]
    assert "for 4 s, at most 2.6 %, against idle running so far" in lines[1]
    assert "locked out" in lines[2]
    assert panels.SLIPS not in (panels.ALARM, "")
    assert panels.alarm(now, columns=40, rows=1).plain.count("\n") == 0


def test_the_blade_slips_on_its_wheel(moment):
    now = moment(slips=(replace(SLIPS, what="blade"),))
    lines = panels.alarm(now, columns=90, rows=3).plain.split("\n")
    assert "BLADE SLIPS ON ITS WHEEL 2.1 %" in lines[0]
    assert "blade tension" in lines[2]


@pytest.mark.parametrize("rows", [10, 18, 24, 60])
def test_room_for_the_bar_only_while_something_slips(rows):
    quiet, loud = (part_heights(rows, sensors=3, silent=False, alarm=alarm) for alarm in (False, True))
    assert set(quiet) == set(loud) == set(PARTS)
    assert quiet["alarm"] == 0
    assert loud["alarm"] == (3 if rows >= 20 else 1)
    assert loud["readout"] >= 1


def test_a_line_says_it_and_is_due_at_once(moment):
    quiet, loud = moment(), moment(slips=(SLIPS,))
    parts = reading_line(loud, "m/min", at=AT).split("  ")
    assert parts[3] == "turning; first belt slips 2.1 % (against idle running so far)"
    pacer = LinePacer(every_s=60.0)
    assert pacer.due(quiet)
    assert not pacer.due(replace(quiet, at_s=100.2))
    assert pacer.due(replace(loud, at_s=100.4))
    assert pacer.due(replace(quiet, at_s=100.6))


def test_recording_shows_it(moment):
    assert "FIRST BELT SLIPS 2.1 %" in progress_line(moment(slips=(SLIPS,)), "m/min")
    assert "SLIPS" not in progress_line(moment(), "m/min")


def test_what_slip_is_told_against_stands_on_the_screen(moment):
    now = moment(slip_against="idle running so far")
    assert "slip against: idle running so far" in panels.health(now, columns=120).plain
