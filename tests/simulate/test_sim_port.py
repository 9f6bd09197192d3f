"""Does `sim://` behave like a serial port?"""

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
import serial

from kerfbeat.capture import messages, wire
from kerfbeat.capture.events import LinkDown, LinkUp, Lost, Pulses, SegmentStarted
from kerfbeat.capture.link import BoardLink
from kerfbeat.errors import KerfbeatError, SimulateError
from kerfbeat.machine import Machine, demo_text
from kerfbeat.simulate.port import register

LONG_S = 20.0  # more than anything here takes; nothing asserts how fast it was


@pytest.fixture(autouse=True)
def _registered() -> None:
    register()


@pytest.fixture
def opened() -> Iterator[Callable[..., serial.SerialBase]]:
    ports = []

    def make(url: str, **options: float) -> serial.SerialBase:
        ports.append(serial.serial_for_url(url, **options))
        return ports[-1]

    yield make
    for port in ports:
        port.close()


def frames_until(port: serial.SerialBase, wanted: Callable[[list[wire.Frame]], bool]) -> list[wire.Frame]:
    """Read until the frames are enough."""
    decoder, found = wire.Decoder(), []
    end_s = time.monotonic() + LONG_S
    while not wanted(found):
        assert time.monotonic() < end_s, "nothing more came"
        found += decoder.feed(port.read(max(1, port.in_waiting)))
    return found


def batches_of(frames: list[wire.Frame]) -> list[messages.Batch]:
    return [frame.message for frame in frames if isinstance(frame.message, messages.Batch)]


def test_registering_twice_is_registering_once() -> None:
    register()
    assert serial.protocol_handler_packages.count("kerfbeat.simulate") == 1


def test_hello_then_a_stream_after_asking(opened: Callable[..., serial.SerialBase]) -> None:
    port = opened("sim://steady?seed=2", timeout=0.05)
    frames = frames_until(port, bool)
    assert isinstance(frames[0].message, messages.Hello)
    port.write(wire.encode_message(messages.Stream(on=True), 9))
    frames = frames_until(port, lambda found: len(batches_of(found)) >= 5)
    assert any(isinstance(f.message, messages.Result) and f.message.asked == 9 for f in frames)
    port.write(wire.encode_message(messages.Stream(on=False), 10))
    frames = frames_until(port, lambda found: any(isinstance(f.message, messages.Result) for f in found))
    frames = frames_until(port, lambda found: any(isinstance(f.message, messages.Status) for f in found))
    assert not batches_of(frames)


def test_one_address_gives_one_run_to_the_tick(opened: Callable[..., serial.SerialBase]) -> None:
    def motor_ticks() -> list[int]:
        port = opened("sim://steady?seed=4&clock_ppm=0", timeout=0.05)
        frames_until(port, bool)
        port.write(wire.encode_message(messages.Stream(on=True), 1))
        frames = frames_until(port, lambda found: len(batches_of(found)) >= 20)
        return [tick for batch in batches_of(frames) for tick in batch.edge_ticks[1]]

    first, second = motor_ticks(), motor_ticks()
    begin, end = max(first[0], second[0]), min(first[-1], second[-1])  # both listened in this time
    common = [tick for tick in first if begin <= tick <= end]
    assert common == [tick for tick in second if begin <= tick <= end]
    assert len(common) >= 5


def test_a_read_waits_as_long_as_it_is_told(opened: Callable[..., serial.SerialBase]) -> None:
    port = opened("sim://steady", timeout=0)
    assert port.read(1000) == b""  # the board is still starting
    port.timeout = 0.6
    start_s = time.monotonic()
    first = port.read(1)
    assert first  # the first byte of hello: not waited for the whole time-out
    rest = port.read(100_000)
    assert len(rest) > 10
    assert time.monotonic() - start_s >= 0.6  # for so many bytes it waited to the end
    port.timeout = None
    assert len(port.read(3)) == 3


def test_a_waiting_read_can_be_cancelled(opened: Callable[..., serial.SerialBase]) -> None:
    port = opened("sim://steady", timeout=None)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(port.read(10**6)))
    reader.start()
    port.cancel_read()
    reader.join(LONG_S)
    assert not reader.is_alive()
    assert len(got) == 1


def test_closing_ends_a_waiting_read_and_a_closed_port_says_so(opened: Callable[..., serial.SerialBase]) -> None:
    port = opened("sim://steady", timeout=None)
    reader = threading.Thread(target=lambda: port.read(10**6))
    reader.start()
    time.sleep(0.05)
    port.close()
    reader.join(LONG_S)
    assert not reader.is_alive()
    for use in (lambda: port.read(1), lambda: port.write(b"x"), lambda: port.in_waiting, port.reset_input_buffer):
        with pytest.raises(serial.PortNotOpenError):
            use()
    port.open()
    assert port.is_open
    with pytest.raises(serial.SerialException, match="already open"):
        port.open()


