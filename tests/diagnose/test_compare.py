"""Are differences between runs found, and only those that are there?"""

import json

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from kerfbeat.diagnose.compare import compare_means, holm, means_of
from kerfbeat.errors import MeasureError


def compared(first, second, *, names):
    """Two sets of logs beside each other."""
    return compare_means([means_of(log) for log in first], [means_of(log) for log in second], names=names)


def test_holm_by_hand():
    """Holm (1979): of 0.01, 0.04, 0.03, 0.005 at 5 %: 0.005 <= 0.0125, 0.01 <= 0.0167, 0.03 > 0.025 stops."""
    assert holm([0.01, 0.04, 0.03, 0.005], level=0.05).tolist() == [True, False, False, True]
    assert holm([], level=0.05).tolist() == []
    # Holm never finds more than the false discovery rate's own, weaker rule (Benjamini & Hochberg 1995, by scipy).
    chances = np.random.default_rng(1).uniform(size=50) ** 3
    weaker = false_discovery_control(chances) <= 0.05
    assert not np.any(holm(chances, level=0.05) & ~weaker)


def test_a_pulley_swap_is_found_at_every_setting(play):
    """The new driver sheave is 1 % larger: every ratio rises by 1 %, the speeds with it."""
    before, _ = play("sweep", seed=1, points=3, dwell_s=40.0)
    after, _ = play("sweep", seed=2, points=3, dwell_s=40.0, pitch_error=0.01)
    found = compared([before], [after], names=("before", "after"))
    assert len(found.rows) == 6
    for row in found.rows:
        assert row.significant
        # speed: the display may be half a digit off on both sides, 0.05 Hz of 20
        room = 0.01 if "per turn" in row.quantity else 0.45
        assert row.difference_percent.value == pytest.approx(1.0, abs=room)


def test_what_is_the_same_is_not_called_different(play):
    """Both quantities of 12 pairs of equal runs (their displays up to half a digit off): at 5 %, 2 are many."""
    rows = []
    for seed in range(12):
        first, _ = play("steady", seed=60 + seed, duration_s=60, wander=0.0003)
        second, _ = play("steady", seed=80 + seed, duration_s=60, wander=0.0003)
        rows += compared([first], [second], names=("a", "b")).rows
    assert len(rows) == 24
    assert sum(row.significant for row in rows) <= 2


def test_several_runs_on_each_side(play):
    sides = [
        [play("steady", seed=100 + 10 * side + run, duration_s=60, pitch_error=0.002 * side)[0] for run in range(3)]
        for side in range(2)
    ]
    found = compared(*sides, names=("a", "b"))
    ratio = next(row for row in found.rows if "per turn" in row.quantity)
    assert ratio.runs == (3, 3)
    assert ratio.significant
    assert ratio.difference_percent.value == pytest.approx(0.2, abs=0.005)


def test_settings_of_one_side_are_told(play):
    low, _ = play("steady", seed=1, duration_s=60, gear="low")
    high, _ = play("steady", seed=1, duration_s=60, gear="high")
    both, _ = play("gear-change", seed=1)
    with pytest.raises(MeasureError, match="no setting in common"):
        compared([low], [high], names=("low", "high"))
    found = compared([low], [both], names=("low", "both"))
    assert any("gear high" in line and "only in both" in line for line in found.left_out)


def test_command(play, run, tmp_path):
    before, _ = play("sweep", seed=1, points=3, dwell_s=40.0)
    after, _ = play("sweep", seed=2, points=3, dwell_s=40.0, pitch_error=0.01)
    result = run("compare", before.source, after.source, "--json", "--plot", tmp_path / "change.svg")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert len(document["rows"]) == 6
    assert all(row["significant"] for row in document["rows"])
    assert document["rows"][0]["difference_percent"]["value"] == pytest.approx(1.0, abs=0.45)
    assert (tmp_path / "change.svg").exists()
    assert "surely different" in run("compare", before.source, after.source).stdout
    assert run("compare", before.source).exit_code == 2
    assert run("compare", before.source, tmp_path / "absent.csv").exit_code == 2
