"""Is the board's clock measured to what the exchanges allow, whatever the host is busy with?"""

import math

import numpy as np
import pytest

from kerfbeat.capture.log import Syncs
from kerfbeat.measure.clock import MOST, SyncHistory, as_imported, rate_of, unmeasured
from kerfbeat.measure.exchanges import jumps_of, series_of
from kerfbeat.measure.uncertainty import coverage_factor

TICK_HZ = 16e6
HOST_U_PPM = 50.0 / math.sqrt(3.0)  # crystal class +-50 ppm, rectangular: GUM 4.3.7


def exchanges(rng, *, ppm, seconds, every_s=1.0, least_s=400e-6, delay_s=200e-6, busy=0.0, busy_s=0.05, drift_ppm=0.0):
    """Pings of a board whose clock is off by `ppm` (drifting evenly): delays exponential, some very long."""
    sent = np.arange(0.0, seconds, every_s) + 100.0
    n = len(sent)

    def way():
        late = rng.exponential(delay_s, n)
        return least_s / 2 + late + np.where(rng.random(n) < busy, rng.exponential(busy_s, n), 0.0)

    ping_s = sent + way()
    answer_s = ping_s + 50e-6
    received = answer_s + way()

    def ticks(t):
        since = t - 100.0
        rate = 1.0 + ppm * 1e-6
        return np.round(TICK_HZ * (rate * since + 0.5 * drift_ppm * 1e-6 * since**2 / seconds)).astype(np.int64)

    return {
        "sent_host_s": sent,
        "received_host_s": received,
        "ping_ticks": ticks(ping_s),
        "answer_ticks": ticks(answer_s),
    }


def timing_u_ppm(rate):
    """The part of the uncertainty that comes from the exchanges alone."""
    return math.sqrt(max(rate.u_ppm**2 - HOST_U_PPM**2, 0.0))


@pytest.mark.parametrize("ppm", [0.0, 37.0, -4200.0, 4900.0])
def test_a_minute_of_pings_measures_a_resonator(ppm):
    rate = rate_of(Syncs(**exchanges(np.random.default_rng(1), ppm=ppm, seconds=60.0)), tick_hz=TICK_HZ)
    # Shortest of many trips come within about 50 us: over 60 s that is below 2 ppm.
    assert rate.ppm == pytest.approx(ppm, abs=3.0)
    assert timing_u_ppm(rate) < 3.0
    assert rate.u_ppm == pytest.approx(HOST_U_PPM, rel=0.02)
    assert "measured" in rate.basis
    assert rate.factor == pytest.approx(1.0 + ppm * 1e-6, abs=3e-6)


def test_a_busy_host_spoils_nothing():
    # A third of all ways are late by 50 ms on average: a plain fit through all would be off by hundreds of ppm.
    for seed in range(20):
        data = exchanges(np.random.default_rng(seed), ppm=1000.0, seconds=60.0, every_s=0.25, busy=0.33)
        rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
        assert abs(rate.ppm - 1000.0) < 5.0
        middle = 0.5 * (data["sent_host_s"] + data["received_host_s"])
        board = 0.5 * (data["ping_ticks"] + data["answer_ticks"]) / TICK_HZ
        plain = (np.polyfit(middle, board, 1)[0] - 1.0) * 1e6
        assert abs(rate.ppm - 1000.0) <= abs(plain - 1000.0) + 1.0


@pytest.mark.parametrize(
    ("seconds", "every_s", "busy"), [(10.0, 0.5, 0.0), (60.0, 1.0, 0.0), (60.0, 1.0, 0.2), (600.0, 1.0, 0.1)]
)
def test_the_interval_holds_the_rate(seconds, every_s, busy):
    held = 0
    for seed in range(400):
        data = exchanges(np.random.default_rng(seed), ppm=-1500.0, seconds=seconds, every_s=every_s, busy=busy)
        rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
        held += abs(rate.ppm + 1500.0) <= coverage_factor(math.inf) * timing_u_ppm(rate)
    # Delays are one-sided and bounded by the trip, not normal: the interval may hold more, not less.
    assert held >= 0.92 * 400


@pytest.mark.parametrize("drift_ppm", [0.0, 50.0])
@pytest.mark.parametrize(("seconds", "every_s"), [(5.0, 0.25), (10.0, 1.0), (60.0, 1.0), (120.0, 1.0)])
def test_the_interval_holds_as_often_as_it_says(seconds, every_s, drift_ppm):
    # A serial adapter's journeys: 0.4 ms, as much again at random, now and then a busy host; a board that warms up.
    held = 0
    for seed in range(300):
        data = exchanges(
            np.random.default_rng(seed),
            ppm=-1500.0,
            seconds=seconds,
            every_s=every_s,
            least_s=800e-6,
            delay_s=400e-6,
            busy=0.03,
            busy_s=8e-3,
            drift_ppm=drift_ppm,
        )
        between_s = seconds - every_s  # from first to last exchange, over which the rate rises evenly
        rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
        mean_ppm = -1500.0 + 0.5 * drift_ppm * between_s / seconds
        held += abs(rate.ppm - mean_ppm) <= coverage_factor(math.inf) * timing_u_ppm(rate)
    # 95 % of 300 to within three standard deviations of such a count, 1.26 %; the trips' own bound may widen it.
    assert held >= 0.912 * 300


