"""Can a first-time builder follow the guide: does everything it shows, names and points to exist?"""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

import guide_session
import pytest
from board_driver import EmulatedBoard
from click.testing import CliRunner

from kerfbeat import cli
from kerfbeat.drive.mount import pull_off_n

# Units and symbols that need no entry; parts' references; words that are printed so by programs.
NAMES = {"GUARDS", "ATmega328P", "ATmega2560"}     # a word of a caution; the board's processor, explained with B0
CATALOGUE = r"(?<![\w.])(?:\d{2}[A-Z]{2,}\d+|[A-Z]{2}\d{2,}|C0G|ATmega\d+P?)(?!\w)"    # 74HC14, LM393, IP65
# What somebody who had never soldered did not know when he read an earlier guide (one first-time reader's list).
STRANGE = """
    air gap, anode, avrdude, backlight, baud, bed, belt slip, boot loader, bursts, capacitor, cathode, ceramic
    resonator, channel, cheese-head, chip, collector, comparator, compiler, contactor, contrast, countersunk, crystal,
    diode, drip loop, driver, electrolytic capacitor, emulated, feeler gauge, ferrule, filling, firmware, flush, frame,
    fuse bits, gate, gland, grounding, group, heat-shrink tube, hex, hold, host, hub, hysteresis, idle, inductive
    proximity switch, infrared, inverter, jacket, jitter, keyway, leg, lug, metal film, multimeter, offset,
    open collector, opto-isolator, outline, phototransistor, pin strip, plane of the wheel, polymer, port, processor,
    property class, pull-up, pulley, rated distance, rectifier, render, resistor, rim, Schmitt, Schottky diode, serial,
    shield, shim, signal diode, sink, solder side, strain relief, sudo, support, switching frequency, terminal,
    thread lock, threshold, tick, time-lag, TOML, transistor, trimmer, trip, unipolar, web
"""


@pytest.fixture(scope="module")
def guide(hardware: Path) -> str:
    return (hardware / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def glossary(guide: str) -> set[str]:
    table = guide.partition("## Glossary")[2]
    return {
        term.strip().lower()
        for row in re.findall(r"^\| ([^|]+) \| [^|]+ \|$", table, re.MULTILINE)
        for term in row.split(", ")
        if row not in {"term", "---"}
    }


def prose(guide: str) -> str:
    """The text before the glossary, without code and addresses of links."""
    text = re.sub(r"```.*?```|`[^`]*`|<!--.*?-->", " ", guide.partition("## Glossary")[0], flags=re.DOTALL)
    return re.sub(r"\]\([^)]*\)", "]", text)


def squeezed(line: str) -> str:
    """A printed line without its numbers, dates and column widths."""
    return re.sub(r"\s+", " ", re.sub(r"-?\d+(\.\d+)?", "#", line)).strip()


@pytest.mark.board
def test_first_session_prints_what_is_shown(
    guide: str, emulated_board_files: tuple[Path, Path], tmp_path: Path,
) -> None:
    program, elf = emulated_board_files
    played = 0
    for command, shown, printed in guide_session.play(
        lambda: EmulatedBoard(program, elf, tmp_path, ["--reset-on-open"]), guide, tmp_path,
    ):
        lines = {squeezed(line) for line in printed}
        assert [line for line in shown if line != "..." and squeezed(line) not in lines] == [], command
        if " watch " in command:    # pi (330 + 0.9) mm = 1.03955 m, 290 targets of four a minute: 75.37 m/min
            found = re.search(r"([\d.]+) ± ([\d.]+) m/min", printed[-1])
            assert found is not None
            assert float(found[1]) == pytest.approx(1.03955 * 290 / 4, abs=0.1)
        played += 1
    assert played == 5


def test_every_link_and_picture_is_there(guide: str, hardware: Path) -> None:
    targets = re.findall(r"\]\(([^)]+)\)", guide)
    assert len(targets) >= 20
    for target in targets:
        file, _, anchor = target.partition("#")
        page = (hardware / file) if file else hardware / "README.md"
        assert page.exists(), target
        if anchor:
            titles = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^a-z0-9 -]", "", title.lower()).replace(" ", "-") for title in titles}, target


def test_every_drawing_is_shown(guide: str, hardware: Path) -> None:
    shown = set(re.findall(r"drawings/(\w+\.svg)", guide))
    assert shown == {path.name for path in (hardware / "drawings").glob("*.svg")}


def test_every_term_that_is_introduced_is_in_the_glossary(guide: str, glossary: set[str]) -> None:
    introduced = {term.lower() for term in re.findall(r"(?<![*\w])\*([^*\n]+)\*(?!\*)", prose(guide))}
    introduced -= {"italics", "measure", "after"}           # the word itself, and two stressed words
    assert len(introduced) >= 25
    missing = {term for term in introduced if term not in glossary and term.rstrip("s") not in glossary}
    assert missing == set()


