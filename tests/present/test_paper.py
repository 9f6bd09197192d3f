"""Are lengths on paper true, does no text lie on another, and does each page say what its numbers are?"""

import dataclasses
import itertools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Arc, Rectangle
from pypdf import PdfReader
from pypdf.generic import ContentStream

from kerfbeat.drive.arrange import arrange
from kerfbeat.drive.chain import DriveCurve, all_settings, drive_curves
from kerfbeat.drive.choose import choose
from kerfbeat.drive.frequency import fine_hz, listed_hz
from kerfbeat.drive.material import SpeedRange, one_material
from kerfbeat.drive.mount import plan_mount
from kerfbeat.errors import DriveError
from kerfbeat.machine import Machine, belt_choices, demo_machine, demo_text, parse_machine
from kerfbeat.present import ink
from kerfbeat.present.arrangement_plot import plot_arrangement
from kerfbeat.present.chart import draw_chart
from kerfbeat.present.dial import draw_dial, even_knob, plan_rings
from kerfbeat.present.drive_plot import fitted_name, plot_choices, plot_speed_curves
from kerfbeat.present.mount_plot import plot_mount
from kerfbeat.present.strip import draw_strip, plan_strip

MM_PER_PT = 25.4 / 72  # a PDF unit is 1/72 in (ISO 32000-1, 8.3.2.3)
Box = tuple[float, float, float, float]
Apart = Callable[[list[Figure]], None]


def drawn_mm(path: Path, page: int) -> list[tuple[str, Box]]:
    """Every path painted on a page: the painting operator, and left, bottom, right, top in mm."""
    reader = PdfReader(path)
    found: list[tuple[str, Box]] = []
    xs: list[float] = []
    ys: list[float] = []
    for operands, operator in ContentStream(reader.pages[page].get_contents(), reader).operations:
        if operator in (b"m", b"l", b"c"):
            xs += [float(x) * MM_PER_PT for x in operands[::2]]
            ys += [float(y) * MM_PER_PT for y in operands[1::2]]
        elif operator in (b"f", b"S", b"s", b"B", b"b", b"n"):
            if xs and operator != b"n":
                found.append((operator.decode(), (min(xs), min(ys), max(xs), max(ys))))
            xs, ys = [], []
    return found


def filled_of_height(path: Path, page: int, height_mm: float) -> list[Box]:
    """Filled paths of that height, from left to right; a hatched one is painted with another operator."""
    return sorted(
        box for how, box in drawn_mm(path, page) if how == "f" and box[3] - box[1] == pytest.approx(height_mm, abs=2e-3)
    )


def widths(boxes: list[Box]) -> list[float]:
    return [right - left for left, _, right, _ in boxes]


@pytest.mark.parametrize(
    ("diameter_m", "targets", "paper"), [(0.120, 8, "a4"), (0.040, 20, "letter"), (1.500, 24, "letter")]
)
def test_strip_is_true_in_length(tmp_path: Path, diameter_m: float, targets: int, paper: str) -> None:
    strip = plan_strip(diameter_m=diameter_m, targets=targets, paper=paper)
    path = tmp_path / "strip.pdf"
    draw_strip(strip, path)
    dark: list[Box] = []
    for page in range(strip.pages):
        assert widths(filled_of_height(path, page, 1.0)) == pytest.approx([100.0, 101.6], abs=0.01)
        dark += filled_of_height(path, page, 15.0)
        outlined = [box for how, box in drawn_mm(path, page) if how == "S"]
        pieces = widths([box for box in outlined if box[3] - box[1] == pytest.approx(15.0, abs=2e-3)])
        tiles = [tile.to_mm - tile.from_mm for tile in strip.tiles if tile.page == page]
        assert pieces == pytest.approx(tiles, abs=0.02)
    # pi (D + t) round the hub at the middle of the paper, half of it dark
    assert sum(widths(dark)) == pytest.approx(math.pi * (diameter_m + 1e-4) * 1e3 / 2, abs=0.05)


