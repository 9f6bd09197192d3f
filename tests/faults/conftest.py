"""How do the campaigns tell their counts, and get a board?"""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "board"))  # how a board is emulated is known there

from board_fixtures import bench_program, board, board_name, firmware_elf, start_board

__all__ = ["bench_program", "board", "board_name", "firmware_elf", "say", "start_board"]


@pytest.fixture
def say(record_property: Callable[[str, object], None], capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Say a count beside the test's dot, and keep it in the report."""

    def tell(text: str) -> None:
        record_property("count", text)
        with capsys.disabled():
            print(f"  {text}")  # noqa: T201  the counts are what a campaign is for

    return tell
