"""Is what the operator enters understood, or refused in one line?"""

import pytest

from kerfbeat.errors import MachineError, UnitError
from kerfbeat.machine import Inverter
from kerfbeat.present import entry


@pytest.mark.parametrize(
    ("text", "hz"), [("45", 45.0), (" 45.5 Hz", 45.5), ("45,5", 45.5), ("0", 0.0), ("1000hz", 1000.0)]
)
def test_hertz(text: str, hz: float) -> None:
    assert entry.hz_of(text) == hz


@pytest.mark.parametrize("text", ["", "fast", "-1", "nan", "45 rpm", "4 5"])
def test_wrong_hertz(text: str) -> None:
    with pytest.raises(UnitError, match="is no frequency; write the hertz"):
        entry.hz_of(text)


@pytest.mark.parametrize("text", ["inf", "1001"])
def test_hertz_beyond_any_inverter(text: str) -> None:
    with pytest.raises(UnitError, match="is beyond 1000 Hz; write the hertz"):
        entry.hz_of(text)


GEARS = ("low", "high", "2 high")


@pytest.mark.parametrize(
    ("text", "meant"), [("low", "low"), ("L", "low"), ("HIGH", "high"), ("1", "low"), ("2", "2 high"), ("3", "2 high")]
)
def test_choice_by_name_beginning_or_number(text: str, meant: str) -> None:
    assert entry.choice_of(text, GEARS, what="gear") == meant


@pytest.mark.parametrize("text", ["", "middle", "0", "4"])
def test_wrong_choice_names_the_right_ones(text: str) -> None:
    with pytest.raises(MachineError, match="choose low, high, 2 high"):
        entry.choice_of(text, GEARS, what="gear")


def test_two_meant_is_none_meant() -> None:
    with pytest.raises(MachineError):
        entry.choice_of("h", ("high", "higher"), what="gear")
    assert entry.choice_of("high", ("high", "higher"), what="gear") == "high"


def test_nothing_to_choose() -> None:
    with pytest.raises(MachineError, match="no belt to choose"):
        entry.choice_of("1", (), what="belt")


def test_hertz_that_the_inverter_does_not_give_is_said() -> None:
    inverter = Inverter(minimum_hz=20.0, maximum_hz=80.0)
    assert "900 Hz is outside the inverter's limits of 20 to 80 Hz" in str(entry.beyond_inverter(900.0, inverter))
    assert entry.beyond_inverter(19.9, inverter) is not None
    for hz in (20.0, 50.0, 80.0, None):
        assert entry.beyond_inverter(hz, inverter) is None
    assert entry.beyond_inverter(900.0, None) is None
    assert entry.beyond_inverter(80.0 + 1e-10, inverter) is None  # a sweep's rounding, as in a prediction
