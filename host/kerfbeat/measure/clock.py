"""How fast does the board's clock really run, and how well is that known?

Cheap boards keep time with a ceramic resonator, off by up to half a per cent: all their speeds are off by as much.
Two-way exchanges with the host measure it.  Each brackets the board's tick between two host times; a delay on either
way can shift it by half of what the round trip took beyond the shortest.  Of each stretch of the session only the
shortest round trip counts, so a busy host widens nothing.  The host's own clock is a crystal, and its class is part of
the uncertainty.  A clock that stands still while the computer sleeps seems to jump: only exchanges between two jumps
are compared.  A ratio of two channels of one board needs none of this.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfbeat.measure.uncertainty import coverage_factor, fit_line

__all__ = ["ClockRate", "SyncHistory", "as_imported", "rate_of", "unbroken", "unmeasured"]

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

# Half-widths of component classes, taken as rectangular (GUM 4.3.7: u = a / sqrt(3)).  Crystal +-10 to +-50 ppm,
# ceramic resonator +-0.5 %: component-class references.
HOST_CRYSTAL_PPM = 50.0
RESONATOR_PPM = 5000.0
STRETCHES = 32  # of a session, each giving its shortest round trip
STAMP_S = 10e-6  # how well a host time and a tick meet at best: scheduling and byte times, common practice
WANDERS = 0.12  # of the difference between halves: sd of a fitted slope about the true mean rate, random-walk rate:
#                 sqrt(1/210) against sqrt(13/35) of the walk's sd over the session
# A jump is what neither the trips explain nor a rate that wanders: a resonator moves by some 0.1 % between cold and
# warm.  In the first minute an unseen 1 ms shifts the rate by 25 ppm, half of the host crystal's class (test_clock).
JUMP_S = 1e-3
JUMP_SHARE = 2e-3
RATES = (0.5, 2.0)  # true over stated: a 20 MHz board that was called 16 MHz is inside, nothing that ticks is outside


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockRate:
    """True tick rate = stated rate (1 + ppm / 1e6); `u_ppm` is its standard uncertainty; `basis` says whence."""

    ppm: float
    u_ppm: float
    basis: str

    @property
    def factor(self) -> float:
        """What a speed counted in the board's stated time must be multiplied by."""
        return 1.0 + self.ppm * 1e-6


def unmeasured() -> ClockRate:
    """The class of a ceramic resonator: no exchange has measured this clock."""
    return ClockRate(
        ppm=0.0, u_ppm=RESONATOR_PPM / math.sqrt(3.0), basis="not measured: class of a ceramic resonator, 0.5 %"
    )


def as_imported() -> ClockRate:
    """Times from another instrument, taken as given: nothing is known of its clock."""
    return ClockRate(ppm=0.0, u_ppm=0.0, basis="times as imported: the other instrument's clock is not in the ±")


