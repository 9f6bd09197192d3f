"""Does configure show, compare, ask, write and read back, on a simulated board with a memory?"""

import json
import re
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.calibrate.keep import NO_IDENTITY
from kerfbeat.calibration import Calibration, calibration_path, save_calibration
from kerfbeat.calibration import Result as Stored
from kerfbeat.capture import ports
from kerfbeat.capture.board_settings import BoardSettings, day_number
from kerfbeat.cli.configure import configure
from kerfbeat.drive.board_plan import BoardPlan
from kerfbeat.errors import LinkError
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present import settings_words
from kerfbeat.present.settings_check import settings_findings
from kerfbeat.simulate import board

Run = Callable[..., Result]
DAY = datetime.now(UTC).date()


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The simulated board's status comes sooner, and requests go out at once."""
    monkeypatch.setattr(board, "STATUS_S", 0.1)
    monkeypatch.setattr(ports, "READ_WAIT_S", 0.002)


@pytest.fixture
def url(tmp_path: Path) -> str:
    """A simulated board (identity 51A70000) whose settings outlive the port."""
    return f"sim://steady?eeprom={tmp_path / 'eeprom'}"


def calibrated(saw_file: Path, *, days_ago: int, ppm: float = 1234.5) -> None:
    """The clock of the simulated board, +- 20 ppm."""
    clock = Stored(
        quantity="clock offset", of="51A70000", value=(ppm,), u=(20.0 / 1.96,), unit="ppm",
        date=datetime.now(UTC) - timedelta(days=days_ago), sources=(), conditions={}, belongs_to={},
    )  # fmt: skip
    save_calibration(calibration_path(saw_file), Calibration(machine="saw", results=(clock,)))


def test_a_new_board_says_that_nothing_is_set(run: Run, url: str) -> None:
    result = run("configure", "--port", url)
    assert result.exit_code == 0
    first, *rest = result.stdout.splitlines()
    assert re.match(r"board 51A70000, firmware [1-9][\d.]+ \(simulated\), ", first)
    assert "the defaults are in force" in first
    told = {line[:22].strip(): line[22:].strip() for line in rest if line.startswith("  ")}
    assert told["wheel sensor"] == "none (set by --machine M)"
    assert told["alarm at belt slip"] == "none (set by --slip-limit PERCENT)"
    assert told["alarm below"] == "none (set by --slowest SPEED)"
    assert "display: says NOT SET" in result.stdout
    assert "clock: never measured" in result.stdout


def test_settings_are_compared_written_and_there_the_next_time(run: Run, url: str, saw_file: Path) -> None:
    """pi (330 + 0.9) mm = 1039.553 mm; 160 / 80 x 30 and x 13 turns; limit 90 m/min."""
    calibrated(saw_file, days_ago=100)
    words = ("configure", "--port", url, "--machine", saw_file, "--slip-limit", "3", "--slowest", "15m/min")
    shown = run(*words, "--show")
    assert shown.exit_code == 0
    row = next(line for line in shown.stdout.splitlines() if line.startswith("blade per wheel turn"))
    assert row.split()[4] == "none"
    assert "1039.553 mm (40.927 in)" in row
    assert "wheel as described" in row
    assert json.loads(run("configure", "--port", url, "--json").stdout)["generation"] == 0  # nothing was written

    written = run(*words, "--yes")
    assert written.exit_code == 0
    assert "written, read back, and the same" in written.stdout
    assert "display: shows blade speed, m/min first" in written.stdout

    stored = json.loads(run("configure", "--port", url, "--json").stdout)
    assert (stored["generation"], stored["written"], stored["changes"], stored["new"]) == (1, False, [], None)
    kept = stored["stored"]
    assert kept["circumference_mm"] == 1039.553
    assert kept["fast_turns_per_wheel_turn"] == [60.0, 26.0]
    assert (kept["slowest_m_per_min"], kept["fastest_m_per_min"], kept["slip_limit_percent"]) == (15.0, 90.0, 3.0)
    assert (kept["wheel_input"], kept["wheel_targets"], kept["fast_input"]) == (1, 4, 2)
    assert kept["clock_ppm"] == {"value": 1234.5, "u95": 20.0}
    assert kept["clock_age_days"] == 100
    # Half-widths 500 ppm (seasons) and 300 ppm a year, rectangular: 1.96 hypot(20/1.96, hypot(500, 82.1)/sqrt 3) = 574
    assert kept["clock_ppm_today"]["u95"] == pytest.approx(574, abs=1)
    assert kept["display_ready"] is True

    again = run(*words)
    assert again.exit_code == 0
    assert "the board holds these settings already" in again.stdout


