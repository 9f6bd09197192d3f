"""Does the bring-up check see what is wrong, and nothing where all is well?"""

import dataclasses
from typing import Any

import numpy as np
import pytest

from kerfbeat.capture.bringup import BringUp, Watching, bring_up
from kerfbeat.capture.events import (
    Event,
    Health,
    InputHealth,
    LineCounts,
    LinkDown,
    LinkUp,
    Lost,
    Pulses,
    SegmentStarted,
    Sync,
)
from kerfbeat.capture.link import BoardLink

Served = Any  # the fixtures' own class, see conftest.py
HZ = 16_000_000
LINE = LineCounts(frames=1000, bad_crc=0, malformed=0, implausible=0, noise_bytes=0, frames_missing=0)
UP = LinkUp(board_id="B", firmware="1.0.0", tick_hz=16e6, url="x", baud=500_000, host_s=0.0)
BEGUN = SegmentStarted(board_id="B", firmware="1.0.0", tick_hz=16e6, cause="recording began", start_ticks=0)
WELL = Health(
    ticks=0, supply_v=5.0, host_frames_damaged=0, stored_settings="good", line=LINE,
    inputs={"wheel": InputHealth(overruns=0, floods=0, shortest_ticks=None)},
)  # fmt: skip


def pulses(ticks: Any) -> Pulses:
    edges = np.asarray(ticks, dtype=np.int64)
    return Pulses(edge_ticks={"wheel": edges}, complete_ticks=int(edges[-1]) if len(edges) else 0)


def watched(*events: Event, line: LineCounts = LINE, health: Health = WELL) -> BringUp:
    watching = Watching(["wheel"])
    for event in (UP, BEGUN, health, *events):
        watching.take(event)
    return watching.result(reset_cause="power on", watched_s=10.0, line=line)


def uneven_targets(turns: int, *, turn_ticks: float = HZ / 1.5) -> np.ndarray:
    """Four targets, spaced 60, 100, 80 and 120 degrees, on a wheel that gathers speed by half."""
    angle = (np.array([0, 60, 160, 240]) / 360)[None, :] + np.arange(turns)[:, None]
    turned = angle.ravel()
    return np.round(turn_ticks * turned / (1 + 0.5 * turned / turns)).astype(np.int64)


def test_a_sound_input_has_no_findings() -> None:
    edges = uneven_targets(50)
    result = watched(pulses(edges[:100]), pulses(edges[100:]))
    assert result.findings == ()
    wheel = result.inputs["wheel"]
    intervals = np.diff(edges) / HZ
    assert (wheel.pulses, wheel.lost, wheel.extra, wheel.extra_after_s) == (200, 0, 0, None)
    assert (wheel.shortest_s, wheel.longest_s) == (intervals.min(), intervals.max())
    assert wheel.median_s == pytest.approx(np.median(intervals))


def test_a_stop_and_a_start_are_not_taken_for_extra_pulses() -> None:
    edges = uneven_targets(20)
    later = edges + edges[-1] + 30 * HZ
    assert watched(pulses(np.concatenate((edges, later)))).inputs["wheel"].extra == 0


