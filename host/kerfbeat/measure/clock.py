"""How fast does the board's clock really run, and how well is that known?

Cheap boards keep time with a ceramic resonator, off by up to half a per cent: all their speeds are off by as much.
Two-way exchanges with the host measure it (`kerfbeat.measure.exchanges`).  The host's own clock is a crystal, and its
class is part of the uncertainty.  A clock that stands still while the computer sleeps seems to jump: only exchanges
between two jumps are compared.  A ratio of two channels of one board needs none of this.
"""

import math
from dataclasses import dataclass

import numpy as np

from kerfbeat.capture.log import Syncs
from kerfbeat.measure.exchanges import LEAST_EXCHANGES, mean_rate, series_of, unbroken
from kerfbeat.measure.uncertainty import coverage_factor

__all__ = ["ClockRate", "SyncHistory", "as_imported", "rate_of", "unmeasured"]

# Half-widths of component classes, taken as rectangular (GUM 4.3.7: u = a / sqrt(3)).  Crystal +-10 to +-50 ppm,
# ceramic resonator +-0.5 %: component-class references.
HOST_CRYSTAL_PPM = 50.0
RESONATOR_PPM = 5000.0
MOST = 256  # exchanges that a running session keeps: bounds the work
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


def rate_of(syncs: Syncs, *, tick_hz: float) -> ClockRate:
    """Rate of the board's clock against the host's, from exchanges of one segment, in any order.

    With fewer than 3 usable exchanges, or less certain than the resonator's class, that class also has its say.
    Where a clock jumped, the longest stretch between two jumps is used.
    """
    prior = unmeasured()
    series = series_of(syncs, tick_hz=tick_hz)
    if len(series.board_s) < LEAST_EXCHANGES:
        return prior
    stretches = unbroken(series)
    longest = max(stretches, key=lambda each: float(series.board_s[each.stop - 1] - series.board_s[each.start]))
    used = series.part(longest)
    rate = mean_rate([used])
    if rate is None or not RATES[0] <= 1.0 + 1e-6 * rate.ppm <= RATES[1]:
        return prior
    u_ppm = rate.u95_ppm / coverage_factor(math.inf)
    trust = 1.0 / (1.0 + (u_ppm / prior.u_ppm) ** 2)
    if abs(rate.ppm) - 2.0 * u_ppm > RESONATOR_PPM:
        trust = 1.0  # the clock is off by more than its class: believe what was measured
    told = len(used.board_s), len(series.board_s)
    jumped = "" if len(stretches) == 1 else f"; one of the two jumped, {told[0]} of {told[1]} exchanges count"
    return ClockRate(
        ppm=trust * rate.ppm,
        u_ppm=math.hypot(min(u_ppm, prior.u_ppm) * math.sqrt(trust), HOST_CRYSTAL_PPM / math.sqrt(3.0)),
        basis=f"measured against this computer's clock, itself of the ±50 ppm class{jumped}",
    )


class SyncHistory:
    """Exchanges of a running session, thinned to a bounded number, for a rate that improves as it goes on."""

    def __init__(self, tick_hz: float) -> None:
        self._tick_hz = tick_hz
        self._rows: list[tuple[float, float, int, int]] = []

    def add(self, *, sent_host_s: float, received_host_s: float, ping_ticks: int, answer_ticks: int) -> None:
        """Keep one exchange; when there are too many, the shorter trip of each two neighbours stays."""
        self._rows.append((sent_host_s, received_host_s, ping_ticks, answer_ticks))
        if len(self._rows) > MOST:
            pairs = zip(self._rows[::2], self._rows[1::2], strict=False)
            self._rows = [min(pair, key=lambda row: row[1] - row[0]) for pair in pairs]

    def rate(self) -> ClockRate:
        """What is known now."""
        if not self._rows:
            return unmeasured()
        sent, received, ping, answer = zip(*self._rows, strict=True)
        syncs = Syncs(
            sent_host_s=np.array(sent),
            received_host_s=np.array(received),
            ping_ticks=np.array(ping, dtype=np.int64),
            answer_ticks=np.array(answer, dtype=np.int64),
        )
        return rate_of(syncs, tick_hz=self._tick_hz)
