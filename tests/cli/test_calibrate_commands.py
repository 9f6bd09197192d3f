"""Do the calibration commands find what is true of a simulated machine, keep it, and refuse what cannot be told?"""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.calibration import load_calibration
from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.capture.log import LogWriter, read_log
from kerfbeat.machine import demo_machine, demo_text, load_machine, parse_machine
from kerfbeat.simulate import simulate_log

Run = Callable[..., Result]


LONGER = {"duration_s": 180}
WHEEL_ONLY = demo_text("saw").replace("[sensor.motor]\ntargets = 1\n", "").replace("[sensor.blade]\ntargets = 1\n", "")


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a steady run and two sweeps of the demo saw, whose wheel is 0.2 % larger than described."""
    folder = tmp_path_factory.mktemp("logs")
    saw = demo_machine("saw")
    truths = {
        "run": simulate_log("steady", saw, folder / "run.csv", seed=5, settings=LONGER | {"wheel_error": 0.002}),
        "low": simulate_log("sweep", saw, folder / "low.csv", seed=6),
        "high": simulate_log("sweep", saw, folder / "high.csv", seed=7, settings={"gear": "high"}),
        "cut": simulate_log("cut", saw, folder / "cut.csv", seed=8, settings=LONGER | {"gear": "high"}),
    }
    (folder / "truths.json").write_text(json.dumps(truths))
    simulate_log("steady", saw, folder / "short.csv", settings={"duration_s": 3})
    simulate_log("steady", parse_machine(WHEEL_ONLY), folder / "bare.csv", settings={"duration_s": 60})
    edges_s = {"wheel": 0.5 * np.arange(100)}
    with LogWriter(folder / "imported.csv", machine=saw, start_utc=datetime(2026, 1, 5, tzinfo=UTC)) as log:
        log.accept(SegmentStarted(board_id="imported", firmware="", tick_hz=1e9, cause="imported", start_ticks=0))
        ticks = {name: (1e9 * seconds).astype(np.int64) + 1 for name, seconds in edges_s.items()}
        log.accept(Pulses(edge_ticks=ticks, complete_ticks=50_000_000_000))
    (folder / "grinder.toml").write_text(demo_text("grinder"))
    return folder


def found(result: Result) -> dict:
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_targets_keep_and_match_again(run: Run, logs: Path, saw_file: Path) -> None:
    first = found(run("calibrate", "targets", logs / "run.csv", "--machine", saw_file, "--json"))
    assert first["channel"] == "wheel"
    assert sum(first["spacing_deg"]) == pytest.approx(360.0)
    assert len(first["u95_deg"]) == 4
    assert Path(first["kept"]).name == "saw.calibration.toml"
    assert first["change"] is None
    again = found(run("calibrate", "targets", logs / "run.csv", "--machine", saw_file, "--json"))
    assert again["change"]["kind"] == "same"
    assert again["match"]["sure"]
    stored = load_calibration(saw_file.with_name("saw.calibration.toml"))
    assert len(stored.history) == 1
    assert stored.result("target spacing", "wheel").sources == ("run.csv",)
    assert saw_file.read_text() == demo_text("saw")


def test_clock_is_what_the_simulated_board_has(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    document = found(run("calibrate", "clock", logs / "run.csv", "--machine", saw_file, "--json"))
    (board,) = document["boards"]
    true_ppm = json.loads((logs / "truths.json").read_text())["run"]["clock"]["mean_ppm"]
    assert abs(board["ppm"]["value"] - true_ppm) < board["ppm"]["u95"]
    assert board["against_host_ppm"]["u95"] < 5.0
    assert board["resonator"] is True
    plot = tmp_path / "clock.svg"
    assert run("calibrate", "clock", logs / "run.csv", "--plot", plot).exit_code == 0
    assert "<svg" in plot.read_text()


def test_wheel_from_blade_passes(run: Run, logs: Path, saw_file: Path) -> None:
    document = found(
        run("calibrate", "wheel", logs / "run.csv", "--machine", saw_file, "--length-error", "0.5mm", "--json")
    )
    diameter = document["diameter_mm"]
    assert abs(diameter["value"] - 330.0 * 1.002) < diameter["u95"]
    assert document["described_mm"] == pytest.approx(330.0)
    assert 1.96 * document["contributions_mm"]["blade length"] == pytest.approx(diameter["u95"], rel=0.01)


def test_wheel_by_stopwatch_and_by_reference(run: Run, logs: Path) -> None:
    truth = json.loads((logs / "truths.json").read_text())["run"]
    passes_hz, speed = truth["mean_hz"]["blade"], truth["mean_blade_m_per_s"] * 60
    counted = found(
        run("calibrate", "wheel", logs / "run.csv", "--passes", 25, "--seconds", f"{25 / passes_hz:.2f}s", "--json")
    )
    assert abs(counted["diameter_mm"]["value"] - 330.66) < counted["diameter_mm"]["u95"]
    assert counted["kept"] is None
    reference = found(
        run(
            "calibrate",
            "wheel",
            logs / "run.csv",
            "--speed",
            f"{speed:.4f}m/min",
            "--speed-error",
            "0.02m/min",
            "--json",
        )
    )
    assert abs(reference["diameter_mm"]["value"] - 330.66) < reference["diameter_mm"]["u95"]


def test_blade_slip_in_a_cut_is_told(run: Run, logs: Path) -> None:
    document = found(run("calibrate", "wheel", logs / "cut.csv", "--json"))
    slip = document["blade_slip_in_cut_percent"]
    assert 0.0 < slip["value"] < 0.2  # a healthy blade creeps by some hundredths of a per cent more under load


def test_drive_with_both_gears(run: Run, logs: Path, saw_file: Path) -> None:
    document = found(run("calibrate", "drive", logs / "low.csv", logs / "high.csv", "--machine", saw_file, "--json"))
    truths = json.loads((logs / "truths.json").read_text())
    assert document["identified"]["as_described"] is True
    assert document["identified"]["gear"] == "low"
    assert {each["gear"] for each in document["ratios"]} == {"low", "high"}
    for each in document["ratios"]:
        true = [step["ratio"] for step in truths[each["gear"]]["steady"]]
        assert min(true) - each["u95"] < each["value"] < max(true) + each["u95"]
    assert document["ratio"]["predicted"] == pytest.approx(60.0)
    assert document["slip_rpm"]["u95"] < 1.5
    assert len(document["residuals"]) == 24
    assert document["alternatives"][0]["probability"] < 0.01
    kept = load_calibration(saw_file.with_name("saw.calibration.toml"))
    assert {each.quantity for each in kept.results} == {"total ratio", "motor slip"}
    assert kept.result("total ratio", "gear high").value[0] == pytest.approx(document["ratios"][1]["value"])


def test_wrong_machine_is_named_and_nothing_is_kept(run: Run, logs: Path, saw_file: Path) -> None:
    """The log's gear `low` is described with the ratio of another gearbox."""
    saw_file.write_text(demo_text("saw").replace("poles = 4", "poles = 6").replace("rpm = 1430", "rpm = 950"))
    result = run("calibrate", "drive", logs / "low.csv", "--machine", saw_file)
    assert result.exit_code == 0
    assert "the motor has 4 poles, not 6" in result.stdout
    assert "nothing to keep" in result.stdout
    assert not saw_file.with_name("saw.calibration.toml").exists()


