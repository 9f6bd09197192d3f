"""Is a marking strip cut into pieces without a gap, and is one that cannot be refused?"""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.errors import DriveError
from kerfbeat.machine import demo_machine
from kerfbeat.present.strip import plan_strip, strip_sizes


@given(diameter_mm=st.floats(6.0, 3000.0), targets=st.integers(1, 360), paper=st.sampled_from(["a4", "letter"]))
def test_tiles_cover_the_strip_without_gap_or_overlap(diameter_mm: float, targets: int, paper: str) -> None:
    try:
        strip = plan_strip(diameter_m=diameter_mm / 1e3, targets=targets, paper=paper)
    except DriveError:
        assert math.pi * (diameter_mm + 0.1) / targets < 3.0
        return
    assert strip.tiles[0].from_mm == 0.0
    assert strip.tiles[-1].to_mm == pytest.approx(math.pi * (diameter_mm + 0.1))
    for before, after in itertools.pairwise(strip.tiles):
        assert after.from_mm == before.to_mm
        assert (after.page, after.row) > (before.page, before.row)
    width_mm = {"a4": 297.0, "letter": 279.4}[paper]
    assert all(tile.to_mm - tile.from_mm <= width_mm - 24.0 - 8.0 + 1e-6 for tile in strip.tiles)


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ({"diameter_m": 0.0, "targets": 4}, "5 mm to 3 m"),
        ({"diameter_m": math.nan, "targets": 4}, "5 mm to 3 m"),
        ({"diameter_m": 9.0, "targets": 4}, "5 mm to 3 m"),
        ({"diameter_m": 0.1, "targets": 0}, "1 to 360"),
        ({"diameter_m": 0.1, "targets": 361}, "1 to 360"),
        ({"diameter_m": 0.02, "targets": 60}, "at most 21"),
        ({"diameter_m": 0.1, "targets": 4, "width_m": 0.5}, "4 mm to 120 mm"),
        ({"diameter_m": 0.1, "targets": 4, "thickness_m": -1.0}, "0 mm to 2 mm"),
    ],
)
def test_strip_that_cannot_be(sizes: dict[str, float], words: str) -> None:
    with pytest.raises(DriveError, match=words):
        plan_strip(**sizes)  # type: ignore[arg-type]


def test_sizes_come_from_the_machine_unless_told() -> None:
    saw = demo_machine("saw")
    assert strip_sizes(saw, channel="wheel", diameter_m=None, targets=None) == (0.33, 4)
    assert strip_sizes(saw, channel="motor", diameter_m=0.05, targets=None) == (0.05, 1)
    assert strip_sizes(None, channel="wheel", diameter_m=0.05, targets=8) == (0.05, 8)
    with pytest.raises(DriveError, match="--diameter"):
        strip_sizes(saw, channel="motor", diameter_m=None, targets=None)
    with pytest.raises(DriveError, match="--targets"):
        strip_sizes(None, channel="wheel", diameter_m=0.05, targets=None)
    with pytest.raises(DriveError, match=r'no sensor "driven"; it has wheel, motor, blade'):
        strip_sizes(saw, channel="driven", diameter_m=None, targets=None)
