"""Does the simulated board keep the promises of the wire?  True time is stepped by the test: nothing waits."""

import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture import messages, wire
from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.events import Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.stream import Stream
from kerfbeat.errors import SimulateError
from kerfbeat.machine import Machine
from kerfbeat.simulate import World
from kerfbeat.simulate.board import FIRMWARE, LineFaults, SimulatedBoard
from kerfbeat.simulate.board_memory import BoardMemory

CHANNELS = {0: "wheel", 1: "motor", 2: "blade"}
ON = wire.encode_message(messages.Stream(on=True), 1)


def world(saw: Machine, *, scenario: str = "steady", seconds: float = 60.0, seed: int = 3, **settings: float) -> World:
    return World(scenario, saw, seed=seed, settings={"duration_s": seconds, **settings})


class Listener:
    """Opens a board, asks it to stream, and keeps every frame with the time at which it was whole."""

    def __init__(self, board: SimulatedBoard, *, until_s: float, every_s: float = 0.003, on: bool = True) -> None:
        self.decoder = wire.Decoder()
        self.frames: list[tuple[float, wire.Frame]] = []
        self._board = board
        self.now_s = 0.0
        self.listen(0.2, every_s=every_s)
        if on:
            board.receive(ON, 0.2)
        self.listen(until_s, every_s=every_s)

    def listen(self, until_s: float, *, every_s: float = 0.003) -> None:
        while self.now_s < until_s:
            self.now_s = min(self.now_s + every_s, until_s)
            for whole_s, data in self._board.speak(self.now_s):
                self.frames += [(whole_s, frame) for frame in self.decoder.feed(data, whole_s)]

    def of(self, kind: type) -> list[tuple[float, messages.Message]]:
        return [(at_s, frame.message) for at_s, frame in self.frames if isinstance(frame.message, kind)]


def all_ticks(run: World) -> dict[str, np.ndarray]:
    """Every tick that the board should tell, from the world itself."""
    stampers = run.stampers()
    found: dict[str, list[np.ndarray]] = {channel: [] for channel in run.sensors}
    for stretch in run.stretches():
        for channel, edges in stretch.edges.items():
            found[channel].append(stampers[channel].ticks(edges.seconds))
    return {channel: np.concatenate(each) for channel, each in found.items()}


def test_it_stands_for_the_firmware_that_is_beside_it(repository: Path) -> None:
    text = (repository / "firmware/core/version.h").read_text()
    parts = [re.search(rf"#define VERSION_{name} (\d+)u", text) for name in ("MAJOR", "MINOR", "PATCH")]
    assert tuple(int(part[1]) for part in parts if part) == FIRMWARE


def test_hello_comes_first_and_unasked(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw)), until_s=1.0, on=False)
    (_, hello), *rest = heard.frames
    assert isinstance(hello.message, messages.Hello)
    assert hello.message.asked is None
    assert hello.message.tick_hz == 16_000_000
    assert not any(isinstance(frame.message, messages.Batch) for _, frame in rest)


def test_every_edge_is_told_once_and_the_report_is_complete(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw, scenario="cut")), until_s=59.0)
    batches = [batch for _, batch in heard.of(messages.Batch)]
    expected = all_ticks(world(saw, scenario="cut"))
    begin, end = batches[0].base_ticks, batches[-1].complete_ticks
    for index, channel in CHANNELS.items():
        told = np.array([tick for batch in batches for tick in batch.edge_ticks[index]])
        assert np.all(np.diff(told) > 0)
        due = expected[channel]
        assert np.array_equal(told[told <= end], due[(due > begin) & (due <= end)])
        assert batches[-1].counts[index] == np.count_nonzero(due <= told[-1])
    assert all(after.base_ticks == before.complete_ticks for before, after in itertools.pairwise(batches))
    # Every edge up to `complete` has been told by then.
    for k, batch in enumerate(batches):
        told = sum(len(each.edge_ticks[1]) for each in batches[: k + 1])
        due = np.count_nonzero((expected["motor"] > begin) & (expected["motor"] <= batch.complete_ticks))
        assert told >= due


