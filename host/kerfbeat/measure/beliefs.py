"""How may a shaft turn, how well may its edges be timed, and how often does the one or the other change?

Each belief is a pair of a motion and a timing.  The numbers were chosen with tests/benchmarks/live_reading.py, so that
intervals hold what they promise in cuts, stalls and run-downs, and are then as narrow as they can be; a worse choice is
noticed by test_the_digits_stand_in_a_cut and test_intervals_hold_what_machines_do.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["CALM", "GAINS", "LASTS_S", "RAMPS", "RAMP_PER_S", "TIMING_S", "WANDER", "change_after"]

Floats = NDArray[np.float64]

TIMINGS_S = (5e-6, 3e-5, 2e-4, 2e-3)  # sd of an edge's time, from a clean capture to a bad sensor
# Relative sd that the speed gains in one second; sd of a ramp's acceleration over the speed, per second; how many
# seconds that lasts.
MOTIONS = (
    (2e-4, 0.0, 1.0),  # idle
    (2e-3, 0.0, 1.0),
    (1e-2, 0.0, 1.0),
    (5e-2, 0.0, 1.0),  # a cut
    (5e-2, 0.2, 5.0),  # a slope: running down, a heavy load that comes slowly, a slow inverter
    (1e-1, 1.0, 1.5),  # a brake: also a jam, or a quick start
)
CUT, SLOPE, BRAKE = 3, 4, 5
NEAR_PER_S = 0.05  # changes from any motion up to a cut to the next calmer or livelier one
CUT_PER_S, SLOPE_PER_S, BRAKE_PER_S = 0.015, 0.015, 0.015  # from any motion to these
END_PER_S = 0.05  # of a slope or a brake, on top
RETIMED = 1e-4  # chance in one edge that the timing's quality changes
LONGEST_S = 10.0  # after so long a belief is as likely to have changed as it ever is
SHORTEST_S = 1e-4  # below it nothing changes that anybody could see
STEPS_OF_OCTAVE = 8  # of times that are told apart: 130 answers of 5 kB at most
HALVINGS = 6  # of the time, so that no motion changes twice in a part of it

TIMING_S: Floats = np.repeat(np.array(TIMINGS_S), len(MOTIONS))
WANDER, RAMP_PER_S, LASTS_S = np.tile(np.array(MOTIONS).T, len(TIMINGS_S))
CALM = RAMP_PER_S == 0.0  # where there is no acceleration that lasts
RAMPS = np.where(CALM, 0.0, 1.0)
GAINS = (RAMP_PER_S[:, None] < RAMP_PER_S).astype(float)  # whether the change from row to column brings a greater one


def _rates_per_s() -> Floats:
    rates = np.zeros((len(MOTIONS), len(MOTIONS)))
    for k in range(CUT):
        rates[k, k + 1] = rates[k + 1, k] = NEAR_PER_S
    rates[:, CUT] += CUT_PER_S
    rates[:, SLOPE] += SLOPE_PER_S
    rates[:, BRAKE] += BRAKE_PER_S
    rates[SLOPE:, CUT] += END_PER_S
    np.fill_diagonal(rates, 0.0)
    return rates - np.diag(rates.sum(axis=1))


RATES_PER_S = _rates_per_s()
RETIMING = np.full((len(TIMINGS_S), len(TIMINGS_S)), RETIMED / (len(TIMINGS_S) - 1))
np.fill_diagonal(RETIMING, 1.0 - RETIMED)


def change_after(elapsed_s: float) -> Floats:
    """Chance of each belief (row) to have become each (column) in one edge and so long a time, which is taken to
    about 5 %: the rates are not known better, and so the answers can be kept.
    """
    return _change_in_octaves(round(STEPS_OF_OCTAVE * math.log2(min(max(elapsed_s, SHORTEST_S), LONGEST_S))))


@lru_cache(maxsize=256)
def _change_in_octaves(steps: int) -> Floats:
    motion = np.eye(len(MOTIONS)) + 2.0 ** (steps / STEPS_OF_OCTAVE - HALVINGS) * RATES_PER_S
    for _ in range(HALVINGS):
        motion = motion @ motion
    both = RETIMING[:, None, :, None] * motion[None, :, None, :]
    return np.asarray(both.reshape(len(TIMING_S), -1), dtype=np.float64)
