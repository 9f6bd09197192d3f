"""A target falls off while the log runs: is that said, with its number, and is nothing kept?"""

import numpy as np
import pytest

from kerfbeat.calibrate.learn import learn_targets, stored_spacing
from kerfbeat.capture.log import read_log
from kerfbeat.machine import demo_machine
from kerfbeat.simulate import simulate_log

SAW = demo_machine("saw")
DEG = (0.0, 90.4, 180.0, 271.6)
SPACING = np.diff([*DEG, 360.0]) / 360


@pytest.mark.parametrize("fallen", [1, 2, 4])
@pytest.mark.parametrize("at_s", [30, 75])
def test_target_that_falls_off_on_the_way_is_named(tmp_path, fallen, at_s):
    """Early, so that whole parts of the run do not see it, and late; the simulated targets count from 1."""
    path = tmp_path / "lost.csv"
    settings = {
        "gear": "high", "duration_s": "100", "fall_at_s": str(at_s), "fallen": str(fallen),
        "wheel_angles_deg": ";".join(f"{each:g}" for each in DEG),
    }  # fmt: skip
    simulate_log("steady", SAW, path, seed=6, settings=settings)
    found = learn_targets([read_log(path)], "wheel", stored=stored_spacing(SPACING, np.full(4, 1e-6)))
    ((seen_s, target, source),) = found.gone
    assert target == fallen - 1
    assert seen_s == pytest.approx(at_s, abs=2.5)  # two turns of the wheel at 57 rpm, and the look at a whole turn
    assert source == str(path)
    assert not found.worth_keeping
    assert any(f"target {fallen} is not seen any more" in line for line in found.warnings)
    np.testing.assert_array_less(np.abs(found.spacing.spacing_turns - SPACING), 1.5 * found.spacing.u95_turns)


def test_nothing_is_gone_from_a_whole_wheel(tmp_path):
    path = tmp_path / "whole.csv"
    simulate_log("steady", SAW, path, seed=6, settings={"gear": "high", "duration_s": "60", "missing": "0.02"})
    found = learn_targets([read_log(path)], "wheel")
    assert found.gone == ()
    assert found.worth_keeping
