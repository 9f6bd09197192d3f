"""Are bracket, carrier and ring closed solids of the size that was asked, and do they hold their magnets?"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

Triangles = NDArray[np.float64]    # (n, 3, 3): triangle, corner, coordinate in mm


def read_stl(path: Path) -> Triangles:
    corners = re.findall(r"vertex (\S+) (\S+) (\S+)", path.read_text(encoding="ascii"))
    return np.array(corners, dtype=float).reshape(-1, 3, 3)


def volume(solid: Triangles) -> float:
    return float(np.einsum("ij,ij->i", solid[:, 0], np.cross(solid[:, 1], solid[:, 2])).sum() / 6.0)


def centroid(solid: Triangles) -> NDArray[np.float64]:
    sixths = np.einsum("ij,ij->i", solid[:, 0], np.cross(solid[:, 1], solid[:, 2]))
    return np.asarray((solid.sum(axis=1) * sixths[:, None]).sum(axis=0) / 4.0 / sixths.sum())


def size(solid: Triangles) -> NDArray[np.float64]:
    points = solid.reshape(-1, 3)
    return np.asarray(points.max(axis=0) - points.min(axis=0))


def hits(solid: Triangles, start: tuple[float, float, float], direction: tuple[float, float, float]) -> list[float]:
    """Distances at which a ray meets the surface (Möller and Trumbore 1997)."""
    ray = np.array(direction) / np.linalg.norm(direction)
    p = np.cross(ray, solid[:, 2] - solid[:, 0])
    met = np.abs(np.einsum("ij,ij->i", solid[:, 1] - solid[:, 0], p)) > 1e-9    # not along the ray
    solid, p = solid[met], p[met]
    a, b, t = solid[:, 1] - solid[:, 0], solid[:, 2] - solid[:, 0], np.array(start) - solid[:, 0]
    q, det = np.cross(t, a), np.einsum("ij,ij->i", a, p)
    u, v = np.einsum("ij,ij->i", t, p) / det, q @ ray / det
    distance = np.einsum("ij,ij->i", b, q) / det
    inside = (u >= 0) & (v >= 0) & (u + v <= 1) & (distance > 1e-6)
    return sorted({round(float(each), 3) for each in distance[inside]})


def require_closed(solid: Triangles) -> None:
    """Every edge belongs to two triangles, which pass along it in opposite directions; the inside is inside."""
    edges = Counter(
        (tuple(triangle[i]), tuple(triangle[(i + 1) % 3])) for triangle in solid for i in range(3)
    )
    assert len(solid) >= 12
    assert set(edges.values()) == {1}
    assert all((end, start) in edges for start, end in edges)
    assert volume(solid) > 0


Render = Callable[..., Triangles]


@pytest.fixture
def solid(hardware: Path, tmp_path: Path, openscad: Callable[..., object]) -> Render:
    def render(name: str, **values: float) -> Triangles:
        stl = tmp_path / f"{name}.stl"
        done = openscad(hardware / f"solids/{name}.scad", stl, **values)
        assert stl.exists(), done
        return read_stl(stl)

    return render


def test_the_check_of_closed_solids_notices_a_hole_and_a_turned_face(solid: Render) -> None:
    whole = solid("bracket")
    require_closed(whole)
    with pytest.raises(AssertionError):
        require_closed(whole[1:])
    turned = whole.copy()
    turned[0] = turned[0, ::-1]
    with pytest.raises(AssertionError):
        require_closed(turned)


@pytest.mark.parametrize("asked", [
    {}, {"sensor_d": 18, "width": 60, "height": 60, "thickness": 5},
    {"sensor_d": 8, "thickness": 4, "travel": 20, "foot": 55},
], ids=["M12", "M18", "M8"])
def test_bracket(solid: Render, asked: dict[str, float]) -> None:
    d, h, w, t = (asked.get(k, v) for k, v in (("sensor_d", 12), ("height", 45), ("width", 40), ("thickness", 6)))
    foot, travel, fillet, slot = asked.get("foot", 50), asked.get("travel", 15), 8, 6.4
    made = solid("bracket", **asked)
    require_closed(made)
    top = h + max(1.5 * d, w / 2)
    assert size(made) == pytest.approx([foot, top, w], abs=0.01)
    by_hand = (
        w * (t * foot + t * (top - t) + fillet**2 * (1 - math.pi / 4))
        - math.pi / 4 * (d + 0.4) ** 2 * t - 2 * t * (travel * slot + math.pi / 4 * slot**2)
    )  # fmt: skip
    assert volume(made) == pytest.approx(by_hand, rel=0.01)
    assert hits(made, (-5, h, w / 2), (1, 0, 0)) == []    # through the sensor's hole
    assert hits(made, (-5, h + (d + 0.4) / 2 + 0.5, w / 2), (1, 0, 0)) == pytest.approx([5, 5 + t])
    for side in (0.25, 0.75):
        middle = foot - slot * 1.1 - travel / 2
        assert hits(made, (middle, 50, w * side), (0, -1, 0)) == []    # through a slot
        assert hits(made, (middle, 50, w * side + 3.4), (0, -1, 0)) != []
    least = min(w / 2 - d / 2 - 0.2, top - h - d / 2 - 0.2)
    assert least >= 0.9 * d    # metal left beside the hole


@pytest.mark.parametrize("asked", [{}, {"magnet_d": 10, "magnet_h": 5}, {"magnet_d": 5, "magnet_h": 2, "wall": 5}],
                         ids=["8 x 4", "10 x 5", "5 x 2"])
def test_carrier_shuts_the_magnet_in(solid: Render, asked: dict[str, float]) -> None:
    d, h, wall = asked.get("magnet_d", 8) + 0.2, asked.get("magnet_h", 4), asked.get("wall", 4)
    made = solid("carrier", **asked)
    require_closed(made)
    sunk = (9.0 - 4.3) / 2    # 90 degrees from 9 mm down to the screw's 4.3 mm
    tall = max(h + 0.1 + 1.2, sunk + 3)
    wide = max(d, 9.0) + 2 * wall
    assert size(made) == pytest.approx([d + 4.3 + 4 * wall + 9.0, wide, tall], abs=0.05)
    inside = (0.0, 0.0, h / 2)
    assert hits(made, inside, (0, 0, -1)) == []    # open towards the wheel
    front = hits(made, inside, (0, 0, 1))
    assert front[1] - front[0] == pytest.approx(1.2, abs=0.01)    # the cover, towards the sensor
    for angle in np.arange(1.3, 360.0, 15.0):    # a wall all round
        path = hits(made, inside, (math.cos(math.radians(angle)), math.sin(math.radians(angle)), 0.013))
        assert path[0] == pytest.approx(d / 2, abs=0.05)
        assert path[1] - path[0] >= min(wall, (wide - d) / 2) - 0.06
    for side in (-1, 1):
        screw = side * (d + 4.3 + 2 * wall) / 2
        assert hits(made, (screw, 0.1, -5), (0, 0, 1)) == []    # screws pass
        for beside in (2.8, 3.6):    # and their heads lie in a cone: as deep as the place is inwards of its rim
            depth = hits(made, (screw, beside, tall + 5), (0, 0, -1))[0] - 5
            assert depth == pytest.approx(4.5 - beside, abs=0.06)


@pytest.mark.parametrize("asked", [{}, {"shaft_d": 38, "magnets": 4}, {"shaft_d": 19, "magnet_d": 5, "magnet_h": 2}],
                         ids=["24 mm", "38 mm, 4", "19 mm"])
def test_ring_shuts_its_magnets_in_and_is_balanced(solid: Render, asked: dict[str, float]) -> None:
    shaft, deep, count = asked.get("shaft_d", 24), asked.get("magnet_h", 3) + 0.3, int(asked.get("magnets", 2))
    wide = max(asked.get("magnet_d", 6) + 0.2, 8.3) + 8
    made = solid("ring", **asked)
    require_closed(made)
    outer = shaft / 2 + deep + 4
    assert size(made)[1:] == pytest.approx([2 * outer + 24, wide], abs=0.05)
    for n in range(count):
        turn = math.radians(n * 360 / count + (45 if count == 4 else 0) + 1.0)
        outward = (math.cos(turn), math.sin(turn), 0.0)
        path = hits(made, (0.0, 0.0, wide / 2), outward)
        assert path == pytest.approx([shaft / 2 + deep, outer], abs=0.06)    # shaft, magnet, then 4 mm of wall
    assert centroid(made)[:2] == pytest.approx([0, 0], abs=0.01)


@pytest.mark.parametrize(("name", "asked", "word"), [
    ("bracket", {"sensor_d": 18}, "width"), ("bracket", {"travel": 40}, "foot"), ("ring", {"magnets": 3}, "magnets"),
])
def test_what_cannot_be_is_refused_with_a_reason(
    hardware: Path, tmp_path: Path, openscad: Callable[..., object], name: str, asked: dict[str, float], word: str,
) -> None:
    done = openscad(hardware / f"solids/{name}.scad", tmp_path / "none.stl", **asked)
    assert f'"{word}: ' in done.stderr
    assert done.returncode != 0