def test_person_reads_what_was_found(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    for words in (("targets", "run.csv"), ("clock", "run.csv"), ("wheel", "run.csv"), ("drive", "low.csv")):
        plot = tmp_path / f"{words[0]}.png"
        result = run("calibrate", words[0], logs / words[1], "--machine", saw_file, "--dry-run", "--plot", plot)
        assert result.exit_code == 0, result.output
        assert "±" in result.stdout
        assert "not kept (--dry-run)" in result.stdout
        assert plot.read_bytes().startswith(b"\x89PNG")
    assert not saw_file.with_name("saw.calibration.toml").exists()


def test_changed_description_is_refused_with_the_reason(run: Run, logs: Path, saw_file: Path) -> None:
    run("calibrate", "wheel", logs / "run.csv", "--machine", saw_file)
    saw_file.write_text(demo_text("saw").replace('"330 mm"', '"340 mm"'))
    result = run("calibrate", "clock", logs / "run.csv", "--machine", saw_file)
    assert "wheel.diameter was 330 mm and is 340 mm" in result.stderr
    assert load_machine(saw_file).wheel.diameter_m == pytest.approx(0.34)


@pytest.mark.parametrize(
    ("typed", "status", "words"),
    [
        ("targets", 2, "give either logs, or --port P"),
        ("targets {run} --port sim://", 2, "give either logs, or --port P"),
        ("targets --port sim://", 2, "--port needs -o LOG"),
        ("targets {run} --channel driven", 1, "has no channel driven; it has wheel, motor, blade"),
        ("targets {run} --channel motor", 1, "one target has no spacing"),
        ("targets {run} --channel wheel --against blade", 1, "Use a faster shaft"),
        ("targets none.csv", 2, "none.csv"),
        ("targets {run} --machine {grinder}", 1, "was recorded at"),
        ("drive {bare}", 1, "all points are at 50 Hz"),
        ("drive {short}", 1, "no steady point"),
        ("drive {imported}", 1, "no mark tells the frequency"),
        ("wheel {run} --passes 10", 2, "--passes and --seconds go together"),
        ("wheel {run} --speed 20m/min", 2, "--speed and --speed-error go together"),
        ("wheel {run} --passes 2 --seconds 5s", 1, "count at least 5"),
        ("wheel {low} --passes 40 --seconds 252s", 1, "the wheel's speed changed by"),
        ("wheel {short}", 1, "channel wheel; record longer"),
        ("wheel {bare}", 1, "no channel blade is described; count passes"),
        ("clock {short}", 1, "record at least a minute"),
        ("clock {imported}", 1, "was imported"),
        ("clocks {run}", 2, "clocks"),
        ("", 2, "say what to calibrate"),
    ],
)
def test_mistakes(run: Run, logs: Path, typed: str, status: int, words: str) -> None:
    names = {path.stem: path for path in logs.iterdir()}
    result = run("calibrate", *(word.format(**names) for word in typed.split()))
    assert result.exit_code == status, result.output
    last = result.stderr.strip().splitlines()[-1]
    assert last.startswith("kerfbeat: ")
    assert words in last
    assert "Traceback" not in result.output


def test_live_recording_then_calibration(run: Run, tmp_path: Path, saw_file: Path) -> None:
    """With --port a log is recorded first; it is there afterwards, and results name it."""
    log = tmp_path / "live.csv"
    port = "sim://steady?hz=80&gear=high"
    result = run("calibrate", "targets", "--port", port, "--machine", saw_file, "-o", log, "--for", "10s", "--json")
    assert found(result)["turns"] > 12
    assert log.exists()
    assert load_calibration(saw_file.with_name("saw.calibration.toml")).results[0].sources == ("live.csv",)


def test_speed_uses_what_is_stored_and_says_so(run: Run, logs: Path, saw_file: Path) -> None:
    log = logs / "run.csv"
    plain = found(run("speed", log, "--json"))
    assert plain["calibration"] == []
    run("calibrate", "wheel", log, "--machine", saw_file, "--length-error", "0.1mm")
    told = run("calibrate", "targets", log, "--machine", saw_file).stdout
    rows = re.findall(r"^(\d) +([\d.]+) ± ([\d.]+) +(-?[\d.]+) ± ([\d.]+) %$", told, flags=re.MULTILINE)
    assert [row[0] for row in rows] == ["1", "2", "3", "4"]
    for _, value, u95, off, off_u95 in rows:  # both to the place of their half-width
        assert len(value.partition(".")[2]) == len(u95.partition(".")[2])
        assert len(off.partition(".")[2]) == len(off_u95.partition(".")[2])
    assert "100 turns or more would tell the angles better" in told
    better = found(run("speed", log, "--machine", saw_file, "--budget", "--json"))
    true = json.loads((logs / "truths.json").read_text())["run"]["mean_blade_m_per_s"] * 60
    assert abs(better["blade_m_per_min"]["value"] - true) < better["blade_m_per_min"]["u95"]
    assert abs(plain["blade_m_per_min"]["value"] - true) > 10 * better["blade_m_per_min"]["u95"]
    assert len(better["calibration"]) == 2
    causes = {each["cause"]: each["relative_u"] for each in better["budget"]["contributions"]}
    assert set(causes) == {"clock", "diameter", "spacing", "timing"}
    together = sum(u**2 for u in causes.values()) ** 0.5
    assert better["budget"]["relative_u"] == pytest.approx(together)
    words = run("speed", log, "--machine", saw_file, "--budget").stdout
    assert "wheel diameter: calibrated" in words
    assert "JCGM 100:2008" in words
    saw_file.write_text(demo_text("saw").replace("targets = 4", "targets = 5"))
    warned = run("speed", log, "--machine", saw_file)
    assert "target spacing of wheel" in warned.stderr
    assert "sensor.wheel.targets was 4 and is 5" in warned.stderr


def test_predict_uses_what_is_stored_and_says_so(run: Run, logs: Path, saw_file: Path) -> None:
    plain = json.loads(run("predict", saw_file, "--hz", 50, "--gear", "low", "--json").stdout)
    assert plain["calibration"] == []
    run("calibrate", "drive", logs / "low.csv", "--machine", saw_file)
    now = json.loads(run("predict", saw_file, "--hz", 50, "--gear", "low", "--json").stdout)
    true = json.loads((logs / "truths.json").read_text())["low"]["steady"]
    wheel_rpm = 1500 / now["rows"][0]["wheel_rpm"]["no_load"]
    assert wheel_rpm == pytest.approx(true[2]["ratio"], rel=0.005)
    before, after = (each["rows"][0]["wheel_rpm"] for each in (plain, now))
    assert after["highest"] - after["no_load"] < 0.2 * (before["highest"] - before["no_load"])
    assert any("low.csv" in line for line in now["calibration"])
    assert "predicted with what was measured" in run("predict", saw_file, "--hz", 50).stdout


def test_chart_and_dial_say_what_was_measured(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    from pypdf import PdfReader

    run("calibrate", "wheel", logs / "run.csv", "--machine", saw_file)
    run("calibrate", "drive", logs / "low.csv", "--machine", saw_file)
    for command in ("chart", "dial"):
        page = tmp_path / f"{command}.pdf"
        assert run(command, saw_file, "-o", page).exit_code == 0
        text = PdfReader(page).pages[0].extract_text()
        # The other gear was not run: nobody may think that it was.
        assert "Predicted with measured wheel diameter, total ratio of gear low, motor slip." in text


def test_watch_and_record_use_what_is_stored(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    run("calibrate", "wheel", logs / "run.csv", "--machine", saw_file)
    log = tmp_path / "recorded.csv"
    result = run(
        "record", "--port", "sim://steady?gear=high", "--machine", saw_file, "-o", log, "--for", "4s", "--quiet"
    )
    assert result.exit_code == 0
    assert "wheel diameter: calibrated" in result.stderr
    carried = found(run("speed", log, "--json"))
    assert carried["calibration"] == ["wheel diameter: calibrated 2025-01-06 from run.csv"]
    # The log carries the calibration as it was: speed is by the effective diameter without the machine file at hand.
    shaft, blade = carried["channels"]["wheel"]["rpm"]["value"], carried["blade_m_per_min"]["value"]
    assert blade / shaft == pytest.approx(3.14159 * (0.3300 * 1.002 + 0.0009), rel=1e-3)


def test_drive_that_is_not_kept_says_why(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    """A stretch marked with another frequency than it ran at: no ratio, no slip, and the reason in its place."""
    text = (logs / "low.csv").read_text()
    (tmp_path / "slip.csv").write_text(re.sub(r",hz=32\n", ",hz=70\n", text))
    page = tmp_path / "setup.pdf"
    result = run("calibrate", "--all", "--from", tmp_path / "slip.csv", "--machine", saw_file, "-o", page)
    assert result.exit_code == 0, result.output
    assert "drive: not kept, because the point at 70 Hz" in result.stdout
    assert "ratio, gear low" not in result.stdout
    kept = load_calibration(saw_file.with_name("saw.calibration.toml"))
    assert not {"total ratio", "motor slip"} & {each.quantity for each in kept.results}


def test_everything_from_logs_ends_in_a_page(run: Run, logs: Path, saw_file: Path, tmp_path: Path) -> None:
    from pypdf import PdfReader

    page = tmp_path / "setup.pdf"
    words = ("--from", logs / "low.csv", "--machine", saw_file, "-o", page)
    result = run("calibrate", "--all", *words)
    assert result.exit_code == 0, result.output
    assert "ratio, gear low: 60.0" in result.stdout
    assert "setup.pdf: one page, a4" in result.stdout
    assert f"next, so that the board's own display knows it too: kerfbeat configure --port P --machine {saw_file}" in (
        result.stdout
    )
    assert len(PdfReader(page).pages) == 1
    again = run("calibrate", "--all", *words)
    assert again.exit_code == 2
    assert "exists already; choose another name, or add --replace" in again.stderr
    kept = load_calibration(saw_file.with_name("saw.calibration.toml"))
    assert {"total ratio", "motor slip", "clock offset", "target spacing"} <= {each.quantity for each in kept.results}


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("--all", "--all needs --machine M"),
        ("--all --machine saw.toml", "--all needs -o PAGE.pdf"),
        ("--all --machine saw.toml -o page.txt", "--all needs -o PAGE.pdf"),
        ("--all --machine none.toml -o page.pdf", "none.toml: no such file"),
        ("--all --machine {grinder} -o {grinder}.pdf --port sim://", "say which belt position is in"),
        ("drive --port sim:// -o x.csv", "--port needs --machine M"),
        ("--all --machine saw.toml -o page.pdf --from a.csv --port sim://", "give either --port P"),
    ],
)
def test_mistakes_of_the_guide(run: Run, logs: Path, typed: str, words: str) -> None:
    result = run("calibrate", *typed.format(grinder=logs / "grinder.toml").split())
    assert result.exit_code == 2, result.output
    assert words in result.stderr.strip().splitlines()[-1]


def test_guide_ends_with_a_whole_log_when_the_person_leaves(runner: CliRunner, saw_file: Path, tmp_path: Path) -> None:
    """Nothing is typed any more (the terminal was closed): the log is whole, the exit status says that it was ended."""
    page = tmp_path / "setup.pdf"
    words = ["calibrate", "--all", "--port", "sim://sweep?gear=high", "--machine", str(saw_file), "-o", str(page)]
    result = runner.invoke(cli.main, words, prog_name="kerfbeat", input="\n\n")
    assert result.exit_code == 1
    assert "about 8 minutes" in result.stderr
    assert "locked out" in result.stderr
    go_on = f"kerfbeat calibrate --all --from {page.with_suffix('.csv')} --machine {saw_file} -o {page}"
    assert go_on in result.stderr
    log = read_log(page.with_suffix(".csv"))
    assert log.warnings == ()
    assert not page.exists()