def test_strip_fields_are_evenly_spaced(tmp_path: Path) -> None:
    path = tmp_path / "strip.pdf"
    draw_strip(plan_strip(diameter_m=0.060, targets=6), path)
    centres = [(left + right) / 2 for left, _, right, _ in filled_of_height(path, 0, 15.0)]
    assert centres[0] == pytest.approx(12.0 + math.pi * 60.1 / 12, abs=0.01)  # half a field of light at either end
    gaps = [after - before for before, after in itertools.pairwise(centres)]
    assert gaps == pytest.approx([math.pi * 60.1 / 6] * 5, abs=0.01)


def saw_curves(**changes: Any) -> tuple[Machine, list[DriveCurve]]:
    saw = demo_machine("saw")
    return saw, drive_curves(saw, supply_hz=fine_hz(saw), **changes)


def some_grinder_curves() -> tuple[Machine, list[DriveCurve]]:
    grinder = demo_machine("grinder")
    return grinder, drive_curves(grinder, supply_hz=fine_hz(grinder), belts=belt_choices(grinder)[::2])


@pytest.mark.parametrize(("diameter_mm", "paper"), [(70.0, "a4"), (160.0, "letter")])
def test_dial_is_true_in_size_and_angle(tmp_path: Path, diameter_mm: float, paper: str) -> None:
    saw, curves = saw_curves()
    knob = even_knob(math.radians(-135), math.radians(135), fine_hz(saw))
    rings = plan_rings(curves, knob, unit="m/min", diameter_mm=diameter_mm)
    path = tmp_path / "dial.pdf"
    draw_dial(
        rings, knob, path, title=saw.name, unit="m/min", basis="", paper=paper, diameter_mm=diameter_mm, hole_mm=10.0
    )
    assert widths(filled_of_height(path, 0, 1.0)) == pytest.approx([80.0, 76.2], abs=0.01)
    boxes = [box for _, box in drawn_mm(path, 0)]
    circles = [box for box in boxes if box[2] - box[0] == pytest.approx(box[3] - box[1], abs=1e-3)]
    sizes = {round(width, 2) for width in widths(circles)}
    assert {diameter_mm, 10.0} <= sizes
    centre = next(((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in circles if b[2] - b[0] == pytest.approx(diameter_mm))
    # 50 Hz lies halfway between 20 and 80 Hz, so its tick stands straight up, on the ring of hertz
    hertz = rings[-1]
    assert any(
        box[0] == pytest.approx(centre[0], abs=0.01)
        and box[2] == pytest.approx(centre[0], abs=0.01)
        and box[1] == pytest.approx(centre[1] + hertz.radius_mm - 2.8, abs=0.02)
        for box in boxes
    )


@pytest.mark.parametrize(("first_deg", "last_deg"), [(-135.0, 135.0), (0.0, 270.0), (-200.0, 60.0), (45.0, 315.0)])
def test_names_of_a_dial_s_scales_stay_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first_deg: float, last_deg: float
) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    saw, curves = saw_curves()
    knob = even_knob(math.radians(first_deg), math.radians(last_deg), fine_hz(saw))
    rings = plan_rings(curves, knob, unit="m/min", diameter_mm=90.0)
    path = tmp_path / "x.pdf"
    draw_dial(rings, knob, path, title="x", unit="m/min", basis="", paper="a4", diameter_mm=90.0, hole_mm=10.0)
    axes = figures[0].axes[0]
    renderer = FigureCanvasAgg(figures[0]).get_renderer()
    # angles are clockwise from straight up; matplotlib's arcs go the other way round from the right
    arcs = [(patch.theta1, patch.theta2) for patch in axes.patches if isinstance(patch, Arc)]
    assert len(arcs) == 3
    for arc in arcs:
        assert arc == pytest.approx((90.0 - last_deg, 90.0 - first_deg))
    names = [text for text in axes.texts if text.get_text() in {ring.name for ring in rings}]
    assert len(names) == 3
    for text in names:
        centre, lean = text.get_position(), math.radians(text.get_rotation())
        text.set_rotation(0.0)
        box = text.get_window_extent(renderer)
        half_mm = [length / figures[0].dpi * 25.4 / 2 for length in (box.width, box.height)]
        for right, up in itertools.product((-1.0, 1.0), repeat=2):
            x, y = right * half_mm[0], up * half_mm[1]
            corner = (
                centre[0] + x * math.cos(lean) - y * math.sin(lean), centre[1] + x * math.sin(lean) + y * math.cos(lean)
            )  # fmt: skip
            assert math.dist(corner, (105.0, 297.0 - 28.0 - 45.0)) < 45.0  # the dial's own circle


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_chart_is_one_page_that_says_what_it_is(tmp_path: Path, paper: str, size_mm: tuple[float, float]) -> None:
    saw, curves = saw_curves()
    path = tmp_path / "chart.pdf"
    draw_chart(saw, curves, list(listed_hz(saw)), path, unit="m/min", paper=paper)
    reader = PdfReader(path)
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert (float(box.width) * MM_PER_PT, float(box.height) * MM_PER_PT) == pytest.approx(size_mm, abs=0.01)
    text = " ".join(reader.pages[0].extract_text().split())
    for words in (
        saw.name, "Predicted from the machine's description, not measured", "inverter frequency, Hz",
        "blade speed, m/min", "blade speed, ft/min", "gear low", "gear high", "this machine's limit of 90 m/min",
        "Titanium", "Beware", "Machinery's Handbook, 31st ed., p. 1245", "interlocks are never bypassed",
        "not a safety device",
    ):  # fmt: skip
        assert words in text
    # by hand, high gear at 50 Hz: 57.175 m/min at full load and 59.974 at none, halfway 58.6 (192 ft/min)
    assert " 58.6 " in text
    assert " 192 " in text


def test_chart_s_bands_and_lines_stand_at_their_speeds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    saw, curves = saw_curves(gears=["high"])
    draw_chart(saw, curves, [20.0, 80.0], tmp_path / "x", unit="ft/min", paper="a4", materials=[one_material("304")])
    _, axes, ladder = (each for each in figures[0].axes)
    # Machinery's Handbook, 31st ed., p. 1245: 304 at 120 ft/min, 12 % less at 8 in to 15 % more at 1/4 in
    (bar,) = (patch for patch in ladder.patches if isinstance(patch, Rectangle) and patch.get_hatch())
    assert (bar.get_y(), bar.get_y() + bar.get_height()) == pytest.approx((105.6, 138.0))
    # by hand, 20 Hz: 530 and 600 rpm over 26, times pi x 0.3309 m; 80 Hz: 2288 and 2400 rpm
    x, y = axes.get_lines()[0].get_data()
    assert (x[0], x[-1]) == (20.0, 80.0)
    assert (y[0], y[-1]) == pytest.approx((565 / 26 * math.pi * 1.085630, 2344 / 26 * math.pi * 1.085630), rel=1e-5)
    (limit,) = (text for text in axes.texts if text.get_text().startswith("this machine"))
    assert limit.get_position()[1] == pytest.approx(90 / 0.3048)  # 90 m/min


def hatched_from_hz(axes: Axes) -> list[float]:
    """Where each hatched piece of a curve begins."""
    pieces = [each for each in axes.collections if isinstance(each, PolyCollection) and each.get_hatch()]
    return [float(path.vertices[:, 0].min()) for piece in pieces for path in piece.get_paths()]  # type: ignore[union-attr]


def test_dial_chart_and_table_bar_the_same_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand, high gear: 30 / 26 x pi x 0.3309 m a minute per Hz at no load, 1.21 % more at the band's upper edge
    (pulleys 0.5 % each, in squares, and wheel 0.5 %): the limit of 90 m/min is reached at 74.13 Hz.
    """
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    saw, curves = saw_curves(gears=["high"])
    draw_chart(saw, curves, [70.0, 74.0, 74.3, 80.0], tmp_path / "x", unit="m/min", paper="a4")
    page, axes = figures[0].axes[:2]
    knob = even_knob(math.radians(-135), math.radians(135), fine_hz(saw))
    ((begins_deg, _),) = plan_rings(curves, knob, unit="m/min", diameter_mm=90.0)[0].forbidden_deg
    step_hz = 60.0 / 399  # between two points of a curve
    assert hatched_from_hz(axes) == pytest.approx([74.13 + step_hz / 2], abs=step_hz / 2 + 0.01)
    assert 50.0 + begins_deg / 135.0 * 30.0 == pytest.approx(hatched_from_hz(axes)[0])
    struck = [line for line in page.get_lines() if line.get_linewidth() == 0.9]
    assert len(struck) == 2 * 2  # 74.3 and 80 Hz, in both units
    assert [row.forbidden for row in all_settings(saw, supply_hz=[74.0, 74.3])] == [False, False, False, True]


def test_what_forbids_one_curve_alone_is_hatched_on_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: two poles turn once a cycle, and the step pulleys' fast pair drives a rim of 5.2 in 4.4 / 3.5 as fast:
    pi x 0.13208 m x 1.2571 f is over 33 m/s (6500 ft/min for cast iron) from 63.3 Hz on.
    """
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    unlimited = dataclasses.replace(GRINDER, limits=dataclasses.replace(GRINDER.limits, blade_speed_m_per_s=None))
    belts = ["slow / 2.2 in", "fast / 3.8 in"]
    plot_speed_curves(
        unlimited, drive_curves(unlimited, supply_hz=fine_hz(unlimited), belts=belts), tmp_path / "x", unit="m/min"
    )
    assert hatched_from_hz(figures[0].axes[0]) == pytest.approx([63.3], abs=0.2)


def test_chart_tells_which_materials_it_leaves_out(tmp_path: Path) -> None:
    saw, curves = saw_curves()
    wanted = [one_material("4140"), one_material("aluminium")]  # 440 ft/min and more, from memory; the saw gives 320
    left_out = draw_chart(saw, curves, [20.0, 80.0], tmp_path / "chart.pdf", unit="m/min", paper="a4", materials=wanted)
    assert [material.name for material in left_out] == ["Aluminium alloys"]
    with pytest.raises(DriveError, match="11 materials are too many for one chart"):
        draw_chart(saw, curves, [20.0, 80.0], tmp_path / "x.pdf", unit="m/min", paper="a4", materials=wanted[:1] * 11)


def test_chosen_settings_stand_where_they_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    found = choose(SAW, HALF_M_PER_S)
    plot_choices(SAW, found, HALF_M_PER_S, tmp_path / "x", unit="m/min")
    numbers = {text.get_text(): text for text in figures[0].axes[0].texts}
    for place, choice in enumerate(found, start=1):
        hz, speed = numbers[f"{place}"].xy  # type: ignore[attr-defined]
        assert hz == choice.prediction.setting.hz
        assert speed == pytest.approx(30.0, rel=0.01)  # 0.5 m/s
    fixed, its_own = dataclasses.replace(SAW, inverter=None), SpeedRange(low_m_per_s=0.42, high_m_per_s=0.43)
    with pytest.raises(DriveError, match="describe the machine's"):
        plot_choices(fixed, choose(fixed, its_own), its_own, tmp_path / "x", unit="m/min")


@pytest.mark.parametrize(
    ("name", "key", "axis", "limit"),
    [
        ("saw", ["old", "new", "new, for hours (cooling, cautious edge)"], "gear", "this machine's limit, 90 m/min"),
        # blown motor, no gears
        ("grinder", ["old", "new, also for hours"], "range", "this machine's limit, 1280 m/min"),
    ],
)
def test_arrangement_names_only_what_the_machine_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, key: list[str], axis: str, limit: str
) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    plot_arrangement(arrange(demo_machine(name), points=50), tmp_path / "x", unit="m/min")
    span, _, power = figures[0].axes
    assert [text.get_text() for text in figures[0].legends[0].get_texts()] == key
    assert span.get_ylabel() == axis
    assert ("in each gear" in figures[0].texts[1].get_text()) == (axis == "gear")
    assert limit in [text.get_text() for text in power.texts]  # 90 m/min, and 4200 ft/min = 1280.2 m/min


