"""How does long work talk with the person who waits for it?"""

import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from kerfbeat.cli._echo import echo, echo_over
from kerfbeat.present.text import harmless

if TYPE_CHECKING:
    from kerfbeat.present.snapshot import Snapshot

__all__ = ["Progress", "count_progress", "file_progress", "span_progress", "time_progress", "typed_lines"]

ON_TERMINAL_S = 0.5
IN_FILE_S = 10.0
MARK_HERE = "   mark: "  # what is typed stands behind it, on the line of the progress
PATIENCE_S = 1.0  # work that is done sooner needs no progress


class Progress:
    """Progress on standard error: one line that is written over on a terminal, a line now and then elsewhere."""

    def __init__(self, unit: str, *, quiet: bool) -> None:
        self._unit = unit
        self._quiet = quiet
        self._terminal = sys.stderr.isatty()
        self._last_s = float("-inf")
        self._open = False

    def show(self, now: "Snapshot") -> None:
        """Show how far it is, if it is time."""
        if self._quiet or now.at_s - self._last_s < (ON_TERMINAL_S if self._terminal else IN_FILE_S):
            return
        from kerfbeat.present.recording import progress_line

        self._last_s = now.at_s
        line = progress_line(now, self._unit)
        if self._terminal:
            echo_over(f"{line}{MARK_HERE}")
            self._open = True
        else:
            echo(line, err=True)

    def say(self, text: str) -> None:
        """Tell something in a line of its own."""
        self.end()
        echo(text, err=True)

    def end(self) -> None:
        """Leave the line that is written over."""
        if self._open:
            echo("", err=True)
            self._open = False


def typed_lines() -> Callable[[], list[str]]:
    """Read standard input in the background; the function returned gives the lines typed since it was last called."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    source = sys.stdin

    def read() -> None:
        try:
            for line in source:
                lines.put(line)
        except (OSError, ValueError):
            return  # closed, or not text: then there are no marks from there

    threading.Thread(target=read, name="typed lines", daemon=True).start()

    def take() -> list[str]:
        taken = []
        while not lines.empty():
            taken.append(lines.get())
        return taken

    return take


@contextmanager
def file_progress(name: str) -> Iterator[Callable[[int, int], None]]:
    """Give a function that shows how much of a file is done; shown only if it takes long."""
    with _written_over() as write:
        yield lambda done, whole: write(f"{harmless(name)}: {100 * done // max(whole, 1)} %")


@contextmanager
def count_progress(what: str, whole: int) -> Iterator[Callable[[int], None]]:
    """Give a function that shows how many of so many are done; shown only if it takes long."""
    with _written_over() as write:
        yield lambda done: write(f"{done} of {whole} {what}")


@contextmanager
def span_progress(what: str) -> Iterator[Callable[[float, float], None]]:
    """Give a function that shows how many of how many seconds are done; shown only if it takes long."""
    with _written_over() as write:
        yield lambda done_s, whole_s: write(f"{what}: {done_s:.0f} of {whole_s:.0f} s")


@contextmanager
def time_progress(what: str, whole_s: float) -> Iterator[Callable[[float], None]]:
    """Give a function that shows how many of so many seconds are over; shown only if it takes long."""
    with span_progress(what) as show:
        yield lambda done_s: show(done_s, whole_s)


@contextmanager
def _written_over() -> Iterator[Callable[[str], None]]:
    """Give a function that writes one line over and over, now and then and on a terminal only."""
    due_s = time.monotonic() + PATIENCE_S
    written = False

    def write(text: str) -> None:
        nonlocal due_s, written
        now_s = time.monotonic()
        if sys.stderr.isatty() and now_s >= due_s:
            due_s = now_s + ON_TERMINAL_S
            written = True
            echo_over(text)

    try:
        yield write
    finally:
        if written:
            echo_over("")