def test_batches_keep_their_times(saw: Machine) -> None:
    run = world(saw, seconds=30.0)
    heard = Listener(SimulatedBoard(run), until_s=29.0)
    batches = heard.of(messages.Batch)
    gaps_s = np.diff([at_s for at_s, _ in batches])
    assert gaps_s.max() <= n.BATCH_IDLE_MS / 1000
    for at_s, batch in batches:
        for ticks in (tick for each in batch.edge_ticks for tick in each):
            pulse_s = float(run.clock.when(np.array([ticks]))[0])
            assert 0 <= at_s - pulse_s <= n.BATCH_AFTER_PULSE_MS / 1000


def test_status_comes_once_a_second_with_the_closest_edges(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw)), until_s=20.0)
    told = heard.of(messages.Status)
    assert len(told) == 19
    assert np.diff([at_s for at_s, _ in told]) == pytest.approx(np.ones(18), abs=0.01)
    motor_hz = 24.94
    assert told[-1][1].inputs[1].shortest_ticks == pytest.approx(16e6 / motor_hz, rel=0.01)
    assert told[-1][1].flags & n.FLAG_STREAMING


def test_a_silent_machine_is_still_reported(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw, scenario="everyday", duration_s=2.0)), until_s=1.9)
    batches = [batch for _, batch in heard.of(messages.Batch)]
    assert len(batches) >= 17
    assert all(not any(batch.edge_ticks) for batch in batches)


def test_many_edges_fill_frames_and_none_is_lost(grinder: Machine) -> None:
    settings = {"belt": "fast / 3.8 in", "hz": 72.0, "extra_hz": 2000.0}
    run = World("steady", grinder, seed=1, settings={"duration_s": 3.0, **settings})
    heard = Listener(SimulatedBoard(run), until_s=2.9)
    expected = all_ticks(World("steady", grinder, seed=1, settings={"duration_s": 3.0, **settings}))
    batches = [batch for _, batch in heard.of(messages.Batch)]
    inputs = {"wheel": 0, "driven": 2}
    assert sum(map(len, expected.values())) > 10_000
    for channel, index in inputs.items():
        told = np.array([tick for batch in batches for tick in batch.edge_ticks[index]])
        due = expected[channel]
        last = batches[-1].complete_ticks
        assert np.array_equal(told[told <= last], due[(due > batches[0].base_ticks) & (due <= last)])


def test_ping_is_answered_with_the_ticks_of_both_ends(saw: Machine) -> None:
    run = world(saw)
    board = SimulatedBoard(run)
    heard = Listener(board, until_s=1.0)
    board.receive(wire.encode_message(messages.Ping(), 77), 1.0)
    heard.listen(1.1)
    ((at_s, pong),) = heard.of(messages.Pong)
    assert pong.asked == 77
    assert pong.ping_ticks == run.clock.ticks_at(1.0)
    assert 0 <= pong.answer_ticks - pong.ping_ticks < 0.003 * 16e6
    assert pong.answer_ticks < run.clock.ticks_at(at_s)


def settings_bytes(board_id: bytes) -> bytes:
    """The defaults of PROTOCOL.md section 8 with this identity, 179 bytes in all."""
    return b"\x02" + board_id + b"\x00\x05\x05\x05\x0c\x14" + bytes(13) + b"\xff\xff\xff\xff" + bytes(151)


