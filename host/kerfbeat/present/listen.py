"""Who hands the link's events to the feed, and what happens when that fails?"""

import threading
from collections.abc import Callable, Iterable

from kerfbeat.capture.events import Event
from kerfbeat.errors import LogError
from kerfbeat.present.feed import Feed

__all__ = ["Listener", "Take", "pass_on"]

Take = Callable[[float], Iterable[Event]]  # waits at most so many seconds for a first event
TAKE_S = 0.1
GATHER_S = 0.06  # a few batches together: the screen looks up four to five times a second only


def pass_on(feed: Feed, events: Iterable[Event]) -> None:
    """Hand events on; a log that the disk does not take is told and tried again, and the reading goes on."""
    for event in events:
        try:
            feed.accept(event)
        except LogError as error:
            feed.tell(str(error))


class Listener:
    """Takes events in a thread of its own until stopped; `error` is what ended it early."""

    def __init__(self, feed: Feed, take: Take) -> None:
        self.error: BaseException | None = None
        self._feed = feed
        self._take = take
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)

    def __enter__(self) -> "Listener":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            while not self._stopped.wait(GATHER_S):
                pass_on(self._feed, self._take(TAKE_S))
            pass_on(self._feed, self._take(0.0))  # what a busy computer has not come to yet belongs to a running log
        except Exception as error:  # noqa: BLE001  handed to the thread that shows, not lost with this one
            self.error = error
