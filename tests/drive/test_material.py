"""Does the material table say what its source prints, and is a material found by the words of a shop?"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.drive.material import CAUTION, GROUPS, HANDBOOK, MATERIALS, find_materials, one_material
from kerfbeat.errors import DriveError

FT_PER_MIN = 0.00508  # m/s, SP 811
IN = 0.0254

# Machinery's Handbook, 31st ed., p. 1245: bimetal band, 4 in length of cut, cutting fluid; ft/min and its m/min column
PRINTED = [
    ("12L14", 425, 130), ("1213", 400, 122), ("1117", 340, 104), ("1018", 300, 91), ("4140", 250, 76),
    ("1060", 200, 61), ("300M", 160, 49), ("M-42", 100, 30), ("T-15", 70, 21),
]  # fmt: skip


@pytest.mark.parametrize(("grade", "ft_per_min", "m_per_min"), PRINTED)
def test_speed_is_the_printed_one(grade: str, ft_per_min: float, m_per_min: float) -> None:
    found = one_material(grade)
    at_four_inches = found.speed_range(thickness_m=4 * IN)
    assert at_four_inches.low_m_per_s / FT_PER_MIN == pytest.approx(ft_per_min)
    assert at_four_inches.high_m_per_s * 60 == pytest.approx(m_per_min, abs=0.5)
    assert found.source == HANDBOOK


@pytest.mark.parametrize(
    ("grade", "inches", "dry", "carbon", "ft_per_min"),
    # worked from the same page: 1018 at 8 in: 264; 304 dry, 40 % less: 72; 304 with a carbon band: 60; 12 % less at
    # 8 in, 15, 12 and 10 % more at 1/4, 3/4 and 1 1/4 in
    [
        ("1018", 8.0, False, False, (264, 264)),
        ("304", 4.0, True, False, (60, 84)),
        ("304", 4.0, False, True, (60, 60)),
        ("4140", 0.25, False, False, (287.5, 287.5)),
        ("4140", 0.75, False, False, (280, 280)),
        ("4140", 1.25, False, False, (275, 275)),
        ("4140", 20.0, False, False, (220, 220)),
    ],
)
def test_corrections(grade: str, inches: float, dry: bool, carbon: bool, ft_per_min: tuple[float, float]) -> None:
    found = one_material(grade).speed_range(thickness_m=inches * IN, dry=dry, carbon_band=carbon)
    assert (found.low_m_per_s / FT_PER_MIN, found.high_m_per_s / FT_PER_MIN) == pytest.approx(ft_per_min)
    if grade == "304" and dry:
        assert found.low_m_per_s <= 72 * FT_PER_MIN <= found.high_m_per_s


def test_every_row_is_a_range_with_a_source() -> None:
    assert len(MATERIALS) > 75
    for material in (*MATERIALS, *GROUPS):
        found = material.speed_range()
        assert 0.0 < found.low_m_per_s < found.high_m_per_s
        assert "Handbook" in material.source or "from memory" in material.source
    assert "blade maker" in CAUTION


def test_what_was_not_read_says_so() -> None:
    unread = {material.group for material in MATERIALS if material.source != HANDBOOK}
    assert unread == {"Grey cast iron", "Aluminium alloys"}
    assert all("not verified" in material.source for material in MATERIALS if material.group in unread)


def test_all_grades_of_the_printed_page_are_there() -> None:
    # the 29 rows of the page, and titanium and 304
    rows = {round(material.low_m_per_s / FT_PER_MIN) for material in MATERIALS if material.group != "Aluminium alloys"}
    assert rows >= {
        425, 400, 340, 330, 320, 310, 300, 290, 280, 275, 270, 250, 240, 225, 220, 210, 200, 190, 185, 180, 175, 160,
        140, 125, 110, 105, 100, 90, 70, 80, 75, 65, 120,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("4140", "4140"), ("AISI 4140", "4140"), ("sae 1018", "1018"), ("o1", "O-1"), ("D2", "D-2"),
        ("ti6al4v", "Ti-6Al-4V"),
        ("mild steel", "Low-carbon steels"), ("MILD STEEL", "Low-carbon steels"), ("stainless", "Stainless steels"),
        ("titanium", "Titanium"), ("aluminum", "Aluminium alloys"), ("tool steels", "Tool steels"),
        ("A36", "A36 shapes"),
        ("cast iron", "Grey cast iron"),
    ],
)  # fmt: skip
def test_words_of_the_shop(typed: str, name: str) -> None:
    assert one_material(typed).name == name


def test_search_filters_and_suggests() -> None:
    assert len(find_materials("")) == len(MATERIALS) + len(GROUPS)
    assert {material.name for material in find_materials("414")} == {"4140", "4142", "4145"}
    assert all("titanium" in (m.name + m.group).casefold() for m in find_materials("titan"))
    with pytest.raises(DriveError, match=r'no material "stainles steal" in the table; near: .*stainless steel'):
        find_materials("stainles steal")
    with pytest.raises(DriveError, match="groups: Free-machining steels"):
        find_materials("zzzz")
    with pytest.raises(DriveError, match=r"fits several: .* name one of them"):
        one_material("steel")
    with pytest.raises(DriveError, match=r"no material"):
        find_materials("***")


@pytest.mark.parametrize("thickness_m", [0.0, -0.1, float("nan")])
def test_thickness_that_cannot_be(thickness_m: float) -> None:
    with pytest.raises(DriveError, match="such as 50 mm or 2 in"):
        one_material("1018").speed_range(thickness_m=thickness_m)


@given(st.text(max_size=30))
def test_any_text_finds_something_or_says_so(text: str) -> None:
    found = []
    try:
        found = find_materials(text)
    except DriveError as problem:
        assert "no material" in str(problem)  # noqa: PT017  # the other way out of the same question
    else:
        assert found
