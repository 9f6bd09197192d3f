"""Does the board alone, with no host, show on its display what the blade does?"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_driver import BOARD_HZ, EmulatedBoard
from board_kinds import FIRST, on_every_board
from board_panel import FOOT_M, DisplayLog, Shown, display, number, passages, press, run_until, set_up, settings, uneven
from board_patterns import random_train
from board_session import Recording, check_interrupts, compare

from kerfbeat.capture.log import read_log

pytestmark = pytest.mark.board

LONG = os.environ.get("KERFBEAT_LONG") == "1"
Starter = Callable[..., EmulatedBoard]
Measured = Callable[[str], None]

DIAMETERS_M = (0.2, 0.3309, 0.9)  # of the blade's middle
TARGETS = (1, 2, 3, 4, 5, 7, 8, 9, 12, 16, 17, 24, 31, 36, 45, 59, 60)
SPEEDS_FT_MIN = (20, 31, 47, 80, 99.9, 150, 260, 400, 731, 999, 1234, 2000, 3000, 4500, 6000)
START_S = 0.05
REFRESH_S = 0.1  # from a reading to the next


def circumference_um(diameter_m: float) -> int:
    return round(math.pi * diameter_m * 1e6)


def shown_at(log: list[Shown], cycle: int) -> Shown:
    """What stood on the display at a cycle."""
    return next(row for row in reversed(log) if row.cycle <= cycle)


def play(board: EmulatedBoard, times_s: np.ndarray, *, number_of_input: int = 1) -> int:
    """Injects pulses and runs to the last of them; the cycle of time 0."""
    zero = board.inject_pulses(np.round(times_s * BOARD_HZ), number_of_input, after_cycles=round(START_S * BOARD_HZ))
    run_until(board, zero + round(times_s[-1] * BOARD_HZ))
    return zero


def check_speed(line: str, m_per_s: float, unit: str, case: str) -> float:
    """The line says the speed in that unit, within 0.05 % or a digit; returns the error in percent."""
    true = m_per_s * 60.0 / (FOOT_M if unit == "ft/min" else 1.0)
    assert line.rstrip().endswith(unit), (line, case)
    assert "<" not in line, (line, case)
    said = number(line)
    digit = 0.1 if "." in line[:10] else 1.0
    assert digit < 1.0 or true > 999.0, (line, case)
    assert abs(said - true) <= max(0.0005 * true, digit), (line, true, case)
    return (said / true - 1.0) * 100.0


def grid(board_name: str) -> list[tuple[float, int, float]]:
    """Diameter, targets, speed: in a long run all (another board: a fifth), else each value once or more, by lot."""
    whole = [(d, n, v) for d in DIAMETERS_M for n in TARGETS for v in SPEEDS_FT_MIN]
    first = board_name == FIRST
    generator = np.random.default_rng(6 if first else 7)
    chosen = [whole[at] for at in generator.permutation(len(whole))]
    if LONG:
        return chosen if first else chosen[::5]
    kept: list[tuple[float, int, float]] = []
    for case in chosen:
        if case[0] * math.pi / (case[2] * FOOT_M / 60.0) > (12.0 if first else 2.0):
            continue  # slower turns than that take long to emulate: one is added below
        if all(case[1] != other[1] for other in kept) or (first and all(case[2] != other[2] for other in kept)):
            kept.append(case)
    return [*kept, (0.9, 1, 20), (0.2, 60, 6000)] if first else kept[::2]


@on_every_board
def test_the_settled_display_is_the_speed(start_board: Starter, board_name: str, measured: Measured) -> None:
    board = start_board("--speed", "max")
    generator = np.random.default_rng(1)
    worst = 0.0
    cases = grid(board_name)
    for diameter_m, targets, ft_per_min in cases:
        case = f"{diameter_m} m, {targets} targets, {ft_per_min} ft/min"
        set_up(board, settings(targets=targets, circumference_um=circumference_um(diameter_m)))
        m_per_s = ft_per_min * FOOT_M / 60.0
        turn_s = math.pi * diameter_m / m_per_s
        # the first number comes after a turn, of three targets and more after a gap and a turn, and if they are more
        # uneven than a tenth of their spacing perhaps another turn later
        percent = 15.0 if turn_s < 2.0 else 10.0
        first_turns = 1.15 if targets < 3 else 2.5 if percent > 10.0 else 1.55
        duration_s = 1.0 + (first_turns + 0.2 + 2.2 / targets) * turn_s
        log = DisplayLog(board)
        times = passages(
            np.array([0.0, duration_s / turn_s]), np.array([0.0, duration_s]),
            uneven(targets, generator, percent=percent) % 1.0,
        )
        zero = play(board, times)
        rows = log.read()
        settled = zero + round((times[0] + max(turn_s * first_turns, 0.5) + 0.2) * BOARD_HZ)
        end = zero + round(times[-1] * BOARD_HZ)
        assert settled < end, case
        seen = [shown_at(rows, settled), *(row for row in rows if settled < row.cycle < end)]
        for row in seen:
            off_percent = check_speed(row.lines[0], m_per_s, "ft/min", case)
            if ft_per_min >= 1000:
                worst = max(worst, abs(off_percent))
            check_speed(row.lines[1], m_per_s, "m/min", case)
        assert len(seen) <= 3, (case, [row.lines for row in seen])  # it stands still: no digit flickers
    measured(f"{board_name}, settled display, {len(cases)} wheels and speeds from 20 to 6000 ft/min: within 0.05 % "
             f"or a digit; from 1000 ft/min on within {worst:.3f} %")


SAW_UM = circumference_um(0.3309)
SAW_M = SAW_UM * 1e-6


def wheel(
    speeds_m_per_s: np.ndarray, times_s: np.ndarray, places: np.ndarray, *, circumference_m: float = SAW_M,
) -> np.ndarray:
    """Times of the pulses of a wheel whose blade runs at those speeds at those times, straight between them."""
    fine_s = np.arange(times_s[0], times_s[-1], 0.001)
    fine_m_per_s = np.interp(fine_s, times_s, speeds_m_per_s)
    steps_m = (fine_m_per_s[1:] + fine_m_per_s[:-1]) / 2.0 * np.diff(fine_s)
    return passages(np.concatenate([[0.0], np.cumsum(steps_m)]) / circumference_m, fine_s, places)


def lag_limit_s(targets: int, turn_s: float) -> float:
    """What PROTOCOL.md section 9 states: a turn (at the slower of the speeds told and present) or 0.5 s, and with a
    single target the time from one look to the next."""
    return max(turn_s, 0.5) + (REFRESH_S if targets == 1 else 0.0)


@pytest.mark.parametrize(("targets", "slow", "fast"), [
    (1, 0.9, 4.0), (1, 0.7, 1.2), (2, 0.9, 4.0), (3, 1.0, 5.0), (4, 0.5, 3.0), (4, 5.0, 25.0), (36, 0.8, 2.0),
])
def test_lag_is_a_turn_or_half_a_second(
    start_board: Starter, measured: Measured, targets: int, slow: float, fast: float,
) -> None:
    # Up and down again in straight lines: each number shown was the speed at some moment before; how long before, on
    # the mean over the time it stood, is the lag.
    board = start_board("--speed", "max")
    set_up(board, settings(targets=targets, circumference_um=SAW_UM, unit=1))
    log = DisplayLog(board)
    turn_s = SAW_M / slow
    ramp_s = max(8.0 * turn_s, 6.0)
    corners_s = np.cumsum([0.0, 3.0 * turn_s + 1.0, ramp_s, 3.0, ramp_s, 3.0 * turn_s + 1.0])
    speeds = np.array([slow, slow, fast, fast, slow, slow])
    places = uneven(targets, np.random.default_rng(3)) % 1.0
    zero = play(board, wheel(speeds, corners_s, places))
    rows = log.read()
    for begin, name in ((1, "up"), (3, "down")):
        rate = (speeds[begin + 1] - speeds[begin]) / ramp_s
        lags_s = []
        allowed_s = []
        for at_s in np.arange(corners_s[begin] + 0.4 * ramp_s, corners_s[begin + 1], 0.01):
            row = shown_at(rows, zero + round(at_s * BOARD_HZ))
            said = number(row.lines[0]) / 60.0
            lags_s.append(at_s - (corners_s[begin] + (said - speeds[begin]) / rate))
            allowed_s.append(lag_limit_s(targets, SAW_M / min(said, np.interp(at_s, corners_s, speeds))))
        lag_s, most_s = float(np.mean(lags_s)), float(np.mean(allowed_s))
        measured(f"lag speeding {name}, {targets} targets, {slow} to {fast} m/s: {lag_s:.2f} s of {most_s:.2f} s")
        assert 0.0 < lag_s <= most_s


@pytest.mark.parametrize(
    ("targets", "m_per_s"), [(1, 1.0), (1, 2.5), (2, 1.0), (3, 1.9), (4, 0.5), (4, 20.0), (36, 2.0)],
)
def test_a_stall_shows_within_a_turn_or_half_a_second(
    start_board: Starter, measured: Measured, targets: int, m_per_s: float,
) -> None:
    # the pulses end: the number falls, "slower than", ever less, then no pulses; a bound that no pulse contradicts;
    # never "stopped" alone.  The worst moment for it is right behind a target.
    board = start_board("--speed", "max")
    set_up(board, settings(targets=targets, circumference_um=SAW_UM))
    log = DisplayLog(board)
    turn_s = SAW_M / m_per_s
    duration_s = 3.0 * turn_s + 2.0
    places = uneven(targets, np.random.default_rng(4), percent=10.0) % 1.0
    times = wheel(np.array([m_per_s, m_per_s]), np.array([0.0, duration_s]), places)
    zero = play(board, times)
    last = zero + round(times[-1] * BOARD_HZ)
    passed_m = {1: 1.0, 2: 1.5}.get(targets, 2.25) * SAW_M / targets  # at most, in a silence: section 9
    run_until(board, last + round((passed_m / (10.0 * FOOT_M / 60.0) + 0.5) * BOARD_HZ))
    log_rows = log.read()
    settled = number(shown_at(log_rows, last).lines[0])
    rows = [row for row in log_rows if row.cycle > last]
    none = [row for row in rows if row.lines == ("NO PULSES       ", "stopped or lost?")]
    falling = [row for row in rows if row not in none and number(row.lines[0]) < settled]
    slower = [row for row in falling if "<" in row.lines[0]]
    after_s = (falling[0].cycle - last) / BOARD_HZ
    limit_s = lag_limit_s(targets, turn_s)
    measured(f"a stall at {m_per_s} m/s, {targets} targets: told after {after_s:.2f} s of {limit_s:.2f} s, "
             f"no pulses after {(none[0].cycle - last) / BOARD_HZ:.1f} s")
    assert after_s <= limit_s
    assert falling == rows[: len(falling)]
    assert slower == falling[-len(slower) :]
    bounds = [number(row.lines[0]) for row in falling]
    assert bounds == sorted(bounds, reverse=True)
    for row in falling:  # the number is that of the last look, up to 0.12 s before
        silent_s = (row.cycle - last) / BOARD_HZ
        bound = passed_m / silent_s / FOOT_M * 60.0
        assert bound - 0.1 <= number(row.lines[0]) <= bound * silent_s / (silent_s - 0.12) + 0.1
    assert none == rows[-1:]
    assert "<" in rows[-2].lines[0]


@pytest.mark.parametrize(("targets", "m_per_s"), [(3, 1.0), (4, 10.0), (36, 5.0)])
def test_a_missing_target_is_survived(start_board: Starter, targets: int, m_per_s: float) -> None:
    # one is missed in the first turn, and once in a while; of more targets up to three neighbours, or every other one;
    # then one is gone for good, and still is when the board starts anew: no look ever tells another number
    board = start_board("--speed", "max")
    set_up(board, settings(targets=targets, circumference_um=SAW_UM))
    log = DisplayLog(board)
    turn_s = SAW_M / m_per_s
    duration_s = 24.0 * turn_s + 3.0
    places = uneven(targets, np.random.default_rng(5), percent=10.0) % 1.0
    times = wheel(np.array([m_per_s, m_per_s]), np.array([0.0, duration_s]), places)
    kept = np.ones(times.size, dtype=bool)
    kept[[2, targets * 6 + 1, targets * 9 + 2, targets * 11]] = False
    if turn_s / targets < 0.1:  # of slower ones such a silence is told
        kept[[targets * 7, targets * 7 + 2, targets * 12 + 1, targets * 12 + 2]] = False
        kept[targets * 13 + 1 : targets * 13 + 4] = False
    kept[targets * 16 :: targets] = False
    for again in (False, True):
        if again:
            kept[:] = True
            kept[1::targets] = False
            board.reset()
            run_until(board, board.cycle() + BOARD_HZ // 2)
        zero = play(board, times[kept])
        first = zero + round((3.3 * turn_s + 0.5) * BOARD_HZ)
        end = zero + round(times[kept][-1] * BOARD_HZ)
        rows = log.read()
        told = [row for row in rows if zero < row.cycle < end and "min" in row.lines[0]]
        assert told[0].cycle < first
        for row in [shown_at(rows, first), *told]:
            check_speed(row.lines[0], m_per_s, "ft/min", f"{targets} targets, some missed, started anew: {again}")


@on_every_board
def test_the_clock_correction_counts(start_board: Starter) -> None:
    # ticks that come 0.5 % too often make a turn look longer: 1000 ft/min at the true rate
    board = start_board("--speed", "max")
    set_up(board, settings(targets=4, circumference_um=SAW_UM, clock_ppb=5_000_000))
    m_per_s = 1000.0 * FOOT_M / 60.0
    times = wheel(np.full(2, m_per_s), np.array([0.0, 3.0]), uneven(4, np.random.default_rng(6)) % 1.0)
    log = DisplayLog(board)
    zero = play(board, times * 1.005)
    check_speed(shown_at(log.read(), zero + 2 * BOARD_HZ).lines[0], m_per_s, "ft/min", "clock 0.5 % fast")


@on_every_board
def test_the_display_follows_four_times_a_second(start_board: Starter, measured: Measured) -> None:
    # while the speed changes all the time so does the display, and it writes only what has changed
    board = start_board("--speed", "max")
    set_up(board, settings(targets=4, circumference_um=SAW_UM))
    log = DisplayLog(board)
    zero = play(board, wheel(np.array([5.0, 25.0]), np.array([0.0, 10.0]), np.arange(4) / 4))
    before = display(board)["bytes"]
    rows = [row for row in log.read() if zero + BOARD_HZ < row.cycle < zero + 9 * BOARD_HZ]
    gaps_s = np.diff([row.cycle for row in rows]) / BOARD_HZ
    measured(f"refresh while the speed changes: {1.0 / gaps_s.mean():.1f} a second, at least {1.0 / gaps_s.max():.1f}")
    assert gaps_s.max() <= 0.25
    assert before < 14 * 10 * 10 + 200  # of 34 bytes in each of 100 texts


@on_every_board
def test_a_board_that_was_never_set_says_so(start_board: Starter) -> None:
    board = start_board("--speed", "max")
    run_until(board, BOARD_HZ)
    assert display(board)["lines"] == ["NOT SET         ", "hold SET 2 s    "]
    assert board.stats()["eeprom_writes"] == 0


@on_every_board
def test_slip_and_limits_raise_the_alarm(start_board: Starter, measured: Measured) -> None:
    # a motor that turns 13 times for one of the wheel when idle; a second gear of 30; limits on slip and on speed
    board = start_board("--speed", "max")
    set_up(board, settings(
        targets=4, circumference_um=SAW_UM, fast_input=2, fast_targets=2, ratios=(30.0, 13.0), slip_limit_percent=5.0,
        fastest_mm_min=round(22.0 * 60_000), slowest_mm_min=round(2.0 * 60_000),
    ))
    log = DisplayLog(board)
    corners_s = np.array([0.0, 4.0, 6.0, 10.0, 12.0, 16.0, 18.0, 22.0, 26.0, 28.0])
    speeds = np.array([20.0, 20.0, 20.0, 20.0, 24.0, 24.0, 20.0, 20.0, 1.0, 1.0])
    fine_s = np.arange(0.0, corners_s[-1], 0.001)
    slip = np.interp(fine_s, [4.0, 4.5, 8.0, 8.5], [0.012, 0.08, 0.08, 0.012])
    turns = np.concatenate([[0.0], np.cumsum(np.interp(fine_s, corners_s, speeds)[1:] * 0.001)]) / SAW_M
    motor_turns = np.concatenate([[0.0], np.cumsum(np.diff(turns) * 13.0 / (1.0 - slip[1:]))])
    wheel_s = passages(turns, fine_s, np.array([0.0, 0.26, 0.49, 0.77]))
    motor_s = passages(motor_turns, fine_s, np.array([0.0, 0.45]))
    inputs = np.concatenate([np.ones(wheel_s.size, dtype=int), np.full(motor_s.size, 2)])
    zero = board.inject_pulses(np.round(np.concatenate([wheel_s, motor_s]) * BOARD_HZ), inputs, after_cycles=800_000)
    run_until(board, zero + 29 * BOARD_HZ)
    rows = log.read()

    def at(seconds: float) -> Shown:
        return shown_at(rows, zero + round(seconds * BOARD_HZ))

    assert (at(3.9).lines[1], at(3.9).alarm) == ("belt slip   1.2%", False)
    assert (at(7.5).lines[1], at(7.5).alarm) == ("!! SLIP !!  8.0%", True)
    assert (at(11.0).lines[1], at(11.0).alarm) == ("belt slip   1.2%", False)
    assert (at(15.9).lines[1], at(15.9).alarm) == ("!!! TOO FAST !!!", True)
    assert (at(21.9).lines[1], at(21.9).alarm) == ("belt slip   1.2%", False)
    began_s = next((row.cycle - zero) / BOARD_HZ for row in rows if "SLIP" in row.lines[1])
    measured(f"slip alarm {began_s - 4.28:.1f} s after the slip passed its limit")
    assert 4.28 + 0.9 < began_s < 4.28 + 1.7


def test_a_false_edge_is_no_maximum(start_board: Starter) -> None:
    # one pulse too many makes four targets five for a window or two: the number jumps, the maximum does not
    board = start_board("--speed", "20")
    set_up(board, settings(targets=4, circumference_um=SAW_UM))
    m_per_s = 2000.0 * FOOT_M / 60.0
    times = wheel(np.full(2, m_per_s), np.array([0.0, 8.0]), uneven(4, np.random.default_rng(8)) % 1.0)
    at = np.searchsorted(times, 4.0)
    false_s = times[at - 1 : at + 1].mean()
    board.inject_pulses(np.round(np.sort(np.append(times, false_s)) * BOARD_HZ), 1)
    zero = board.cycle()
    run_until(board, zero + BOARD_HZ)
    press(board, "hold")
    run_until(board, zero + 2 * BOARD_HZ)  # the first maximum, too, must stand for half a second
    log = DisplayLog(board)
    run_until(board, zero + round(7.5 * BOARD_HZ))
    rows = log.read()
    assert rows[-1].lines[0].startswith("MAX")
    for row in rows:
        check_speed(row.lines[0], m_per_s, "ft/min", "the highest")


@on_every_board
def test_buttons(start_board: Starter) -> None:
    board = start_board("--speed", "20")
    set_up(board, settings(targets=4, circumference_um=SAW_UM))
    m_per_s = 2000.0 * FOOT_M / 60.0
    speeds = np.array([1.0, 1.0, 0.5, 0.5]) * m_per_s
    times = wheel(speeds, np.array([0.0, 6.0, 8.0, 400.0]), uneven(4, np.random.default_rng(8)) % 1.0)
    board.inject_pulses(np.round(times * BOARD_HZ), 1)
    zero = board.cycle()
    run_until(board, zero + BOARD_HZ)
    press(board, "hold")
    run_until(board, zero + 12 * BOARD_HZ)
    lines = display(board)["lines"]
    assert lines[0].startswith("MAX")
    check_speed(lines[0], m_per_s, "ft/min", "the highest")
    press(board, "hold")
    check_speed(display(board)["lines"][0], m_per_s / 2.0, "ft/min", "now")
    press(board, "unit")
    check_speed(display(board)["lines"][0], m_per_s / 2.0, "m/min", "unit pressed")
    check_speed(display(board)["lines"][1], m_per_s / 2.0, "ft/min", "unit pressed")
    run_until(board, board.cycle() + BOARD_HZ)
    board.tell("power off")
    board.tell("power on")
    run_until(board, board.cycle() + 2 * BOARD_HZ)
    check_speed(display(board)["lines"][0], m_per_s / 2.0, "m/min", "kept without power")


def test_a_wheel_is_set_without_a_host(start_board: Starter) -> None:
    board = start_board("--speed", "8")  # a minute without a button would end it: 7 s on this clock
    run_until(board, BOARD_HZ // 2)
    press(board, "set", 1.5)
    assert display(board)["lines"][0] == "NOT SET         "  # not long enough
    press(board, "set", 2.3)
    assert display(board)["lines"][0].startswith("D+blade ")
    for digit in "0330904":  # 330.9 mm, 4 targets
        for _ in range(int(digit)):
            press(board, "unit")
        press(board, "hold")
    run_until(board, board.cycle() + BOARD_HZ)
    lines = [line.replace("_", "0") for line in display(board)["lines"]]
    assert lines == ["D+blade 0330.9mm", "targets 04      "]
    press(board, "set", 2.3)
    run_until(board, board.cycle() + BOARD_HZ)
    assert display(board)["lines"] == ["NO PULSES       ", "stopped or lost?"]
    board.tell("power off")
    board.tell("power on")
    m_per_s = 1.5
    times = wheel(np.full(2, m_per_s), np.array([0.0, 8.0]), uneven(4, np.random.default_rng(9)) % 1.0)
    zero = board.inject_pulses(np.round(times * BOARD_HZ), 1)
    run_until(board, zero + 5 * BOARD_HZ)
    check_speed(display(board)["lines"][0], m_per_s, "ft/min", "set by hand")


@on_every_board
def test_pulses_are_recorded_as_exactly_with_display_and_buttons_busy(
    start_board: Starter, tmp_path: Path, measured: Measured,
) -> None:
    # 10,000 pulses a second, a third of them the wheel's, whose speed never rests; buttons pressed and settings written
    board = start_board("--speed", "4")
    set_up(board, settings(
        targets=7, circumference_um=SAW_UM, fast_input=2, fast_targets=5, ratios=(1.0,), slip_limit_percent=1.0,
        fastest_mm_min=10**6,
    ))
    cycles, inputs = random_train(11, per_s=10_000, seconds=3.0)
    with Recording(board, tmp_path / "log.csv", speed=4.0) as recording:
        for turn in range(90):
            if not board.playing():
                board.inject_pulses(cycles, inputs)
            board.tell(f"button {('unit', 'hold', 'set')[turn % 3]} {('down', 'up')[turn // 3 % 2]}")
            now = board.cycle()
            recording.pump_until(lambda now=now: board.cycle() > now + BOARD_HZ // 8, "the button is felt")
        recording.play_out()
    assert board.stats()["eeprom_writes"] > 20
    assert display(board)["bytes"] > 300
    comparison = compare(read_log(tmp_path / "log.csv"), board)
    comparison.check()
    measured(comparison.row("display, alarm and buttons busy, 10,000 pulses/s"))
    measured(check_interrupts(board))


@on_every_board
def test_a_display_plugged_in_late_comes_up(start_board: Starter) -> None:
    board = start_board("--speed", "max")
    board.tell("display unplug")
    set_up(board, settings(targets=4, circumference_um=SAW_UM))
    run_until(board, board.cycle() + 3 * BOARD_HZ)
    board.tell("display plug")
    run_until(board, board.cycle() + 15 * BOARD_HZ)
    found = display(board)
    assert found["on"]
    assert found["two_lines"]
    assert found["lines"] == ["NO PULSES       ", "stopped or lost?"]
