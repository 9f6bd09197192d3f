"""Do a knob's angles and a dial's scales stand where they belong?"""

import itertools
import math

import pytest

from kerfbeat.drive.chain import drive_curves
from kerfbeat.drive.choose import middle_m_per_s
from kerfbeat.drive.frequency import fine_hz
from kerfbeat.errors import DriveError
from kerfbeat.machine import demo_machine
from kerfbeat.present.dial import Knob, even_knob, plan_rings, typed_knob

SAW = demo_machine("saw")
CURVES = drive_curves(SAW, supply_hz=fine_hz(SAW))
EVEN = even_knob(math.radians(-135), math.radians(135), [20.0, 80.0])


def test_linear_knob() -> None:
    assert EVEN.angle_deg([20.0, 50.0, 80.0]).tolist() == pytest.approx([-135.0, 0.0, 135.0])


def test_measured_knob_is_straight_between_its_places() -> None:
    knob = typed_knob(["-140deg=20Hz", "0 deg = 45 Hz", "140deg=80"])
    assert knob.angle_deg([20.0, 32.5, 45.0, 62.5, 80.0]).tolist() == pytest.approx([-140.0, -70.0, 0.0, 70.0, 140.0])


def test_figures_stand_at_the_speed_they_name() -> None:
    high, low, hertz = plan_rings(CURVES, EVEN, unit="m/min", diameter_mm=90.0)
    assert (high.name, low.name, hertz.name) == ("gear high, m/min", "gear low, m/min", "Hz")
    assert high.radius_mm > low.radius_mm > hertz.radius_mm
    assert {text: angle for angle, text in hertz.labels}["50"] == pytest.approx(0.0, abs=1e-6)
    # by hand: 60 m/min in high gear want the motor at 60 x 26 / (pi x 0.3309) = 1500.6 rpm, halfway between 30 f and
    # 30 f (1 - 0.046667): 51.22 Hz, 1.22 / 30 of 135 degrees; 20 m/min in low gear want 1154.3 = 30 f - 35: 39.64 Hz
    assert {text: angle for angle, text in high.labels}["60"] == pytest.approx(5.47, abs=0.03)
    assert {text: angle for angle, text in low.labels}["20"] == pytest.approx(-46.61, abs=0.03)
    by_gear = {curve.gear: curve for curve in CURVES}
    for ring, gear in ((high, "high"), (low, "low")):
        assert len(ring.labels) >= 5
        for angle, text in ring.labels:
            supply_hz = 50.0 + angle / 135.0 * 30.0
            curve = by_gear[gear]
            at = int(abs(curve.supply_hz - supply_hz).argmin())
            assert float(text) == pytest.approx(middle_m_per_s(curve)[at] * 60, rel=0.01)


def test_scales_can_be_read() -> None:
    for diameter_mm in (70.0, 120.0, 170.0):
        for ring in plan_rings(CURVES, EVEN, unit="ft/min", diameter_mm=diameter_mm):
            mm_per_deg = math.radians(1.0) * ring.radius_mm
            for places, least_mm in ((ring.ticks_deg, 1.0), ([angle for angle, _ in ring.labels], 7.0)):
                gaps = [(b - a) * mm_per_deg for a, b in itertools.pairwise(places)]
                assert min(gaps) >= least_mm
            labelled = {round(angle, 6) for angle, _ in ring.labels}
            assert labelled <= {round(angle, 6) for angle in ring.ticks_deg}


def test_over_the_limit_is_marked() -> None:
    high, low, _ = plan_rings(CURVES, EVEN, unit="m/min", diameter_mm=90.0)
    ((begins, ends),) = high.forbidden_deg
    assert ends == pytest.approx(135.0)
    assert 90.0 < begins < 125.0
    assert low.forbidden_deg == ()


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (["5"], "-140deg=20Hz"),
        (["5deg"], "-140deg=20Hz"),
        (["0deg=20kg"], "is no frequency"),
        (["0deg=20Hz"], "two or more pairs"),
        (["0deg=20Hz", "-10deg=30Hz"], "rise clockwise"),
        (["0deg=20Hz", "10deg=10Hz"], "rise clockwise"),
        (["0deg=20Hz", "10deg=20Hz"], "rise clockwise"),
        (["-175deg=20Hz", "175deg=80Hz"], "at most 340"),
        (["0deg=20Hz", "0.1deg=80Hz"], "at least 30"),
        (["0deg=20Hz", "90deg=5000"], "beyond 1000 Hz"),
    ],
)
def test_knob_that_cannot_be(pairs: list[str], words: str) -> None:
    with pytest.raises(DriveError, match=words):
        typed_knob(pairs)


def test_dial_that_cannot_be() -> None:
    with pytest.raises(DriveError, match="slow end first"):
        even_knob(math.radians(135), math.radians(-135), [20.0, 80.0])
    with pytest.raises(DriveError, match="describe the machine's"):
        even_knob(-1.0, 1.0, [50.0])
    with pytest.raises(DriveError, match="20 mm to 180 mm"):
        plan_rings(CURVES, EVEN, unit="m/min", diameter_mm=500.0)
    with pytest.raises(DriveError, match="make the dial at least 67 mm"):
        plan_rings(CURVES, EVEN, unit="m/min", diameter_mm=50.0)
    grinder = demo_machine("grinder")
    many = drive_curves(grinder, supply_hz=fine_hz(grinder))
    with pytest.raises(DriveError, match="do not fit on one dial"):
        plan_rings(many, EVEN, unit="m/min", diameter_mm=180.0)
    with pytest.raises(DriveError, match="two or more pairs"):
        Knob(angles_deg=(0.0, math.nan), supply_hz=(20.0, 80.0))
