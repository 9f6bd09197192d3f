"""Does a simulated log say what the truth says?  The truth is recomputed here from the log, by other means."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.errors import LogError, SimulateError
from kerfbeat.machine import Machine, parse_machine
from kerfbeat.simulate import simulate_log
from kerfbeat.simulate.board import FIRMWARE
from kerfbeat.simulate.stamps import HELD_UP_TICKS

TICK_HZ = 16e6


def logged(
    scenario: str, machine: Machine, folder: Path, *, seed: int = 1, **settings: str | float
) -> tuple[PulseLog, dict[str, object]]:
    path = folder / f"{scenario}-{seed}-{len(list(folder.iterdir()))}.csv"
    truth = simulate_log(scenario, machine, path, seed=seed, settings=settings)
    return read_log(path), json.loads(json.dumps(truth, allow_nan=False))


def true_s(ticks: np.ndarray, truth: dict) -> np.ndarray:
    """True time of ticks, by the trace's own pairs of time and tick."""
    return np.interp(ticks, truth["trace"]["ticks"], truth["trace"]["seconds"])


def test_whole_turns_between_pulses_are_those_of_the_truth(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("cut", saw, tmp_path, jitter_s=0.0)
    (segment,) = log.segments
    assert segment.firmware == ".".join(map(str, FIRMWARE)) + " (simulated)"
    trace = truth["trace"]
    for channel, track, targets in (("wheel", "wheel", 4), ("motor", "motor", 1), ("blade", "blade", 1)):
        edge_s = true_s(segment.edge_ticks[channel], truth)[::targets]  # one target only
        turns = np.interp(edge_s, trace["seconds"], trace[f"{track}_turns"])
        made = turns - turns[0]
        # The trace is sampled every 50 ms; between samples its turns bend by less than a thousandth of a turn.
        assert np.abs(made - np.arange(len(made))).max() < 2e-3
        assert truth["channels"][channel]["pulses"] == len(segment.edge_ticks[channel])


def test_mean_blade_speed_follows_from_counted_passes(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("steady", saw, tmp_path, duration_s=300.0)
    blade_s = true_s(log.segments[0].edge_ticks["blade"], truth)
    passes_per_s = (len(blade_s) - 1) / (blade_s[-1] - blade_s[0])
    assert truth["mean_blade_m_per_s"] == pytest.approx(2.750 * passes_per_s, rel=1e-6)
    wheel_s = true_s(log.segments[0].edge_ticks["wheel"], truth)
    whole = (len(wheel_s) - 1) // 4 * 4
    surface = math.pi * 0.3309 * whole / 4 / (wheel_s[whole] - wheel_s[0])
    assert truth["mean_surface_m_per_s"] == pytest.approx(surface, rel=1e-6)


def test_target_angles_are_those_between_the_pulses(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("steady", saw, tmp_path, jitter_s=0.0)
    edge_s = true_s(log.segments[0].edge_ticks["wheel"], truth)
    turn_s = (edge_s[80] - edge_s[0]) / 20
    spacing_deg = sorted((360 * np.diff(edge_s[:5]) / turn_s).tolist())
    angles = truth["channels"]["wheel"]["angles_deg"]
    expected = sorted(np.diff([*angles, angles[0] + 360]).tolist())
    assert spacing_deg == pytest.approx(expected, abs=1e-3)


def test_counts_of_missing_and_extra_pulses_add_up(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("noise", saw, tmp_path, missing=0.05, duration_s=120.0)
    for channel, each in truth["channels"].items():
        pulses = len(log.segments[0].edge_ticks[channel])
        assert pulses == each["pulses"] == each["passes"] - each["missing"] + each["extra"]
        assert each["extra"] == sum(each["extra_by_kind"].values()) == len(each["extra_s"])
        assert len(each["missing_s"]) == each["missing"]
    assert truth["channels"]["motor"]["missing"] > 50
    assert sum(event["cause"] == "noise burst" for event in truth["events"]) > 10


def test_the_clock_is_off_as_the_truth_says(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("steady", saw, tmp_path, clock_ppm=1500.0, host_ppm=-12.0, duration_s=900.0)
    syncs = log.segments[0].syncs
    assert len(syncs) == pytest.approx(900, abs=2)
    assert np.all(syncs.answer_ticks > syncs.ping_ticks)
    assert np.all(syncs.received_host_s > syncs.sent_host_s)
    # The true time of each ping lies within its journey, by the host's clock that runs 12 ppm slow from 1000 s.
    sent_s, received_s = ((each - 1000.0) / (1 - 12e-6) for each in (syncs.sent_host_s, syncs.received_host_s))
    assert np.all(true_s(syncs.ping_ticks, truth) > sent_s)
    assert np.all(true_s(syncs.answer_ticks, truth) < received_s)
    assert truth["clock"]["mean_ppm"] == pytest.approx(1500 + 20 * (1 - (1 - math.exp(-3)) / 3), abs=2.0)


def test_marks_and_setting_stand_in_the_log(saw: Machine, tmp_path: Path) -> None:
    log, truth = logged("gear-change", saw, tmp_path)
    at_start = {mark.key: mark.value for mark in log.segments[0].marks if mark.ticks == 0}
    assert at_start["gear"] == "low"
    assert float(at_start["hz"]) == 50.0
    change = next(mark for mark in log.segments[0].marks if (mark.key, mark.value) == ("gear", "high"))
    assert true_s(np.array([change.ticks]), truth)[0] == pytest.approx(42.0, abs=1e-3)
    cuts, _ = logged("cut", saw, tmp_path)
    assert [m.value for m in cuts.segments[0].marks if m.key == "cut"] == ["start", "stop", "start", "stop"]


@pytest.mark.parametrize("length_s", [7.0, 5.0, 10.0])  # the last two end where a stretch of the run ends
def test_a_loss_is_told_with_its_exact_count(saw: Machine, tmp_path: Path, length_s: float) -> None:
    whole, _ = logged("steady", saw, tmp_path)
    holed, truth = logged("steady", saw, tmp_path, loss_at_s=20.0, loss_s=length_s)
    for channel in ("wheel", "motor", "blade"):
        all_ticks, kept = whole.segments[0].edge_ticks[channel], holed.segments[0].edge_ticks[channel]
        (loss,) = [each for each in holed.segments[0].losses if each.channel == channel]
        missing = sorted(set(all_ticks.tolist()) - set(kept.tolist()))
        assert loss.pulses == len(missing) == len(all_ticks) - len(kept)
        assert all(loss.start_ticks < tick <= loss.end_ticks for tick in missing)
        assert not any(loss.start_ticks < tick <= loss.end_ticks for tick in kept.tolist())
    assert true_s(np.array([loss.end_ticks]), truth)[0] == pytest.approx(20.0 + length_s, abs=1e-3)


def test_a_reset_begins_a_new_segment_with_new_ticks(saw: Machine, tmp_path: Path) -> None:
    log, _ = logged("steady", saw, tmp_path, reset_at_s=33.0, clock_ppm=0.0, clock_warm_ppm=0.0, clock_wander_ppm=0.0)
    first, second = log.segments
    assert 32.9 * TICK_HZ < first.end_ticks <= 33.0 * TICK_HZ  # the motor gives 25 pulses a second
    assert second.start_ticks == 0
    assert second.duration_s == pytest.approx(60 - 33.4, abs=1e-3)
    assert "reset" in second.cause
    whole, _ = logged("steady", saw, tmp_path, clock_ppm=0.0, clock_warm_ppm=0.0, clock_wander_ppm=0.0)
    later = whole.segments[0].edge_ticks["wheel"]
    later = later[later >= 33.4 * TICK_HZ] - round(33.4 * TICK_HZ)
    assert second.edge_ticks["wheel"] == pytest.approx(later, abs=1)


def test_a_board_that_still_starts_where_a_stretch_of_the_run_ends_counts_from_its_start(
    saw: Machine, tmp_path: Path
) -> None:
    still = {"clock_ppm": 0.0, "clock_warm_ppm": 0.0, "clock_wander_ppm": 0.0}
    whole, _ = logged("steady", saw, tmp_path, **still)
    log, _ = logged("steady", saw, tmp_path, reset_at_s=29.9, **still)  # it starts until 30.3; a stretch ends at 30
    _, second = log.segments
    later = whole.segments[0].edge_ticks["motor"]
    later = later[later >= 30.3 * TICK_HZ] - round(30.3 * TICK_HZ)
    assert second.edge_ticks["motor"] == pytest.approx(later, abs=HELD_UP_TICKS[2] + 1)
    log, _ = logged("steady", saw, tmp_path, reset_at_s=59.9, **still)  # the run is over before it has started
    assert sum(map(len, log.segments[1].edge_ticks.values())) == 0


def test_what_is_lost_across_a_reset_is_told_on_both_sides(saw: Machine, tmp_path: Path) -> None:
    whole, _ = logged("steady", saw, tmp_path, reset_at_s=33.0)
    holed, _ = logged("steady", saw, tmp_path, reset_at_s=33.0, loss_at_s=31.0, loss_s=5.0)
    for channel in ("wheel", "motor", "blade"):
        for all_of, rest in zip(whole.segments, holed.segments, strict=True):
            (loss,) = [each for each in rest.losses if each.channel == channel]
            assert loss.pulses == len(all_of.edge_ticks[channel]) - len(rest.edge_ticks[channel])
            assert loss.pulses > 0 or channel == "blade"  # one pass in 6 s


def test_one_seed_gives_one_file_byte_for_byte(saw: Machine, tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("a.csv", "b.csv", "c.csv")]
    truths = [
        simulate_log("noise", saw, path, seed=seed, settings={"duration_s": 20.0})
        for path, seed in zip(paths, (3, 3, 4), strict=True)
    ]
    assert paths[0].read_bytes() == paths[1].read_bytes() != paths[2].read_bytes()
    assert truths[0] == truths[1] != truths[2]


def test_a_wrong_description_is_logged_but_the_real_machine_turns(saw: Machine, tmp_path: Path) -> None:
    real = parse_machine(saw.text.replace('driver = "80 mm"', 'driver = "84 mm"'))
    path = tmp_path / "wrong.csv"
    truth = simulate_log("steady", saw, path, settings={"creep": 1e-5}, real_machine=real)
    assert read_log(path).machine.text == saw.text
    assert truth["real_machine"] == real.text
    assert truth["steady"][0]["ratio"] == pytest.approx(160 / 84 * 30, rel=1e-5)


def test_no_file_is_made_or_overwritten_by_a_run_that_cannot_be(saw: Machine, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    with pytest.raises(SimulateError):
        simulate_log("steady", saw, path, settings={"belt_lump": 0.3, "driver_runout": 0.3, "wheel_wobble": 0.3,
                                                    "driven_runout": 0.3})  # fmt: skip
    assert not path.exists()
    simulate_log("steady", saw, path, settings={"duration_s": 2.0})
    before = path.read_bytes()
    with pytest.raises(LogError, match="not overwritten"):
        simulate_log("steady", saw, path)
    assert path.read_bytes() == before


def test_operator_marks_can_be_late(saw: Machine, tmp_path: Path) -> None:
    _, truth = logged("cut", saw, tmp_path, mark_delay_s=2.0)
    late = [mark["at_s"] - at_s for mark, at_s in zip(truth["marks"], (20.0, 50.0, 60.0, 75.0), strict=True)]
    assert all(0 <= each <= 2.0 for each in late)
    assert max(late) > 0.1
