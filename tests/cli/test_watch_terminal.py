"""What does a person see in front of a real terminal, and what is left when they leave?"""

import os
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pexpect
import pyte
import pytest

from kerfbeat.capture.log import read_log
from kerfbeat.present.bigtext import big

COMMAND = [sys.executable, "-m", "kerfbeat", "watch", "--port", "sim://"]
PATIENCE_S = 60.0  # for a screen to show what is waited for, on a busy machine


class Terminal:
    """A terminal with a command in it: what is typed, and what stands on its screen."""

    def __init__(self, arguments: list[str], *, columns: int, rows: int, folder: Path) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.process = pexpect.spawn(
            COMMAND[0],
            [*COMMAND[1:], *arguments],
            dimensions=(rows, columns),
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"},
            cwd=str(folder),
        )

    def lines(self) -> list[str]:
        """The screen's lines as they stand now."""
        return [line.rstrip() for line in self.screen.display]

    def text(self) -> str:
        return "\n".join(self.lines())

    def look(self, seconds: float = 0.2) -> None:
        """Let the command paint for a while."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            try:
                self._stream.feed(self.process.read_nonblocking(65536, timeout=0.05))
            except pexpect.TIMEOUT:
                continue
            except pexpect.EOF:
                return

    def wait_for(self, *patterns: str) -> str:
        """Look until every pattern stands on the screen; its text."""
        until = time.monotonic() + PATIENCE_S
        while not all(re.search(pattern, self.text()) for pattern in patterns):
            assert time.monotonic() < until, f"{patterns} did not come:\n{self.text()}"
            assert self.process.isalive() or not self.look(), f"ended:\n{self.text()}"
            self.look()
        return self.text()

    def big_figure(self, near: float) -> str:
        """Read the big digits: the longest figure near a value whose blocks stand on the screen; "" if none does."""
        lines, found = self.lines(), [""]
        for figure in dict.fromkeys(
            f"{near + step * 10.0**-places:.{places}f}" for places in (2, 1, 0) for step in range(-30, 31)
        ):
            for rows in range(4, 40):
                drawn = [f"  {line}".rstrip() for line in big(figure, columns=self.screen.columns - 22, rows=rows)]
                for top in range(len(lines) - len(drawn)):
                    if all(lines[top + k][: len(line)] == line for k, line in enumerate(drawn)):
                        found.append(figure)
        return max(found, key=len)

    def end(self) -> int:
        """Wait for the command to end; its exit status."""
        until = time.monotonic() + PATIENCE_S
        while self.process.isalive():
            assert time.monotonic() < until, f"goes on:\n{self.text()}"
            self.look(0.1)
        self.process.close()
        assert self.process.exitstatus is not None, f"killed by signal {self.process.signalstatus}"
        return int(self.process.exitstatus)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    """Opens `kerfbeat watch --port sim://` in a terminal of the given size."""
    opened: list[Terminal] = []

    def open_one(*arguments: str, columns: int = 80, rows: int = 24) -> Terminal:
        opened.append(Terminal(list(arguments), columns=columns, rows=rows, folder=tmp_path))
        return opened[-1]

    yield open_one
    for each in opened:
        each.process.close(force=True)


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (120, 40)])
def test_digits_units_uncertainty_and_state_are_seen(
    terminal: Callable[..., Terminal], columns: int, rows: int
) -> None:
    watch = terminal(columns=columns, rows=rows)
    text = watch.wait_for(r"(?m)m/min$", r"(?m)  ± 0\.\d+$", r"\d ft/min", "turning")
    second = re.search(r"([\d.]+) ft/min", text)
    assert second is not None
    # The big figure is the same speed in m/min (1 ft = 0.3048 m, NIST SP 811 B.8).
    figure = watch.big_figure(0.3048 * float(second.group(1)))
    assert figure
    assert float(figure) == pytest.approx(0.3048 * float(second.group(1)), rel=0.02)
    assert "invented example" in text
    assert "not a safety device" in text
    assert "link good" in text
    assert re.search(r"wheel +[\d.]+ ± [\d.]+ rpm .* missing 0 .*extra 0 .*lost 0", text)
    assert re.search("hertz +gear +.*quit", text)


def test_setting_shows_the_band_and_a_log_is_whole_after_ctrl_c(
    terminal: Callable[..., Terminal], tmp_path: Path
) -> None:
    watch = terminal()
    watch.wait_for("turning")
    watch.process.send("h")
    watch.wait_for("hertz on the inverter:")
    watch.process.send("45\r")
    watch.wait_for(r"Set: 45 Hz\.")
    watch.process.send("g")
    watch.wait_for("gear .*low.*high")
    watch.process.send("high\r")
    watch.wait_for("Set: 45 Hz, gear high. Should run", "band")
    watch.process.send("l")
    watch.wait_for("name of the log:")
    watch.process.send("\x7f" * 60)
    watch.wait_for(r"name of the log: *\n?$")
    watch.process.send("run.csv")
    watch.wait_for(r"name of the log: +run.csv")
    watch.process.send("\r")
    watch.wait_for(r"log run.csv +\d:\d\d")
    watch.process.send("c")
    watch.wait_for("cutting")
    watch.look(2.0)
    watch.process.send("\x03")
    assert watch.end() == 0
    log = read_log(tmp_path / "run.csv")
    assert log.warnings == ()
    assert len(log.segments[-1].edge_ticks["wheel"]) > 2
    marks = {mark.key: mark.value for mark in log.segments[-1].marks}
    assert marks == {"hz": "45", "gear": "high", "cut": "start"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signal_to_end_leaves_a_whole_log(
    terminal: Callable[..., Terminal], tmp_path: Path, number: signal.Signals
) -> None:
    watch = terminal("--log", "run.csv")
    watch.wait_for("log run.csv", "turning")
    watch.process.kill(number)
    assert watch.end() == 0
    assert read_log(tmp_path / "run.csv").warnings == ()  # a log that was not ended would have one


def test_terminal_is_given_back(terminal: Callable[..., Terminal]) -> None:
    watch = terminal("--unit", "ft/min")
    text = watch.wait_for("turning")
    assert text.index("ft/min") < text.index("m/min", text.index("ft/min") + 6)
    watch.process.send("q")
    assert watch.end() == 0


def test_errors_sent_elsewhere_get_no_screen(tmp_path: Path) -> None:
    words = f"exec '{COMMAND[0]}' {' '.join(COMMAND[1:])} 2>errors.txt"
    process = pexpect.spawn("sh", ["-c", words], cwd=str(tmp_path), env={**os.environ, "TERM": "xterm"})
    try:
        process.expect(r"m/min  .* ft/min  waiting for the first turn", timeout=PATIENCE_S)
        process.sendintr()
        process.expect(pexpect.EOF, timeout=PATIENCE_S)
    finally:
        process.close(force=True)
    assert process.exitstatus == 0
    errors = (tmp_path / "errors.txt").read_text()
    assert "never reach in because of what it shows.\n" in errors
    assert "\x1b" not in errors
