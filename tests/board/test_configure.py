"""Does the command that writes a board's settings work on the flashed firmware, also where its supply fails?"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from board_driver import EmulatedBoard
from click.testing import CliRunner

from kerfbeat import cli
from kerfbeat.capture import settings_link
from kerfbeat.capture.board_settings import BoardSettings, day_number
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.settings_link import StoredSettings, health_of, read_settings, write_settings
from kerfbeat.errors import LinkError
from kerfbeat.machine import demo_text

pytestmark = pytest.mark.board

SPEED = 20.0
SLOT_BYTES = 256  # from one slot in the EEPROM to the next (PROTOCOL.md section 8)
HEAD_BYTES = 5  # of a slot, before the settings

Starter = Callable[..., EmulatedBoard]


def configure(board: EmulatedBoard, *words: object) -> dict[str, Any]:
    """The document of `kerfbeat configure`."""
    command = ["configure", "--port", board.url, "--json", *map(str, words)]
    result = CliRunner().invoke(cli.main, command, prog_name="kerfbeat")
    assert result.exit_code == 0, result.stderr
    document: dict[str, Any] = json.loads(result.stdout)
    return document


def stored_bytes(board: EmulatedBoard, slot: int) -> bytes:
    """The settings as they stand in a slot of the EEPROM."""
    start = slot * SLOT_BYTES + HEAD_BYTES
    return board.eeprom()[start : start + 179]


def test_a_machine_file_goes_into_the_board_and_stays_without_power(board: EmulatedBoard, tmp_path: Path) -> None:
    """pi (330 + 0.9) mm = 1039.553 mm; 160 / 80 x 30 and x 13 turns; limit 90 m/min."""
    machine = tmp_path / "saw.toml"
    machine.write_text(demo_text("saw"), encoding="utf-8")
    written = configure(board, "--machine", machine, "--slip-limit", 3, "--yes")
    assert (written["stored_settings"], written["board_id"]) == ("defaults in force", "00000000")
    assert written["stored"]["display_ready"] is False
    assert (written["written"], written["generation"]) == (True, 1)
    board_id = int(written["new"]["board_id"], 16)
    assert board_id != 0  # given, since it had none
    expected = BoardSettings(
        board_id=board_id, unit=1, wheel_input=1, wheel_targets=4, fast_input=2, fast_targets=1,
        circumference_um=1_039_553, ratios_millionths=(60_000_000, 26_000_000), fastest_mm_min=90_000,
        slip_limit_1e4=300, settings_day=day_number(datetime.now(UTC).date()),
    )  # fmt: skip
    assert expected.pack() in (stored_bytes(board, 0), stored_bytes(board, 1))
    board.tell("power off")
    board.tell("power on")
    kept = configure(board)
    assert (kept["generation"], kept["stored_settings"]) == (1, "good")
    assert kept["stored"] == written["new"]
    assert kept["board_id"] == written["new"]["board_id"]


def test_a_damaged_copy_is_shown_and_written_anew(board: EmulatedBoard) -> None:
    with BoardLink(board.url, sensors=None) as link:
        first = write_settings(link, full(1), before=read_settings(link))
        write_settings(link, full(2), before=first)
    board.tell("power off")
    board.tell(f"eeprom {HEAD_BYTES + 9} 55")  # flood_edges of slot 0
    board.tell("power on")
    mended = configure(board, "--again", "--yes")
    assert mended["stored_settings"] == "one copy damaged"  # as it was found
    assert mended["board_id"] in ("00000001", "00000002")
    assert (mended["changes"], mended["written"]) == ([], True)
    assert configure(board)["stored_settings"] == "good"
    assert stored_bytes(board, 0) == stored_bytes(board, 1)


class Linked:
    """A link to a board that runs faster than real time."""

    def __init__(self, board: EmulatedBoard) -> None:
        self.link = BoardLink(board.url, sensors=None, clock=board.clock_s, patience_s=6.0 * SPEED)

    def __enter__(self) -> BoardLink:
        return self.link

    def __exit__(self, *_error: object) -> None:
        self.link.close()


def full(board_id: int) -> BoardSettings:
    """Settings in which every field counts, with as many angles as there may be."""
    return BoardSettings(
        board_id=board_id, modes=(5, 7, 4), flood_edges=9, mask_ms=30, unit=1, wheel_input=1, fast_input=2,
        wheel_targets=60, fast_targets=6, circumference_um=2_000_003, clock_ppb=-4_000_001, clock_u95_ppb=20_000,
        clock_day=9000, settings_day=9001, ratios_millionths=(60_000_001, 26_000_001, 13_000_001, 4_000_001),
        slowest_mm_min=10_001, fastest_mm_min=90_001, slip_limit_1e4=301,
        angles_65536=tuple(range(0, 60_060, 1001)),
    )  # fmt: skip


def test_every_field_comes_back(start_board: Starter) -> None:
    board = start_board("--speed", f"{SPEED:g}")
    with Linked(board) as link:
        for generation, board_id in enumerate((1, 2, 3), start=1):
            before = read_settings(link)
            after = write_settings(link, full(board_id), before=before)
            assert after == StoredSettings(settings=full(board_id), generation=generation)
    assert {stored_bytes(board, 0), stored_bytes(board, 1)} == {full(2).pack(), full(3).pack()}


@pytest.mark.parametrize("writes", [20, 183, 187])
def test_a_supply_that_fails_leaves_what_the_error_says(
    start_board: Starter, monkeypatch: pytest.MonkeyPatch, writes: int
) -> None:
    """While the pieces come in, and while the board changes over; a slot has 186 bytes."""
    board = start_board("--speed", f"{SPEED:g}")
    with Linked(board) as link:
        before = write_settings(link, full(1), before=read_settings(link))
        monkeypatch.setattr(settings_link, "ANSWER_S", 0.2)  # the board is so much faster
        monkeypatch.setattr(settings_link, "COMMIT_S", 0.5)
        board.tell(f"cut {writes} half")
        said = ""
        try:
            write_settings(link, replace(full(2), mask_ms=77), before=before)
        except LinkError as problem:
            said = str(problem)
    if not said:
        board.tell("cut 0 old")
        board.tell("power off")
    board.tell("power on")
    with Linked(board) as link:
        now = read_settings(link)
        health = health_of(link)
    old, new = full(1), replace(full(2), mask_ms=77)
    if "the old settings stand" in said:
        assert now.settings == old
    elif said:
        assert "the old settings or the new ones, never a mixture" in said
        assert now.settings in (old, new)
    else:
        assert now.settings == new
    assert health is not None
    assert health.stored_settings in ("good", "one copy damaged")


def test_the_slow_line_is_chosen_and_left_again(start_board: Starter) -> None:
    board = start_board("--speed", f"{SPEED:g}")
    with Linked(board) as link:
        write_settings(link, replace(full(1), baud=1), before=read_settings(link))
    board.reset()
    with Linked(board) as link:
        before = read_settings(link)
        assert before.settings == replace(full(1), baud=1)
        assert write_settings(link, full(1), before=before).settings == full(1)
    board.reset()
    with Linked(board) as link:
        assert read_settings(link).settings == full(1)
