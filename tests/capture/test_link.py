"""Does a link keep every pulse, or say which it lost, whatever happens to the line?"""

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from kerfbeat.capture import messages, wire, wire_numbers
from kerfbeat.capture.events import Event, Health, LinkDown, LinkUp, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import LogWriter, read_log
from kerfbeat.machine import Sensor, demo_machine

Served = Any  # the fixtures' own class, see conftest.py
Opener = Callable[..., BoardLink]

SENSORS = {
    "wheel": Sensor(channel="wheel", targets=4, input=1),
    "motor": Sensor(channel="motor", targets=1, input=2),
}
LONG_ENOUGH_S = 30.0  # a limit for a loaded machine, not a claim


@pytest.fixture
def open_link() -> Iterator[Opener]:
    links: list[BoardLink] = []

    def open_one(url: str, **options: object) -> BoardLink:
        links.append(BoardLink(url, sensors=SENSORS, **options))
        return links[-1]

    yield open_one
    for link in links:
        link.close()


def collect(link: BoardLink, until: Callable[[list[Event]], bool]) -> list[Event]:
    """Events until `until` says that they are enough."""
    events: list[Event] = []
    end_s = time.monotonic() + LONG_ENOUGH_S
    while not until(events):
        assert time.monotonic() < end_s, f"waited in vain; came: {[type(e).__name__ for e in events][-20:]}"
        events += link.events(0.1)
    return events


def of(kind: type, events: list[Event]) -> list:
    return [event for event in events if isinstance(event, kind)]


def edges(events: list[Event], channel: str = "wheel") -> list[int]:
    return [tick for event in of(Pulses, events) for tick in event.edge_ticks[channel].tolist()]


def enough_pulses(count: int) -> Callable[[list[Event]], bool]:
    return lambda events: len(edges(events)) >= count


def assert_whole(ticks: list[int], period: int) -> None:
    """Every edge of the board from the first to the last, to the tick."""
    assert ticks == list(range(ticks[0], ticks[-1] + 1, period))
    assert ticks[0] % period == 0


def test_every_edge_arrives_to_the_tick(served: Served, open_link: Opener) -> None:
    link = open_link(served.url)
    events = collect(link, lambda events: len(edges(events)) >= 300 and len(of(Sync, events)) >= 15)
    link.close()
    events += link.events(0)
    assert [type(event) for event in events if not isinstance(event, Health)][:2] == [LinkUp, SegmentStarted]
    assert events[0].board_id == "FA4EB0A2"
    assert link.hello.firmware == (1, 2, 3)
    assert_whole(edges(events, "wheel"), 80_000)
    assert_whole(edges(events, "motor"), 1_600_000)
    assert of(Lost, events) == []
    assert of(Health, events)
    counts = link.line_counts
    assert (counts.bad_crc, counts.malformed, counts.implausible, counts.frames_missing) == (0, 0, 0, 0)


