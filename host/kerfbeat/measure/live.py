"""How fast does a shaft turn at this moment, by the pulses that have come so far?

`LiveSpeed` takes the edges of one channel as they arrive.  "Now" is the tick up to which the record is complete:
no pulse since the last edge means "slower than", and the bound falls while the silence lasts.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import MeasureError
from kerfbeat.measure.counting import PulseCount
from kerfbeat.measure.follow import ANGLE_SHARE
from kerfbeat.measure.silence import ShaftReading, judge_silence, unstoppable
from kerfbeat.measure.uncertainty import Estimate

__all__ = ["LiveSpeed", "Place", "ShaftReading", "judge_silence"]

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

K95 = 1.96
RESONATOR_U = 0.005 / math.sqrt(3.0)  # until the clock is measured: +-0.5 %, rectangular
OVERDUE = 1.25  # of the gap that is due next, and GRACE_S: from here the silence itself lowers the reading
SLACK = 1.12  # of it: until then a late edge only widens the interval, and the digits stand still
LATE = 2.1  # of it, and GRACE_S: from here no speed is told, only a bound; one missing pulse does not reach that
SLOWED = 0.6  # of the speed by the last gap: the least at which the next one is awaited, however hard it brakes
GRACE_S = 0.03  # batches come every 20 ms
SILENT_GAPS, SILENT_S, SILENT_MOST_S = 4.0, 2.0, 5.0  # silence of so many gaps, not less nor more than so long, is
#                                                        "stopped, or signal lost"
RAMPS_FROM, RAMPS_UNTIL = 0.03, 0.015  # of the speed per second: from when it is told to be changing, and until when


class Place(NamedTuple):
    """Where a shaft was at an edge.

    run : number of the unbroken count; places of different counts do not compare.   slot : number of the target since
    that count began.   turns : the same in turns, by the angles learnt until then.
    joined : False where an edge since the place before turned out to be none: the way from there says nothing.
    """

    tick: int
    run: int
    slot: int
    turns: float
    joined: bool


class LiveSpeed:
    """Speed of one channel, edge by edge.

    targets : in a turn.  tick_hz : the board's stated rate.
    spacing_turns : (targets,) known spacing from each target to the next; used once it fits in one rotation only.
    """

    def __init__(self, *, targets: int, tick_hz: float, spacing_turns: Sequence[float] | Floats | None = None) -> None:
        if targets < 1 or not tick_hz > 0:
            raise MeasureError(f"{targets} targets at {tick_hz} ticks a second cannot be; both must be above 0")
        spacing = None if spacing_turns is None else np.asarray(spacing_turns, dtype=np.float64)
        if spacing is not None and len(spacing) != targets:
            raise MeasureError(f"{len(spacing)} spacings do not describe {targets} targets")
        self._targets = targets
        self._count = PulseCount(targets=targets, tick_hz=tick_hz, spacing_turns=spacing)
        self._clock_factor, self._clock_u = 1.0, RESONATOR_U
        self.restart(tick_hz)

    def restart(self, tick_hz: float) -> None:
        """A board (re)started: ticks count anew, and what was counted before is over."""
        self._tick_hz = tick_hz
        self._count.restart(tick_hz)
        self._observed_from: int | None = None
        self._complete = 0
        self._hidden_until = -1
        self._last_edge: int | None = None
        self._changing = 0
        self._places: list[Place] | None = None
        self._placed_tick = 0
        self._extra = 0
        self._revised = False

    def set_clock(self, ppm: float, u_ppm: float) -> None:
        """What is known of the clock: true rate = stated rate (1 + ppm / 1e6), with standard uncertainty."""
        self._clock_factor, self._clock_u = 1.0 + ppm * 1e-6, u_ppm * 1e-6

    def feed(self, edge_ticks: Ticks | Sequence[int], complete_ticks: int) -> None:
        """Take edges, increasing, and how far the record is complete."""
        if self._observed_from is None:
            self._observed_from = complete_ticks
        for tick in edge_ticks.tolist() if isinstance(edge_ticks, np.ndarray) else edge_ticks:
            self._last_edge = tick
            self._count.take(tick)
            if self._places is not None and self._count.used_tick != self._placed_tick:
                self._place()
        self._complete = max(self._complete, complete_ticks)

    def keep_places(self) -> None:
        """From now on keep where the shaft was, for `take_places`."""
        self._places = []

    def _place(self) -> None:
        count = self._count
        assert self._places is not None
        forward = count.used_tick > self._placed_tick
        # Where an edge was refused or taken back, another may have been taken wrongly.
        joined = forward and not self._revised and count.extra == self._extra
        self._placed_tick, self._extra = count.used_tick, count.extra
        if forward and count.running:
            self._places.append(Place(count.used_tick, count.begun, count.used_slot, count.used_turns(), joined=joined))
        self._revised = not forward

    def take_places(self) -> list[Place]:
        """The shaft's places since last asked, a fiftieth of a second apart at least."""
        places, self._places = self._places or [], []
        return places

    def lose(self, start_ticks: int, end_ticks: int, pulses: int | None) -> None:
        """Edges after `start_ticks` up to `end_ticks` are lost, `pulses` of them, or None if nobody knows."""
        self._hidden_until = max(self._hidden_until, end_ticks)
        count = self._count
        if count.last_tick is None:
            return
        if end_ticks <= count.last_tick:  # reported late, from between edges that have come: they count anew
            count.break_off(count.last_tick)
        elif pulses is None or not count.running or start_ticks < count.last_tick:
            count.break_off(None)
        else:
            count.hide(pulses)

    # What is known now.

    def reading(self) -> ShaftReading:
        """The shaft at the tick up to which the record is complete."""
        count, tick_hz, bank = self._count, self._tick_hz, self._count.bank
        if count.last_tick is None or not count.speaks:
            return self._unread()
        silent_s = max(0, self._complete - max(count.last_tick, self._hidden_until)) / tick_hz
        since_used_s = max(0, self._complete - count.used_tick) / tick_hz
        last_hz = max(bank.speed_hz, SLOWED * count.last_gap_hz)
        widest, typical = self._next_gap()
        slower_than_hz = self._clock_factor * widest / silent_s if silent_s > 0 else math.inf
        expected_s = typical / last_hz
        if silent_s > LATE * expected_s + GRACE_S:
            gone = silent_s > max(min(SILENT_GAPS * expected_s, SILENT_MOST_S), SILENT_S)
            vanished = unstoppable(min(last_hz, count.last_gap_hz), gap_turns=1.0 / self._targets, silent_s=silent_s)
            self._changing = 0
            return ShaftReading(
                state="signal lost" if vanished else "silent" if gone else "no pulses",
                slower_than_hz=slower_than_hz,
                last_edge_ticks=self._last_edge,
                silent_s=silent_s,
                expected_gap_s=expected_s,
                missing=count.missing,
                extra=count.extra,
                gone=count.gone,
                evidence="no brake stops a shaft that fast" if vanished else "",
            )
        acceleration, u_acceleration = bank.acceleration()
        speed_hz, timing_u95_hz, may_stand = bank.speed(
            min(since_used_s, 2.0 * expected_s), awaited=self._awaited(), calm=silent_s < SLACK * expected_s
        )
        speed_hz = max(speed_hz, 1e-6 * last_hz)
        self._changing = 2 if may_stand else self._direction(speed_hz, acceleration, u_acceleration)
        u95_hz = math.hypot(timing_u95_hz * math.sqrt(max(1.0, bank.surprise)), K95 * speed_hz * self._clock_u)
        bound_hz = slower_than_hz / self._clock_factor
        # Since the last edge it turned slower than the bound on average: from rest at most twice that now.
        u95_hz = min(u95_hz, max(speed_hz, 2.0 * bound_hz - speed_hz))
        if silent_s > OVERDUE * expected_s + GRACE_S:
            # The edge that is due has not come: the shaft is slower than it was, and may be stopping.
            self._changing = 2
            speed_hz = u95_hz = 0.5 * min(speed_hz + u95_hz, bound_hz)
        return ShaftReading(
            state=("turning", "speeding up", "slowing down")[self._changing],
            shaft_hz=Estimate(value=speed_hz * self._clock_factor, u95=u95_hz * self._clock_factor),
            slower_than_hz=slower_than_hz if silent_s > 0 else None,
            accel_hz_per_s=None if u95_hz >= speed_hz else acceleration,
            last_edge_ticks=self._last_edge,
            silent_s=silent_s,
            turning_s=count.age_ticks / tick_hz,
            expected_gap_s=expected_s,
            missing=count.missing,
            extra=count.extra,
            gone=count.gone,
        )

    def _unread(self) -> ShaftReading:
        """Nothing to tell a speed from: no edge, or one."""
        count = self._count
        since = self._observed_from if count.last_tick is None else count.last_tick
        silent_s = 0.0
        if since is not None:
            silent_s = max(0, self._complete - max(since, self._hidden_until)) / self._tick_hz
        gone = self._last_edge is not None and silent_s > SILENT_S
        return ShaftReading(
            state="silent" if gone else "waiting",
            slower_than_hz=self._clock_factor / silent_s if silent_s > 0 else None,
            last_edge_ticks=self._last_edge,
            silent_s=silent_s,
            missing=count.missing,
            extra=count.extra,
        )

    def _next_gap(self) -> tuple[float, float]:
        """Longest and expected way to the next target, in turns.  Until a turn has shown the angles: a whole turn.

        A target that did not come in the turn before is not waited for: else every silence at its place would look like
        a shaft that stops, until it is known to be gone.  One that stops just there is told of one target later.
        """
        count, even = self._count, 1.0 / self._targets
        if self._targets == 1 or count.slot < self._targets:
            return 1.0, even
        if count.stride > 1:
            return 2.0 * even, even  # many targets stand near even, since each needs its room
        steps = next((k for k in range(1, self._targets) if not count.may_be_gone(count.slot + k)), self._targets)
        error, u = count.bank.angle_between(count.slot % self._targets, (count.slot + steps) % self._targets)
        gap = steps * even + error
        return min(1.0, gap + 2.0 * u), max(gap, 0.1 * even)

    def _awaited(self) -> tuple[float, int, float] | None:
        """The next target that should come, for `PhaseBank.speed`; None where it may have been lost on the way."""
        count = self._count
        if count.last_tick is None or self._hidden_until > count.last_tick:
            return None
        slot = count.slot + 1
        while slot < count.slot + self._targets and count.may_be_gone(slot):
            slot += 1
        blur_turns = 0.0 if slot % count.stride == 0 else math.sqrt(2.0) * ANGLE_SHARE / self._targets
        return (slot - count.used_slot) / count.stride, slot // count.stride % count.bank.targets, blur_turns

    def _direction(self, speed_hz: float, acceleration: float, u: float) -> int:
        """0 steady, 1 up, 2 down; with a gap between coming and going, so that the word does not flicker."""
        rate = acceleration / speed_hz
        needed = RAMPS_UNTIL if self._changing == (1 if rate > 0 else 2) else RAMPS_FROM
        if abs(rate) < needed or abs(acceleration) < u:
            return 0
        return 1 if rate > 0 else 2