def test_settings_are_read_staged_and_committed(saw: Machine) -> None:
    board = SimulatedBoard(world(saw))
    heard = Listener(board, until_s=0.5, on=False)
    staged = settings_bytes(b"\x44\x33\x22\x11")
    requests: list[messages.Message] = [
        messages.ConfigRead(offset=0, count=11),
        messages.ConfigWrite(offset=0, data=staged[:100]),
        messages.ConfigWrite(offset=100, data=staged[100:]),
        messages.ConfigCommit(length=179, crc=wire.crc16(staged)),
        messages.ConfigRead(offset=1, count=4),
        messages.AskHello(),
        messages.ConfigCommit(length=179, crc=wire.crc16(staged) ^ 1),
        messages.ConfigRead(offset=178, count=2),
        messages.ConfigWrite(offset=178, data=b"ab"),
        messages.ConfigCommit(length=11, crc=wire.crc16(staged)),
        messages.ConfigWrite(offset=9, data=b"\xff"),
        messages.ConfigCommit(length=179, crc=wire.crc16(staged[:9] + b"\xff" + staged[10:])),
    ]
    for k, request in enumerate(requests):
        board.receive(wire.encode_message(request, k), 0.5 + 0.01 * k)
    heard.listen(1.0)
    results = {m.asked: m.code for _, m in heard.of(messages.Result)}
    refused = {6: n.BAD_VALUE, 7: n.BAD_VALUE, 8: n.BAD_LENGTH, 9: n.BAD_LENGTH, 11: n.BAD_VALUE}
    assert results == {1: n.OK, 2: n.OK, 3: n.OK, 10: n.OK} | refused
    first, second = (m for _, m in heard.of(messages.ConfigData))
    assert (first.generation, first.data, first.length) == (0, settings_bytes(b"\x00\x00\xa7\x51")[:11], 179)
    assert (second.generation, second.data) == (1, staged[1:5])
    hello = heard.of(messages.Hello)[-1][1]
    assert (hello.board_id, hello.config_generation, hello.asked) == (0x11223344, 1, 5)


def test_settings_are_kept_in_a_file(tmp_path: Path) -> None:
    staged = settings_bytes(b"\x44\x33\x22\x11")
    for generation in (1, 2):
        memory = BoardMemory(tmp_path / "eeprom")
        assert memory.generation == generation - 1
        assert memory.stage(0, staged) == n.OK
        assert memory.commit(179, wire.crc16(staged)) == n.OK
    assert BoardMemory(tmp_path / "eeprom").read(0, 179) == staged
    (tmp_path / "eeprom").write_bytes(b"something else")
    with pytest.raises(SimulateError, match="no settings of a simulated board"):
        BoardMemory(tmp_path / "eeprom")
    with pytest.raises(SimulateError, match="no such folder"):
        BoardMemory(tmp_path / "none" / "eeprom")


def through_stream(heard: Listener) -> tuple[list[object], Stream]:
    """The events that a link makes of these frames."""
    link = Stream(CHANNELS)
    events: list[object] = []
    for at_s, frame in heard.frames:
        events += link.take(frame, at_s, heard.decoder)
        if link.is_down and link.hello is not None:
            link.up(at_s, url="sim://", baud=None)
    return events, link


def test_lost_frames_are_counted_to_the_pulse(saw: Machine) -> None:
    faults = LineFaults(drop=0.1, noise=0.2)
    heard = Listener(SimulatedBoard(world(saw, scenario="cut"), faults=faults), until_s=59.0)
    events, _ = through_stream(heard)
    expected = all_ticks(world(saw, scenario="cut"))
    start = next(event.start_ticks for event in events if isinstance(event, SegmentStarted))
    end = max(event.complete_ticks for event in events if isinstance(event, Pulses))
    for channel, due in expected.items():
        came = sum(len(event.edge_ticks[channel]) for event in events if isinstance(event, Pulses))
        lost = sum(event.pulses or 0 for event in events if isinstance(event, Lost) and event.channel == channel)
        assert came + lost == pytest.approx(np.count_nonzero((due > start) & (due <= end)), abs=1)  # one sent early
    assert sum(isinstance(event, Lost) for event in events) > 10
    assert heard.decoder.noise_bytes > 0


def test_a_cut_link_loses_everything_for_its_time(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw, loss_at_s=10.0, loss_s=4.0)), until_s=20.0)
    times_s = [at_s for at_s, _ in heard.frames]
    assert not any(10.01 < at_s < 14.0 for at_s in times_s)
    events, _ = through_stream(heard)
    motor = [event for event in events if isinstance(event, Lost) and event.channel == "motor"]
    assert sum(event.pulses or 0 for event in motor) == pytest.approx(4 * 24.9, abs=2)


