"""Are warm-up, settling, trend and wear those of the simulated truth?"""

import dataclasses
import json
import math
import re
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.diagnose.clock_path import clock_path
from kerfbeat.diagnose.drift import drift_of
from kerfbeat.diagnose.wear import wear_between
from kerfbeat.errors import MeasureError


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_warm_up_of_40_minutes(play, seed):
    """The time constant within 5 % of the one that was played, the total of the speeds that were."""
    log, truth = play("warm-up", seed=seed)
    drift = drift_of(log)
    assert drift.shape == "warm-up"
    assert drift.time_constant_s.value == pytest.approx(truth["parameters"]["warm_s"], rel=0.05)
    trace = truth["trace"]
    turns, seconds = np.array(trace["wheel_turns"]), np.array(trace["seconds"])
    at = np.searchsorted(seconds, [0.0, 30.0, 2370.0, 2399.0])
    first, last = (np.diff(turns[at]) / np.diff(seconds[at]))[[0, 2]]
    # Mean over the first and last half minute: of the whole change, exp(-15/600) was left at first and exp(-2385/600)
    # at last.
    part = math.exp(-15 / 600) - math.exp(-2385 / 600)
    assert drift.total_percent.value == pytest.approx(100 * (last / first - 1) / part, rel=0.05)
    settled = last * (1 + drift.total_percent.value / 100 * math.exp(-2385 / 600))
    then = np.diff(np.interp(drift.settled_after_s.value + np.array([-15.0, 15.0]), seconds, turns))[0] / 30
    assert 100 * abs(then / settled - 1) == pytest.approx(0.1, abs=0.003)


def test_time_constant_has_no_bias_and_its_interval_holds_it(play):
    """Rotor and drag warm and multiply: the speed is no pure exponential, the machine's time constant still 600 s."""
    found = [drift_of(play("warm-up", seed=seed)[0]).time_constant_s for seed in range(1, 7)]
    assert np.mean([each.value for each in found]) == pytest.approx(600.0, abs=0.5)  # 6 runs of sd 0.2
    assert sum(abs(each.value - 600.0) <= each.u95 for each in found) >= 4  # 3 or fewer of 6: chance 0.2 %
    assert all(each.u95 < 3.0 for each in found)


def test_ratio_of_channels_says_where_it_comes_from(play):
    log, _ = play("warm-up", seed=1, warm_pitch=0.0, warm_drag=0.0, warm_motor=-0.3, idle_drag=0.3)
    drift = drift_of(log)
    assert drift.by_channel_percent["wheel"].value == pytest.approx(drift.by_channel_percent["motor"].value, rel=0.02)
    log, _ = play("warm-up", seed=1)
    drift = drift_of(log)
    assert abs(drift.by_channel_percent["motor"].value) < 0.1 * abs(drift.by_channel_percent["wheel"].value)


def test_a_warming_clock_is_not_a_drift_of_the_speed(play):
    """0.1 % of the resonator's own warm-up vanishes against the host's clock."""
    log, _ = play("steady", seed=4, duration_s=1200, clock_warm_ppm=1000.0, clock_warm_s=200.0)
    followed = drift_of(log)
    assert abs(followed.total_percent.value) < 0.002
    deaf = dataclasses.replace(
        log, segments=tuple(dataclasses.replace(each, syncs=type(each.syncs).of(())) for each in log.segments)
    )
    drift = drift_of(deaf)
    assert abs(drift.total_percent.value) > 0.05
    assert any("clock was not followed" in line for line in drift.warnings)


def test_clock_path_follows_a_played_clock(play):
    log, truth = play("steady", seed=4, duration_s=1200, clock_warm_ppm=1000.0, clock_warm_s=200.0)
    path = clock_path(log.segments[0])
    trace = truth["trace"]
    true_s = np.array(trace["seconds"])
    read_s = path.seconds(np.array(trace["ticks"]) / 16e6) / (1 + truth["clock"]["host_ppm"] * 1e-6)
    off_s = read_s - true_s
    assert np.ptp(off_s[true_s > 60]) < 3e-3  # piecewise straight: 60 s of a curve of 1000 ppm and 200 s
    assert path.measured


def test_cuts_stops_and_other_settings_are_left_out(play):
    log, _ = play("everyday", seed=2, duration_s=1500)
    drift = drift_of(log)
    assert drift.shape == "steady"
    assert abs(drift.total_percent.value) < 0.01
    assert any("marked cuts" in line for line in drift.left_out)
    assert any("starts and stops" in line for line in drift.left_out)


