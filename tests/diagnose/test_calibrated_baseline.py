"""Does a calibrated ratio stand in for idle running, and for nothing else?"""

import dataclasses
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from kerfbeat.calibration import Calibration, Result, belongs_to, calibration_path, known, save_calibration
from kerfbeat.capture.log import Mark
from kerfbeat.diagnose import compare, drift
from kerfbeat.diagnose.baseline import calibrated_baseline
from kerfbeat.diagnose.compare import means_of
from kerfbeat.diagnose.drift import drift_of
from kerfbeat.diagnose.slip import slip_of
from kerfbeat.diagnose.tracks import tracks_with
from kerfbeat.machine import demo_machine, demo_text, parse_machine

SAW = demo_machine("saw")
WHEN = datetime(2026, 3, 4, tzinfo=UTC)
DRIVEN = demo_text("saw").replace("[sensor.blade]\ntargets = 1", "[sensor.driven]\ntargets = 2\ninput = 3")
LOW = (None, "low")
RATIO = 60.0  # the demo saw in low gear: 160 / 80 of the belt times 30 of the gearbox


def held(machine=SAW, *, of="gear low", **ratios):
    """What a calibration with these ratios (value, u) holds: total_ratio, first_ratio."""
    results = tuple(
        Result(
            quantity=name.replace("_", " "), of=of, value=(value,), u=(u,), unit="1", date=WHEN, sources=("sweep.csv",),
            conditions={}, belongs_to=belongs_to(machine, name.replace("_", " "), of),
        )
        for name, (value, u) in ratios.items()
    )  # fmt: skip
    return known(Calibration(machine=machine.name, results=results), machine)


def all_cut(log):
    """The same log with all of it marked as one cut: no idle running is left."""
    (segment,) = log.segments
    marks = tuple(Mark(ticks=segment.start_ticks, key=key, value=value) for key, value in
                  (("hz", "50"), ("gear", "low"), ("cut", "start")))  # fmt: skip
    return dataclasses.replace(log, segments=(dataclasses.replace(segment, marks=marks),))


def true_ratio(truth, begin_s, end_s):
    """Motor turns per wheel turn as played."""
    trace = truth["trace"]
    inside = [k for k, at_s in enumerate(trace["seconds"]) if begin_s <= at_s <= end_s]
    turned = [trace[f"{name}_turns"][inside[-1]] - trace[f"{name}_turns"][inside[0]] for name in ("motor", "wheel")]
    return turned[0] / turned[1]


def test_by_hand():
    """Motor turns per turn of the other shaft, turned over; of two ratios the quotient, 61 / 2.04."""
    machine = parse_machine(DRIVEN)
    both = held(machine, total_ratio=(61.0, 0.061), first_ratio=(2.04, 0.00204))
    whole = calibrated_baseline(both, LOW, up="motor", down="wheel")
    assert (whole.ratio, whole.u_relative) == pytest.approx((1 / 61, 1e-3))
    first = calibrated_baseline(both, LOW, up="motor", down="driven")
    assert (first.ratio, first.u_relative) == pytest.approx((1 / 2.04, 1e-3))
    rest = calibrated_baseline(both, LOW, up="driven", down="wheel")
    assert (rest.ratio, rest.u_relative) == pytest.approx((2.04 / 61, 2**0.5 * 1e-3))
    assert calibrated_baseline(both, (None, "high"), up="motor", down="wheel") is None
    assert calibrated_baseline(both, LOW, up="wheel", down="blade") is None
    only = held(machine, total_ratio=(61.0, 0.061))
    assert calibrated_baseline(only, LOW, up="driven", down="wheel") is None
    assert calibrated_baseline(only, LOW, up="motor", down="driven") is None


def test_slip_against_the_calibrated_ratio_where_nothing_ran_idle(play):
    """1.5 % of slip at any load was imposed, and creep of 0.8 % at full load: half of it here, and chatter."""
    log, _ = play("cut", seed=8, belt_slip=0.015, cut_load=0.5)
    without = slip_of(all_cut(log))
    assert without.belt is None
    found = slip_of(all_cut(log), known=held(total_ratio=(RATIO, 0.01)))
    assert "ratio calibrated on 2026-03-04 for gear low (± 0.033 %)" in found.baseline
    assert "no idle running" not in found.baseline
    assert found.verdict.cause == "belt slip"
    assert found.cuts.slip_between("motor", "wheel").percent.value == pytest.approx(1.5 + 0.25, abs=0.2)
    # u of 0.01 in 60 turns, 1.96 of it: 0.033 %
    assert found.cuts.slip_between("motor", "wheel").percent.u95 == pytest.approx(100 * 1.96 * 0.01 / 60, rel=0.05)
    assert found.absolute == ()  # what the pitch diameters say is told of idle running seen, never of a calibration


