"""Are the pins of the guide and the schematic those of the firmware?"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

DEFINES = {
    "BOARD_CAPTURE_PIN_BIT": "input 1", "BOARD_EXTERNAL_1_PIN_BIT": "input 2", "BOARD_EXTERNAL_2_PIN_BIT": "input 3",
    "BOARD_DISPLAY_RS": "display RS", "BOARD_DISPLAY_E": "display E", "BOARD_DISPLAY_D4": "display D4",
    "BOARD_DISPLAY_D5": "display D5", "BOARD_DISPLAY_D6": "display D6", "BOARD_DISPLAY_D7": "display D7",
    "BOARD_BUTTON_UNIT": "button unit", "BOARD_BUTTON_HOLD": "button hold", "BOARD_BUTTON_SET": "button set",
    "BOARD_ALARM": "alarm",
}  # fmt: skip
# Where common boards with this processor lead its ports (published pin-outs; from memory): PD0..7 are 0..7, PB0..5 are
# 8..13, PC0..5 are A0..5.
LABELS = {f"PD{n}": str(n) for n in range(8)} | {f"PB{n}": str(8 + n) for n in range(6)} | {
    f"PC{n}": f"A{n}" for n in range(6)
}


@pytest.fixture
def rows(hardware: Path) -> list[dict[str, str]]:
    with (hardware / "pins.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_pins_are_those_of_the_firmware(rows: list[dict[str, str]], repository: Path) -> None:
    header = (repository / "firmware/avr/atmega328p/board.h").read_text(encoding="utf-8")
    defined = dict(re.findall(r"^#define (BOARD_\w+)\s+(P[BCD]\d)\b", header, re.MULTILINE))
    assert {DEFINES.get(name, name) for name in defined} == set(DEFINES.values())
    listed = {row["signal"]: row["atmega328p_pin"] for row in rows}
    assert {DEFINES[name]: pin for name, pin in defined.items()} == {
        signal: pin for signal, pin in listed.items() if not signal.startswith("serial")
    }
    assert (listed["serial in"], listed["serial out"]) == ("PD0", "PD1")     # RXD and TXD of the ATmega328P


def test_pins_of_the_other_board_are_those_of_the_firmware(rows: list[dict[str, str]], repository: Path) -> None:
    header = (repository / "firmware/avr/atmega2560/board.h").read_text(encoding="utf-8")
    names = DEFINES | {
        "BOARD_CAPTURE_1_PIN_BIT": "input 1", "BOARD_CAPTURE_2_PIN_BIT": "input 2", "BOARD_EXTERNAL_PIN_BIT": "input 3",
    }
    defined = dict(re.findall(r"^#define (BOARD_\w+)\s+(P[A-L]\d)\b", header, re.MULTILINE))
    listed = {row["signal"]: row["atmega2560_pin"] for row in rows}
    assert {names[name]: pin for name, pin in defined.items()} == {
        signal: pin for signal, pin in listed.items() if not signal.startswith("serial")
    }
    remarked = re.search(r"label, common boards +(\d+) +(\d+) +(\d+)", header)
    assert remarked is not None
    assert list(remarked.groups()) == [row["atmega2560_label"] for row in rows[:3]]
    labels = dict(re.findall(r"^#define BOARD_\w+\s+(P[A-L]\d)\s+/\* (A?\d+) \*/", header, re.MULTILINE))
    assert len(labels) == 10
    assert labels.items() <= {row["atmega2560_pin"]: row["atmega2560_label"] for row in rows}.items()


def test_labels_fit_the_pins_and_none_is_used_twice(rows: list[dict[str, str]]) -> None:
    assert [row["atmega328p_label"] for row in rows] == [LABELS[row["atmega328p_pin"]] for row in rows]
    assert len({row["atmega328p_pin"] for row in rows}) == len(rows)


def test_labels_in_the_firmware_s_remarks_agree(rows: list[dict[str, str]], repository: Path) -> None:
    header = (repository / "firmware/avr/atmega328p/board.h").read_text(encoding="utf-8")
    remarked = re.findall(r"^#define BOARD_\w+\s+(P[BCD]\d)\s+/\* (A?\d+) \*/", header, re.MULTILINE)
    assert len(remarked) == 10
    assert dict(remarked).items() <= {row["atmega328p_pin"]: row["atmega328p_label"] for row in rows}.items()


def test_guide_shows_the_same_table(rows: list[dict[str, str]], hardware: Path) -> None:
    guide = (hardware / "README.md").read_text(encoding="utf-8")
    shown = re.search(r"<!-- pins -->\n(.*?)\n<!-- end of pins -->", guide, re.DOTALL)
    assert shown is not None
    lines = [
        f"| {row['signal']} | {row['atmega328p_label']} ({row['atmega328p_pin']})"
        f" | {row['atmega2560_label']} ({row['atmega2560_pin']}) | {row['goes_to']} |"
        for row in rows
    ]
    assert shown[1].splitlines()[2:] == lines


def test_drawing_shows_the_labels(rows: list[dict[str, str]], hardware: Path) -> None:
    drawn = (hardware / "drawings/instrument.svg").read_text(encoding="utf-8")
    for row in rows:
        if not row["signal"].startswith("serial"):
            assert re.search(rf">pin {row['atmega328p_label']}<", drawn), row["signal"]
