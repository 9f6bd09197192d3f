"""Do a link and a log behave alike over every kind of port?"""

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kerfbeat.capture.events import Event, LinkUp, Lost, Pulses, SegmentStarted, Sync
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.log import LogWriter, read_log
from kerfbeat.machine import demo_machine

SAW = demo_machine("saw")
PULSES = 60
SYNCS = 8
LONG_ENOUGH_S = 60.0  # a limit for a loaded machine, not a claim


def record(url: str, path: Path) -> list[Event]:
    events: list[Event] = []
    end_s = time.monotonic() + LONG_ENOUGH_S
    with (
        BoardLink(url, sensors=SAW.sensors) as link,
        LogWriter(path, machine=SAW, start_utc=datetime.now(UTC)) as writer,
    ):
        while sum(writer.pulses.values()) < PULSES or sum(isinstance(event, Sync) for event in events) < SYNCS:
            assert time.monotonic() < end_s, f"{writer.pulses}, {len(events)} events"
            for event in link.events(0.1):
                events.append(event)
                writer.accept(event)
    return events


@pytest.mark.board
@pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\):DeprecationWarning")  # pyserial, in its rfc2217 client
def test_a_session_over_any_port(any_url: str, tmp_path: Path) -> None:
    events = record(any_url, tmp_path / "a.log")
    (up,) = [event for event in events if isinstance(event, LinkUp)]
    assert up.url == any_url
    assert (up.baud is None) == any_url.startswith(("socket://", "sim://"))
    (begun,) = [event for event in events if isinstance(event, SegmentStarted)]
    assert begun.cause == "recording began"
    assert [event for event in events if isinstance(event, Lost)] == []
    log = read_log(tmp_path / "a.log")
    assert log.warnings == ()
    (segment,) = log.segments
    assert (segment.board_id, segment.tick_hz) == (up.board_id, 16e6)
    for channel, edges in segment.edge_ticks.items():
        came = [event.edge_ticks[channel] for event in events if isinstance(event, Pulses)]
        assert np.array_equal(edges, np.concatenate(came))
    syncs = segment.syncs
    assert len(syncs) >= SYNCS
    assert np.all(syncs.sent_host_s < syncs.received_host_s)
    assert np.all(syncs.ping_ticks <= syncs.answer_ticks)
    # Both clocks ran at the same rate: the board's lead over the host's never leaves what the journeys allow.
    board_s = syncs.ping_ticks / segment.tick_hz
    earliest, latest = syncs.sent_host_s - board_s, syncs.received_host_s - syncs.answer_ticks / segment.tick_hz
    assert earliest.max() <= latest.min() + 0.005 * np.ptp(board_s)  # half a per cent: a ceramic resonator


@pytest.mark.board
@pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\):DeprecationWarning")  # pyserial, in its rfc2217 client
def test_a_port_is_given_back(any_url: str) -> None:
    for _ in range(2):
        with BoardLink(any_url, sensors=SAW.sensors) as link:
            assert link.hello.tick_hz == 16_000_000