def rate_of(
    *, sent_host_s: Floats, received_host_s: Floats, ping_ticks: Ticks, answer_ticks: Ticks, tick_hz: float
) -> ClockRate:
    """Rate of the board's clock against the host's, from exchanges of one segment, (n,) each in any order.

    With fewer than 3 usable exchanges, or less certain than the resonator's class, that class also has its say.
    Where a clock jumped, the longest stretch between two jumps is used.
    """
    prior = unmeasured()
    middle_s = 0.5 * (sent_host_s + received_host_s)
    board_s = np.asarray(0.5 * (ping_ticks + answer_ticks) / tick_hz, dtype=np.float64)
    trip_s = (received_host_s - sent_host_s) - (answer_ticks - ping_ticks) / tick_hz
    possible = np.isfinite(trip_s) & (trip_s > -STAMP_S)
    middle_s, board_s, trip_s = middle_s[possible], board_s[possible], trip_s[possible]
    if len(middle_s) < 3:
        return prior
    order = np.argsort(board_s)
    stretches = unbroken(host_s=middle_s[order], board_s=board_s[order], trip_s=trip_s[order])
    longest = max(stretches, key=lambda each: float(middle_s[order[each.stop - 1]] - middle_s[order[each.start]]))
    order = order[longest]
    if len(order) < 3:
        return prior
    best = np.array(
        [part[np.argmin(trip_s[part])] for part in np.array_split(order, min(STRETCHES, len(order)))], dtype=np.int64
    )
    x, offset, excess = middle_s[best], (board_s - middle_s)[best], trip_s[best] - trip_s.min()
    if x[-1] - x[0] <= 0.0:
        return prior
    # Within +-excess / 2, rectangular; each point has a variance, which the residuals may only raise (Birge).
    variance = STAMP_S**2 + excess**2 / 12.0
    line = fit_line(x, offset - offset[0], weights=1.0 / variance)
    if not RATES[0] <= 1.0 + line.slope <= RATES[1]:
        return prior
    scale = max(1.0, 1.0 / line.residual_sd if line.residual_sd > 0 else 1.0)
    u_line = line.u_slope * scale * coverage_factor(line.dof) / coverage_factor(math.inf)
    u_wander = 0.0
    half = len(x) // 2
    if half >= 4 and min(x[half - 1] - x[0], x[-1] - x[half]) > 0.0:
        early = fit_line(x[:half], offset[:half] - offset[0], weights=1.0 / variance[:half])
        late = fit_line(x[half:], offset[half:] - offset[0], weights=1.0 / variance[half:])
        u_wander = WANDERS * abs(late.slope - early.slope)
    u_ppm = 1e6 * math.hypot(u_line, u_wander)
    trust = 1.0 / (1.0 + (u_ppm / prior.u_ppm) ** 2)
    if abs(line.slope) * 1e6 - 2.0 * u_ppm > RESONATOR_PPM:
        trust = 1.0  # the clock is off by more than its class: believe what was measured
    jumped = "" if len(stretches) == 1 else f"; one of the two jumped, {len(order)} of {len(middle_s)} exchanges count"
    return ClockRate(
        ppm=trust * line.slope * 1e6,
        u_ppm=math.hypot(u_ppm * math.sqrt(trust), HOST_CRYSTAL_PPM / math.sqrt(3.0)),
        basis=f"measured against this computer's clock, itself of the ±50 ppm class{jumped}",
    )


def unbroken(*, host_s: Floats, board_s: Floats, trip_s: Floats) -> list[slice]:
    """Stretches of exchanges within which no clock jumped, (n,) each in order of `board_s`.

    An exchange tells the board's time at its middle within half of its trip, `trip_s`.  From one to the next the two
    clocks part by the usual rate; what is beyond trips and a rate that wanders is a jump.
    """
    steps_s, gaps_s = np.diff(board_s - host_s), np.diff(host_s)
    apart = gaps_s > 0.0
    usual = float(np.median(steps_s[apart] / gaps_s[apart])) if apart.any() else 0.0
    most_s = 0.5 * (trip_s[1:] + trip_s[:-1]) + JUMP_S + JUMP_SHARE * np.maximum(gaps_s, 0.0)
    ends = np.flatnonzero(np.abs(steps_s - usual * gaps_s) > most_s) + 1
    starts = [0, *ends.tolist()]
    return [slice(start, end) for start, end in zip(starts, [*starts[1:], len(host_s)], strict=True)]


class SyncHistory:
    """Exchanges of a running session, thinned to a bounded number, for a rate that improves as it goes on."""

    MOST = 512

    def __init__(self, tick_hz: float) -> None:
        self._tick_hz = tick_hz
        self._rows: list[tuple[float, float, int, int]] = []

    def add(self, *, sent_host_s: float, received_host_s: float, ping_ticks: int, answer_ticks: int) -> None:
        """Keep one exchange; when there are too many, the shorter trip of each two neighbours stays."""
        self._rows.append((sent_host_s, received_host_s, ping_ticks, answer_ticks))
        if len(self._rows) > self.MOST:
            pairs = zip(self._rows[::2], self._rows[1::2], strict=False)
            self._rows = [min(pair, key=lambda row: row[1] - row[0]) for pair in pairs]

    def rate(self) -> ClockRate:
        """What is known now."""
        if not self._rows:
            return unmeasured()
        sent, received, ping, answer = zip(*self._rows, strict=True)
        return rate_of(
            sent_host_s=np.array(sent),
            received_host_s=np.array(received),
            ping_ticks=np.array(ping, dtype=np.int64),
            answer_ticks=np.array(answer, dtype=np.int64),
            tick_hz=self._tick_hz,
        )