def test_every_abbreviation_is_in_the_glossary(guide: str, glossary: set[str], hardware: Path) -> None:
    materials = (hardware / "materials.csv").read_text(encoding="utf-8-sig")
    text = prose(guide) + materials
    words = set(re.findall(r"(?<![\w./])[A-Z]{2,}(?:/[A-Z])?\b(?!\d)", text)) | set(re.findall(CATALOGUE, text))
    assert len(words) >= 25
    assert {word for word in words if word.lower() not in glossary and word not in NAMES} == set()


def test_every_electrical_unit_and_its_prefix_is_in_the_glossary(
    guide: str, glossary: set[str], hardware: Path,
) -> None:
    text = guide.partition("## Glossary")[0] + (hardware / "materials.csv").read_text(encoding="utf-8-sig")
    units = set(re.findall(r"\d[  ]([µmkMnp]?)(V|A|Ω|W|F|Hz|N)(?!\w)", text)) | set(
        re.findall(r"\d[  ](µ)(s|H)(?!\w)", text)
    )
    assert len(units) >= 12
    terms = {term.strip() for term in re.findall(r"^\| ([^|]+) \|", guide.partition("## Glossary")[2], re.MULTILINE)}
    terms = {each for term in terms for each in term.split(", ")} | {"n", "p", ""}
    assert "also n, p" in guide
    assert {part for unit in units for part in unit if part not in terms} == set()


def test_every_word_that_a_first_reader_did_not_know_is_in_the_glossary(glossary: set[str]) -> None:
    strange = {re.sub(r"\s+", " ", word).strip().lower() for word in STRANGE.split(",")}
    assert len(strange) >= 90
    assert {word for word in strange if word not in glossary and f"{word}s" not in glossary} == set()


def test_no_entry_of_the_glossary_is_idle(guide: str, glossary: set[str], hardware: Path) -> None:
    used = guide.partition("## Glossary")[0] + (hardware / "materials.csv").read_text(encoding="utf-8-sig")
    used = used.lower()
    assert {term for term in glossary if not re.search(rf"(?<![a-z]){re.escape(term)}", used)} == set()


def test_cautions_stand_at_the_head_and_where_danger_arises(guide: str) -> None:
    sections = dict(re.findall(r"^#{2,3} ([^\n]+)\n(.*?)(?=^#{2,3} |\Z)", guide, re.MULTILINE | re.DOTALL))
    assert next(iter(sections)) == "Cautions first"
    head = sections["Cautions first"]
    for word in ("never a safety device", "lock out", "capacitors", "interlock", "mains", "independent means",
                 "Overspeed", "Guards back", "local code"):  # fmt: skip
        assert word in head, word
    for name in ("Proximity switch", "Fit targets and sensor", "Run the cable", "First signs of life", "First reading",
                 "If you have never soldered", "What holds a target", "Make it exact"):  # fmt: skip
        assert "**Caution." in sections[name], name
    assert "two independent means" in sections["What holds a target"].lower()


def test_pull_off_force_is_worked_right(guide: str) -> None:
    # 6 g at 180 mm on an 18 in wheel (radius 0.2286 m) at 6,000 ft/min = 30.48 m/s.
    by_hand_n = 0.006 * (30.48 / 0.2286) ** 2 * 0.180
    shown = re.search(r"F = 0\.006 × 133\.3² × 0\.180 = ([\d.]+) N, (\d+) times its weight", guide)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(by_hand_n, abs=0.05)
    assert float(shown[2]) == pytest.approx(by_hand_n / (0.006 * 9.80665), rel=0.02)
    shaft_hz = 30.48 / 0.2286 / (2 * math.pi)
    assert pull_off_n(mass_kg=0.006, radius_m=0.180, shaft_hz=shaft_hz) == pytest.approx(by_hand_n)


def test_the_ring_s_figures_are_worked_right(guide: str) -> None:
    # A disc of 6 mm x 3 mm of 7.5 g/cm3 in a ring for 40 mm at 3,600 rpm; its lugs reach out another 12 mm.
    mass_kg = 7500 * math.pi / 4 * 0.006**2 * 0.003
    radius_m, lug_m, omega = 0.020 + 0.0033 / 2, 0.020 + 0.0033 + 0.004 + 0.012, 3600 * 2 * math.pi / 60
    words = r"the magnet of ([\d.]+) g pulls with ([\d.]+) N there, and the lugs' ends run at (\d+) m/s"
    shown = re.search(words, guide)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(mass_kg * 1e3, abs=0.01)
    assert float(shown[2]) == pytest.approx(mass_kg * omega**2 * radius_m, abs=0.06)
    assert float(shown[3]) == pytest.approx(omega * lug_m, abs=0.5)


