"""What is added to a run of the tests on the emulated board?"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # the driver's modules lie beside the tests that use them

from board_fixtures import (
    bench_program,
    board,
    board_name,
    build_step,
    firmware_elf,
    measured,
    start_board,
)

__all__ = ["bench_program", "board", "board_name", "build_step", "firmware_elf", "measured", "start_board"]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    reports = [
        report for outcome in ("passed", "failed") for report in terminalreporter.stats.get(outcome, [])
        if report.when == "call"
    ]
    rows = [value for report in reports for name, value in report.user_properties if name == "measured"]
    if rows:
        terminalreporter.section("measured on the emulated board")
        for row in rows:
            terminalreporter.write_line(row)
