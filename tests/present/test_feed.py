"""Do the events of a link become the right reading, and does the log hold what happened?"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kerfbeat.calibration import Known, Result
from kerfbeat.capture.events import Health, InputHealth, LineCounts, LinkDown, LinkUp, Lost, Pulses
from kerfbeat.capture.log import read_log
from kerfbeat.errors import LogError, MachineError, UnitError
from kerfbeat.machine import Setting, parse_machine
from kerfbeat.present.feed import Feed
from kerfbeat.present.line_watch import LINK_SILENT_S

TICK_HZ = 16e6
BATCH_S = 0.1
WHEEL_HZ = 1.25
MOTOR_HZ = 22.0
START_TICKS = 5_000_000


def test_reading_is_the_turning_wheel(board: Any) -> None:
    assert board.feed.snapshot().blade.state == "waiting"
    board.start()
    now = board.run(8.0)
    # v = pi (D + t) n with D = 330 mm, t = 0.9 mm (Khurmi, A Textbook of Engineering Mechanics, ch. 33)
    truth_m_per_s = np.pi * 0.3309 * WHEEL_HZ
    assert now.blade.speed_m_per_s is not None
    assert now.blade.speed_m_per_s.value == pytest.approx(truth_m_per_s, rel=1e-4)
    assert now.blade.speed_m_per_s.u95 > 0.0
    assert now.blade.state == "turning"
    assert [channel.channel for channel in now.channels] == ["wheel", "motor", "blade"]
    assert now.channels[1].shaft_hz is not None
    assert now.channels[1].shaft_hz.value == pytest.approx(MOTOR_HZ, rel=1e-4)


def test_silence_becomes_slower_than_and_then_the_question(board: Any) -> None:
    board.start()
    board.run(8.0)
    states, silent_bounds = [], []
    for step in range(220):
        running = max(0.0, 1 - step / 20)  # down in two seconds, then nothing
        now = board.run(BATCH_S, wheel_hz=WHEEL_HZ * running, motor_hz=MOTOR_HZ * running)
        states.append(now.blade.state)
        if now.blade.state == "silent":
            silent_bounds.append(now.blade.slower_than_m_per_s)
    assert now.blade.speed_m_per_s is None
    assert list(dict.fromkeys(states))[-2:] == ["no pulses", "silent"]
    assert silent_bounds == sorted(silent_bounds, reverse=True)
    assert silent_bounds[-1] < silent_bounds[0] / 4
    assert now.blade.silent_s == pytest.approx(20.0, abs=1.0)


def test_link_that_falls_silent_or_goes_down_hides_the_reading(board: Any) -> None:
    board.start()
    assert board.run(8.0).blade.state == "turning"
    board.now_s += LINK_SILENT_S + 0.1
    now = board.feed.snapshot()
    assert now.blade.state == "no link"
    assert now.blade.speed_m_per_s is None
    assert now.link.words == "nothing heard"
    board.feed.accept(LinkDown(reason="port went away", host_s=board.now_s))
    assert board.feed.snapshot().link.words == "port went away"
    board.feed.accept(
        LinkUp(board_id="1", firmware="1", tick_hz=TICK_HZ, url="sim://", baud=None, host_s=board.now_s)
    )
    assert board.run(3.0).link.up


def test_blade_slip_and_motor_slip_where_sensors_are(board: Any) -> None:
    board.start()
    board.feed.set_hz("45")
    now = board.run(20.0)
    assert now.blade_slip_percent is not None
    # The blade of this test runs as the bare wheel would: slower than mid-thickness by t / (D + t) = 0.272 %.
    assert now.blade_slip_percent.value == pytest.approx(100 * 0.9 / 330.9, abs=0.02)
    assert now.blade_slip_percent.u95 > 0.02
    assert now.motor is not None
    # 4 poles, 45 Hz: the field turns 22.5 times a second (120 f / p), the motor 22.
    assert now.motor.slip_hz.value == pytest.approx(0.5, abs=0.01)


def test_losses_and_line_troubles_are_counted(board: Any) -> None:
    board.start()
    board.run(1.0)
    for pulses in (7, None):
        board.feed.accept(
            Lost(channel="wheel", start_ticks=board.ticks - 100, end_ticks=board.ticks, pulses=pulses, cause="test")
        )
    fine = InputHealth(overruns=0, floods=0, shortest_ticks=None)
    line = LineCounts(frames=9, bad_crc=1, malformed=2, implausible=3, noise_bytes=4, frames_missing=5)
    board.feed.accept(
        Health(
            ticks=board.ticks,
            supply_v=5.0,
            host_frames_damaged=0,
            stored_settings="good",
            inputs=dict.fromkeys(board.machine.sensors, fine),
            line=line,
        )
    )
    now = board.run(BATCH_S)
    assert (now.channels[0].lost, now.channels[0].lost_stretches) == (7, 1)
    assert (now.link.damaged, now.link.missing) == (6, 5)


def test_trend_has_gaps_where_there_was_no_reading(board: Any) -> None:
    board.start()
    board.run(8.0)
    board.run(20.0, wheel_hz=0.0)
    times_s, speeds = board.feed.trend()
    assert np.all(np.diff(times_s) > 0)
    assert np.isnan(speeds[0])
    assert np.isfinite(speeds[times_s < 1008.0][-1])
    assert np.isnan(speeds[-1])


def test_what_the_operator_enters(board: Any) -> None:
    board.feed.set_hz("45,5 Hz")
    board.feed.set_gear("h")
    now = board.feed.snapshot()
    assert now.setting == Setting(hz=45.5, gear="high")
    assert now.prospect.low_m_per_s is not None
    with pytest.raises(UnitError):
        board.feed.set_hz("fast")
    with pytest.raises(MachineError):
        board.feed.set_gear("third")
    with pytest.raises(MachineError):
        board.feed.set_belt("low")
    assert board.feed.snapshot().setting == Setting(hz=45.5, gear="high")


def test_notice_stands_for_a_while(board: Any) -> None:
    board.feed.tell("look here")
    assert board.feed.snapshot().notice == "look here"
    board.now_s += 60.0
    assert board.feed.snapshot().notice == ""


def test_log_begun_while_running_holds_what_came_since(board: Any, tmp_path: Path) -> None:
    board.start()
    board.run(2.0)
    board.feed.set_hz("40")
    board.feed.mark_cut(True)
    board.feed.begin_log(tmp_path / "run.csv")
    began_ticks = board.ticks
    with pytest.raises(LogError, match="still running"):
        board.feed.begin_log(tmp_path / "other.csv")
    board.run(3.0)
    board.now_s += 0.02
    board.feed.set_hz("45")
    board.feed.mark_cut(False)
    board.feed.note("dull blade \x1b[2J")
    board.run(1.0)
    assert board.feed.snapshot().log is not None
    logbook = board.feed.end_log()
    assert logbook is not None
    assert board.feed.snapshot().log is None

    log = read_log(tmp_path / "run.csv")
    (segment,) = log.segments
    assert log.warnings == ()
    assert segment.start_ticks == began_ticks
    assert len(segment.edge_ticks["wheel"]) == logbook.tally.pulses["wheel"] == 20  # 4 s x 1.25 x 4 targets
    marks = [(mark.key, mark.value) for mark in segment.marks if mark.key != "log"]
    assert marks == [
        ("hz", "40"),
        ("cut", "start"),
        ("hz", "45"),
        ("cut", "stop"),
        ("note", "dull blade \x1b[2J"),
    ]
    at_ticks = {(mark.key, mark.value): mark.ticks for mark in segment.marks}
    assert at_ticks["hz", "40"] == began_ticks
    assert at_ticks["hz", "45"] == pytest.approx(began_ticks + 3.02 * TICK_HZ, abs=1)


def test_log_begun_before_the_board_answers(board: Any, tmp_path: Path) -> None:
    board.feed.begin_log(tmp_path / "run.csv")
    board.start()
    board.run(2.0)
    board.ticks = START_TICKS
    board.start(cause="board reset (power on)")
    board.run(2.0)
    logbook = board.feed.end_log()
    assert logbook is not None
    assert logbook.tally.segments == 2
    assert [segment.cause for segment in read_log(tmp_path / "run.csv").segments][1] == "board reset (power on)"


def test_what_is_told_late_of_the_time_before_stays_out(board: Any, tmp_path: Path) -> None:
    board.start()
    board.run(1.0)
    # One channel was reported further than the others: its edge at +5000 belongs to before the log.
    early = {"wheel": np.array([board.ticks + 5000]), "motor": np.array([], dtype=np.int64)}
    board.feed.accept(Pulses(edge_ticks=early, complete_ticks=board.ticks + 10, received_host_s=board.now_s))
    board.feed.begin_log(tmp_path / "run.csv")
    late = {"wheel": np.array([board.ticks + 9000]), "motor": np.array([board.ticks + 20, board.ticks + 7000])}
    board.feed.accept(Pulses(edge_ticks=late, complete_ticks=board.ticks + 9000, received_host_s=board.now_s))
    for start, end in ((20, 30), (20, 6000), (8000, 9000)):
        board.feed.accept(
            Lost(channel="blade", start_ticks=board.ticks + start, end_ticks=board.ticks + end, pulses=2, cause="test")
        )
    board.feed.end_log()
    (segment,) = read_log(tmp_path / "run.csv").segments
    assert segment.start_ticks == board.ticks + 5000
    assert (segment.edge_ticks["wheel"] - board.ticks).tolist() == [9000]
    assert (segment.edge_ticks["motor"] - board.ticks).tolist() == [7000]
    losses = [(loss.start_ticks - board.ticks, loss.end_ticks - board.ticks, loss.pulses) for loss in segment.losses]
    assert losses == [(5000, 6000, None), (8000, 9000, 2)]


def test_log_never_writes_over_a_file(board: Any, tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text("precious")
    with pytest.raises(LogError, match="exists"):
        board.feed.begin_log(tmp_path / "run.csv")
    assert (tmp_path / "run.csv").read_text() == "precious"
    assert not board.feed.logging


@pytest.mark.parametrize(
    ("sensors", "extra", "message"),
    [
        ("[sensor.motor]\ntargets = 1\n", "", "no sensor sees the blade's speed"),
        ("[sensor.blade]\ntargets = 1\n", "", "needs the blade's length"),
    ],
)
def test_machine_that_cannot_show_blade_speed_is_refused(sensors: str, extra: str, message: str) -> None:
    text = f'name = "x"\n[wheel]\ndiameter = "300 mm"\n{extra}{sensors}'
    with pytest.raises(MachineError, match=message):
        Feed(parse_machine(text))


def test_blade_sensor_alone_is_enough_with_its_length() -> None:
    text = 'name = "x"\n[wheel]\ndiameter = "300 mm"\nblade_length = "2 m"\n[sensor.blade]\ntargets = 1\n'
    assert Feed(parse_machine(text)).snapshot().blade.channel == "blade"


def test_calibrated_wheel_takes_the_place_of_the_described_one_and_its_uncertainty_counts(board: Any) -> None:
    diameter = Result(
        quantity="wheel diameter", of="", value=(0.3270,), u=(0.0005,), unit="m", date=datetime.now(UTC), sources=(),
        conditions={}, belongs_to={},
    )  # fmt: skip
    calibrated = type(board)(known=Known(calibration=None, results={("wheel diameter", ""): diameter}))
    plain, known = (each.start() or each.run(20.0).blade for each in (board, calibrated))
    metres = (327.0 + 0.9) / (330.0 + 0.9)
    assert known.speed_m_per_s.value / plain.speed_m_per_s.value == pytest.approx(metres, rel=1e-6)
    # 1.96 standard uncertainties of D in D + t, beside what the timing and the clock leave (GUM 5.1.6); as described, D
    # is right to 0.5 %, rectangular (GUM 4.3.7).
    for blade, relative_u in ((known, 0.5 / 327.9), (plain, 0.005 / np.sqrt(3))):
        expected = np.hypot(blade.turning_u95_m_per_s, 1.96 * relative_u * blade.speed_m_per_s.value)
        assert blade.speed_m_per_s.u95 == pytest.approx(expected, rel=1e-3)
    assert known.turning_u95_m_per_s == pytest.approx(plain.turning_u95_m_per_s * 327.9 / 330.9, rel=1e-6)
    assert (plain.described, known.described) == (True, False)
    assert calibrated.feed.snapshot().calibrated == ("wheel diameter",)
