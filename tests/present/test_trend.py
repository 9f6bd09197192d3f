"""Does the drawing show the speeds that were, and nothing where there were none?"""

import numpy as np
import pytest

from kerfbeat.present import trend


def test_columns_average_their_stretch_and_stay_empty_without_readings() -> None:
    times_s = np.array([0.1, 0.6, 1.2, 3.5])
    means = trend.column_means(times_s, np.array([10.0, 20.0, np.nan, 40.0]), now_s=3.9, span_s=4.0, columns=4)
    np.testing.assert_array_equal(means, [15.0, np.nan, np.nan, 40.0])


def test_column_keeps_its_readings_while_time_goes_on() -> None:
    times_s = np.arange(0.0, 60.0, 0.25)
    values = 80 + np.sin(times_s)
    before = trend.column_means(times_s, values, now_s=59.0, span_s=30.0, columns=15)
    after = trend.column_means(times_s, values, now_s=59.9, span_s=30.0, columns=15)
    np.testing.assert_array_equal(before[:-1], after[:-1])


@pytest.mark.parametrize(
    ("means", "least_span", "ends"),
    [
        ([80.0, 80.1], 1.0, ("79.5", "81.0")),
        ([76.9, 83.0], 0.5, ("76", "84")),
        ([0.0, 0.0], 1.0, ("0.0", "0.5")),
        ([1200.0, 400.0, np.nan], 1.0, ("400", "1200")),
    ],
)
def test_range_has_round_ends_that_hold_all(means: list[float], least_span: float, ends: tuple[str, str]) -> None:
    shown = trend.fitting_range(np.array(means), least_span=least_span)
    assert shown is not None
    assert shown.ends() == ends
    assert shown.low <= np.nanmin(means)
    assert np.nanmax(means) <= shown.high


def test_no_reading_no_range() -> None:
    assert trend.fitting_range(np.array([np.nan, np.nan]), least_span=1.0) is None


def test_bars_stand_as_high_as_the_speed() -> None:
    shown = trend.Range(low=0.0, high=2.0, places=0)
    assert trend.bars(np.array([0.0, 0.5, 1.0, 1.5, np.nan, 2.0]), shown=shown, rows=2) == ["   ▄ █", "▁▄██ █"]
