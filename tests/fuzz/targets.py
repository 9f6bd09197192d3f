"""What is fed to which reader, and what may it do with it?

Each target takes any bytes.  A reader may refuse them in one line; it may not raise anything else, grow without bound,
or take in what contradicts itself.
"""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from kerfbeat.calibration.store import calibration_text, parse_calibration
from kerfbeat.capture import messages, wire
from kerfbeat.capture.events import Pulses, SegmentStarted
from kerfbeat.capture.importers import import_pulses
from kerfbeat.capture.log import read_log
from kerfbeat.capture.stream import Stream
from kerfbeat.errors import KerfbeatError
from kerfbeat.machine import Setting, demo_machine, parse_machine

__all__ = ["TARGETS"]

HELLO = messages.Hello(
    firmware=(1, 0, 0), board_kind=1, board_id=7, tick_hz=16_000_000, reset_cause=1, ticks=0, config_generation=0,
    asked=1,
)  # fmt: skip
SCRATCH = Path(tempfile.gettempdir()) / f"kerfbeat-fuzz-{os.getpid()}"


def _refused(error: KerfbeatError) -> None:
    said = str(error)
    assert said, "an error says nothing"
    assert "\n" not in said, f"an error of more than one line: {said!r}"


def decoder(data: bytes) -> None:
    """The line: bytes whole and in pieces give the same frames, and no pulse goes back in time."""
    whole, pieces = wire.Decoder(), wire.Decoder()
    frames = whole.feed(data)
    assert [f for at in range(0, len(data), 5) for f in pieces.feed(data[at : at + 5])] == frames
    assert len(pieces._unfinished) <= wire.STUFFED_MAX
    stream = Stream({0: "wheel", 1: "motor", 2: "blade"})
    stream.take(wire.Frame(0, HELLO), 0.0, whole)
    stream.up(0.0, url="here", baud=None)
    last = dict.fromkeys(("wheel", "motor", "blade"), -1)
    for number, frame in enumerate(frames):
        for event in stream.take(frame, 0.01 * number, whole):
            if isinstance(event, SegmentStarted):
                last = dict.fromkeys(last, -1)
            elif isinstance(event, Pulses):
                for channel, ticks in event.edge_ticks.items():
                    if len(ticks):
                        assert ticks[0] > last[channel]
                        assert (np.diff(ticks) > 0).all()
                        last[channel] = int(ticks[-1])


def log(data: bytes) -> None:
    """A log: what is read has increasing ticks; what is not is refused in one line."""
    SCRATCH.write_bytes(data)
    try:
        read = read_log(SCRATCH)
    except KerfbeatError as error:
        _refused(error)
        return
    finally:
        SCRATCH.unlink()
    for segment in read.segments:
        for ticks in segment.edge_ticks.values():
            assert (np.diff(ticks) > 0).all()


def machine(data: bytes) -> None:
    """A machine file: what is read reads the same again from its own text."""
    try:
        read = parse_machine(data.decode("utf-8", "replace"))
    except KerfbeatError as error:
        _refused(error)
        return
    assert parse_machine(read.text) == read


def calibration(data: bytes) -> None:
    """A calibration file: what is read is written and read again without change."""
    try:
        read = parse_calibration(data.decode("utf-8", "replace"))
    except KerfbeatError as error:
        _refused(error)
        return
    assert parse_calibration(calibration_text(read)) == read


def pulses(data: bytes) -> None:
    """Another logger's CSV: imported or refused in one line."""
    source, out = SCRATCH.with_suffix(".csv"), SCRATCH.with_suffix(".log")
    source.write_bytes(data)
    try:
        import_pulses(source, out, machine=demo_machine("saw"), setting=Setting(hz=50.0, gear="low"))
        read_log(out)
    except KerfbeatError as error:
        _refused(error)
    finally:
        source.unlink()
        out.unlink(missing_ok=True)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "decoder": decoder,
    "log": log,
    "machine": machine,
    "calibration": calibration,
    "pulses": pulses,
}
