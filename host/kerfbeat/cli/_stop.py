"""How does the user end a command that would go on for ever?

Ctrl-C and a request to terminate set a flag, so that the command leaves its loop at a place where nothing is half
done; a second Ctrl-C ends it at once.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["stop_on_signal"]

ENDING = ("SIGINT", "SIGTERM", "SIGHUP")  # those that this system knows


@contextmanager
def stop_on_signal() -> Iterator[threading.Event]:
    """Give an event that a signal to end sets; the handlers before are put back afterwards."""
    stopped = threading.Event()

    def stop(number: int, _frame: FrameType | None) -> None:
        if stopped.is_set():
            raise KeyboardInterrupt
        stopped.set()

    known = [getattr(signal, name) for name in ENDING if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        yield stopped
        return
    before = {number: signal.signal(number, stop) for number in known}
    try:
        yield stopped
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
