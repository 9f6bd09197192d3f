"""Do the settings of a board follow from machine and calibration, and say from which?"""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from kerfbeat.calibration import QUANTITIES, Calibration, Known, Result, belongs_to, known
from kerfbeat.capture.board_settings import CLOCK_NEVER, BoardSettings
from kerfbeat.drive.board_plan import BoardPlan, Wishes, nearest_plan, planned_settings
from kerfbeat.errors import SettingsError
from kerfbeat.machine import Machine, demo_machine, demo_text, parse_machine

SAW = demo_machine("saw")
GRINDER = demo_machine("grinder")
TODAY = date(2026, 11, 27)
BOARD = BoardSettings(board_id=0x2A)


def plan(
    machine: Machine | None, before: BoardSettings = BOARD, held: Known | None = None, **wishes: object
) -> BoardPlan:
    return planned_settings(before, machine=machine, known=held, wishes=Wishes(**wishes), today=TODAY)


def saw_with(old: str, new: str) -> Machine:
    text = demo_text("saw")
    assert old in text
    return parse_machine(text.replace(old, new))


def stored(**results: tuple[float, ...] | float) -> Known:
    """Results of the saw by their names, `_` for a space and `_of_` before whose they are; 3 as the u of each."""
    made = []
    for name, value in results.items():
        quantity, _, of = name.replace("_of_", "|").replace("_", " ").partition("|")
        values = value if isinstance(value, tuple) else (value,)
        made.append(
            Result(
                quantity=quantity, of=of, value=values, u=(3.0,) * len(values), unit=QUANTITIES[quantity],
                date=datetime(2026, 11, 1, 23, 30, tzinfo=UTC), sources=(), conditions={},
                belongs_to=belongs_to(SAW, quantity, of),
            )
        )  # fmt: skip
    return known(Calibration(machine=SAW.name, results=tuple(made)), SAW)


def test_the_demo_saw_as_described() -> None:
    """pi (330 + 0.9) mm = 1039.553 mm; 160 / 80 x 30 and x 13 turns; 90 m/min; day 9827 is 2026-11-27."""
    found = plan(SAW)
    assert found.settings == BoardSettings(
        board_id=0x2A, unit=1, wheel_input=1, wheel_targets=4, fast_input=2, fast_targets=1,
        circumference_um=1_039_553, ratios_millionths=(60_000_000, 26_000_000), fastest_mm_min=90_000,
        settings_day=9827,
    )  # fmt: skip
    assert found.basis["circumference_um"] == "wheel as described"
    assert found.basis["ratios_millionths"] == "predicted from pitch diameters"
    assert found.basis["fastest_mm_min"] == "limits.blade_speed"
    assert any("no clock correction is known" in note for note in found.notes)


def test_what_was_calibrated_takes_the_place_of_the_description() -> None:
    """pi (331.2 + 0.9) mm = 1043.3230 mm.  Angles: 91.2, 181.3 and 269.0 degrees x 65536 / 360."""
    held = stored(
        wheel_diameter=0.3312, total_ratio_of_gear_low=60.3, target_spacing_of_wheel=(91.2, 90.1, 87.7, 91.0),
        clock_offset_of_0000002A=-1234.5678,
    )  # fmt: skip
    settings = plan(SAW, held=held).settings
    assert settings.circumference_um == 1_043_323
    assert settings.ratios_millionths == (60_300_000, 26_000_000)
    assert settings.angles_65536 == (0, 16602, 33005, 48970)
    assert (settings.clock_ppb, settings.clock_u95_ppb) == (-1_234_568, 5_880)  # 1.96 x 3 ppm
    assert settings.clock_day == 9801  # 26 days before 9827
    basis = plan(SAW, held=held).basis
    assert basis["ratios_millionths"] == "calibrated 2026-11-01; predicted from pitch diameters"
    assert basis["circumference_um"] == basis["angles_65536"] == basis["clock_ppb"] == "calibrated 2026-11-01"


def test_a_clock_of_another_board_is_not_taken() -> None:
    settings = plan(SAW, held=stored(clock_offset_of_0000002B=100.0)).settings
    assert settings.clock_u95_ppb == CLOCK_NEVER
    again = plan(SAW, held=stored(clock_offset_of_0000002B=100.0), board_id=0x2B).settings
    assert again.clock_ppb == 100_000


def test_the_newer_clock_correction_stays() -> None:
    older = BoardSettings(board_id=0x2A, clock_ppb=5, clock_u95_ppb=6, clock_day=9800)
    newer = BoardSettings(board_id=0x2A, clock_ppb=5, clock_u95_ppb=6, clock_day=9802)
    held = stored(clock_offset_of_0000002A=100.0)
    assert plan(SAW, older, held).settings.clock_ppb == 100_000
    kept = plan(SAW, newer, held)
    assert (kept.settings.clock_ppb, kept.settings.clock_day) == (5, 9802)
    assert any("is newer than the calibrated one" in note for note in kept.notes)
    assert plan(SAW, newer).settings.clock_ppb == 5  # none calibrated: the board's own stays
    cleared = plan(None, newer, keep_clock=False).settings
    assert (cleared.clock_ppb, cleared.clock_u95_ppb, cleared.clock_day) == (0, CLOCK_NEVER, 0)