def test_names_of_belt_and_gear_are_cut_last() -> None:
    _, curves = saw_curves()
    both = dataclasses.replace(curves[0], belt="5.3 in", gear="direct")
    assert fitted_name(both, width_mm=60.0, size_pt=7.5) == "belt 5.3 in, gear direct"
    assert fitted_name(both, width_mm=27.0, size_pt=7.5) == "5.3 in, direct"
    assert fitted_name(both, width_mm=8.0, size_pt=7.5).endswith("…")


def test_chart_may_come_from_calibration(tmp_path: Path) -> None:
    saw, curves = saw_curves(gears=["low"])
    path = tmp_path / "chart.pdf"
    basis = "From a calibration."
    draw_chart(saw, curves, [20.0, 50.0, 80.0], path, unit="ft/min", paper="a4", basis=basis, materials=())
    text = PdfReader(path).pages[0].extract_text()
    assert basis in text
    assert "not measured" not in text


def chart(path: Path, curves: tuple[Machine, list[DriveCurve]], unit: str, paper: str) -> None:
    draw_chart(curves[0], curves[1], list(listed_hz(curves[0])), path, unit=unit, paper=paper)


def dial(path: Path, curves: tuple[Machine, list[DriveCurve]], sweep_deg: float) -> None:
    knob = even_knob(math.radians(-sweep_deg / 2), math.radians(sweep_deg / 2), fine_hz(curves[0]))
    rings = plan_rings(curves[1], knob, unit="ft/min", diameter_mm=90.0)
    draw_dial(rings, knob, path, title="x", unit="ft/min", basis="", paper="letter", diameter_mm=90.0, hole_mm=6.0)