def test_the_magnets_fields_are_worked_right(guide: str) -> None:
    # Axis of a disc magnetised along it (any textbook), Br 1.2 T:
    # Br/2 ((z + h)/sqrt(r^2 + (z + h)^2) - z/sqrt(r^2 + z^2)).
    def field_mt(*, across_mm: float, high_mm: float, away_mm: float) -> float:
        radius_mm = across_mm / 2
        far, near = away_mm + high_mm, away_mm
        return 1200 / 2 * (far / math.hypot(radius_mm, far) - near / math.hypot(radius_mm, near))

    words = r"makes (\d+) mT .* at ([\d.]+) mm: 4 mm of gap, 1\.2 mm.*, 1 mm from[^.]*\. .* makes (\d+) mT"
    shown = re.search(words, guide)
    assert shown is not None
    assert float(shown[2]) == pytest.approx(4 + 1.2 + 1)
    assert float(shown[1]) == pytest.approx(field_mt(across_mm=8, high_mm=4, away_mm=6.2), abs=0.5)
    assert float(shown[3]) == pytest.approx(field_mt(across_mm=6, high_mm=3, away_mm=6.2), abs=0.5)


def test_flashing_is_what_the_makefile_does(guide: str, repository: Path) -> None:
    makefile = (repository / "firmware/Makefile").read_text(encoding="utf-8")
    recipe = re.search(r"^\tavrdude (.*)$", makefile, re.MULTILINE)
    assert recipe is not None
    boards = [path.parent.name for path in (repository / "firmware/avr").glob("*/board.mk")]
    commands = re.findall(r"^ *(avrdude -p .*)$", guide, re.MULTILINE)
    assert len(commands) == len(boards) == 2
    for board in boards:
        limits = (repository / f"firmware/avr/{board}/board.mk").read_text(encoding="utf-8")
        told = dict(re.findall(r"^(\w+) = (.*)$", limits, re.MULTILINE))
        image = f"firmware/release/{board}.hex"
        assert (repository / image).exists()
        assert (
            f"avrdude -p {told['MCU']} -c {told['BOOT_PROTOCOL']} -P /dev/ttyUSB0 -b {told['BOOT_BAUD']} "
            f"-D -U flash:w:{image}:i" in commands
        )
        assert re.findall(r"-[a-zA-Z]\b", commands[0]) == re.findall(r"-[a-zA-Z]\b", recipe[1])


def test_a_board_that_is_none_is_told_the_names(repository: Path) -> None:
    words = ["make", "-C", str(repository / "firmware"), "flash-release", "BOARD=uno", "PORT=/dev/null"]
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    assert done.returncode == 2
    assert 'there is no board "uno"; BOARD names the chip on it, one of: ' in done.stderr
    for board in (repository / "firmware/avr").glob("*/board.mk"):
        assert board.parent.name in done.stderr


def test_passes_are_counted_at_a_low_speed(guide: str) -> None:
    """Blade length x passes / time; the demo saw runs from 9 to 94 m/min."""
    told = re.search(r"--blade-length (\d+)mm --passes (\d+) --seconds (\d+)s", guide)
    assert told is not None
    length_mm, passes, seconds = map(int, told.groups())
    assert 20.0 < length_mm * passes / 1000 / seconds * 60 < 30.0
    assert f"{seconds} s: from the first pass" in guide


def test_the_display_s_words_are_the_firmware_s(guide: str, repository: Path) -> None:
    table = re.search(r"### What the display says\n(.*?)\n\n[^|]", guide, re.DOTALL)
    assert table is not None
    cells = [row.split("|")[1] for row in table[1].splitlines() if row.startswith("|")]
    quoted = [words for cell in cells for words in re.findall(r"`([^`]{4,})`", cell)]
    assert len(quoted) >= 9
    source = (repository / "firmware/core/panel.c").read_text(encoding="utf-8")
    assert [words for words in quoted if words not in source] == []


def test_commands_within_the_text_run(guide: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those with options, on a simulated board; recordings are cut short, so that they may say so, and no more."""
    monkeypatch.chdir(tmp_path)
    Path("saw.toml").write_text(guide_session.machine_file(guide), encoding="utf-8")
    commands = re.findall(r"`kerfbeat ([^`]* -[^`]*)`", guide)
    assert len(commands) >= 9
    runner = CliRunner()
    for command in commands:
        words = command.replace("/dev/ttyUSB0", "sim://steady?eeprom=memory").split()
        if words[0] == "describe":                  # asks; tests/test_describe.py answers
            continue
        records = "--for" in words or "--all" in words or words[:2] == ["calibrate", "wheel"]
        if "--for" in words:
            words[words.index("--for") + 1] = "1s"
        elif words[0] == "check":
            words += ["--for", "1s"]
        result = runner.invoke(cli.main, words, input="", prog_name="kerfbeat")
        assert result.exit_code in ({0, 1} if records else {0}), (command, result.output)


def test_every_command_of_the_guide_exists(guide: str) -> None:
    commands = set(re.findall(r"`kerfbeat\s+([a-z]+)|\$ kerfbeat ([a-z]+)", guide))
    names = {first or second for first, second in commands}
    assert len(names) >= 5
    assert names <= {entry.name for entry in cli.COMMANDS}
