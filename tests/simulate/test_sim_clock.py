"""Does the simulated board's clock read what it should?"""

import math

import numpy as np
import pytest

from kerfbeat.simulate.clock import TICK_HZ, BoardClock
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.stamps import HELD_UP_TICKS, Stamper


def clock(*, ppm: float = 0.0, warm_ppm: float = 0.0, wander_ppm: float = 0.0) -> BoardClock:
    return BoardClock(ppm=ppm, warm_ppm=warm_ppm, warm_s=300.0, wander_ppm=wander_ppm, wander_phases=(0.1, 0.5, 0.8))


@pytest.mark.parametrize("ppm", [0.0, 5000.0, -73.25])
def test_a_constant_offset_is_a_constant_rate(ppm: float) -> None:
    seconds = np.array([0.0, 1.0, 3600.0, 36_000.0])
    assert clock(ppm=ppm).reading(seconds) == pytest.approx(16e6 * seconds * (1 + ppm * 1e-6), rel=1e-14)


def test_the_reading_is_the_integral_of_the_rate() -> None:
    board = clock(ppm=1200.0, warm_ppm=35.0, wander_ppm=3.0)
    seconds = np.linspace(0.0, 2000.0, 200_001)
    rate_hz = TICK_HZ * (1 + 1e-6 * board.offset_ppm(seconds))
    summed = np.sum((rate_hz[1:] + rate_hz[:-1]) / 2 * np.diff(seconds))
    assert board.reading(seconds)[-1] == pytest.approx(summed, abs=0.1)


def test_warm_up_and_wander_are_as_large_as_said() -> None:
    assert clock(warm_ppm=35.0).offset_ppm(np.array([0.0, 300.0, 1e5])) == pytest.approx(
        [0.0, 35 * (1 - math.exp(-1)), 35.0]
    )
    seconds = np.linspace(0.0, 1e6, 400_000)
    assert np.std(clock(wander_ppm=3.0).offset_ppm(seconds)) == pytest.approx(3.0, rel=1e-2)


def test_when_is_the_inverse_and_single_readings_agree() -> None:
    board = clock(ppm=-4000.0, warm_ppm=20.0, wander_ppm=1.0)
    seconds = np.array([0.0, 0.123, 77.7, 9000.0])
    assert board.when(board.reading(seconds)) == pytest.approx(seconds, abs=1e-11)
    assert [board.ticks_at(each) for each in seconds.tolist()] == np.floor(board.reading(seconds)).astype(int).tolist()


def test_a_board_drawn_by_seed_is_a_ceramic_one_and_stays_the_same() -> None:
    drawn = [BoardClock.from_parameters(Parameters(), seed=seed).ppm for seed in range(40)]
    assert max(map(abs, drawn)) < 5000.0  # a ceramic resonator is within 0.5 %
    assert np.std(drawn) > 500.0
    assert BoardClock.from_parameters(Parameters(), seed=7).ppm == drawn[7]
    assert BoardClock.from_parameters(Parameters(clock_ppm=12.5), seed=7).ppm == 12.5


def test_the_capture_input_is_exact_to_its_tick() -> None:
    seconds = np.array([1e-6, 0.5, 2.000000030, 2.000000095])
    ticks = Stamper(board_input=1, clock=clock(), random=np.random.default_rng(0)).ticks(seconds)
    assert ticks.tolist() == [16, 8_000_000, 32_000_000, 32_000_001]


@pytest.mark.parametrize("board_input", [2, 3])
def test_other_inputs_are_late_within_their_bound(board_input: int) -> None:
    seconds = np.cumsum(np.full(20_000, 3e-3))
    ticks = Stamper(board_input=board_input, clock=clock(), random=np.random.default_rng(1)).ticks(seconds)
    late = ticks - np.floor(seconds * TICK_HZ + 1e-3)
    assert late.min() >= 0
    assert late.max() <= HELD_UP_TICKS[board_input] + 1
    assert np.median(late) < 12
    assert HELD_UP_TICKS[board_input] / TICK_HZ <= {2: 10e-6, 3: 15e-6}[board_input]  # what the board promises


def test_edges_that_latency_would_swap_stay_in_order() -> None:
    seconds = 1.0 + np.arange(2000) * 1e-6
    stamper = Stamper(board_input=3, clock=clock(), random=np.random.default_rng(2))
    ticks = np.concatenate([stamper.ticks(part) for part in np.array_split(seconds, 400)])  # also from part to part
    assert np.all(np.diff(ticks) > 0)