def test_a_loss_and_a_reset_are_no_drift(play):
    log, _ = play("steady", seed=5, duration_s=240, loss_at_s=60.0, loss_s=7.0, reset_at_s=150.0)
    assert len(log.segments) == 2
    drift = drift_of(log)
    assert abs(drift.total_percent.value) < 0.003
    assert drift.shape == "steady"


def _dated(log, days):
    return log.start_utc + timedelta(days=days)


def test_wear_between_runs(play):
    """The driver sheave wears by 0.1 % of its pitch between runs of a quarter of a year."""
    runs = []
    for place in range(4):
        log, _ = play("steady", seed=20 + place, duration_s=120, pitch_error=-0.001 * place)
        runs.append((_dated(log, 91.3125 * place), drift_of(log)))
    (wear,) = wear_between(runs)
    assert wear.quantity == "turns of wheel per turn of the motor"
    assert wear.significant
    assert wear.per_year_percent.value == pytest.approx(-0.4, abs=max(0.01, wear.per_year_percent.u95))
    assert wear.change_percent[-1].value == pytest.approx(-0.3, abs=0.005)


def test_runs_without_wear_are_no_wear(play):
    runs = []
    for place in range(4):
        log, _ = play("steady", seed=30 + place, duration_s=120)
        runs.append((_dated(log, 91.3125 * place), drift_of(log)))
    (wear,) = wear_between(runs)
    assert abs(wear.per_year_percent.value) < 0.005
    assert wear_between(runs[:1]) == ()


def test_too_short_and_absent_channels_are_told(play):
    log, _ = play("steady", seed=1, duration_s=12)
    with pytest.raises(MeasureError, match="too short"):
        drift_of(log)
    with pytest.raises(MeasureError, match="no channel driven; this machine has wheel, motor, blade"):
        drift_of(log, channel="driven")


def test_command_json_and_words(play, run, tmp_path):
    log, _ = play("warm-up", seed=1)
    result = run("drift", log.source, "--json", "--plot", tmp_path / "drift.svg")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["time_constant_s"]["value"] == pytest.approx(600, rel=0.05)
    assert document["total_percent"]["u95"] > 0
    assert (tmp_path / "drift.svg").read_text().startswith("<?xml")
    words = run("drift", log.source).stdout
    assert "a warm-up" in words
    assert "time constant" in words


def test_command_over_a_folder_and_with_bad_input(play, run, tmp_path):
    for place in range(2):
        log, _ = play("steady", seed=20 + place, duration_s=120, pitch_error=-0.001 * place)
        text = Path(log.source).read_text(encoding="utf-8")
        (tmp_path / f"run-{place}.csv").write_text(
            text.replace("2025-01-06", f"2025-0{1 + place}-06"), encoding="utf-8"
        )
    (tmp_path / "broken.csv").write_text("not a log\n", encoding="utf-8")
    result = run("drift", tmp_path, "--json", "--plot", tmp_path / "years.pdf")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert len(document["runs"]) == 2
    assert document["between_runs"][0]["runs"][1]["change_percent"]["value"] == pytest.approx(-0.1, abs=0.005)
    assert len(document["not_used"]) == 1
    assert (tmp_path / "years.pdf").read_bytes().startswith(b"%PDF")
    empty = tmp_path / "empty"
    empty.mkdir()
    assert run("drift", empty).exit_code == 2
    assert run("drift", tmp_path / "absent.csv").exit_code == 2


def test_digits_follow_the_interval(play, run):
    """Each number stands to the place of its half-width, which has one or two figures (JCGM 100:2008, 7.2.6)."""
    log, _ = play("warm-up", seed=1)
    told = dict(re.findall(r"^  (\w[\w ]*?) {2,}(.*)$", run("drift", log.source).stdout, flags=re.MULTILINE))
    assert set(told) == {"change", "time constant", "settled", "trend", "others", "averaging"}
    pairs = re.findall(r"(-?[\d.]+) ± ([\d.]+)", " ".join(told.values()))
    assert len(pairs) == 6  # the wheel's change once, and that of the two other channels
    for value, u95 in pairs:
        assert len(value.partition(".")[2]) == len(u95.partition(".")[2])
        assert len(u95.replace(".", "").lstrip("0")) in (1, 2)
    assert re.match(r"after 79\d\.\d+ ± ", told["settled"])  # 600 s ln(3.8) less the bend of the curve
