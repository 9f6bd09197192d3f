"""Are pulses and losses told exactly, whatever frames are missing?"""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbeat.capture import wire, wire_numbers
from kerfbeat.capture.events import Event, Health, LinkDown, LinkUp, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.messages import Batch, Hello, Masked, Message, Pong, Status, StatusInput
from kerfbeat.capture.stream import Stream
from kerfbeat.capture.wire import Decoder

HZ = 16_000_000
HELLO = Hello(
    firmware=(1, 0, 0), board_kind=1, board_id=0xBEEF, tick_hz=HZ, reset_cause=wire_numbers.RESET_POWER, ticks=1000,
    config_generation=0, asked=0,
)  # fmt: skip


class Host:
    """Feeds messages to a stream as a link does, one second after the other unless told."""

    def __init__(self, channels: dict[int, str] | None = None) -> None:
        self.stream = Stream(channels or {0: "wheel", 1: "motor"})
        self.decoder = Decoder()
        self.sequence = 0
        self.host_s = 0.0

    def hear(self, *messages: Message, after_s: float = 0.1) -> list[Event]:
        self.host_s += after_s
        data = b"".join(wire.encode_message(message, self.sequence + k & 255) for k, message in enumerate(messages))
        self.sequence += len(messages)
        frames = self.decoder.feed(data, self.host_s)
        assert len(frames) == len(messages)
        return [event for frame in frames for event in self.stream.take(frame, self.host_s, self.decoder)]

    def greet(self, hello: Hello = HELLO, after_s: float = 0.1) -> list[Event]:
        return self.hear(hello, after_s=after_s) + self.stream.up(self.host_s, url="x", baud=None)


def batch(
    base: int,
    complete: int,
    *,
    edges: tuple[list[int], ...] = ((), ()),
    counts: tuple[int, ...] = (0, 0),
    lost: tuple[int, ...] = (0, 0),
) -> Batch:
    return Batch(
        base_ticks=base, complete_ticks=complete, edge_ticks=(*map(tuple, edges), ()), counts=(*counts, 0),
        lost=(*lost, 0),
    )  # fmt: skip


def kinds(events: list[Event]) -> list[str]:
    return [type(event).__name__ for event in events]


def losses(events: list[Event]) -> list[Lost]:
    return [event for event in events if isinstance(event, Lost)]


def lost(channel: str, start: int, end: int, pulses: int | None, cause: str) -> Lost:
    return Lost(channel=channel, start_ticks=start, end_ticks=end, pulses=pulses, cause=cause)


def started() -> Host:
    """A host whose segment has begun at tick 2000, with 10 and 20 edges counted before."""
    host = Host()
    host.greet()
    host.hear(batch(2000, 2000, counts=(10, 20)))
    return host


def test_a_session_begins_with_the_first_batch() -> None:
    host = Host()
    (up,) = host.greet()
    assert isinstance(up, LinkUp)
    assert (up.board_id, up.firmware, up.tick_hz) == ("0000BEEF", "1.0.0", 16e6)
    begun, pulses = host.hear(batch(2000, 2500, edges=([2100, 2200], []), counts=(5, 0)))
    assert begun == SegmentStarted(
        board_id="0000BEEF", firmware="1.0.0", tick_hz=16e6, cause="recording began", start_ticks=2000
    )
    assert isinstance(pulses, Pulses)
    assert {channel: edges.tolist() for channel, edges in pulses.edge_ticks.items()} == {
        "wheel": [2100, 2200],
        "motor": [],
    }
    assert (pulses.complete_ticks, pulses.received_host_s) == (2500, host.host_s)
    assert all(edges.dtype == np.int64 for edges in pulses.edge_ticks.values())


def test_frames_before_any_hello_are_not_believed() -> None:
    host = Host()
    assert host.hear(batch(0, 1), Masked(input_index=0, from_ticks=0, until_ticks=1)) == []
    assert host.stream.hello_wanted


def test_a_lost_frame_is_a_loss_of_exactly_its_pulses_in_exactly_its_time() -> None:
    host = started()
    host.hear(batch(2000, 3000, edges=([2900], []), counts=(11, 20)))
    # The frame from 3000 to 4000 with four edges on the wheel and none on the motor is missing.
    events = host.hear(batch(4000, 5000, edges=([4100], [4200]), counts=(16, 21)))
    assert losses(events) == [lost("wheel", 3000, 4099, 4, "frames lost")]
    assert kinds(events) == ["Lost", "Pulses"]