def six_gears() -> Machine:
    ratios = ", ".join(f'"{name}" = {ratio}' for name, ratio in zip(
        ("one", "two", "three", "a gear whose name is far too long for any page", "five", "W" * 60),
        (30.0, 20.0, 13.0, 9.0, 6.0, 4.0), strict=True,
    ))  # fmt: skip
    return parse_machine(demo_text("saw").replace("ratios = { low = 30.0, high = 13.0 }", f"ratios = {{ {ratios} }}"))


SAW, GRINDER = demo_machine("saw"), demo_machine("grinder")
MOTOR_ONLY = dataclasses.replace(SAW, sensors={"motor": SAW.sensors["motor"]})
HALF_M_PER_S = SpeedRange(low_m_per_s=0.5, high_m_per_s=0.5)
FIVE_M_PER_S = SpeedRange(low_m_per_s=5.0, high_m_per_s=5.5)
PAGES: dict[str, Callable[[Path], None]] = {
    "chart a4": lambda path: chart(path, saw_curves(), "m/min", "a4"),
    "chart full": lambda path: chart(path, some_grinder_curves(), "ft/min", "letter"),
    "chart full a4": lambda path: chart(path, some_grinder_curves(), "m/min", "a4"),
    "speed curves": lambda path: plot_speed_curves(*saw_curves(), path, unit="m/min"),
    "many speed curves": lambda path: plot_speed_curves(*some_grinder_curves(), path, unit="ft/min"),
    "arrangement": lambda path: plot_arrangement(arrange(demo_machine("saw"), points=50), path, unit="m/min"),
    "arrangement without gears": lambda path: plot_arrangement(arrange(GRINDER, points=50), path, unit="ft/min"),
    "arrangement of six gears": lambda path: plot_arrangement(
        arrange(six_gears(), limits_hz=(20.0, 90.0), points=50), path, unit="ft/min"
    ),
    "choices": lambda path: plot_choices(SAW, choose(SAW, HALF_M_PER_S), HALF_M_PER_S, path, unit="m/min"),
    "many choices": lambda path: plot_choices(
        GRINDER, choose(GRINDER, FIVE_M_PER_S), FIVE_M_PER_S, path, unit="ft/min"
    ),
    "mount": lambda path: plot_mount(SAW, plan_mount(SAW), path),
    "mount without a radius": lambda path: plot_mount(MOTOR_ONLY, plan_mount(MOTOR_ONLY), path),
    "strip": lambda path: draw_strip(plan_strip(diameter_m=0.2, targets=6), path),
    "dense strip": lambda path: draw_strip(plan_strip(diameter_m=0.05, targets=50), path),
    "dial": lambda path: dial(path, saw_curves(), 270.0),
    "wide dial": lambda path: dial(path, saw_curves(), 330.0),
}