def test_a_drifting_clock_has_its_mean_rate_and_a_wider_interval():
    rng = np.random.default_rng(3)
    steady = rate_of(Syncs(**exchanges(rng, ppm=500.0, seconds=600.0)), tick_hz=TICK_HZ)
    drifting = rate_of(Syncs(**exchanges(rng, ppm=500.0, seconds=600.0, drift_ppm=200.0)), tick_hz=TICK_HZ)
    # 500 ppm at the start and 200 more after 600 s: from the first exchange to the last, at 599 s, 599.83 on average.
    assert abs(drifting.ppm - 599.83) <= 2.0 * timing_u_ppm(drifting)
    assert drifting.ppm == pytest.approx(599.83, abs=1.0)
    assert timing_u_ppm(drifting) > timing_u_ppm(steady)


def test_a_long_trip_is_as_uncertain_as_it_is_long():
    # One trip of 0.2 ms and 32 that take 10 ms more, evenly both ways; the shortest of 33 such trips is itself 1.47 ms
    # too long (10 ms / 1.68 sqrt(2 / 33)): each of the 32 is known to +-5.73 ms, rectangular, u = 11.47 ms / sqrt(12).
    # By hand: u of a slope is that over the root of the sum of squared distances from the middle, 2 (1 + 4 ... 16^2).
    sent = np.arange(33.0)
    late = np.where(np.arange(33) == 16, 0.0, 5e-3)
    ping = sent + 1e-4 + late
    syncs = Syncs(
        sent_host_s=sent,
        received_host_s=ping + 1e-4 + late,
        ping_ticks=np.round(ping * TICK_HZ).astype(np.int64),
        answer_ticks=np.round(ping * TICK_HZ).astype(np.int64),
    )
    rate = rate_of(syncs, tick_hz=TICK_HZ)
    by_hand_ppm = 1e6 * 11.47e-3 / math.sqrt(12.0) / math.sqrt(2992.0)
    assert timing_u_ppm(rate) == pytest.approx(by_hand_ppm, rel=0.01)
    assert rate.ppm == pytest.approx(0.0, abs=1.0)


def test_few_exchanges_leave_the_class_its_say():
    data = exchanges(np.random.default_rng(2), ppm=0.0, seconds=60.0)
    none = {key: value[:2] for key, value in data.items()}
    assert rate_of(Syncs(**none), tick_hz=TICK_HZ) == unmeasured()
    # Ceramic resonator, +-0.5 % rectangular: u = 5000 / sqrt(3) ppm.
    assert unmeasured().u_ppm == pytest.approx(2886.75, abs=0.01)
    data = exchanges(np.random.default_rng(2), ppm=0.0, seconds=0.3, every_s=0.1, delay_s=5e-3)
    short = rate_of(Syncs(**data), tick_hz=TICK_HZ)
    assert HOST_U_PPM < short.u_ppm <= math.hypot(unmeasured().u_ppm, HOST_U_PPM)


def test_a_clock_beyond_its_class_is_believed():
    # A wrongly stated rate (20 MHz board called 16 MHz) is off by 25 %.
    rate = rate_of(Syncs(**exchanges(np.random.default_rng(4), ppm=250_000.0, seconds=30.0)), tick_hz=TICK_HZ)
    assert rate.ppm == pytest.approx(250_000.0, abs=20.0)


def test_impossible_exchanges_are_left_out():
    data = exchanges(np.random.default_rng(5), ppm=100.0, seconds=60.0)
    data["received_host_s"][10] = data["sent_host_s"][10] - 1.0  # received before it was sent
    data["received_host_s"][20] = np.nan
    rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
    assert rate.ppm == pytest.approx(100.0, abs=3.0)


def jumping(data, at_s, by_s, seconds):
    """The same exchanges, told by a host's clock that goes on by `by_s` more at its second `at_s`."""
    later = np.arange(len(data["sent_host_s"])) >= np.ceil(at_s * len(data["sent_host_s"]) / seconds)
    return data | {name: data[name] + np.where(later, by_s, 0.0) for name in ("sent_host_s", "received_host_s")}


