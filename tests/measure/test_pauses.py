"""Is a pause of a slow shaft told from missing pulses, and doubt told as doubt?

Records come from the generator in conftest.py and from gaps drawn here.  Shares are requirements, not measured values.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from kerfbeat.capture.log import PulseLog, Segment
from kerfbeat.machine import parse_machine
from kerfbeat.measure.pulses import clean_pulses
from kerfbeat.measure.speed import speed_of

TICK_HZ = 16e6
GAP_S = 6.4  # a blade of 2.75 m at 26 m/min


def ticks_after(gaps_s):
    return np.round(np.cumsum(np.append(1.0, gaps_s)) * TICK_HZ).astype(np.int64)


def with_silence(silence_gaps, *, seed=1, sd=0.001, gap_s=GAP_S, count=40):
    """Edges of a shaft whose gaps differ by `sd`, and one of them, in the middle, of another length."""
    gaps_s = gap_s * (1.0 + sd * np.random.default_rng(seed).standard_normal(count))
    gaps_s[count // 2] = gap_s * silence_gaps
    return ticks_after(gaps_s)


def paused(bench, seed):
    """A blade that is stopped within one gap, stands for a while, and is started again; None if no gap shows it."""
    rng = np.random.default_rng(seed)
    hz, at = 1.0 / GAP_S, GAP_S * rng.uniform(15, 16)
    still_s = GAP_S * rng.uniform(0.2, 2.8)
    points = [(0, hz), (at, hz), (at + 1, 0), (at + 1 + still_s, 0), (at + 2 + still_s, hz), (at + 40 * GAP_S, hz)]
    times, _ = bench.profile(points, np.array([0.3])).edges()
    longest = np.diff(times).max() / GAP_S
    return bench.ticks_of(times + rng.normal(0, 1e-3, len(times))) if 1.5 < longest < 3.5 else None


def test_few_pauses_of_a_slow_shaft_are_taken_for_missing_pulses(bench):
    records = [ticks for seed in range(200) if (ticks := paused(bench, seed)) is not None]
    found = [clean_pulses(ticks, targets=1, tick_hz=TICK_HZ) for ticks in records]
    assert len(records) > 120
    # By chance a pause lasts a whole number of gaps to within what such a shaft does in one of ten cases.
    assert sum(clean.missing > 0 for clean in found) <= 0.1 * len(records)
    for ticks, clean in zip(records, found, strict=True):
        if not clean.missing and np.diff(ticks).max() > 1.7 * GAP_S * TICK_HZ:  # less may be one slow turn
            assert len(clean.run_starts) == 3


@pytest.mark.parametrize("missed", [1, 2])
@pytest.mark.parametrize("sd", [0.001, 0.005])
def test_missing_pulses_of_a_slow_shaft_are_counted_or_in_doubt(missed, sd):
    counted = 0
    for seed in range(60):
        whole = with_silence(1.0, seed=seed, sd=sd)
        ticks = np.delete(whole, np.arange(15, 15 + missed))
        clean = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ)
        counted += clean.missing == missed
        assert clean.missing + sum(pulses for _, _, pulses in clean.doubtful) == missed
    assert counted >= 0.8 * 60


def test_a_silence_that_fits_neither_well_is_in_doubt():
    for silence, missed in ((1.95, 1), (2.05, 1), (3.05, 2)):
        ticks = with_silence(silence)
        clean = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ)
        assert clean.missing == 0
        assert clean.doubtful == ((int(ticks[20]), int(ticks[21]), missed),)
        assert clean.run_starts.tolist() == [0, 21, 41]
    for silence in (1.6, 2.4, 2.6, 3.4):
        clean = clean_pulses(with_silence(silence), targets=1, tick_hz=TICK_HZ)
        assert (clean.missing, clean.doubtful) == (0, ())


def test_a_sensor_that_misses_often_is_believed_to_have_missed_again():
    rng = np.random.default_rng(3)
    whole = with_silence(1.0, sd=0.01, count=200)
    often = np.sort(rng.choice(np.arange(5, 190, 6), 12, replace=False))
    late = whole[100:] + round(0.06 * GAP_S * TICK_HZ)  # one silence that alone would be in doubt
    once = np.concatenate((whole[:99], late))
    assert len(clean_pulses(once, targets=1, tick_hz=TICK_HZ).doubtful) == 1
    keep = np.ones(len(whole), dtype=bool)
    keep[[*often[often != 99], 99]] = False
    ticks = np.concatenate((whole[:100], late))[keep]
    clean = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ)
    assert clean.missing == int((~keep).sum())
    assert clean.doubtful == ()


def test_no_fast_shaft_brakes_and_comes_back_within_a_gap():
    # 0.1 s from edge to edge: 2.15 gaps with usual neighbours are a missed pulse and a shaft that was held a little.
    clean = clean_pulses(with_silence(2.1, gap_s=0.1), targets=1, tick_hz=TICK_HZ)
    assert (clean.missing, clean.doubtful) == (1, ())


def test_a_shaft_that_another_shows_turning_has_missed():
    ticks = with_silence(2.02)
    alone = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ)
    seen = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ, watched=[(int(ticks[0]), int(ticks[-1]))])
    elsewhere = clean_pulses(ticks, targets=1, tick_hz=TICK_HZ, watched=[(int(ticks[0]), int(ticks[20]))])
    assert [clean.missing for clean in (alone, seen, elsewhere)] == [0, 1, 0]


def test_the_speed_holds_both_and_says_so():
    ticks = with_silence(2.05)
    segment = Segment(
        board_id="imported",
        firmware="-",
        tick_hz=TICK_HZ,
        cause="made",
        start_ticks=0,
        end_ticks=int(ticks[-1]),
        edge_ticks={"blade": ticks},
    )
    text = 'name = "b"\n[wheel]\ndiameter = "330 mm"\nblade_length = "2750 mm"\n[sensor.blade]\ntargets = 1\n'
    log = PulseLog(
        source="made",
        machine=parse_machine(text),
        calibration_text=None,
        start_utc=datetime(2026, 1, 1, tzinfo=UTC),
        segments=(segment,),
    )
    result = speed_of(log)
    blade = result.channels["blade"]
    # By hand: 40 gaps, one of them the silence.  A pause: 39 turns in the other gaps.  A miss: 41 turns in all of it.
    silence_s = (ticks[21] - ticks[20]) / TICK_HZ
    whole_s = (ticks[-1] - ticks[0]) / TICK_HZ
    assert blade.shaft_hz.value == pytest.approx(39 / (whole_s - silence_s), rel=1e-4)
    for true_hz in (39 / (whole_s - silence_s), 41 / whole_s):
        assert abs(blade.shaft_hz.value - true_hz) <= blade.shaft_hz.u95
    assert (blade.missing, blade.doubtful) == (0, 1)
    assert [told for told in result.warnings if "silence" in told] == [
        "blade: the silence of 13.1 s from 129.0 s on may be 1 missing pulse or a pause; it is left out, and the ± "
        "holds both"
    ]
