"""Do the keys of the live screen do what stands beside them?"""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from kerfbeat.machine import Setting
from kerfbeat.present.layout import PARTS, part_heights
from kerfbeat.present.screen import LiveScreen

Play = Callable[[Pilot[None]], Awaitable[None]]


@pytest.fixture
def play(board: Any, tmp_path: Path) -> Callable[..., LiveScreen]:
    """Shows the feed of the board on a screen of 80 x 24 while a script of keys is played."""

    def run(script: Play, *, size: tuple[int, int] = (80, 24)) -> LiveScreen:
        board.start()
        board.run(8.0)
        screen = LiveScreen(
            board.feed, unit="m/min", log_name=lambda: str(tmp_path / "saw-1.csv"), failed=lambda: None
        )

        async def show() -> None:
            async with screen.run_test(size=size) as pilot:
                await script(pilot)

        asyncio.run(show())
        assert screen.fault is None
        return screen

    return run


def _text(pilot: Pilot[None], part: str) -> str:
    return str(pilot.app.query_one(f"#{part}").render())


def test_hertz_and_gear_are_entered(play: Callable[..., LiveScreen], board: Any) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("h", "4", "5", ".", "5", "enter", "g", "2", "enter")
        assert "Set: 45.5 Hz, gear high. Should run" in _text(pilot, "prospect")

    play(script)
    assert board.feed.snapshot().setting == Setting(hz=45.5, gear="high")


def test_wrong_answer_is_told_and_changes_nothing(play: Callable[..., LiveScreen], board: Any) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("h", "x", "enter")
        assert '"x" is no frequency' in _text(pilot, "state")
        await pilot.press("h", "4", "0", "escape")

    play(script)
    assert board.feed.snapshot().setting == Setting()


def test_what_was_wrong_is_over_once_it_is_right(play: Callable[..., LiveScreen]) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("h", "x", "enter", "h", "4", "0", "enter")
        assert "no frequency" not in _text(pilot, "state")
        assert "no log is running: the next one begins with this setting" in _text(pilot, "state")
        await pilot.press("c")
        assert "no log is running: the cut is not kept" in _text(pilot, "state")

    play(script)


def test_many_choices_are_all_listed_while_one_is_asked_for(play: Callable[..., LiveScreen], board: Any) -> None:
    async def script(pilot: Pilot[None]) -> None:
        many = [f"position {letter}" for letter in "abcdefghijklmno"]
        pilot.app._ask_choice("belt", many, lambda _answer: None)
        await pilot.pause()
        assert "15 position o" in _text(pilot, "state")
        await pilot.press("escape")
        assert "position" not in _text(pilot, "state")

    play(script)


def test_cut_and_unit_and_trend(play: Callable[..., LiveScreen], board: Any) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("c")
        assert "cutting" in _text(pilot, "state")
        assert "cut ends" in _text(pilot, "keys")
        await pilot.press("c", "u", "t")
        assert "cutting" not in _text(pilot, "state")
        assert "unit m/min" in _text(pilot, "keys")
        assert "15 min ago" in _text(pilot, "trend")
        readout = _text(pilot, "readout")
        assert readout.index("ft/min") < readout.index(" m/min")

    play(script)
    assert not board.feed.cutting


def test_log_begins_under_the_proposed_name_and_ends(
    play: Callable[..., LiveScreen], board: Any, tmp_path: Path
) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("l", "enter")
        assert "log saw-1.csv" in _text(pilot, "head")
        await pilot.press("n", "d", "u", "l", "l", "enter", "l")
        assert "no log" in _text(pilot, "head")

    play(script)
    assert "note=dull" in (tmp_path / "saw-1.csv").read_text()


def test_log_that_cannot_begin_is_told(play: Callable[..., LiveScreen], board: Any, tmp_path: Path) -> None:
    (tmp_path / "saw-1.csv").write_text("precious")

    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("l", "enter")
        assert "saw-1.csv" in _text(pilot, "state")
        assert "no log" in _text(pilot, "head")

    play(script, size=(200, 30))
    assert (tmp_path / "saw-1.csv").read_text() == "precious"


def test_full_disk_is_told_and_the_reading_goes_on(
    play: Callable[..., LiveScreen], board: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full_disk(_file: int) -> None:
        raise OSError(28, "No space left on device")

    async def script(pilot: Pilot[None]) -> None:
        await pilot.press("l", "enter")
        monkeypatch.setattr("kerfbeat.capture.growing_file.os.fsync", full_disk)
        await pilot.press("l")
        assert "No space left on device" in _text(pilot, "state")
        assert "± " in _text(pilot, "readout")

    play(script, size=(200, 30))


def test_silence_takes_the_screen_and_gives_it_back(play: Callable[..., LiveScreen], board: Any) -> None:
    async def script(pilot: Pilot[None]) -> None:
        board.run(30.0, wheel_hz=0.0)
        pilot.app.show_now()  # type: ignore[attr-defined]
        await pilot.pause()
        assert "Stopped, or signal lost" in _text(pilot, "readout") or "Signal lost" in _text(pilot, "readout")
        assert not pilot.app.query_one("#trend").display
        board.run(10.0)
        pilot.app.show_now()  # type: ignore[attr-defined]
        await pilot.pause()
        assert pilot.app.query_one("#trend").display
        assert "± " in _text(pilot, "readout")

    play(script)


@pytest.mark.parametrize("key", ["q", "ctrl+c", "ctrl+q"])
def test_leaving(play: Callable[..., LiveScreen], key: str) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.press(key)
        await pilot.pause()

    assert not play(script).is_running


@pytest.mark.parametrize("rows", range(9, 70))
@pytest.mark.parametrize("silent", [False, True])
@pytest.mark.parametrize("sensors", [1, 3])
def test_parts_share_the_lines_without_one_too_many(rows: int, silent: bool, sensors: int) -> None:
    heights = part_heights(rows, sensors=sensors, silent=silent)
    assert set(heights) == set(PARTS)
    assert sum(heights.values()) + 1 <= rows
    if rows >= 24:
        assert heights["readout"] >= 9


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (80, 24), (120, 40), (300, 80)])
def test_any_size_of_terminal_is_drawn(play: Callable[..., LiveScreen], size: tuple[int, int]) -> None:
    async def script(pilot: Pilot[None]) -> None:
        await pilot.pause()

    play(script, size=size)