def test_what_was_not_read_can_be_forgotten(opened: Callable[..., serial.SerialBase]) -> None:
    port = opened("sim://steady", timeout=LONG_S)
    assert port.read(1)
    port.reset_input_buffer()
    assert port.in_waiting == 0


@pytest.mark.parametrize(
    ("url", "message"),
    [
        ("sim://cuts", 'did you mean "cut"'),
        ("sim://steady?sped=2", "nothing called"),
        ("sim://steady?seed=x", "not a number"),
        ("sim://steady?speed=0", "speed: 0 cannot be"),
        ("sim://steady?machine=/nowhere/saw.toml", "no such file"),
        ("sim://steady?gear=third", "gear"),
        ("sim://steady?jitter=1kg", "not a time"),
    ],
)
def test_a_wrong_address_is_told_with_what_would_be_right(url: str, message: str) -> None:
    with pytest.raises(KerfbeatError, match=message) as told:
        serial.serial_for_url(url)
    assert isinstance(told.value, SimulateError)
    assert str(told.value).startswith(url)


def test_a_machine_file_of_ones_own(
    opened: Callable[..., serial.SerialBase], wheel_only: Machine, tmp_path: Path
) -> None:
    path = tmp_path / "my saw.toml"
    path.write_text(wheel_only.text, encoding="utf-8")
    port = opened(f"sim://steady?machine={path.as_posix().replace(' ', '%20')}&hz=5", timeout=0.05)
    frames_until(port, bool)
    port.write(wire.encode_message(messages.Stream(on=True), 1))
    frames = frames_until(port, lambda found: sum(len(b.edge_ticks[0]) for b in batches_of(found)) > 8)
    assert not any(batch.edge_ticks[1] or batch.edge_ticks[2] for batch in batches_of(frames))


def test_what_really_stands_there_can_differ(opened: Callable[..., serial.SerialBase], tmp_path: Path) -> None:
    path = tmp_path / "real.toml"
    path.write_text(demo_text("saw").replace("targets = 4", "targets = 40"), encoding="utf-8")
    port = opened(f"sim://steady?gear=high&real_machine={quote(str(path))}", timeout=0.05)
    frames_until(port, bool)
    port.write(wire.encode_message(messages.Stream(on=True), 1))
    frames = frames_until(port, lambda found: sum(len(b.edge_ticks[0]) for b in batches_of(found)) > 30)
    batches = batches_of(frames)
    seconds = (batches[-1].complete_ticks - batches[0].base_ticks) / 16e6
    wheel_hz = 1500 / 60 / 26
    assert sum(len(b.edge_ticks[0]) for b in batches) / seconds == pytest.approx(40 * wheel_hz, rel=0.1)


def take(link: BoardLink, enough: Callable[[list[object]], bool]) -> list[object]:
    events: list[object] = []
    end_s = time.monotonic() + LONG_S
    while not enough(events):
        assert time.monotonic() < end_s, f"only {events}"
        events += link.events(0.2)
    return events


def test_a_link_hears_one_segment_and_loses_nothing(saw: Machine) -> None:
    with BoardLink("sim://steady?seed=1", sensors=saw.sensors) as link:
        events = take(link, lambda found: sum(isinstance(e, Pulses) for e in found) > 15)
    assert sum(isinstance(event, SegmentStarted) for event in events) == 1
    assert not any(isinstance(event, Lost) for event in events)
    motor = [tick for e in events if isinstance(e, Pulses) for tick in e.edge_ticks["motor"].tolist()]
    assert len(motor) > 5
    gaps = [after - before for before, after in itertools.pairwise(motor)]
    assert max(gaps) == pytest.approx(min(gaps), rel=1e-3)  # steady running: no pulse is missing between


def test_the_plug_is_pulled_and_put_back(saw: Machine) -> None:
    with BoardLink("sim://steady?seed=1&unplug_at=1.5&unplug_s=0.7", sensors=saw.sensors) as link:
        events = take(link, lambda found: sum(isinstance(e, SegmentStarted) for e in found) >= 2)
    kinds = [type(event) for event in events]
    assert kinds.count(LinkUp) == 2
    assert LinkDown in kinds
    assert kinds.index(LinkDown) < len(kinds) - 1 - kinds[::-1].index(SegmentStarted)
    later = [event for event in events if isinstance(event, SegmentStarted)][1]
    assert "reset" in later.cause