@pytest.mark.parametrize("page", PAGES)
def test_no_text_lies_on_another_or_off_the_page(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, assert_apart: Apart
) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    PAGES[page](tmp_path / "page.pdf")
    assert_apart(figures)


def test_names_at_line_ends_are_spread() -> None:
    assert ink.spread([0.5, 0.5, 0.98], least=0.1) == pytest.approx([0.45, 0.55, 0.98])
    crowded = ink.spread([0.97, 0.98, 0.99, 1.0], least=0.05)
    assert max(crowded) <= 1.0
    assert np.all(np.diff(crowded) >= 0.05 - 1e-9)
    assert ink.spread([0.1, 0.4], least=0.1) == [0.1, 0.4]


@pytest.mark.parametrize(
    "name", ["Saw for $5 or $x_{", "Säge Nr. 2 / «Ñandú»", "帯鋸", r"back\slash %s {0} ^_", "x" * 80]
)
def test_any_name_can_be_drawn(tmp_path: Path, name: str) -> None:
    saw, curves = saw_curves(gears=["low"])
    path = tmp_path / "chart.pdf"
    draw_chart(dataclasses.replace(saw, name=name), curves, [20.0, 80.0], path, unit="m/min", paper="a4")
    text = PdfReader(path).pages[0].extract_text()
    assert "inverter frequency, Hz" in text
    assert name[:20] in text or not name.isascii()