def test_a_reset_starts_the_ticks_anew(saw: Machine) -> None:
    board = SimulatedBoard(world(saw, reset_at_s=5.0))
    heard = Listener(board, until_s=6.0)
    board.receive(ON, 6.0)
    heard.listen(9.0)
    unasked = [(at_s, m) for at_s, m in heard.of(messages.Hello) if m.asked is None]
    assert len(unasked) == 2
    at_s, hello = unasked[1]
    assert hello.reset_cause == n.RESET_POWER
    assert at_s == pytest.approx(5.5, abs=0.01)
    assert hello.ticks == pytest.approx(0.1 * 16e6, rel=0.01)
    batches = [batch for whole_s, batch in heard.of(messages.Batch) if whole_s > 6.0]
    assert batches[0].base_ticks < 1.0 * 16e6
    assert batches[-1].complete_ticks == pytest.approx((9.0 - 5.4) * 16e6, rel=0.03)


def test_a_flood_on_one_input_leaves_the_others_exact(saw: Machine) -> None:
    faults = LineFaults(flood_at_s=10.0, flood_s=0.5)
    heard = Listener(SimulatedBoard(world(saw), faults=faults), until_s=20.0)
    masks = [m for _, m in heard.of(messages.Masked)]
    assert len(masks) == 25
    run = world(saw)
    assert masks[0].from_ticks == pytest.approx(run.clock.ticks_at(10.0), abs=2)
    assert masks[-1].until_ticks == pytest.approx(run.clock.ticks_at(10.5), abs=320_000)
    due = all_ticks(run)["motor"]
    batches = [batch for _, batch in heard.of(messages.Batch)]
    told = np.array([tick for batch in batches for tick in batch.edge_ticks[1]])
    last = batches[-1].complete_ticks
    assert np.array_equal(told[told <= last], due[(due > batches[0].base_ticks) & (due <= last)])
    events, _ = through_stream(heard)
    assert {event.channel for event in events if isinstance(event, Lost)} == {"wheel"}
    assert heard.of(messages.Status)[-1][1].inputs[0].floods == 25


def test_syncs_hold_the_boards_clock(saw: Machine) -> None:
    run = world(saw, clock_ppm=3000.0)
    board = SimulatedBoard(run)
    heard = Listener(board, until_s=0.5)
    link = Stream(CHANNELS)
    for k in range(20):
        sent_s = 0.6 + 0.3 * k
        link.pinged(k, sent_s)
        board.receive(wire.encode_message(messages.Ping(), k), sent_s + 0.001)
        heard.listen(sent_s + 0.2)
    syncs = []
    for at_s, frame in heard.frames:
        syncs += [event for event in link.take(frame, at_s, heard.decoder) if isinstance(event, Sync)]
        if link.is_down and link.hello is not None:
            link.up(at_s, url="sim://", baud=None)
            for k in range(20):
                link.pinged(k, 0.6 + 0.3 * k)
    assert len(syncs) == 20
    rate_hz = (syncs[-1].ping_ticks - syncs[0].ping_ticks) / (syncs[-1].sent_host_s - syncs[0].sent_host_s)
    assert rate_hz == pytest.approx(16e6 * 1.003, rel=2e-6)


def test_the_run_does_not_depend_on_how_often_one_asks(saw: Machine) -> None:
    often, seldom = (
        Listener(SimulatedBoard(world(saw)), until_s=20.0, every_s=every_s).of(messages.Batch)
        for every_s in (0.001, 0.02)
    )
    first = [batch for _, batch in often if batch.complete_ticks < 19 * 16e6]
    second = [batch for _, batch in seldom if batch.complete_ticks < 19 * 16e6]
    assert first == second


def test_after_the_run_the_board_reports_silence(saw: Machine) -> None:
    heard = Listener(SimulatedBoard(world(saw, seconds=3.0)), until_s=8.0)
    late = [batch for at_s, batch in heard.of(messages.Batch) if at_s > 3.5]
    assert len(late) > 40
    assert not any(any(batch.edge_ticks) for batch in late)
    assert math.isfinite(heard.now_s)