def test_a_lost_frame_without_pulses_is_no_loss() -> None:
    host = started()
    assert losses(host.hear(batch(4000, 5000, counts=(10, 20)))) == []


def test_a_loss_without_a_pulse_after_it_ends_where_the_report_begins_again() -> None:
    host = started()
    events = host.hear(batch(4000, 5000, counts=(13, 20)))
    assert losses(events) == [lost("wheel", 2000, 4000, 3, "frames lost")]


def test_a_loss_begins_after_an_edge_that_came_early() -> None:
    """One channel may be reported further than `complete`."""
    host = started()
    host.hear(batch(2000, 3000, edges=([], [3500]), counts=(10, 21)))
    events = host.hear(batch(4000, 5000, edges=([], [4100]), counts=(10, 23)))
    assert losses(events) == [lost("motor", 3500, 4099, 1, "frames lost")]


def test_counts_wrap() -> None:
    host = Host()
    host.greet()
    host.hear(batch(2000, 2000, counts=(2**32 - 2, 0)))
    assert losses(host.hear(batch(2000, 3000, edges=([2100, 2200, 2300], []), counts=(1, 0)))) == []
    assert losses(host.hear(batch(4000, 5000, counts=(6, 0)))) == [lost("wheel", 3000, 4000, 5, "frames lost")]


def test_a_full_ring_loses_after_the_last_edge_of_the_batch() -> None:
    host = started()
    events = host.hear(batch(2000, 3000, edges=([2500], []), counts=(18, 21), lost=(7, 1)))
    assert kinds(events) == ["Pulses", "Lost", "Lost"]
    assert losses(events) == [
        lost("wheel", 2500, 3000, 7, "ring overrun"),
        lost("motor", 2000, 3000, 1, "ring overrun"),
    ]


def test_a_mask_is_a_loss_nobody_can_count_and_told_again_only_adds_what_is_new() -> None:
    host = started()
    events = host.hear(
        Masked(input_index=1, from_ticks=2100, until_ticks=2200),
        Masked(input_index=1, from_ticks=2100, until_ticks=2300),
        Masked(input_index=1, from_ticks=2100, until_ticks=2300),
        Masked(input_index=2, from_ticks=2100, until_ticks=2300),  # nobody listens to it
        Masked(input_index=1, from_ticks=2500, until_ticks=2600),
    )
    assert events == [
        lost("motor", 2100, 2200, None, "edge flood"),
        lost("motor", 2200, 2300, None, "edge flood"),
        lost("motor", 2500, 2600, None, "edge flood"),
    ]


def test_a_mask_before_the_first_batch_counts_from_there() -> None:
    host = Host()
    host.greet()
    assert host.hear(Masked(input_index=0, from_ticks=1500, until_ticks=2300)) == []
    events = host.hear(batch(2000, 2400))
    assert losses(events) == [lost("wheel", 2000, 2300, None, "edge flood")]


def test_a_reset_is_a_new_segment_and_what_came_since_is_lost() -> None:
    host = started()
    host.hear(batch(2000, 3000, edges=([2900], []), counts=(11, 20)))
    reset = dataclasses.replace(HELLO, ticks=50, asked=None, reset_cause=wire_numbers.RESET_WATCHDOG)
    events = host.hear(reset, after_s=0.25)
    end = 3000 + HZ // 4
    assert events == [
        lost("wheel", 3000, end, None, "board reset (watchdog)"),
        lost("motor", 3000, end, None, "board reset (watchdog)"),
    ]
    assert host.stream.streaming_wanted
    begun, _ = host.hear(batch(60, 100, counts=(0, 0)))
    assert isinstance(begun, SegmentStarted)
    assert (begun.cause, begun.start_ticks) == ("board reset (watchdog)", 60)


def test_a_reset_whose_hello_was_lost_is_found_by_the_ticks() -> None:
    host = started()
    host.hear(batch(2000, 3_000_000, counts=(10, 20)), after_s=0.2)
    assert host.hear(batch(100, 200, counts=(0, 0))) == []
    assert host.stream.hello_wanted
    assert host.stream.implausible == 1
    events = host.hear(dataclasses.replace(HELLO, ticks=900, asked=7))
    assert [event.cause for event in losses(events)] == ["board reset (power on)"] * 2
    assert kinds(host.hear(batch(900, 1000))) == ["SegmentStarted", "Pulses"]