def test_nothing_is_written_without_a_yes(runner: CliRunner, url: str) -> None:
    for answer in ("n\n", ""):
        result = runner.invoke(cli.main, ["configure", "--port", url, "--id", "2A"], input=answer, prog_name="kerfbeat")
        assert result.exit_code == 1
        assert "nothing was written" in result.stderr
    agreed = runner.invoke(
        cli.main, ["configure", "--port", url, "--id", "2A", "--json"], input="maybe\nyes\n", prog_name="kerfbeat"
    )
    assert '"maybe" is no answer; y writes it' in agreed.stderr
    assert agreed.exit_code == 0
    document = json.loads(agreed.stdout)
    assert document["written"] is True
    assert document["new"]["board_id"] == "0000002A"
    assert document["changes"] == [{"setting": "board id", "stored": "51A70000", "new": "0000002A", "from": "as asked"}]


def test_inputs_flood_and_line_rate(run: Run, url: str) -> None:
    result = run(
        "configure", "--port", url, "--input", "2=rising,no-pull-up", "--input", "3=off", "--flood-edges", 6,
        "--mask", "50ms", "--new-baud", "115200", "--yes", "--json",
    )  # fmt: skip
    new = json.loads(result.stdout)["new"]
    assert new["inputs"] == [
        {"on": True, "edge": "falling", "pull_up": True},
        {"on": True, "edge": "rising", "pull_up": False},
        {"on": False, "edge": "falling", "pull_up": True},
    ]
    assert (new["flood_edges"], new["mask_ms"], new["baud"]) == (6, 50, 115200)
    assert "from the board's next start on" in result.stderr


