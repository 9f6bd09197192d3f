"""Which points of a log are steady, and what is said of those that are not?"""

import pytest

from kerfbeat.calibrate.points import steady_points
from kerfbeat.capture.log import read_log
from kerfbeat.machine import demo_machine, demo_text, parse_machine
from kerfbeat.simulate import simulate_log

SAW = demo_machine("saw")


def played(tmp_path, scenario, *, machine=SAW, seed=1, **settings):
    path = tmp_path / "run.csv"
    truth = simulate_log(
        scenario, machine, path, seed=seed, settings={key: str(value) for key, value in settings.items()}
    )
    return read_log(path), truth


def test_every_step_of_a_sweep_is_a_point(tmp_path):
    log, truth = played(tmp_path, "sweep")
    points, reasons = steady_points(log)
    assert reasons == []
    assert [point.setting.hz for point in points] == [20.0, 32.0, 44.0, 56.0, 68.0, 80.0]
    for point, true in zip(points, truth["steady"], strict=True):
        assert point.setting.gear == "low"
        for channel in ("wheel", "motor"):
            off = point.speed_hz[channel] / true["mean_hz"][channel] - 1
            # Timing is exact to parts in a million; the host's clock adds up to 50 ppm.
            assert abs(off) < 1.96e-6 * point.clock.u_ppm + 2 * point.u_hz[channel] / point.speed_hz[channel] + 2e-5


def test_late_marks_and_slow_ramps_fall_away(tmp_path):
    """The operator writes the new frequency down three seconds late, and the inverter takes ten to get there."""
    log, truth = played(tmp_path, "sweep", mark_delay_s=3, ramp_hz_per_s=2, dwell_s=40)
    points, reasons = steady_points(log)
    assert reasons == []
    for point, true in zip(points, truth["steady"], strict=True):
        assert abs(point.speed_hz["motor"] / true["mean_hz"]["motor"] - 1) < 1e-4


def test_cuts_do_not_count(tmp_path):
    log, truth = played(tmp_path, "cut")
    points, reasons = steady_points(log)
    assert any("s, left out: under load" in reason for reason in reasons)
    cuts = [each for each in truth["steady"] if each["load"] > 0]
    for point in points:
        assert not any(point.start_s < cut["end_s"] and point.end_s > cut["start_s"] for cut in cuts)


def test_gears_keep_their_names(tmp_path):
    log, _ = played(tmp_path, "gear-change")
    points, _ = steady_points(log)
    assert {point.setting.gear for point in points} == {"low", "high"}


def test_wander_is_part_of_the_doubt(tmp_path):
    steady, _ = steady_points(played(tmp_path, "sweep", sweep_to_hz=50)[0])
    (tmp_path / "run.csv").unlink()
    wandering, _ = steady_points(played(tmp_path, "sweep", sweep_to_hz=50, wander=0.002)[0])
    assert len(wandering) == 6  # wander is no drift
    assert min(point.u_wander for point in wandering) > 10 * max(point.u_wander for point in steady)


@pytest.mark.parametrize(
    ("scenario", "settings", "said"),
    [
        ("warm-up", {"duration_s": 120, "warm_motor": 0.5, "warm_s": 120, "warm_drag": 0.5}, "changes by"),
        ("sweep", {"dwell_s": 5, "sweep_to_hz": 24}, "too few"),
    ],
)
def test_reasons_say_what_to_do(tmp_path, scenario, settings, said):
    text = demo_text("saw")
    if scenario == "sweep":  # with one sensor on a slow wheel there are few turns in five seconds
        text = text.replace("[sensor.motor]\ntargets = 1\n", "").replace("[sensor.blade]\ntargets = 1\n", "")
    log, _ = played(tmp_path, scenario, machine=parse_machine(text), **settings)
    points, reasons = steady_points(log)
    assert points == []
    assert all(said in reason for reason in reasons)
    assert all("run.csv" in reason for reason in reasons)


def test_no_frequency_marked(tmp_path):
    played(tmp_path, "steady")
    lines = (tmp_path / "run.csv").read_text().splitlines(keepends=True)
    bare = tmp_path / "bare.csv"
    bare.write_text("".join(line for line in lines if not (line.startswith("mark") and "hz=" in line)))
    points, reasons = steady_points(read_log(bare))
    assert points == []
    assert "no mark tells the frequency" in reasons[0]


def test_frequency_beyond_the_inverter_gives_a_reason_and_no_point(tmp_path):
    """The demo saw's inverter ends at 80 Hz: a mark of 500 Hz is a slip of the finger."""
    played(tmp_path, "sweep")
    text = (tmp_path / "run.csv").read_text()
    (tmp_path / "slip.csv").write_text(text.replace(",hz=44\n", ",hz=500\n"))
    points, reasons = steady_points(read_log(tmp_path / "slip.csv"))
    assert [point.setting.hz for point in points] == [20.0, 32.0, 56.0, 68.0, 80.0]
    (reason,) = reasons
    assert "500 Hz is outside the inverter's limits of 20 to 80 Hz" in reason