@pytest.mark.parametrize("by_s", [-0.9, -0.02, 0.02, 0.9, 120.0, 86_400.0])
@pytest.mark.parametrize("ppm", [0.0, -4200.0, 250_000.0])
def test_a_clock_that_jumps_spoils_nothing(ppm, by_s):
    # As of a computer that slept: a plain line through all would be off by thousands of ppm.
    data = jumping(exchanges(np.random.default_rng(8), ppm=ppm, seconds=90.0, every_s=0.487), 30.0, by_s, 90.0)
    rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
    assert rate.ppm == pytest.approx(ppm, abs=4.0)
    assert rate.u_ppm < 1.1 * HOST_U_PPM
    assert rate.basis.endswith("one of the two jumped, 123 of 185 exchanges count")  # those from 30 s of 90 s


def test_a_sleep_of_every_few_seconds_leaves_the_longest_stretch():
    data = exchanges(np.random.default_rng(9), ppm=300.0, seconds=60.0, every_s=0.25)
    for at_s in (5.0, 12.0, 20.0, 41.0, 50.0):
        data = jumping(data, at_s, 7.0, 60.0)
    rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
    assert abs(rate.ppm - 300.0) <= 2.0 * timing_u_ppm(rate)
    assert "84 of 240" in rate.basis  # from 20 s to 41 s


def test_a_resonator_that_warms_and_a_busy_host_do_not_jump():
    for seed in range(50):
        data = exchanges(
            np.random.default_rng(seed), ppm=1000.0, seconds=600.0, every_s=0.487, busy=0.33, drift_ppm=1000.0
        )
        assert "jumped" not in rate_of(Syncs(**data), tick_hz=TICK_HZ).basis


def test_a_few_exchanges_hold_no_jump():
    for seed in range(200):
        data = exchanges(np.random.default_rng(seed), ppm=500.0, seconds=3.0, busy=0.1)
        assert jumps_of(series_of(Syncs(**data), tick_hz=TICK_HZ)) == []


def test_a_jump_of_four_milliseconds_is_found_beside_trips_of_one():
    # An unseen one shifts the rate of two minutes by 33 ppm.
    found = 0
    for seed in range(100):
        data = exchanges(np.random.default_rng(seed), ppm=-700.0, seconds=120.0, delay_s=400e-6, busy=0.03)
        found += "jumped" in rate_of(Syncs(**jumping(data, 60.0, 4e-3, 120.0)), tick_hz=TICK_HZ).basis
    assert found >= 95


@pytest.mark.parametrize("pace", [1e-3, 0.4, 2.6, 1e6])
def test_a_pace_that_no_board_has_is_not_believed(pace):
    data = exchanges(np.random.default_rng(10), ppm=0.0, seconds=60.0)
    first = data["sent_host_s"][0]
    stretched = {name: first + pace * (data[name] - first) for name in ("sent_host_s", "received_host_s")}
    slow = data | stretched if pace > 1 else data | stretched | {"answer_ticks": data["ping_ticks"]}
    assert rate_of(Syncs(**slow), tick_hz=TICK_HZ) == unmeasured()


def test_an_answer_that_waited_through_a_sleep_does_not_count():
    # It was read two minutes late, at the very end: within half of that trip anything is possible.
    data = exchanges(np.random.default_rng(12), ppm=700.0, seconds=20.0, every_s=0.487)
    data["received_host_s"][-1] += 120.0
    rate = rate_of(Syncs(**data), tick_hz=TICK_HZ)
    assert rate.ppm == pytest.approx(700.0, abs=20.0)
    assert rate.u_ppm < 1.5 * HOST_U_PPM


def test_order_does_not_matter():
    data = exchanges(np.random.default_rng(6), ppm=100.0, seconds=60.0)
    shuffled = np.random.default_rng(0).permutation(len(data["sent_host_s"]))
    other = {key: value[shuffled] for key, value in data.items()}
    assert rate_of(Syncs(**other), tick_hz=TICK_HZ) == rate_of(Syncs(**data), tick_hz=TICK_HZ)


def test_a_running_session_improves_and_stays_small():
    data = exchanges(np.random.default_rng(7), ppm=-800.0, seconds=3600.0, every_s=1.0, busy=0.1)
    history = SyncHistory(TICK_HZ)
    assert history.rate() == unmeasured()
    seen = []
    for i in range(len(data["sent_host_s"])):
        history.add(
            sent_host_s=float(data["sent_host_s"][i]),
            received_host_s=float(data["received_host_s"][i]),
            ping_ticks=int(data["ping_ticks"][i]),
            answer_ticks=int(data["answer_ticks"][i]),
        )
        if i in (10, 100, 3599):
            seen.append(history.rate())
    assert len(history._rows) <= MOST
    assert timing_u_ppm(seen[0]) > timing_u_ppm(seen[1]) > timing_u_ppm(seen[2])
    assert seen[-1].ppm == pytest.approx(-800.0, abs=0.5)


def test_imported_times_say_that_their_clock_is_not_counted():
    assert as_imported().u_ppm == 0.0
    assert "not in the ±" in as_imported().basis