def test_idle_running_of_the_log_comes_first(play):
    log, _ = play("cut", seed=8, belt_slip=0.015)
    plain, beside = slip_of(log), slip_of(log, known=held(total_ratio=(RATIO, 0.01)))
    assert beside.cuts.overall.slips == plain.cuts.overall.slips != ()
    assert "calibrated" not in beside.baseline
    assert beside.absolute == plain.absolute != ()


def test_an_uncertain_ratio_raises_no_alarm(play):
    """Healthy, and the calibrated ratio off by 0.8 %, twice its standard uncertainty: that is no slip."""
    log, truth = play("steady", seed=9)
    ratio = true_ratio(truth, 5, 55)
    found = slip_of(all_cut(log), known=held(total_ratio=(0.992 * ratio, 0.004 * ratio)))
    assert found.events == ()
    sure = slip_of(all_cut(log), known=held(total_ratio=(0.992 * ratio, 1e-4 * ratio)))
    assert sure.events != ()


def test_idle_log_comes_before_the_calibration(play):
    idle, _ = play("steady", seed=9)
    log, _ = play("cut", seed=8, belt_slip=0.015)
    found = slip_of(all_cut(log), idle=idle, known=held(total_ratio=(RATIO, 0.01)))
    assert "calibrated" not in found.baseline


def test_command_takes_the_calibration_beside_the_machine_file(play, run, tmp_path):
    log, _ = play("cut", seed=8, belt_slip=0.015)
    path = tmp_path / "cut.csv"
    lines = Path(log.source).read_text(encoding="utf-8").splitlines(keepends=True)
    text = [line for line in lines if "cut=" not in line]
    at = next(k for k, line in enumerate(text) if line.startswith("mark,,") and "gear=" in line)
    ticks = text[at].split(",")[2]
    path.write_text("".join([*text[: at + 1], f"mark,,{ticks},cut=start\n", *text[at + 1 :]]), encoding="utf-8")
    machine = tmp_path / "saw.toml"
    machine.write_text(demo_text("saw"), encoding="utf-8")
    save_calibration(calibration_path(machine), held(total_ratio=(RATIO, 0.01)).calibration)
    document = json.loads(run("slip", path, "--machine", machine, "--json").stdout)
    assert "calibrated on 2026-03-04" in document["baseline"]
    assert document["pairs"][0]["idle_ratio"][0]["calibrated"] == "2026-03-04"
    assert document["cause"] == "belt slip"


def test_an_idle_log_is_held_against_the_calibrated_ratio(play):
    """1.5 % of slip since the calibration, and nothing was cut; without slip it is healthy."""
    calibration = held(total_ratio=(true_ratio(play("steady", seed=9)[1], 5, 55), 0.01))
    slipping, _ = play("steady", seed=8, belt_slip=0.015)
    well, _ = play("steady", seed=10)
    assert slip_of(slipping, known=calibration).verdict.cause == "belt slip"
    found = slip_of(well, known=calibration)
    assert found.verdict.cause == "healthy"
    assert "ratio calibrated on 2026-03-04" in found.baseline


@pytest.mark.parametrize("command", [drift_of, means_of])
def test_drift_and_compare_count_by_the_calibrated_spacing_as_the_report_does(command, play, monkeypatch):
    log, _ = play("steady", seed=8)
    asked = []
    for module in (drift, compare):
        monkeypatch.setattr(module, "tracks_with", lambda log, known: asked.append(known) or tracks_with(log, known))
    command(log, known=(calibration := held(total_ratio=(RATIO, 0.01))))
    assert asked == [calibration]


@pytest.mark.parametrize("words", [("drift",), ("compare", "LOG"), ("slip",)])
def test_a_calibration_that_holds_no_more_is_told(words, play, run, tmp_path):
    log, _ = play("steady", seed=8)
    path, other, machine = tmp_path / "saw.csv", tmp_path / "before.csv", tmp_path / "saw.toml"
    for each in (path, other):
        each.write_text(Path(log.source).read_text(encoding="utf-8"))
    machine.write_text(SAW.text)
    save_calibration(calibration_path(machine), held(total_ratio=(RATIO, 0.01)).calibration)
    machine.write_text(SAW.text.replace('driven = "160 mm"', 'driven = "150 mm"'))
    words = [other if word == "LOG" else word for word in words]
    assert "total ratio of gear low (2026-03-04) is not used" in run(*words, path, "--machine", machine).stderr
