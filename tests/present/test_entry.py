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


@pytest.mark.parametrize("text", ["40 252s", "40 252 s", "40 passes in 4.2 min", " 40passes 252s", "40 in 252s"])
def test_passes_and_their_time(text: str) -> None:
    assert entry.passes_and_time(text) == (40, pytest.approx(252.0))


@pytest.mark.parametrize(
    "text", ["41.2m/min 0.2m/min", "41.2 m/min 0.2 m/min", "41.2 0.2 m/min", "41.2 m/min, 0.2 m/min"]
)
def test_a_speed_and_its_uncertainty(text: str) -> None:
    assert entry.speed_and_error(text) == pytest.approx((41.2 / 60, 0.2 / 60))


@pytest.mark.parametrize("text", ["40", "forty 252s", "0 252s", "40 252", "40 5parsecs", "40 0s", "252s 40"])
def test_what_is_no_number_of_passes_is_refused(text: str) -> None:
    with pytest.raises(UnitError, match=r"such as|write"):
        entry.passes_and_time(text)


@pytest.mark.parametrize(
    "text", ["fast", "41.2 m/min", "41.2 0.2", "0m/min 0.2m/min", "41.2m/min 0m/min", "4.1.2 0.2m/min"]
)
def test_what_is_no_speed_with_its_uncertainty_is_refused(text: str) -> None:
    with pytest.raises(UnitError, match=r"such as|write"):
        entry.speed_and_error(text)