def test_closing_stops_the_stream(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    collect(link, enough_pulses(5))
    link.close()
    end_s = time.monotonic() + LONG_ENOUGH_S
    while on_socket.board.streaming:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    assert on_socket.board.requests[-1] == messages.Stream(on=False)


def test_round_trips_agree_with_the_clock_they_were_made_by(on_socket: Served, open_link: Opener) -> None:
    """The fake board counts the host's own clock, so that each exchange must enclose it."""
    link = open_link(on_socket.url)
    syncs = of(Sync, collect(link, lambda events: len(of(Sync, events)) >= 12))
    start_s = on_socket.board.started_s
    for sync in syncs:
        assert sync.sent_host_s <= start_s + (sync.ping_ticks + 1) / 16e6
        assert start_s + sync.answer_ticks / 16e6 <= sync.received_host_s


def test_what_is_recorded_is_what_came(served: Served, open_link: Opener, tmp_path: Path) -> None:
    link = open_link(served.url)
    events = collect(link, enough_pulses(100))
    with LogWriter(tmp_path / "a.log", machine=demo_machine("saw"), start_utc=datetime.now(UTC)) as writer:
        for event in events:
            writer.accept(event)
    (segment,) = read_log(tmp_path / "a.log").segments
    assert segment.edge_ticks["wheel"].tolist() == edges(events, "wheel")
    assert segment.edge_ticks["motor"].tolist() == edges(events, "motor")
    assert segment.syncs.ping_ticks.tolist() == [sync.ping_ticks for sync in of(Sync, events)]


def test_a_frame_lost_on_the_line_is_an_exact_loss(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    dropped: list[messages.Batch] = []

    def drop(message: messages.Message) -> bool:
        if isinstance(message, messages.Batch) and len(dropped) < 3 and message.edge_ticks[0]:
            dropped.append(message)
            return True
        return False

    events = collect(link, enough_pulses(50))
    on_socket.board.drop = drop
    events += collect(link, enough_pulses(50))
    came = edges(events)
    gone = [tick for message in dropped for tick in message.edge_ticks[0]]
    assert sorted(came + gone) == list(range(came[0], came[-1] + 1, 80_000))
    wheel = [event for event in of(Lost, events) if event.channel == "wheel"]
    assert sum(event.pulses for event in wheel) == len(gone)
    assert {event.cause for event in wheel} == {"frames lost"}
    assert all(any(each.start_ticks < tick <= each.end_ticks for each in wheel) for tick in gone)
    assert not any(each.start_ticks < tick <= each.end_ticks for each in wheel for tick in came)


def test_garbage_before_and_between_frames_costs_nothing(on_socket: Served, open_link: Opener) -> None:
    on_socket.board.garble = lambda data: b"\xffboot loader\x55\0" + data if data else b""
    link = open_link(on_socket.url)
    events = collect(link, enough_pulses(100))
    assert_whole(edges(events), 80_000)
    assert link.line_counts.noise_bytes > 0
    assert of(Lost, events) == []


def test_damaged_bytes_are_losses_and_never_wrong_ticks(on_socket: Served, open_link: Opener) -> None:
    turn = 0

    def garble(data: bytes) -> bytes:
        nonlocal turn
        turn += bool(data)
        if turn % 7 or not data:
            return data
        return data[: len(data) // 2] + bytes([data[len(data) // 2] ^ 0x10]) + data[len(data) // 2 + 1 :]

    link = open_link(on_socket.url)
    events = collect(link, enough_pulses(20))
    on_socket.board.garble = garble
    events += collect(link, enough_pulses(200))
    on_socket.board.garble = lambda data: data
    events += collect(link, enough_pulses(20))
    came = edges(events)
    assert all(tick % 80_000 == 0 for tick in came)
    assert came == sorted(set(came))
    lost = sum(event.pulses for event in of(Lost, events) if event.channel == "wheel")
    assert lost > 0
    assert len(came) + lost == (came[-1] - came[0]) // 80_000 + 1


def test_a_board_reset_is_a_new_segment(served: Served, open_link: Opener) -> None:
    link = open_link(served.url)
    events = collect(link, enough_pulses(20))
    served.board.reset(wire_numbers.RESET_WATCHDOG)
    after = collect(link, lambda events: len(of(SegmentStarted, events)) == 1 and len(edges(events)) >= 40)
    begun = next(k for k, event in enumerate(after) if isinstance(event, SegmentStarted))
    assert after[begun].cause == "board reset (watchdog)"
    assert {event.channel for event in of(Lost, after[:begun])} == {"wheel", "motor"}
    assert_whole(edges(events + after[:begun]), 80_000)
    assert_whole(edges(after[begun:]), 80_000)
    assert of(LinkDown, events + after) == []


def test_a_board_reset_whose_hello_is_lost_is_noticed_all_the_same(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    collect(link, enough_pulses(20))
    on_socket.board.drop = lambda message: isinstance(message, messages.Hello) and message.asked is None
    on_socket.board.reset(wire_numbers.RESET_POWER)
    after = collect(link, lambda events: len(of(SegmentStarted, events)) == 1 and len(edges(events)) >= 20)
    assert of(SegmentStarted, after)[0].cause == "board reset (power on)"


def test_unplug_and_replug_lose_exactly_what_fell_between(served: Served, open_link: Opener) -> None:
    """The board keeps its supply, so that its ticks go on."""
    link = open_link(served.url)
    events = collect(link, enough_pulses(20))
    served.unplug()
    events += collect(link, lambda events: bool(of(LinkDown, events)))
    told = of(LinkDown, events)[0].reason
    assert told.startswith(f"{served.url}: ")
    assert "start again what offers" in told if "://" in served.url else "plug it in again" in told
    assert "device" not in told  # the serial library's phrase
    time.sleep(0.3)
    served.replug()
    events += collect(link, lambda events: bool(of(LinkUp, events)) and len(edges(events)) >= 40)
    assert len(of(SegmentStarted, events)) == 1
    (lost,) = [event for event in of(Lost, events) if event.channel == "wheel"]
    assert lost.cause == "link down"
    came = edges(events)
    assert len(came) + lost.pulses == (came[-1] - came[0]) // 80_000 + 1
    assert not any(lost.start_ticks < tick <= lost.end_ticks for tick in came)


def test_unplug_and_replug_with_a_reset_begin_a_new_segment(served: Served, open_link: Opener) -> None:
    link = open_link(served.url)
    events = collect(link, enough_pulses(20))
    served.unplug()
    events += collect(link, lambda events: bool(of(LinkDown, events)))
    served.board.reset(wire_numbers.RESET_POWER)
    served.replug()
    events += collect(link, lambda events: bool(of(SegmentStarted, events)) and len(edges(events)) >= 20)
    second = of(SegmentStarted, events)[1]
    assert second.cause == "board reset (power on)"
    before = events[: events.index(second)]
    assert {(event.channel, event.pulses, event.cause) for event in of(Lost, before)} == {
        ("wheel", None, "link down"),
        ("motor", None, "link down"),
    }


def test_it_may_come_back_under_another_name(on_socket: Served, open_link: Opener, tmp_path: Path) -> None:
    where = [on_socket.url]
    link = open_link(on_socket.url, locate=lambda: where[0])
    collect(link, enough_pulses(5))
    where[0] = on_socket.url + "?"  # the same place by another name
    on_socket.unplug()
    events = collect(link, lambda events: bool(of(LinkDown, events)))
    on_socket.replug()
    events += collect(link, lambda events: bool(of(LinkUp, events)))
    assert of(LinkUp, events)[0].url == on_socket.url + "?"


def test_a_board_that_falls_silent_is_told_and_found_again(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    collect(link, enough_pulses(5))
    on_socket.board.muted = True
    down = collect(link, lambda events: bool(of(LinkDown, events)))
    assert "silent" in of(LinkDown, down)[0].reason
    on_socket.board.muted = False
    events = collect(link, lambda events: bool(of(LinkUp, events)) and len(edges(events)) >= 5)
    assert of(SegmentStarted, events) == []  # its ticks went on
    assert {event.cause for event in of(Lost, events)} == {"link down"}


def test_another_version_that_comes_back_is_told_while_the_link_is_down(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    collect(link, enough_pulses(5))
    on_socket.unplug()
    collect(link, lambda events: bool(of(LinkDown, events)))
    on_socket.board.protocol = 2
    on_socket.replug()
    events = collect(link, lambda events: any("this program is older" in down.reason for down in of(LinkDown, events)))
    on_socket.board.protocol = wire_numbers.PROTOCOL
    events = collect(link, lambda events: bool(of(LinkUp, events)))
    assert len(of(LinkDown, events)) <= 1  # told once, not at every attempt


def test_closing_while_unplugged_ends_with_a_loss(on_socket: Served, open_link: Opener) -> None:
    link = open_link(on_socket.url)
    collect(link, enough_pulses(5))
    on_socket.unplug()
    collect(link, lambda events: bool(of(LinkDown, events)))
    link.close()
    assert {(event.channel, event.pulses) for event in of(Lost, link.events(0))} == {("wheel", None), ("motor", None)}


def test_trace_shows_every_frame_both_ways_with_its_time(on_socket: Served, open_link: Opener) -> None:
    seen: list[tuple[float, str, wire.Frame]] = []
    link = open_link(on_socket.url, trace=lambda *frame: seen.append(frame))
    collect(link, lambda events: bool(of(Sync, events)))
    link.close()
    to_board = {type(frame.message) for _, way, frame in seen if way == "to board"}
    from_board = {type(frame.message) for _, way, frame in seen if way == "from board"}
    assert to_board == {messages.AskHello, messages.Stream, messages.Ping}
    assert {messages.Hello, messages.Batch, messages.Status, messages.Pong} <= from_board
    times = [host_s for host_s, _, _ in seen]
    assert max(times) - min(times) < LONG_ENOUGH_S


def test_a_mistake_in_the_thread_reaches_whoever_asks_for_events(on_socket: Served, open_link: Opener) -> None:
    def trace(_host_s: float, _way: str, frame: wire.Frame) -> None:
        if isinstance(frame.message, messages.Batch):
            raise RuntimeError("a bug")

    link = open_link(on_socket.url, trace=trace)
    with pytest.raises(RuntimeError, match="a bug"):
        collect(link, lambda events: False)