@pytest.mark.parametrize("bounces", [1, 3])
def test_bounce_is_told_with_its_distance(bounces: int) -> None:
    edges = uneven_targets(50)
    late = [edges + (k + 1) * 2 * HZ // 1000 for k in range(bounces)]
    result = watched(pulses(np.sort(np.concatenate((edges, *late)))))
    assert result.inputs["wheel"].extra == 200 * bounces
    assert result.inputs["wheel"].extra_after_s == 0.002
    assert any("doubled, 2 ms apart: the sensor bounces" in said for said in result.findings)


def test_stray_pulses_are_told_as_noise() -> None:
    edges = uneven_targets(50)
    stray = edges[10:200:20] + HZ // 1000
    result = watched(pulses(np.sort(np.concatenate((edges, stray)))))
    assert result.inputs["wheel"].extra == 10
    assert any(
        "10 of 210 pulses follow another far too soon (1 ms), most likely noise" in said for said in result.findings
    )


def test_intervals_do_not_reach_over_a_loss_or_a_reset() -> None:
    lost = Lost(channel="wheel", start_ticks=300, end_ticks=900, pulses=5, cause="frames lost")
    unknown = Lost(channel="wheel", start_ticks=1000, end_ticks=1900, pulses=None, cause="edge flood")
    result = watched(pulses([100, 200, 300]), lost, pulses([1000]), unknown, BEGUN, pulses([0, 150]))
    wheel = result.inputs["wheel"]
    assert (wheel.pulses, wheel.lost, wheel.lost_unknown) == (6, 5, True)
    assert (wheel.shortest_s, wheel.longest_s) == (100 / HZ, 150 / HZ)
    assert any("reset once" in said for said in result.findings)


def test_no_pulses_and_one_pulse() -> None:
    nothing = watched(pulses([]))
    assert (nothing.inputs["wheel"].pulses, nothing.inputs["wheel"].median_s) == (0, None)
    assert any("wheel: no pulses" in said for said in nothing.findings)
    one = watched(pulses([5]))
    assert (one.inputs["wheel"].pulses, one.inputs["wheel"].shortest_s) == (1, None)
    assert one.findings == ()


@pytest.mark.parametrize(
    ("health", "line", "said"),
    [
        (dataclasses.replace(WELL, supply_v=4.31), LINE, "supply is 4.31 V"),
        (dataclasses.replace(WELL, stored_settings="defaults in force"), LINE, "no stored settings"),
        (dataclasses.replace(WELL, stored_settings="one copy damaged"), LINE, "one copy of the stored settings"),
        (dataclasses.replace(WELL, host_frames_damaged=3), LINE, "3 requests reached the board damaged"),
        (WELL, dataclasses.replace(LINE, bad_crc=20), "20 frames came damaged and 0 not at all"),
        (WELL, dataclasses.replace(LINE, frames_missing=2), "0 frames came damaged and 2 not at all"),
        (
            dataclasses.replace(WELL, inputs={"wheel": InputHealth(overruns=7, floods=0, shortest_ticks=1)}),
            LINE,
            "wheel: 7 pulses found no room",
        ),
        (
            dataclasses.replace(WELL, inputs={"wheel": InputHealth(overruns=0, floods=2, shortest_ticks=1)}),
            LINE,
            "wheel: fired too fast to be served, 2 times",
        ),
    ],
)
def test_each_fault_is_told(health: Health, line: LineCounts, said: str) -> None:
    (finding,) = watched(pulses(uneven_targets(5)), health=health, line=line).findings
    assert said in finding


def test_an_interruption_and_a_missing_status_are_told() -> None:
    watching = Watching(["wheel"])
    for event in (UP, BEGUN, pulses(uneven_targets(5)), LinkDown(reason="x", host_s=1.0), UP):
        watching.take(event)
    result = watching.result(reset_cause="", watched_s=10.0, line=LINE)
    assert [said.split(";")[0] for said in result.findings] == [
        "the board sent no status",
        "the link broke once meanwhile",
    ]


def test_round_trips_leave_out_the_time_on_the_board() -> None:
    syncs = [
        Sync(sent_host_s=1.0, received_host_s=1.010, ping_ticks=100, answer_ticks=100 + HZ // 1000),
        Sync(sent_host_s=2.0, received_host_s=2.005, ping_ticks=100, answer_ticks=100 + HZ // 1000),
    ]
    result = watched(pulses(uneven_targets(5)), *syncs)
    assert result.round_trip_s == pytest.approx(0.004)
    assert len(result.syncs) == 2
    assert watched(pulses(uneven_targets(5)), *syncs, BEGUN).round_trip_s is None  # another segment: other ticks


def test_a_live_board_is_brought_up(on_socket: Served) -> None:
    told: list[float] = []
    with BoardLink(on_socket.url, sensors=None) as link:
        result = bring_up(link, watch_s=1.5, progress=told.append)
    assert set(result.inputs) == {"input 1", "input 2", "input 3"}
    assert (result.board_id, result.firmware, result.reset_cause) == ("FA4EB0A2", "1.2.3", "power on")
    assert result.inputs["input 1"].pulses > 100
    assert result.inputs["input 1"].median_s == 0.005
    assert result.inputs["input 3"].pulses == 0
    assert [said.partition(":")[0] for said in result.findings] == ["input 3"]
    assert result.round_trip_s is not None
    assert told[-1] == 1.5
    assert told == sorted(told)
