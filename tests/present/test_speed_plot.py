"""Does the drawing of a log hold what it must, and is the table the speed that was?"""

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from kerfbeat.calibrate.travel import Travel, blade_travel
from kerfbeat.calibration import Known
from kerfbeat.capture.events import Lost, Pulses, SegmentStarted
from kerfbeat.capture.exporters import table_lines
from kerfbeat.capture.log import LogWriter, PulseLog, read_log
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting, demo_text, parse_machine
from kerfbeat.measure.speed import speed_of
from kerfbeat.present.speed_plot import plot_speed
from kerfbeat.present.speed_table import COLUMNS, speed_rows

TICK_HZ = 16e6
WHEEL_HZ, MOTOR_HZ = 0.4155, 24.93
SECONDS = 60.0


@pytest.fixture
def make_log(tmp_path: Path) -> Callable[..., PulseLog]:
    """A minute of the demo saw at constant speeds, with marks and a loss; or with no pulse at all."""

    def make(*, pulses: bool = True) -> PulseLog:
        path = tmp_path / f"run{pulses}.csv"
        machine = parse_machine(demo_text("saw"))
        setting = Setting(hz=50.0, gear="low")
        start_utc = datetime(2026, 1, 5, 12, 30, tzinfo=UTC)
        with LogWriter(path, machine=machine, start_utc=start_utc, setting=setting) as log:
            log.accept(SegmentStarted(board_id="A", firmware="1", tick_hz=TICK_HZ, cause="x", start_ticks=0))
            log.mark("cut", "start", int(20 * TICK_HZ))
            log.mark("note", "a note $x_1$ \x1b[2J", int(30 * TICK_HZ))
            start, end = int(40 * TICK_HZ), int(45 * TICK_HZ)
            log.accept(Lost(channel="motor", start_ticks=start, end_ticks=end, pulses=None, cause="x"))
            edges = {}
            if pulses:
                for channel, per_s in (("wheel", 4 * WHEEL_HZ), ("motor", MOTOR_HZ)):
                    seconds = np.arange(0.1, SECONDS, 1 / per_s)
                    if channel == "motor":
                        seconds = seconds[(seconds < 40) | (seconds > 45)]
                    edges[channel] = np.round(seconds * TICK_HZ).astype(np.int64)
            log.accept(Pulses(edge_ticks=edges, complete_ticks=int(SECONDS * TICK_HZ)))
        return read_log(path)

    return make


def as_described(log: PulseLog) -> Travel:
    """Blade in a turn of the wheel, by its described size."""
    return blade_travel(log.machine, Known(calibration=None, results={}), channel="wheel")


def test_pdf_says_both_units_the_setting_the_average_and_what_is_drawn(
    make_log: Callable[..., PulseLog], tmp_path: Path
) -> None:
    log = make_log()
    plot_speed(log, speed_of(log), tmp_path / "run.pdf", unit="ft/min")
    text = PdfReader(tmp_path / "run.pdf").pages[0].extract_text()
    for words in (
        "Shared-workshop cut-off saw",
        "runTrue.csv, 2026-01-05 12:30 UTC",
        "blade speed, ft/min",
        "blade speed, m/min",
        "motor, rpm",
        "50 Hz, low",
        r"a note $x_1$ \x1b[2J",
        "time from the log's beginning, s",
        "where a healthy machine should be found",
        "Bar: cut.",
    ):
        assert words in text, f"{words!r} is not in {text!r}"


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
@pytest.mark.parametrize("pulses", [True, False])
def test_every_format_and_a_log_without_pulses(
    make_log: Callable[..., PulseLog], tmp_path: Path, suffix: str, pulses: bool
) -> None:
    log = make_log(pulses=pulses)
    path = tmp_path / f"run.{suffix}"
    plot_speed(log, speed_of(log), path, unit="m/min")
    assert path.stat().st_size > 5000
    if suffix == "png":
        with Image.open(path) as image:
            colours = image.convert("L").getextrema()
        assert colours[0] < 60  # something dark is drawn on
        assert colours[1] > 240  # white paper


def test_table_is_the_speed_that_was(make_log: Callable[..., PulseLog]) -> None:
    log = make_log()
    lines = list(table_lines(COLUMNS, speed_rows(log, speed_of(log), travel=as_described(log), every_s=5.0)))
    rows = list(csv.DictReader(io.StringIO("\n".join(lines))))
    times = [float(row["seconds"]) for row in rows]
    assert times == sorted(times)
    wheel = [row for row in rows if row["channel"] == "wheel"]
    motor = [row for row in rows if row["channel"] == "motor"]
    assert len(wheel) == 12  # one each five seconds of a minute
    assert len(motor) == 11  # none in the stretch that was lost
    for row in wheel:
        assert float(row["rpm"]) == pytest.approx(60 * WHEEL_HZ, abs=float(row["rpm_u95"]))
        # v = pi (D + t) n, D = 330 mm, t = 0.9 mm (Khurmi EM, ch. 33); 1 ft = 0.3048 m
        blade = np.pi * 0.3309 * WHEEL_HZ * 60
        assert float(row["blade_m_per_min"]) == pytest.approx(blade, rel=float(row["rpm_u95"]) / float(row["rpm"]))
        # The described diameter is right to 0.5 %, rectangular (GUM 4.3.7), beside the turning's own doubt (GUM 5.1.6).
        relative_u95 = np.hypot(float(row["rpm_u95"]) / float(row["rpm"]), 1.96 * 0.005 / np.sqrt(3))
        # written to two significant digits of the half-width: at most 1 part in 20 off, the value as far
        for unit, metres in (("m", 1.0), ("ft", 0.3048)):
            value, u95 = float(row[f"blade_{unit}_per_min"]), float(row[f"blade_{unit}_per_min_u95"])
            assert u95 == pytest.approx(relative_u95 * blade / metres, rel=0.05)
            assert value == pytest.approx(float(row["rpm"]) * np.pi * 0.3309 / metres, abs=0.1 * u95)
            assert len(row[f"blade_{unit}_per_min_u95"].strip("0.")) <= 2
    assert all(row["blade_m_per_min"] == "" for row in motor)
    assert all(float(row["rpm"]) == pytest.approx(60 * MOTOR_HZ, rel=1e-4) for row in motor)


def test_no_pulses_no_table(make_log: Callable[..., PulseLog]) -> None:
    log = make_log(pulses=False)
    with pytest.raises(MeasureError, match="no channel has pulses enough"):
        speed_rows(log, speed_of(log), travel=None, every_s=None)


def test_machine_of_today_scales_the_table(make_log: Callable[..., PulseLog]) -> None:
    log = make_log()
    text = demo_text("saw").replace('"330 mm"', '"660 mm"').replace('"2750 mm"', '"5500 mm"')
    first, larger = (
        next(
            row
            for row in speed_rows(each, speed_of(each), travel=as_described(each), every_s=30.0)
            if row[1] == "wheel"
        )
        for each in (log, replace(log, machine=parse_machine(text)))
    )
    assert larger[4] == pytest.approx(first[4] * 660.9 / 330.9, abs=0.05)  # two digits of a ± of 0.3