def test_a_reset_within_the_first_second_is_found_by_the_time_of_the_question() -> None:
    host = started()
    host.hear(batch(2000, 2000 + HZ // 5, counts=(10, 20)), after_s=0.2)
    host.stream.asked_hello(7, host.host_s + 0.5)
    events = host.hear(dataclasses.replace(HELLO, ticks=HZ // 2, asked=7), after_s=0.6)  # not reset: at least 0.7 s
    assert len(losses(events)) == 2
    host = started()
    host.hear(batch(2000, 2000 + HZ // 5, counts=(10, 20)), after_s=0.2)
    host.stream.asked_hello(7, host.host_s + 0.5)
    assert host.hear(dataclasses.replace(HELLO, ticks=2000 + 7 * HZ // 10, asked=7), after_s=0.6) == []


@pytest.mark.parametrize("change", [{"board_id": 5}, {"tick_hz": 8_000_000}])
def test_another_board_is_a_new_segment(change: dict[str, int]) -> None:
    host = started()
    host.hear(dataclasses.replace(HELLO, ticks=2000, **change))
    (begun, _) = host.hear(batch(2100, 2200))
    assert isinstance(begun, SegmentStarted)
    assert begun.cause == "another board"


def test_an_asked_hello_in_between_changes_nothing() -> None:
    host = started()
    assert host.hear(dataclasses.replace(HELLO, ticks=2000 + HZ // 10, asked=9)) == []
    assert kinds(host.hear(batch(2000, 3000, counts=(10, 20)))) == ["Pulses"]


def test_unplugged_for_a_while_the_same_segment_goes_on_with_an_exact_loss() -> None:
    host = started()
    host.hear(batch(2000, 3000, edges=([2900], [2950]), counts=(11, 21)))
    (down,) = host.stream.down(host.host_s, "unplugged")
    assert down == LinkDown(reason="unplugged", host_s=host.host_s)
    assert host.stream.down(host.host_s, "again") == []
    now = 3000 + 10 * HZ
    assert kinds(host.greet(dataclasses.replace(HELLO, ticks=now, asked=1), after_s=10.0)) == ["LinkUp"]
    events = host.hear(batch(now - 100, now, edges=([now - 50], []), counts=(2011, 21)))
    assert losses(events) == [lost("wheel", 3000, now - 51, 1999, "link down")]
    assert kinds(events) == ["Lost", "Pulses"]
    # The next gap is owed to the line again.
    assert losses(host.hear(batch(now + 100, now + 200, counts=(2014, 21))))[0].cause == "frames lost"


def test_unplugged_and_reset_the_old_segment_ends_with_an_unknown_loss() -> None:
    host = started()
    host.hear(batch(2000, 3000, counts=(10, 20)))
    host.stream.down(host.host_s, "unplugged")
    events = host.greet(dataclasses.replace(HELLO, ticks=HZ, asked=1), after_s=10.0)
    assert losses(events) == [
        lost("wheel", 3000, 3000 + 10 * HZ, None, "link down"),
        lost("motor", 3000, 3000 + 10 * HZ, None, "link down"),
    ]
    assert isinstance(host.hear(batch(HZ, HZ + 5))[0], SegmentStarted)


def test_frames_while_the_link_counts_as_down_are_not_taken() -> None:
    host = started()
    host.stream.down(host.host_s, "silent")
    assert host.hear(batch(2000, 3000, counts=(10, 20))) == []
    assert host.stream.hello_wanted


def test_a_session_that_ends_with_the_link_down_ends_with_a_loss() -> None:
    host = started()
    assert host.stream.finish(host.host_s) == []
    host.stream.down(host.host_s, "unplugged")
    assert losses(host.stream.finish(host.host_s + 1.0)) == [
        lost("wheel", 2000, 2000 + HZ, None, "link down"),
        lost("motor", 2000, 2000 + HZ, None, "link down"),
    ]


@pytest.mark.parametrize(
    "wrong",
    [
        batch(1000, 2000, counts=(10, 20)),  # before what is complete
        batch(2000, 3000, edges=([2500], []), counts=(10, 20)),  # one edge more than the count says
        batch(2000, 3000, counts=(11, 20)),  # one fewer, though no frame is missing
        batch(2000, 3000, counts=(9, 20)),
        batch(2000, 3000, counts=(10, 20), lost=(1, 0)),
        batch(2100, 3000, counts=(10 + 1500, 20)),  # more edges than ticks
        batch(2000, 2000 + 3 * HZ, counts=(10, 20)),  # further than the clock can be
        batch(2000, 3000, edges=([2000 + 3 * HZ], []), counts=(11, 20)),
        batch(2**62, 2**62, counts=(10, 20)),
    ],
)
def test_a_batch_that_contradicts_what_is_known_is_dropped_and_its_pulses_counted_as_lost(wrong: Batch) -> None:
    host = started()
    assert host.hear(wrong) == []
    assert host.stream.implausible == 1
    events = host.hear(batch(3000, 4000, edges=([3100], []), counts=(12, 20)))
    assert losses(events) == [lost("wheel", 2000, 3099, 1, "frames lost")]


def test_edges_out_of_order_between_batches_are_dropped() -> None:
    host = started()
    host.hear(batch(2000, 3000, edges=([3500], []), counts=(11, 20)))
    assert host.hear(batch(3000, 4000, edges=([3500], []), counts=(12, 20))) == []
    assert host.stream.implausible == 1


def test_when_batch_after_batch_contradicts_a_new_segment_begins() -> None:
    host = started()
    for k in range(5):
        assert host.hear(batch(2000, 3000 + k, counts=(5, 5))) == []
    hello = dataclasses.replace(HELLO, ticks=2000 + round(0.6 * HZ), asked=3)
    assert {event.cause for event in losses(host.hear(hello))} == {"counts or ticks of the board jumped"}
    assert kinds(host.hear(batch(3000, 4000, counts=(5, 5)))) == ["SegmentStarted", "Pulses"]


def test_after_the_computer_slept_a_new_segment_says_so() -> None:
    host = started()
    later = 2000 + 3600 * HZ
    assert host.hear(batch(later, later + 5, counts=(10, 20))) == []
    host.hear(dataclasses.replace(HELLO, ticks=later, asked=3))
    (begun, _) = host.hear(batch(later, later + 5, counts=(10, 20)))
    assert isinstance(begun, SegmentStarted)
    assert "computer slept" in begun.cause


def test_frames_read_late_after_a_stall_are_believed() -> None:
    """The host did nothing for ten seconds: old frames and new ones come in two reads, one right after the other."""
    host = started()
    host.hear(batch(2000, 2000 + HZ, counts=(10, 20)), after_s=10.0)
    now = 2000 + 10 * HZ
    events = host.hear(batch(now, now + 5, edges=([now + 1], []), counts=(91, 20)), after_s=0.001)
    assert losses(events) == [lost("wheel", 2000 + HZ, now, 80, "frames lost")]


def test_a_ping_and_its_answer_make_a_sync() -> None:
    host = started()
    host.stream.pinged(7, 0.25)
    (sync,) = host.hear(Pong(asked=7, ping_ticks=2500, answer_ticks=2600))
    assert sync == Sync(sent_host_s=0.25, received_host_s=host.host_s, ping_ticks=2500, answer_ticks=2600)
    assert host.hear(Pong(asked=7, ping_ticks=2700, answer_ticks=2800)) == []  # answered already
    assert host.hear(Pong(asked=8, ping_ticks=2700, answer_ticks=2800)) == []  # never asked


@pytest.mark.parametrize(
    "pong",
    [
        Pong(asked=7, ping_ticks=2500, answer_ticks=2500 + HZ),  # longer on the board than the whole journey
        Pong(asked=7, ping_ticks=2500 + 5 * HZ, answer_ticks=2600 + 5 * HZ),  # later than the clock can be
    ],
)
def test_an_impossible_answer_is_no_sync(pong: Pong) -> None:
    host = started()
    host.stream.pinged(7, host.host_s)
    assert host.hear(pong) == []
    assert host.stream.implausible == 1


def test_an_answer_from_before_the_last_is_of_a_board_that_began_anew() -> None:
    """Its hello was lost in what came with it: no sync goes back in time, and the hello is asked for."""
    host = started()
    host.stream.pinged(7, host.host_s)
    assert kinds(host.hear(Pong(asked=7, ping_ticks=9000, answer_ticks=9100))) == ["Sync"]
    host.stream.pinged(8, host.host_s)
    assert host.hear(Pong(asked=8, ping_ticks=500, answer_ticks=600)) == []
    assert host.stream.implausible == 1
    assert host.stream.hello_wanted
    host.stream.asked_hello(9, host.host_s)
    host.hear(dataclasses.replace(HELLO, ticks=700, asked=9))
    (begun, _) = host.hear(batch(800, 900))
    assert isinstance(begun, SegmentStarted)
    assert "board reset" in begun.cause


def test_pings_that_are_never_answered_are_forgotten() -> None:
    host = started()
    for k in range(1000):
        host.stream.pinged(k % 256, float(k))
    assert len(host.stream._pings) == 32


def test_status_becomes_health() -> None:
    host = started()
    inputs = (
        StatusInput(overruns=3, floods=2, shortest_ticks=400),
        StatusInput(overruns=0, floods=0, shortest_ticks=None),
        StatusInput(overruns=9, floods=9, shortest_ticks=9),
    )
    status = Status(ticks=5000, flags=wire_numbers.FLAG_STREAMING, supply_mv=4950, host_frames_damaged=1, inputs=inputs)
    host.stream.streaming_wanted = False
    (health,) = host.hear(status)
    assert isinstance(health, Health)
    assert health.supply_v == 4.95
    assert health.stored_settings == "good"
    assert health.inputs["wheel"].shortest_ticks == 400
    assert set(health.inputs) == {"wheel", "motor"}
    assert health.line.frames == 3
    assert not host.stream.streaming_wanted
    flags = wire_numbers.FLAG_STREAMING | wire_numbers.FLAG_CONFIG_DEFAULTS | wire_numbers.FLAG_CONFIG_ONE_COPY
    (health,) = host.hear(dataclasses.replace(status, flags=flags, supply_mv=None))
    assert isinstance(health, Health)
    assert (health.supply_v, health.stored_settings) == (None, "defaults in force")


def test_a_status_that_streaming_has_stopped_is_a_reset_whose_hello_was_lost() -> None:
    host = started()
    nothing = (StatusInput(overruns=0, floods=0, shortest_ticks=None),) * 3
    host.hear(Status(ticks=3000, flags=0, supply_mv=None, host_frames_damaged=0, inputs=nothing))
    assert host.stream.hello_wanted
    assert host.stream.streaming_wanted
    # Ticks and counts would fit the old segment by chance: they are not believed before the board has said hello.
    assert host.hear(batch(3000, 4000, counts=(10, 20))) == []
    assert {event.cause for event in losses(host.hear(dataclasses.replace(HELLO, ticks=4000)))} == {
        "board reset (power on)"
    }
    assert kinds(host.hear(batch(4000, 5000))) == ["SegmentStarted", "Pulses"]


@settings(deadline=None)
@given(
    gaps=st.lists(st.integers(1, 5000), min_size=1, max_size=60),
    every=st.integers(500, 20_000),
    dropped=st.sets(st.integers(1, 60)),
    channel=st.lists(st.integers(0, 1), min_size=60, max_size=60),
)
def test_pulses_and_losses_together_are_all_the_pulses(
    gaps: list[int], every: int, dropped: set[int], channel: list[int]
) -> None:
    """Whatever frames go missing: each edge comes, or is counted in a loss whose range holds it."""
    edges: list[list[int]] = [[], []]
    tick = 2000
    for gap, index in zip(gaps, channel, strict=False):
        tick += gap
        edges[index].append(tick)
    host = Host()
    host.greet()
    events: list[Event] = []
    base = 2000
    for number in range((tick - 2000) // every + 2):
        complete = base + every
        fresh = tuple([edge for edge in side if base < edge <= complete] for side in edges)
        counts = tuple(sum(edge <= complete for edge in side) for side in edges)
        last = complete >= tick + every
        if number == 0 or last or number not in dropped:
            events += host.hear(batch(base, complete, edges=fresh, counts=counts))
        base = complete
        if last:
            break
    assert host.stream.implausible == 0
    for index, name in enumerate(("wheel", "motor")):
        came = [t for e in events if isinstance(e, Pulses) for t in e.edge_ticks[name].tolist()]
        missing = sorted(set(edges[index]) - set(came))
        assert came == sorted(set(edges[index]) - set(missing))
        for each in losses(events):
            if each.channel == name:
                inside = [t for t in missing if each.start_ticks < t <= each.end_ticks]
                assert len(inside) == each.pulses
                missing = [t for t in missing if t not in inside]
        assert missing == []
