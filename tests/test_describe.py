"""Do the answers of the shop become a machine file, and is a wrong answer met at once?"""

import pytest

from kerfbeat.errors import MachineError
from kerfbeat.machine import BeltStage, GearStage, belt_choices, parse_machine
from kerfbeat.machine.describe import describe_machine
from kerfbeat.machine.interview import Interview, choice

SAW = [
    "Bench saw", "330 mm", "0.9 mm", "2750 mm", "4", "1", "", "1",
    "yes", "50", "1430", "", "1.5 kW", "yes", "3000", "2.4",
    "yes", "80", "20", "0.1",
    "belt", "fixed", "pitch", "80 mm", "160 mm", "310 mm", "1010 mm",
    "gearbox", "2", "low", "30", "high", "13:1", "", "90 m/min",
]  # fmt: skip
BARE = ["Bare wheel", "14 in", "", "", "1", "", "", "", "no", ""]


def run(answers: list[str], *, again: bool = False) -> tuple[str, list[str]]:
    lines, said = iter(answers), []

    def read(_question: str) -> str:
        try:
            return next(lines)
        except StopIteration:
            raise EOFError from None

    text = describe_machine(Interview(read=read, say=said.append, again=again))
    assert next(lines, None) is None, "not every answer was asked for"
    return text, said


def drive(*answers: str) -> list[str]:
    """Answers of a bare wheel with a motor and these stages."""
    return [*BARE[:8], "yes", "60", "1750", "4", "", "", "", "", "no", *answers, "", ""]


def test_whole_machine() -> None:
    text, said = run(SAW)
    machine = parse_machine(text)
    assert said == []
    assert machine.name == "Bench saw"
    motor, inverter, (belt, box) = machine.motor, machine.inverter, machine.stages
    assert motor is not None
    assert inverter is not None
    assert (motor.poles, motor.base_hz, motor.rpm, motor.power_w) == (4, 50.0, 1430.0, 1500.0)
    assert (motor.self_cooled, motor.maximum_rpm, motor.breakdown_torque_ratio) == (True, 3000.0, 2.4)
    assert (inverter.minimum_hz, inverter.maximum_hz, inverter.resolution_hz) == (20.0, 80.0, 0.1)
    assert isinstance(belt, BeltStage)
    assert (belt.centre_distance_m, belt.belt_length_m) == (0.31, 1.01)
    assert isinstance(box, GearStage)
    assert (box.ratio("low"), box.ratio("high")) == (30.0, 13.0)
    assert (machine.wheel.diameter_m, machine.wheel.blade_thickness_m, machine.wheel.blade_length_m) == (
        0.33, 0.0009, 2.75,
    )  # fmt: skip
    assert {name: (s.targets, s.input) for name, s in machine.sensors.items()} == {
        "wheel": (4, 1), "motor": (1, 2), "blade": (1, 3),
    }  # fmt: skip
    assert machine.limits.blade_speed_m_per_s == 1.5


@pytest.mark.parametrize(
    ("place", "slips"),
    [
        (5, ["50", "<"]),  # targets of the wheel: fifty, and at once four
        (5, ["50", "1", "", "<", "<", "<"]),  # seen three questions later
        (28, ["gearbox", "3", "<", "<"]),  # within the stages
        (1, ["<"]),  # before the first question lies none
        (34, ["<"] * 34 + SAW[:33]),  # all the way back
    ],
)
def test_a_person_goes_back_a_question(place: int, slips: list[str]) -> None:
    answers = [*SAW[: place - 1], *slips, *SAW[place - 1 :]]
    text, said = run(answers, again=True)
    assert text == run(SAW)[0]
    assert said == (["this is the first question"] if place in (1, 34) else [])


def test_a_unit_typed_with_the_number_is_taken() -> None:
    typed = {
        4: "4 magnets", 7: "1 mark", 9: "50 Hz", 10: "1430 1/min", 11: "4 poles", 14: "3000rpm", 15: "2.4 times",
        17: "80 HZ", 18: "20hz", 19: "0.1 Hz", 28: "2 gears", 30: "30 : 1", 32: "13 to 1",
    }  # fmt: skip
    text, said = run([typed.get(place, answer) for place, answer in enumerate(SAW)])
    assert said == []
    assert text == run(SAW)[0]
    teeth = parse_machine(run(drive("chain", "1", "16 teeth / 36 teeth"))[0]).stages[0]
    assert teeth.ratio(None) == 2.25  # type: ignore[union-attr]  # 36/16


def test_going_back_is_for_persons_only() -> None:
    assert parse_machine(run(["<", *BARE[1:]])[0]).name == "<"


def test_bare_wheel() -> None:
    machine = parse_machine(run(BARE)[0])
    assert machine.motor is None
    assert list(machine.sensors) == ["wheel"]


def test_poles_are_found_from_the_nameplate() -> None:
    assert parse_machine(run(drive())[0]).motor.poles == 4  # type: ignore[union-attr]


