"""Does `speed` tell the speed that was, to a person and to a program?"""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]


def test_json_is_one_document_with_the_speed_that_was(run: Run, steady_log: Path, steady_m_per_min: float) -> None:
    result = run("speed", steady_log, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    blade = document["blade_m_per_min"]
    assert blade["value"] == pytest.approx(steady_m_per_min, rel=1e-4)
    # Mostly the described diameter's: 0.5 %, rectangular, 1.96 standard uncertainties (GUM 4.3.7).
    assert blade["u95"] == pytest.approx(1.96 * 0.005 / 3**0.5 * steady_m_per_min, rel=0.01)
    # 1 m/min = 3.280840 ft/min (1 ft = 0.3048 m, NIST SP 811 B.8)
    assert document["blade_ft_per_min"]["value"] == pytest.approx(blade["value"] / 0.3048)
    assert document["duration_s"] == pytest.approx(20.0)
    wheel, motor = document["channels"]["wheel"], document["channels"]["motor"]
    assert (wheel["pulses"], wheel["missing"], wheel["extra"], wheel["lost"]) == (68, 0, 0, 0)
    assert wheel["rpm"]["value"] == pytest.approx(51.0, abs=wheel["rpm"]["u95"])
    assert wheel["rpm"]["u95"] < 0.01
    assert motor["lost"] is None
    assert motor["rpm"]["value"] == pytest.approx(1326.0, abs=motor["rpm"]["u95"])
    assert document["channels"]["blade"]["rpm"] is None
    assert document["machine"] == "as in the log"


def test_averages_of_several_settings_are_told(run: Run, repository: Path) -> None:
    log = repository / "sample_logs" / "board-saw-gear-change.csv"
    told = run("speed", log).stderr
    assert "the averages are of several settings: 50 Hz, gear low; from 17.5 s on 50 Hz, gear high" in told
    assert "several settings" not in run("speed", log, "--to", "17s").stderr


def test_a_log_of_another_machine_is_told(run: Run, repository: Path, saw_file: Path) -> None:
    log = repository / "sample_logs" / "saw-two-cuts.csv"
    grinder = repository / "host" / "kerfbeat" / "demo" / "grinder.toml"
    for words in (["speed", log, "--machine", grinder], ["slip", log, "--machine", grinder]):
        told = run(*words).stderr
        assert 'was recorded on "Shared-workshop cut-off saw (invented example)", but is read as of "Two-wheel' in told
        assert "pulses of motor, blade are not looked at" in told
    assert "recorded on" not in run("speed", log, "--machine", saw_file).stderr


def test_person_reads_both_units_and_the_troubles(run: Run, steady_log: Path) -> None:
    result = run("speed", steady_log)
    assert result.exit_code == 0
    first, *_ = result.stdout.splitlines()
    # 53.0 m/min, 173.9 ft/min
    assert first.startswith("blade 53.0")
    assert " m/min (173.9" in first
    assert first == "blade 53.0 ± 0.3 m/min (173.9 ± 1.0 ft/min), from the wheel"
    assert "the ± of the blade is mostly of the diameter: as described, taken to 0.5 %" in result.stdout
    assert "warning: blade: no pulses" in result.stderr
    turned = run("speed", steady_log, "--unit", "ft/min").stdout
    assert turned.startswith("blade 173.9")


def test_window(run: Run, steady_log: Path) -> None:
    document = json.loads(run("speed", steady_log, "--from", "5 s", "--to", "7s", "--json").stdout)
    assert document["start_s"] == pytest.approx(5.0)
    assert document["duration_s"] == pytest.approx(2.0)
    assert document["channels"]["wheel"]["pulses"] == 7


def test_window_without_anything_is_told(run: Run, steady_log: Path) -> None:
    result = run("speed", steady_log, "--from", "50 s")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "nothing lies between" in result.stderr


def test_another_machine_file_takes_the_place_of_the_logged_one(
    run: Run, steady_log: Path, saw_file: Path, steady_m_per_min: float
) -> None:
    larger = saw_file.read_text().replace('diameter = "330 mm"', 'diameter = "660 mm"')
    saw_file.write_text(larger.replace('"2750 mm"', '"5500 mm"'))
    document = json.loads(run("speed", steady_log, "--machine", saw_file, "--json").stdout)
    assert document["blade_m_per_min"]["value"] == pytest.approx(steady_m_per_min * 660.9 / 330.9, rel=1e-4)
    assert document["machine"] == str(saw_file)


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_plot_beside_json(run: Run, steady_log: Path, tmp_path: Path, suffix: str) -> None:
    plot = tmp_path / f"run.{suffix}"
    result = run("speed", steady_log, "--json", "--plot", plot)
    assert result.exit_code == 0
    json.loads(result.stdout)
    assert plot.stat().st_size > 5000
