"""Which moments does the live reading have to show, and when does a page of paper keep its texts apart?"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from kerfbeat.calibration import Known
from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.machine import Setting, demo_machine
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.feed import Feed
from kerfbeat.present.snapshot import (
    BladeNow,
    ChannelNow,
    ClockNow,
    LinkNow,
    LogNow,
    MotorNow,
    Prospect,
    Snapshot,
)

READING = ("turning", "speeding up", "slowing down")


@pytest.fixture
def moment() -> Callable[..., Snapshot]:
    """Makes a snapshot of the demo saw in the given state; more fields by keyword."""

    def make(state: str = "turning", **fields: object) -> Snapshot:
        reads = state in READING
        blade = BladeNow(
            channel="wheel",
            state=state,
            speed_m_per_s=Estimate(value=1.3556, u95=0.002) if reads else None,
            slower_than_m_per_s=0.21 if state in ("no pulses", "silent") else None,
            acceleration_m_per_s2=0.05 if reads else None,
            silent_s=None if reads or state == "waiting" else 3.4,
        )
        wheel = ChannelNow(
            channel="wheel",
            targets=4,
            state=state,
            shaft_hz=Estimate(value=1.306, u95=0.0003) if reads else None,
            slower_than_hz=0.2,
            silent_s=blade.silent_s,
            pulses=12345,
            missing=2,
            extra=0,
            lost=17,
            lost_stretches=0,
        )
        motor_hz = Estimate(value=21.78, u95=0.004)
        motor = replace(wheel, channel="motor", targets=1, state="turning", shaft_hz=motor_hz, missing=0, lost=0)
        now = Snapshot(
            at_s=100.0,
            estimates=5,
            machine=demo_machine("saw"),
            setting=Setting(hz=45.0, gear="low"),
            cutting=False,
            blade=blade,
            channels=(wheel, motor),
            motor=MotorNow(slip_hz=Estimate(value=0.72, u95=0.06), slip_percent=3.2),
            prospect=Prospect(low_m_per_s=1.32, high_m_per_s=1.41),
            link=LinkNow(up=state != "no link", words="/dev/ttyUSB0 went away", silent_s=0.0),
            clock=ClockNow(off_ppm=Estimate(value=-310.0, u95=22.0)),
        )
        return replace(now, **fields)  # type: ignore[arg-type]

    return make


@pytest.fixture
def running_log() -> LogNow:
    """A log two minutes in."""
    return LogNow(path=Path("saw-3.csv"), seconds=134.0, pulses=12345, marks=2)


TICK_HZ = 16e6
BATCH_S = 0.1
WHEEL_HZ = 1.25
MOTOR_HZ = 22.0
START_TICKS = 5_000_000


class Board:
    """Turns evenly and sends a batch each 0.1 s on a clock that the test winds on."""

    def __init__(self, feed_machine: str = "saw", known: Known | None = None) -> None:
        self.now_s = 1000.0
        self.machine = demo_machine(feed_machine)
        self.feed = Feed(self.machine, known=known, clock=lambda: self.now_s)
        self.ticks = START_TICKS
        self.turns = dict.fromkeys(self.machine.sensors, 0.0)

    def start(self, cause: str = "recording began") -> None:
        self.feed.accept(
            SegmentStarted(
                board_id="0000BEA7",
                firmware="1.0.0",
                tick_hz=TICK_HZ,
                cause=cause,
                start_ticks=self.ticks,
                start_utc=datetime.now(UTC),
            )
        )

    def run(self, seconds: float, *, wheel_hz: float = WHEEL_HZ, motor_hz: float = MOTOR_HZ) -> Snapshot:
        for batch in self.batches(seconds, wheel_hz=wheel_hz, motor_hz=motor_hz):
            self.feed.accept(batch)
        return self.feed.snapshot()

    def batches(
        self, seconds: float, *, wheel_hz: float = WHEEL_HZ, motor_hz: float = MOTOR_HZ
    ) -> Iterator[Pulses]:
        """What the board sends meanwhile; the clock goes on with it."""
        speeds = {"wheel": wheel_hz, "motor": motor_hz, "blade": wheel_hz * 0.33 * np.pi / 2.75}
        for _ in range(round(seconds / BATCH_S)):
            edges = {}
            for channel, sensor in self.machine.sensors.items():
                before = self.turns[channel] * sensor.targets
                after = before + speeds[channel] * sensor.targets * BATCH_S
                numbers = np.arange(np.floor(before) + 1, np.floor(after) + 1)
                share = (numbers - before) / max(after - before, 1e-12)
                edges[channel] = self.ticks + np.round(share * BATCH_S * TICK_HZ).astype(np.int64)
                self.turns[channel] = after / sensor.targets
            self.ticks += int(BATCH_S * TICK_HZ)
            self.now_s += BATCH_S
            yield Pulses(edge_ticks=edges, complete_ticks=self.ticks, received_host_s=self.now_s)


@pytest.fixture
def board() -> Iterator[Board]:
    board = Board()
    yield board
    board.feed.end_log()


Box = tuple[float, float, float, float]


def text_boxes(figure: Figure) -> list[tuple[str, Box]]:
    """Extents in pixels of every text that is really drawn, slanted ones left out."""
    canvas = FigureCanvasAgg(figure)
    drawn: list[Text] = []
    draw = Text.draw

    def record(text: Text, renderer: Any, *more: Any, **named: Any) -> None:
        drawn.append(text)
        draw(text, renderer, *more, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", record)
        canvas.draw()
    renderer = canvas.get_renderer()
    found = []
    for text in drawn:
        if text.get_visible() and text.get_text().strip() and text.get_rotation() % 90.0 == 0.0:
            box = text.get_window_extent(renderer)
            found.append((text.get_text(), (box.x0, box.y0, box.x1, box.y1)))
    return found


@pytest.fixture(name="assert_apart")
def _assert_apart() -> Callable[[list[Figure]], None]:
    """Asserts of figures that no text lies on another or off the page."""
    return assert_apart


def assert_apart(figures: list[Figure]) -> None:
    assert figures
    for figure in figures:
        boxes = text_boxes(figure)
        assert len(boxes) > 5
        width, height = figure.get_size_inches() * figure.dpi
        for words, (x0, y0, x1, y1) in boxes:
            assert x0 > 0.0, words
            assert y0 > 0.0, words
            assert x1 < width, words
            assert y1 < height, words
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            across = min(a[2], b[2]) - max(a[0], b[0])
            along = min(a[3], b[3]) - max(a[1], b[1])
            assert across < 1.5 or along < 1.5, f"{one!r} lies on {other!r}"
