"""What do slip, drift, orders and compare make of a damaged log: is the sound part used, and is the rest said?"""

import re
from pathlib import Path

import pytest

from kerfbeat.capture.log import read_log
from kerfbeat.diagnose.compare import compare_means, means_of
from kerfbeat.diagnose.drift import drift_of
from kerfbeat.diagnose.orders import orders_of
from kerfbeat.diagnose.slip import slip_of
from kerfbeat.errors import MeasureError

RUN = {"gear": "high", "duration_s": 240, "belt_lump": 0.001}
LUMP = "belt of first belt, once a pass"


@pytest.fixture
def damaged(play, tmp_path):
    """A sound log and the same run damaged in a way."""

    def damaged(how):
        sound, _ = play("steady", seed=71, **RUN)
        if how == "loss":
            return sound, play("steady", seed=71, **RUN, loss_at_s=100.0, loss_s=20.0)[0]
        if how == "reset":
            return sound, play("steady", seed=71, **RUN, reset_at_s=110.0)[0]
        if how == "gear change":
            return sound, play("gear-change", seed=71, duration_s=300, belt_lump=0.001)[0]
        if how == "too short":
            return sound, play("steady", seed=71, gear="high", duration_s=4)[0]
        dropped = {"no marks": r"mark,", "no motor": r"(pulse|lost),motor,"}[how]
        path = tmp_path / "damaged.csv"
        rows = Path(sound.source).read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join(row for row in rows if not re.match(dropped, row)), encoding="utf-8")
        return sound, read_log(path)

    return damaged


SAID = {
    "loss": "20.0 s in which pulses of a channel were lost",
    "reset": "the board restarted once; counts do not reach across",
}


@pytest.mark.parametrize("how", ["no marks", "no motor", "loss", "reset", "gear change"])
def test_the_sound_part_is_used_and_the_rest_said(damaged, how):
    """Nothing slips, is cut or drifts in any of them; the belt's lump is found, and of its size, where it can be."""
    sound, log = damaged(how)
    slip, drift, orders = slip_of(log), drift_of(log), orders_of(log)
    assert slip.events == ()
    assert slip.verdict.cause == "idle only"
    assert drift.shape == "steady"
    assert abs(drift.total_percent.value) < 0.002
    lump = {peak.source.words: peak.amplitude_percent.value for peak in orders.peaks if peak.source is not None}
    assert lump[LUMP] == pytest.approx(0.1, rel=0.05)
    if how in SAID:
        for each in (slip, drift, orders):
            assert SAID[how] in each.left_out
    if how == "no motor":
        assert slip.belt is None
        assert any("motor's shaft" in line for line in slip.verdict.would_decide)
    if how == "gear change":
        assert any("gear low" in line for line in drift.left_out)
        assert orders.setting.gear == "high"
    if how == "no marks":
        with pytest.raises(MeasureError, match="no setting in common"):
            compare_means([means_of(sound)], [means_of(log)], names=("sound", "damaged"))
        return
    found = compare_means([means_of(sound)], [means_of(log)], names=("sound", "damaged"))
    assert not any(row.significant for row in found.rows)
    if how in SAID:
        assert any(SAID[how] in line for line in found.left_out)
    if how in ("no motor", "gear change"):
        assert any("only in" in line for line in found.left_out)


def test_too_short_is_no_health(damaged):
    """Four seconds say nothing: no verdict of health, no drift, no orders, no comparison, each in one line."""
    sound, log = damaged("too short")
    slip = slip_of(log)
    assert slip.verdict.cause == "unknown"
    assert "too short" in slip.verdict.words
    assert "one channel" not in slip.verdict.words
    assert slip.baseline.startswith("none: ")

    def compared(log):
        return compare_means([means_of(sound)], [means_of(log)], names=("sound", "short"))

    for refused in (drift_of, orders_of, compared):
        with pytest.raises(MeasureError) as told:
            refused(log)
        assert "\n" not in str(told.value)
