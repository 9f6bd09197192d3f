"""How is the speed shown on a whole terminal, and which keys does it take?

The screen asks the feed for a snapshot four to five times a second and repaints only the parts whose text changed.
"""

import asyncio
import contextlib
import signal
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input

from kerfbeat.errors import KerfbeatError
from kerfbeat.machine import belt_choices, gear_choices
from kerfbeat.present import panels
from kerfbeat.present.feed import Feed
from kerfbeat.present.layout import PARTS, part_heights
from kerfbeat.present.listen import Listener, Take
from kerfbeat.present.numbers import other_unit
from kerfbeat.present.panel import Panel
from kerfbeat.present.question import Question
from kerfbeat.present.readout import SILENT_WORDS, Readout
from kerfbeat.present.snapshot import CAUTION, SHORT_CAUTION

__all__ = ["LiveScreen", "show_live"]

REFRESH_S = 0.22  # 4.5 a second: quick to the eye, and the digits can still be read
SLOW_S = 0.85  # between looks at what is read, not glanced at: sensors, band, trend, link
SPANS_S = (120.0, 300.0, 900.0)  # of the trend
HANG_UP = ("SIGINT", "SIGTERM", "SIGHUP")


class LiveScreen(App[None]):
    """The live reading with its keys.

    feed : what is shown and marked; somebody else feeds it, in a thread of their own.
    log_name : proposes the name of a new log.
    failed : gives the error that ended the reading, None as long as it goes on.
    fault : what went wrong while showing; the screen has then been left.
    """

    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None  # the line for answers is hidden until asked for, and must not swallow the keys
    CSS = """
    Screen { background: #15181b; color: #d9dee2; }
    Panel { width: 100%; height: 1; }
    #head { background: #2a3036; }
    #prospect { height: 2; }
    #keys { background: #2a3036; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h", "ask_hz"),
        Binding("g", "ask_gear"),
        Binding("b", "ask_belt"),
        Binding("c", "cut"),
        Binding("n", "ask_note"),
        Binding("l", "log"),
        Binding("u", "unit"),
        Binding("t", "span"),
        Binding("q,ctrl+q", "leave"),
        Binding("ctrl+c", "leave", priority=True),
        Binding("escape", "close_question"),
    ]

    def __init__(
        self, feed: Feed, *, unit: str, log_name: Callable[[], str], failed: Callable[[], BaseException | None]
    ) -> None:
        super().__init__()
        self._feed = feed
        self._unit = unit
        self._log_name = log_name
        self._failed = failed
        self.fault: Exception | None = None
        self._span_s = SPANS_S[1]
        self._readout = Readout()
        self._heights: dict[str, int] = {}
        self._slow_s = 0.0
        self._silent = False
        self._parts = {name: Panel(name) for name in (*PARTS, "keys")}
        self._question = Question()

    def compose(self) -> ComposeResult:
        """Make the parts, top to bottom."""
        for name in PARTS:
            yield self._parts[name]
        yield self._question
        yield self._parts["keys"]

    def on_mount(self) -> None:
        """Start the clock of the screen; a signal to end ends it like the key."""
        self.set_interval(REFRESH_S, self._look)
        loop = asyncio.get_running_loop()
        for name in HANG_UP:
            # Windows has no such handlers; there Ctrl-C arrives as a key.
            with contextlib.suppress(NotImplementedError, AttributeError, RuntimeError):
                loop.add_signal_handler(getattr(signal, name), self.exit)
        self.show_now()

    def on_resize(self, _event: events.Resize) -> None:
        """Fit the parts to the new size at once."""
        self.show_now()

    def _look(self) -> None:
        self.show_now(everything=False)

    def show_now(self, *, everything: bool = True) -> None:
        """Bring the reading up to date, and the slow parts if they are due or wanted; leave if it has ended."""
        if self._failed() is not None:
            self.exit()
            return
        try:
            self._show_snapshot(everything=everything)
        except Exception as error:  # noqa: BLE001  told in one line by whoever runs the screen, not as a traceback
            self.fault = error
            self.exit()

    def _show_snapshot(self, *, everything: bool) -> None:
        now = self._feed.snapshot()
        columns, rows = self.size.width, self.size.height
        if columns < 1 or rows < 1:
            return
        silent = now.blade.state in SILENT_WORDS
        state, health = (
            panels.state(now, self._unit, columns=columns, asked=self._question.choices),
            panels.health(now, columns=columns),
        )
        heights = part_heights(
            rows, sensors=len(now.channels), silent=silent, alarm=bool(now.slips or now.gone),
            state=len(state.split("\n")),
            health=len(health.split("\n")),
        )  # fmt: skip
        for name, height in heights.items():
            part = self._parts[name]
            part.display = height > 0
            if height > 0 and height != self._heights.get(name):
                part.styles.height = height
                self._heights[name] = height
        show = self._show
        show("readout", self._readout.text(now, self._unit, columns=columns, rows=heights["readout"]))
        if heights["alarm"]:
            show("alarm", panels.alarm(now, columns=columns, rows=heights["alarm"]))
        show("state", state)
        if not everything and silent == self._silent and now.at_s - self._slow_s < SLOW_S:
            return
        self._silent, self._slow_s = silent, now.at_s
        show("head", panels.head(now, columns=columns))
        show("sensors", panels.sensors(now, columns=columns))
        show("health", health)
        caution = CAUTION if columns >= len(CAUTION) + 2 else SHORT_CAUTION
        show("caution", Text(f"  {caution}", style="italic", no_wrap=True))
        show("keys", self._keys(cutting=now.cutting, logging=now.log is not None, columns=columns))
        if heights["prospect"]:
            show("prospect", panels.prospect(now, self._unit, columns=columns))
        if heights["trend"]:
            times_s, speeds = self._feed.trend()
            show(
                "trend",
                panels.speed_trend(
                    times_s,
                    speeds,
                    now_s=now.at_s,
                    span_s=self._span_s,
                    unit=self._unit,
                    columns=columns,
                    rows=heights["trend"],
                ),
            )

    def _show(self, name: str, text: Text) -> None:
        self._parts[name].show(text)

    def _keys(self, *, cutting: bool, logging: bool, columns: int) -> Text:
        span = f"{SPANS_S[(SPANS_S.index(self._span_s) + 1) % len(SPANS_S)] / 60:g} min"
        keys = ["hertz"]
        keys += ["gear"] if gear_choices(self._feed.machine) else []
        keys += ["belt"] if belt_choices(self._feed.machine) else []
        keys += ["cut ends" if cutting else "cut begins", "note", "log ends" if logging else "log"]
        keys += [f"unit {other_unit(self._unit)}", f"trend {span}", "quit"]
        if sum(len(key) + 2 for key in keys) > columns:
            keys = [key.split()[0] for key in keys]
        text = Text(no_wrap=True)
        for key in keys:
            text.append(" ").append(key[0], style="bold reverse").append(f"{key[1:]} ")
        return text

    def action_unit(self) -> None:
        """Put the other unit first."""
        self._unit = other_unit(self._unit)
        self.show_now()

    def action_span(self) -> None:
        """Show the next longer stretch of the trend."""
        self._span_s = SPANS_S[(SPANS_S.index(self._span_s) + 1) % len(SPANS_S)]
        self.show_now()

    def action_leave(self) -> None:
        """End."""
        self.exit()

    def action_cut(self) -> None:
        """Mark the start or the end of a cut."""
        self._try(lambda: self._feed.mark_cut(not self._feed.cutting))

    def action_log(self) -> None:
        """Begin a log, or end the running one."""
        if self._feed.logging:
            self._try(self._feed.end_log)
        else:
            self._ask("name of the log:", self._begin_log, given=self._log_name())

    def _begin_log(self, name: str) -> None:
        if name:
            self._feed.begin_log(Path(name))

    def action_ask_hz(self) -> None:
        """Ask for the frequency on the inverter's display."""
        self._ask("hertz on the inverter:", self._feed.set_hz)

    def action_ask_gear(self) -> None:
        """Ask for the gear."""
        self._ask_choice("gear", gear_choices(self._feed.machine), self._feed.set_gear)

    def action_ask_belt(self) -> None:
        """Ask for the belt position."""
        self._ask_choice("belt", belt_choices(self._feed.machine), self._feed.set_belt)

    def action_ask_note(self) -> None:
        """Ask for a line of text to keep in the log."""
        self._ask("note:", self._feed.note)

    def _ask_choice(self, what: str, choices: Sequence[str], take: Callable[[str], None]) -> None:
        if choices:
            self._question.ask_choice(what, choices, take)
            self._parts["keys"].display = False
            self.show_now()

    def _ask(self, question: str, take: Callable[[str], None], *, given: str = "") -> None:
        """Ask in the line at the foot; Enter hands the answer to `take`, Escape drops it."""
        self._question.ask(question, take, given=given)
        self._parts["keys"].display = False

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the answer on; a wrong one is told in the notice, and nothing changes."""
        take, answer = self._close_question(), event.value.strip()
        if take is not None and answer:
            self._try(lambda: take(answer))
        else:
            self.show_now()

    def _try(self, act: Callable[[], object]) -> None:
        """Do what the user asked; what cannot be done is told in the notice, and the reading goes on."""
        self._feed.tell("")  # what was told of the time before is over
        try:
            act()
        except (KerfbeatError, OSError) as error:
            self._feed.tell(str(error))
        self.show_now()

    def _close_question(self) -> Callable[[str], object] | None:
        self._parts["keys"].display = True
        return self._question.close()

    def action_close_question(self) -> None:
        """Close the line for an answer; what could be chosen goes with it."""
        self._close_question()
        self.show_now()


def show_live(feed: Feed, take: Take, *, unit: str, log_stem: str) -> None:
    """Run the screen until the user leaves it, while a thread takes the events.

    log_stem : how the names of new logs begin.
    Raises what ended the reading early.
    """
    with Listener(feed, take) as listener:
        screen = LiveScreen(
            feed,
            unit=unit,
            log_name=lambda: f"{log_stem}-{datetime.now().astimezone():%Y%m%d-%H%M%S}.csv",
            failed=lambda: listener.error,
        )
        screen.run()
    error = listener.error or screen.fault
    if error is not None:
        raise error