def test_what_nobody_says_stays_as_it_is() -> None:
    before = BoardSettings(
        board_id=7, baud=1, modes=(7, 5, 0), flood_edges=6, mask_ms=100, slowest_mm_min=9_000, slip_limit_1e4=250
    )
    after = plan(SAW, before).settings
    for name in ("board_id", "baud", "modes", "flood_edges", "mask_ms", "slowest_mm_min", "slip_limit_1e4"):
        assert getattr(after, name) == getattr(before, name)
    assert plan(None, before).settings == before  # and nothing changes the day


def test_what_was_asked_for_goes_first() -> None:
    """20 ft/min = 6.096 m/min (1 ft = 0.3048 m)."""
    after = plan(
        SAW, board_id=1, baud=115_200, modes={2: 7}, flood_edges=9, mask_s=0.1, unit="ft/min",
        slowest_m_per_s=20 * 0.3048 / 60, fastest_m_per_s=1.0, slip_limit_percent=2.5,
    ).settings  # fmt: skip
    assert (after.board_id, after.baud, after.modes, after.flood_edges, after.mask_ms) == (1, 1, (5, 7, 5), 9, 100)
    assert (after.unit, after.slowest_mm_min, after.fastest_mm_min, after.slip_limit_1e4) == (0, 6096, 60_000, 250)
    with pytest.raises(SettingsError, match="5 to 250"):
        plan(None, mask_s=0.3)


def test_only_a_board_without_an_identity_is_given_one() -> None:
    assert plan(None, BoardSettings(), fresh_id=99, flood_edges=9).settings.board_id == 99
    assert plan(None, BoardSettings(), fresh_id=99, board_id=5).settings.board_id == 5
    assert plan(None, BOARD, fresh_id=99, flood_edges=9).settings.board_id == 0x2A


def test_a_sensor_behind_one_belt_sees_the_next() -> None:
    """The grinder's driven shaft: 4.6 in / 2.2 in x 2.25 = 4.704545 turns per wheel turn; two targets on input 3."""
    found = plan(GRINDER, belt="slow / 2.2 in").settings
    assert (found.fast_input, found.fast_targets, found.ratios_millionths) == (3, 2, (4_704_545,))
    assert found.unit == 0  # its lengths are inches
    assert found.fastest_mm_min == 1_280_160  # 4200 x 304.8 mm


@pytest.mark.parametrize(
    ("machine", "why"),
    [
        (GRINDER, "varies with the belt's position; name the one in use with --belt"),
        (saw_with("[sensor.motor]\ntargets = 1\n", ""), "no sensor on the motor or a driven shaft"),
        (saw_with("[sensor.motor]", "[sensor.driven]\ninput = 2"), "no belt is described"),
        (saw_with("[sensor.motor]\ntargets = 1", "[sensor.motor]\ntargets = 61"), "the board takes 60 at most, not 61"),
        (saw_with("high = 13.0", "a = 25, b = 20, c = 15, d = 10"), "has 5 ratios and a board keeps 4"),
    ],
    ids=["variable sheave", "no sensor", "gears only", "too many targets", "too many gears"],
)
def test_why_belt_slip_will_not_be_shown(machine: Machine, why: str) -> None:
    found = plan(machine, slip_limit_percent=3.0)
    assert (found.settings.fast_input, found.settings.ratios_millionths) == (0, ())
    assert any("belt slip will not be shown" in note and why in note for note in found.notes)
    assert any("the slip alarm has no effect" in note for note in found.notes)
    assert found.settings.wheel_input == 1


def test_ratios_that_can_be_mistaken_are_told() -> None:
    """160 / 80 x 30 = 60 and x 28 = 56: 7 % apart."""
    found = plan(saw_with("high = 13.0", "high = 28.0"))
    assert any("60 and 56 are near to each other" in note for note in found.notes)
    assert not any("near to each other" in note for note in plan(SAW).notes)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("[sensor.wheel]\ntargets = 4\n", "", "no [sensor.wheel] is described"),
        ("[sensor.wheel]\ntargets = 4", "[sensor.wheel]\ntargets = 61", "takes 60 at most, not 61"),
    ],
)
def test_a_wheel_that_the_display_cannot_take(old: str, new: str, why: str) -> None:
    before = BoardSettings(wheel_input=1, wheel_targets=2, circumference_um=10_000, angles_65536=(0, 9))
    found = plan(saw_with(old, new), before)
    assert not found.settings.display_ready
    assert any(why in note for note in found.notes)


def test_settings_that_fit_need_no_change_at_any_belt_position() -> None:
    """Written for one belt position, with another unit and alarm: nothing that measures wrong."""
    stored = plan(GRINDER, belt="middle / 3 in", unit="m/min", fastest_m_per_s=5.0).settings
    assert nearest_plan(stored, machine=GRINDER, known=None, today=date(2027, 1, 1)).settings == stored
    wrong = replace(stored, circumference_um=800_000, wheel_targets=5)
    found = nearest_plan(wrong, machine=GRINDER, known=None, today=date(2027, 1, 1)).settings
    assert found == stored