def test_steps_variable_and_chain() -> None:
    text, _ = run(
        drive(
            "belt", "steps", "outside", "B", "2", "slow", "3 in", "6 in", "fast", "4 in", "5 in", "", "",
            "belt", "variable", "both", "70 mm", "120 mm", "90 mm", "140 mm", "250 mm", "",
            "chain", "1", "16 36",
        )
    )  # fmt: skip
    machine = parse_machine(text)
    steps, wide, chain = machine.stages
    assert isinstance(steps, BeltStage)
    assert isinstance(wide, BeltStage)
    assert isinstance(chain, GearStage)
    assert steps.positions[0].driver.taken == "outside"
    assert wide.varies
    assert chain.ratio(None) == 2.25
    assert belt_choices(machine)[0] == "slow / 2.756 in"  # inches, as the wheel was given in them


def test_datum_and_single_variable_driver() -> None:
    text, _ = run(
        drive(
            "belt", "fixed", "datum", "A", "3 in", "9 in", "", "",
            "belt", "variable", "driver", "70 mm", "120 mm", "140 mm", "", "",
        )
    )  # fmt: skip
    first, second = parse_machine(text).stages
    assert isinstance(first, BeltStage)
    assert isinstance(second, BeltStage)
    assert first.diameters_m(None) == pytest.approx((3.25 * 0.0254, 9.25 * 0.0254))
    assert second.diameters_m("minimum") == pytest.approx((0.070, 0.140))


def test_three_inputs_are_shared_out() -> None:
    machine = parse_machine(run([*BARE[:5], "", "2", "1", "no", ""])[0])
    assert {name: s.input for name, s in machine.sensors.items()} == {"wheel": 1, "driven": 3, "blade": 2}
    full = parse_machine(run([*BARE[:5], "1", "2", "no", ""])[0])  # no input is left for the blade
    assert list(full.sensors) == ["wheel", "motor", "driven"]


def test_odd_names_are_kept() -> None:
    answers = list(BARE)
    answers[0] = 'The "big" säge \\ 2'
    assert parse_machine(run(answers)[0]).name == answers[0]


@pytest.mark.parametrize(
    ("place", "wrong", "words"),
    [
        (0, "", "empty"),
        (1, "330", '"330" has no unit'),
        (1, "330 kg", "is a mass, not a length"),
        (1, "3 mm", "cannot be"),
        (2, "90 mm", "from 0 to 20 mm"),
        (3, "50 mm", "cannot be"),
        (4, "0", "cannot be"),
        (4, "four", "not a whole number"),
        (8, "maybe", "answer yes or no"),
        (9, "fifty", "not a number"),
        (9, "50 rpm", "not a number"),
        (19, "0,1 Hz", "write it with a decimal point, such as 50.5"),
        (10, "1500", "no motor turns at 1500 rpm"),
        (10, "nan", "no motor turns"),
        (11, "6", "does not fit 6 poles"),
        (12, "1.5", "has no unit"),
        (14, "900", "below the nameplate"),
        (15, "0.5", "breakdown_torque_ratio"),
        (17, "-5", "maximum_hz"),
        (18, "90", "not below"),
        (20, "rope", "answer belt, gearbox or chain"),
        (21, "f i", "answer fixed, steps or variable"),
        (23, "80", "has no unit"),
        (25, "100 mm", "overlap"),
        (26, "500 mm", "too short"),
        (28, "0", "from 1 to 20"),
        (30, "0", "cannot be a ratio"),
        (31, "low", "already taken"),
        (31, "a/b", "name it without"),
        (34, "90", "has no unit"),
    ],
)
def test_wrong_answer_is_asked_again_or_ends_it(place: int, wrong: str, words: str) -> None:
    answers = [*SAW[:place], wrong, *SAW[place:]]
    text, said = run(answers, again=True)
    assert text == run(SAW)[0]
    assert len(said) == 1
    assert words in said[0]
    with pytest.raises(MachineError) as caught:
        run(answers)
    assert str(caught.value).startswith(f'answer {place + 1}, "{wrong}", to "')
    assert words in str(caught.value)


@pytest.mark.parametrize("count", range(len(SAW)))
def test_answers_that_end_early(count: int) -> None:
    with pytest.raises(MachineError, match=f"the answers end before question {count + 1} "):
        run(SAW[:count])


def test_teeth_that_are_none() -> None:
    for wrong in ("16", "16 0", "16 36 40", "a b"):
        with pytest.raises(MachineError, match=r"teeth|tooth|whole number"):
            run(drive("chain", "1", wrong))


def test_short_words_are_enough() -> None:
    assert choice("belt", "gearbox", "chain")("G") == "gearbox"
    assert choice("driver", "driven", "both")("b") == "both"
    with pytest.raises(MachineError, match="driver, driven or both"):
        choice("driver", "driven", "both")("drive")
