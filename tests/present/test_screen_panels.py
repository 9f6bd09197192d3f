"""Does each part of the screen say what it must, in the space it has?"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present import panels, readout
from kerfbeat.present.snapshot import LinkNow, LogNow, MotorNow, Prospect, Snapshot

Moment = Callable[..., Snapshot]
SIZES = [(80, 9), (120, 20), (200, 40), (40, 5)]


@pytest.mark.parametrize("state", ["turning", "waiting", "no pulses", "silent", "signal lost", "no link"])
@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_readout_fits_its_space(moment: Moment, state: str, columns: int, rows: int) -> None:
    text = readout.Readout().text(moment(state), "m/min", columns=columns, rows=rows)
    lines = text.plain.splitlines()
    assert len(lines) <= rows
    assert max(len(line) for line in lines) <= columns


def test_reading_never_stands_without_its_uncertainty_and_both_units(moment: Moment) -> None:
    text = readout.Readout().text(moment(), "m/min", columns=80, rows=9).plain
    # 1.3556 m/s = 81.34 m/min = 266.9 ft/min (1 ft = 0.3048 m, NIST SP 811 B.8)
    assert "m/min" in text
    assert "± 0.12" in text
    assert "266.9 ft/min" in text
    assert "± 0.4" in text
    turned = readout.Readout().text(moment(), "ft/min", columns=80, rows=9).plain
    assert turned.index("ft/min") < turned.index("81.34 m/min")


def test_size_that_was_only_described_is_named_beside_its_uncertainty(moment: Moment) -> None:
    """The whole half-width stands there; the figure has its last place, so that a small change of speed still shows."""
    now = moment()
    speed = Estimate(value=1.3556, u95=0.0077)  # 81.34 +- 0.46 m/min
    blade = replace(now.blade, speed_m_per_s=speed, turning_u95_m_per_s=0.0002, described=True)
    shown = readout.Readout()
    for _ in range(9):
        text = shown.text(replace(now, blade=blade), "m/min", columns=80, rows=9).plain
    assert "wheel as described" in text
    assert "± 0.5" in text
    assert "267 ft/min" not in text
    assert "266.9 ft/min" in text
    assert "± 1.5" in text
    measured = replace(blade, described=False)
    assert "described" not in readout.Readout().text(replace(now, blade=measured), "m/min", columns=80, rows=9).plain
    settling = replace(blade, turning_u95_m_per_s=0.0070)
    assert "described" not in readout.Readout().text(replace(now, blade=settling), "m/min", columns=80, rows=9).plain


def test_reading_that_is_hardly_known_is_no_large_figure(moment: Moment) -> None:
    now = moment()
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=0.35, u95=0.3)))
    text = readout.Readout().text(now, "m/min", columns=80, rows=9).plain
    assert "not settled yet" in text
    assert "21 ± 18 m/min" in text
    assert not any(line.startswith("  ██████ ") and "21" in line for line in text.splitlines())
    slow = replace(now.channels[0], shaft_hz=Estimate(value=0.1, u95=2.0))
    assert "not settled yet" in panels.sensors(replace(now, channels=(slow,)), columns=80).plain


def test_a_speed_that_may_be_zero_is_a_bound_in_large_figures_and_in_no_place_of_the_band(moment: Moment) -> None:
    now = moment("slowing down")
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=0.1, u95=0.1)))
    text = readout.Readout().text(now, "m/min", columns=80, rows=9).plain
    assert "or slower" in text
    assert "< 39.4 ft/min" in text  # 0.2 m/s: 12 m/min, 39.37 ft/min
    assert "not settled" not in text
    ruler = panels.prospect(now, "m/min", columns=80).plain.splitlines()[1]
    assert "below the band" not in ruler
    assert not any(marker in ruler for marker in "◆◀▶")
    wheel = replace(now.channels[0], state="slowing down", shaft_hz=Estimate(value=0.1, u95=0.1))
    assert "< 12.0 rpm" in panels.sensors(replace(now, channels=(wheel,)), columns=80).plain


def test_silence_is_another_layout_in_words_not_a_number(moment: Moment) -> None:
    reading = readout.Readout().text(moment(), "m/min", columns=80, rows=16)
    silent = readout.Readout().text(moment("silent"), "m/min", columns=80, rows=16)
    assert str(silent.style) == readout.SILENCE
    assert str(reading.style) != readout.SILENCE
    assert "▞" * 80 in silent.plain
    assert "Stopped, or signal lost: no pulse for 3 s." in silent.plain
    assert "slower than 12.6 m/min (41.3 ft/min)" in silent.plain
    assert "Never take this for proof" in silent.plain


@pytest.mark.parametrize("state", ["silent", "no pulses", "waiting", "no link", "signal lost"])
def test_stopped_is_never_said_of_silence_alone(moment: Moment, state: str) -> None:
    now = moment(state)
    texts = [
        readout.Readout().text(now, "m/min", columns=100, rows=20).plain,
        panels.state(now, "m/min", columns=100).plain,
        panels.sensors(now, columns=100).plain,
    ]
    for text in texts:
        assert "stopped" not in text.lower().replace("stopped, or signal lost", "")
        assert "standing" not in text


def test_lost_link_says_that_nothing_is_known(moment: Moment) -> None:
    text = readout.Readout().text(moment("no link"), "m/min", columns=80, rows=16).plain
    assert "/dev/ttyUSB0 went away" in text
    assert "nothing is known" in text


@pytest.mark.parametrize(
    ("speed_m_per_s", "words", "marker"),
    [
        (1.36, "inside the band", "◆"),
        (1.32 * 0.98, "2.0 % below the band", "◆"),
        (1.41 * 1.3, "30.0 % above the band", "▶"),
        (0.4, "69.7 % below the band", "◀"),
    ],
)
def test_where_the_reading_lies_in_the_band(moment: Moment, speed_m_per_s: float, words: str, marker: str) -> None:
    now = moment()
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=speed_m_per_s, u95=0.002)))
    lines = panels.prospect(now, "m/min", columns=80).plain.splitlines()
    assert lines[0] == "  Set: 45 Hz, gear low. Should run 79.2 to 84.6 m/min"
    assert lines[1].endswith(words)
    assert marker in lines[1]
    assert len(lines[1]) <= 80
    ruler = lines[1].removesuffix(words)
    inside = ruler.index("═") <= ruler.index(marker) <= ruler.rindex("═")
    assert inside == (words == panels.INSIDE)


@pytest.mark.parametrize(("u95", "words"), [(0.05, " 6 % below the band"), (0.9, "═")])
def test_how_far_from_the_band_is_told_as_well_as_it_is_known(moment: Moment, u95: float, words: str) -> None:
    now = moment()
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=1.32 * 0.938, u95=u95)))
    assert panels.prospect(now, "m/min", columns=80).plain.rstrip(" ·").endswith(words)


def test_what_is_told_is_never_cut(moment: Moment) -> None:
    told = '"abc" is no frequency; write the hertz that the inverter shows, such as 45.5'
    lines = panels.state(moment(notice=told), "m/min", columns=80).plain.splitlines()
    assert " ".join(" ".join(lines).split()).endswith(told)
    assert max(map(len, lines)) <= 80
    belts = [f"{sheave} / {size} in" for sheave in ("slow", "middle", "fast") for size in (2.2, 2.6, 3, 3.4, 3.8)]
    choices = [f"{n} {belt}" for n, belt in enumerate(belts, 1)]  # the demo grinder's
    text = panels.state(moment(), "m/min", columns=80, asked=f"belt: {', '.join(choices)}").plain
    assert all(choice in text for choice in choices)  # all of them, and none broken
    assert max(map(len, text.splitlines())) <= 80
    foot = panels.health(moment(slip_against="none yet: ten seconds of idle running give a baseline"), columns=80)
    assert foot.plain.endswith("give a baseline")


def test_what_the_prediction_lacks_is_told(moment: Moment) -> None:
    now = moment(setting=Setting(), prospect=Prospect(words="Enter hertz and gear to see what it should run."))
    assert panels.prospect(now, "m/min", columns=80).plain == (
        "  Set: hertz not entered. Enter hertz and gear to see what it should run."
    )
    narrow = panels.prospect(now, "m/min", columns=70).plain.splitlines()
    assert narrow == ["  Set: hertz not entered. Enter hertz and gear to see what it should", "  run."]


def test_sensors_show_rpm_slip_and_every_trouble(moment: Moment) -> None:
    wheel, motor = panels.sensors(moment(), columns=80).plain.splitlines()
    # 1.306 rev/s = 78.36 rpm; 21.78 rev/s = 1306.8 rpm; slip 0.72 rev/s = 43 rpm
    assert "78.36 ± 0.02 rpm" not in wheel  # 0.0003 rev/s is 0.018 rpm: two figures
    assert "78.360 ± 0.018 rpm" in wheel
    assert [word for word in wheel.split() if word.isdecimal()] == ["2", "0", "17"]
    assert "1306.80 ± 0.24 rpm" in motor
    assert "slip 43 ± 4 rpm" in motor
    assert "slip 43 ± 4 rpm, 3.2 %" in panels.sensors(moment(), columns=120).plain
    assert len(wheel) <= 80
    assert len(motor) <= 80


@pytest.mark.parametrize(("columns", "slipping"), [(80, True), (76, False), (60, False)])
def test_counts_are_never_cut_and_slip_gives_way(moment: Moment, columns: int, slipping: bool) -> None:
    # The longest that a motor's line may be: a wrong hertz gives a slip as large as the speed.
    now = moment(motor=MotorNow(slip_hz=Estimate(value=-2.427, u95=0.0283), slip_percent=-10.8))
    wheel, motor = now.channels
    motor = replace(motor, shaft_hz=Estimate(value=24.926, u95=0.0037))
    lines = panels.sensors(replace(now, channels=(wheel, motor)), columns=columns).plain.splitlines()
    assert [line.index(" missing ") for line in lines] == [lines[0].index(" missing ")] * 2
    assert [word for word in lines[0].split() if word.isdecimal()] == ["2", "0", "17"]
    assert lines[1].rstrip().endswith("lost 0")
    assert ("slip -145.6 ± 1.7 rpm" in lines[1]) == slipping
    assert max(map(len, lines)) <= columns


@pytest.mark.parametrize("columns", [3, 6, 8, 12, 20, 30, 40])
def test_a_figure_is_never_cut(moment: Moment, columns: int) -> None:
    now = moment()
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=2.0837, u95=0.002)))  # 125.02 m/min
    first = readout.Readout().text(now, "m/min", columns=columns, rows=3).plain.splitlines()[0].split()[0]
    assert first == ("125.0" if columns >= 7 else "…")


def test_losses_that_nobody_can_count_are_marked(moment: Moment) -> None:
    now = moment()
    now = replace(now, channels=(replace(now.channels[0], lost=3, lost_stretches=1),))
    assert "lost 3+" in panels.sensors(now, columns=80).plain
    now = replace(now, channels=(replace(now.channels[0], lost=0),))
    assert "lost ?" in panels.sensors(now, columns=80).plain


def test_health_names_line_troubles(moment: Moment) -> None:
    assert panels.health(moment(), columns=80).plain == "  link good   board clock -310 ± 22 ppm, corrected"
    bad = moment(link=LinkNow(up=True, words="", silent_s=0.0, damaged=12, missing=3))
    assert "link: 12 frames damaged, 3 missing" in panels.health(bad, columns=80).plain


def test_head_shows_the_log_and_keeps_a_name_harmless(moment: Moment, running_log: LogNow) -> None:
    assert "log saw-3.csv  2:14  12345 pulses" in panels.head(moment(log=running_log), columns=80).plain
    now = moment(log=replace(running_log, path=Path("saw\x1b[2J.csv")))
    now = replace(now, machine=replace(now.machine, name="saw of a very, very, very, very, very, very long name"))
    line = panels.head(now, columns=80).plain
    assert len(line) <= 80
    assert line.isprintable()
    assert "12345 pulses" in line


@pytest.mark.parametrize("unit", ["m/min", "ft/min"])
@pytest.mark.parametrize(("columns", "rows"), [(80, 5), (120, 10), (60, 3)])
def test_trend_has_its_range_and_span(unit: str, columns: int, rows: int) -> None:
    times_s = np.arange(0.0, 300.0, 0.25)
    speeds = np.where(times_s < 150, 1.3, 1.4)
    text = panels.speed_trend(
        times_s, speeds, now_s=300.0, span_s=300.0, unit=unit, columns=columns, rows=rows
    ).plain.splitlines()
    assert len(text) == rows
    assert max(len(line) for line in text) <= columns
    high = float(text[0].split()[0])
    assert high >= (1.4 * 60 if unit == "m/min" else 1.4 * 60 / 0.3048)
    assert text[-1].split() == [unit, "5", "min", "ago", "now"]


def test_trend_without_readings_is_empty() -> None:
    nothing = np.array([])
    text = panels.speed_trend(nothing, nothing, now_s=5.0, span_s=300.0, unit="m/min", columns=80, rows=5).plain
    assert not any(block in text for block in "▁▂▃▄▅▆▇█")