def test_a_board_without_an_identity_is_given_one(run: Run, url: str) -> None:
    without = json.loads(run("configure", "--port", url, "--id", "0", "--yes", "--json").stdout)
    assert without["new"]["board_id"] == "00000000"
    given = json.loads(run("configure", "--port", url, "--flood-edges", 9, "--yes", "--json").stdout)
    board_id = given["new"]["board_id"]
    assert len(board_id) == 8
    assert int(board_id, 16) > 0
    assert [row["setting"] for row in given["changes"]] == ["board id", "flood of edges"]
    assert f"board {board_id}, " in run("configure", "--port", url).stdout
    assert "kerfbeat configure" in NO_IDENTITY  # where a calibration says that there is none


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--id", "xyz"], "up to eight hexadecimal digits"),
        (["--id", "123456789"], "up to eight hexadecimal digits"),
        (["--input", "4=on"], "write 2=rising or 3=off"),
        (["--input", "2=sideways"], "write 2=rising or 3=off"),
        (["--belt", "low"], "without a machine file"),
        (["--mask", "1s"], "mask 1000 ms cannot be; 5 to 250 ms can"),
        (["--flood-edges", "25"], "2 to 24 can"),
        (["--slowest", "15"], "has no unit"),
        (["--slip-limit", "200"], "a percentage from 0 to 100, such as 3"),
    ],
)
def test_wrong_input_is_told_in_one_line(run: Run, words: list[str], said: str) -> None:
    result = run("configure", "--port", "sim://", *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


def test_ctrl_c_while_it_is_written_says_what_the_board_holds(
    run: Run, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_args: object, **_more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("kerfbeat.capture.settings_link.write_settings", interrupted)
    result = run("configure", "--port", url, "--id", "2A", "--yes")
    assert result.exit_code == 1
    assert "stopped by Ctrl-C" in result.stderr
    assert "the old settings or the new ones, never a mixture" in result.stderr
    assert f"kerfbeat configure --port {url}" in result.stderr


def test_a_failure_ends_with_status_1(run: Run, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_args: object, **_more: object) -> None:
        raise LinkError("port: the link broke; the old settings stand; try again")

    monkeypatch.setattr("kerfbeat.capture.settings_link.write_settings", fails)
    result = run("configure", "--port", url, "--id", "2A", "--yes")
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)


def test_the_clock_of_a_board_in_small_letters_is_taken(run: Run, url: str, saw_file: Path) -> None:
    calibrated(saw_file, days_ago=3)
    path = calibration_path(saw_file)
    path.write_text(path.read_text().replace("51A70000", "51a70000"))
    result = run("configure", "--port", url, "--machine", saw_file, "--show", "--json")
    assert json.loads(result.stdout)["new"]["clock_ppm"]["value"] == pytest.approx(1234.5)


def test_a_clock_correction_is_shown_to_age() -> None:
    """Rectangular half-widths of 500 ppm and of 300 ppm a year: 1.96 hypot(500, 600) / sqrt 3 = 884 after two years."""
    settings = BoardSettings(clock_ppb=-2_000_000, clock_u95_ppb=0, clock_day=day_number(DAY - timedelta(days=730)))
    text = "\n".join(settings_words.display_lines(settings, today=DAY))
    assert "-2000 ± 900 ppm by today, 730 days after it was measured" in text
    assert "± 0.088 % of doubt in the speed shown" in text
    assert "temperature" in text
    assert "kerfbeat calibrate clock" in text
    ahead = BoardSettings(clock_u95_ppb=0, clock_day=day_number(DAY + timedelta(days=1)))
    assert "this computer's date is before it" in "\n".join(settings_words.display_lines(ahead, today=DAY))


def test_what_sets_a_value_is_told_only_where_there_is_none_and_exists() -> None:
    empty = [line for line in settings_words.LINES if line.words(BoardSettings()) == settings_words.NONE]
    assert len(empty) >= 10
    options = {name for param in configure.params for name in param.opts}
    for line in empty:
        said = re.findall(r"--[a-z-]+", line.sets)
        assert said, line.label
        assert set(said) <= options, line.label
    told = "\n".join(settings_words.settings_lines(BoardSettings(slip_limit_1e4=300)))
    assert "alarm at belt slip    over 3 %\n" in told


def test_every_setting_has_its_words() -> None:
    shown = {name for line in settings_words.LINES for name in line.fields}
    assert shown == {field.name for field in fields(BoardSettings)}


def test_a_change_too_small_for_the_words_is_shown_all_the_same() -> None:
    before, after = BoardSettings(slowest_mm_min=15_000), BoardSettings(slowest_mm_min=15_001)
    assert settings_words.change_rows(before, after, {}) == [
        ["alarm below", "slowest_mm_min 15000", "slowest_mm_min 15001", ""]
    ]


def test_check_tells_where_the_board_is_not_as_the_machine_file_says(run: Run, url: str, saw_file: Path) -> None:
    """pi (331 + 0.9) mm = 1042.695 mm."""
    words = ("check", "--port", url, "--machine", saw_file, "--for", "0.3s")
    assert "machine file" not in run(*words).stdout  # it was never told its wheel: no display, or not yet
    assert run("configure", "--port", url, "--machine", saw_file, "--yes").exit_code == 0
    assert "machine file" not in run(*words).stdout
    saw_file.write_text(saw_file.read_text(encoding="utf-8").replace('"330 mm"', '"331 mm"'), encoding="utf-8")
    said = run(*words).stdout
    assert "not those of the machine file (blade per wheel turn 1039.553 mm" in said
    assert "1042.695 mm" in said
    assert "kerfbeat configure" in said


def test_check_tells_where_the_stored_clock_is_wrong(run: Run, url: str, saw_file: Path) -> None:
    """A board 2 % fast that does not know reads 2 % low: so much no busy computer hides in two seconds."""
    url = f"{url}&clock_ppm=20000&clock_warm_ppm=0&clock_wander_ppm=0&host_ppm=0"
    assert run("configure", "--port", url, "--machine", saw_file, "--yes").exit_code == 0
    checked = run("check", "--port", url, "--machine", saw_file, "--for", "2s").stdout
    said = re.search(r"keeps no correction, so that its display reads (\d\.\d+) % low", checked)
    assert said is not None
    assert float(said[1]) == pytest.approx(2.0, abs=0.5)


@pytest.mark.parametrize(
    ("stored_ppm", "words"),
    [
        (None, "3000 ± 90 ppm off and it keeps no correction, so that its display reads 0.30 % low"),
        (4000, "it corrects by 4000 ppm, so that its display reads 0.10 % high"),
        (-1000, "it corrects by -1000 ppm, so that its display reads 0.40 % low"),
        (3101, "reads 0.010 % high"),
        (3099, None),  # not worth a word
    ],
)
def test_a_clock_that_runs_otherwise_than_stored_is_told(stored_ppm: int | None, words: str | None) -> None:
    """The display multiplies by the stored rate, and the true one is 3000 ppm: its error is the difference."""
    stored = BoardSettings(wheel_input=1, wheel_targets=4, circumference_um=1_039_553)
    if stored_ppm is not None:
        stored = replace(stored, clock_ppb=stored_ppm * 1000, clock_u95_ppb=20_000, clock_day=1)
    as_it_is = BoardPlan(settings=stored, basis={}, notes=())
    found = settings_findings(stored, as_it_is, Estimate(value=3000.0, u95=90.0))
    assert len(found) == (words is not None)
    assert words is None or words in found[0]
    unsure = settings_findings(stored, as_it_is, Estimate(value=3000.0, u95=5000.0))
    assert unsure == []
    assert settings_findings(BoardSettings(), as_it_is, Estimate(value=3000.0, u95=90.0)) == []