def test_long_names_stay_on_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, assert_apart: Apart
) -> None:
    figures: list[Figure] = []
    monkeypatch.setattr(ink, "save_pages", lambda pages, *_, **__: figures.extend(pages))
    saw, curves = saw_curves()
    named = [dataclasses.replace(curve, gear="W" * 60) for curve in curves]
    draw_chart(dataclasses.replace(saw, name="W" * 80), named, [20.0, 80.0], tmp_path / "x", unit="m/min", paper="a4")
    assert_apart(figures)


@pytest.mark.parametrize("suffix", [".pdf", ".png", ".svg"])
def test_same_input_gives_the_same_file(tmp_path: Path, suffix: str) -> None:
    paths = [tmp_path / f"{name}{suffix}" for name in ("one", "two")]
    for path in paths:
        plot_speed_curves(*saw_curves(), path, unit="m/min")
    assert paths[0].read_bytes() == paths[1].read_bytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
@pytest.mark.parametrize("suffix", [".pdf", ".png", ".svg"])
def test_a_full_device_is_named_and_stays(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"page{suffix}"
    path.symlink_to("/dev/full")
    with ink.page(50.0, 50.0) as figure, pytest.raises(OSError, match="No space left") as told:
        ink.save_pages([figure], path, title="x")
    assert told.value.filename == str(path)
    assert list(tmp_path.iterdir()) == [path]
    assert path.is_symlink()  # what leads to a device is not ours to remove
