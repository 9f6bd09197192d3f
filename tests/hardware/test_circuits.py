"""Do the three front ends work at every corner of their parts' ranges, and would the simulation notice if not?"""

from __future__ import annotations

import math
import os
import re
import shutil
from pathlib import Path

import pytest

from circuit_runs import deck, number, read_ranges, simulate
from simulate import FRONT_ENDS, GATE_HIGH, GATE_LOW, PIN_HIGH, PIN_LOW, Findings, draws, survey, table

# The board may be off by this on input 3 anyway (firmware/PROTOCOL.md, section 7): a front end must not add more.
JITTER_BUDGET_S = 15e-6
CLOSEST_EDGES_S = 32e-6           # two edges that every input surely sees (same section)
# Left at the gate, bursts or not: twice the 0.15 V by which two ways of integrating may differ; and at the pin, half a
# volt for grounds that differ along a wire (common practice, no published source).  Spoilt circuits lose
# both (below).
LEAST_MARGIN_V = 0.3
LEAST_PIN_MARGIN_V = 0.5


@pytest.fixture(autouse=True, scope="module")
def _ngspice() -> None:
    if shutil.which("ngspice") is None:
        pytest.fail("ngspice is missing: install the Debian package ngspice", pytrace=False)


def require(found: Findings) -> None:
    """What every front end must keep."""
    assert found.low_margin_v > LEAST_MARGIN_V
    assert found.high_margin_v > LEAST_MARGIN_V
    assert found.pin_margin_v > LEAST_PIN_MARGIN_V
    assert found.wander_s < JITTER_BUDGET_S
    assert found.narrowest_s > CLOSEST_EDGES_S
    assert found.noise_low_margin_v > LEAST_MARGIN_V
    assert found.noise_high_margin_v > LEAST_MARGIN_V
    assert found.false_edges == 0


def numbers(cell: str) -> list[float]:
    return [float(text) for text in re.findall(r"-?\d+(?:\.\d+)?", cell)]


@pytest.mark.parametrize("front_end", FRONT_ENDS)
def test_every_corner_works_and_the_guide_says_so(front_end: str, hardware: Path) -> None:
    found = survey(front_end)
    require(found)
    guide = (hardware / "README.md").read_text(encoding="utf-8")
    shown = re.search(r"<!-- results -->\n(.*?)\n<!-- end of results -->", guide, re.DOTALL)
    assert shown is not None
    column = 2 + list(FRONT_ENDS).index(front_end)
    rows = [line.split("|") for line in shown[1].splitlines()]
    fresh = [line.split("|") for line in table({front_end: found}).splitlines()]
    assert [row[1] for row in rows] == [row[1] for row in fresh]
    for row, new in zip(rows[2:], fresh[2:], strict=True):
        # Another release of ngspice may step otherwise: 0.05 V or 1 us, but no more.
        assert numbers(row[column]) == pytest.approx(numbers(new[2]), abs=0.05 if "V" in new[2] else 1.0), row[1]


@pytest.mark.parametrize("front_end", FRONT_ENDS)
def test_builds_drawn_at_random(front_end: str) -> None:
    require(draws(front_end, 60 if os.environ.get("KERFBEAT_LONG") else 3, seed=20))


def test_thresholds_of_the_pin_are_those_of_the_data_sheet() -> None:
    # ATmega328P, DC characteristics, supply 2.4 to 5.5 V: low at most 0.3, high at least 0.6 of it (from memory).
    assert (PIN_LOW, PIN_HIGH) == (0.3, 0.6)


def test_margins_count_from_the_thresholds_of_the_ranges() -> None:
    ranges = {each.parameter: each for each in read_ranges("hall")}
    assert pytest.approx(number(ranges["vt_up"].first) * number(ranges["vt_drift"].first)) == GATE_LOW
    assert pytest.approx(number(ranges["vt_down"].second) * number(ranges["vt_drift"].second)) == GATE_HIGH


def test_delay_of_the_filter_is_what_the_hand_says() -> None:
    # R C ln((5 V - rest) / (threshold - rest)), 4.7 kohm, 2.2 nF, threshold 0.311 x 5 V; the Hall switch rests at
    # 20 ohm x 2.3 mA, and 6 mA flow through 0.9 ohm of ground core: 0.053 V.
    rest_v = 5.0 / 2200 * 20 + 0.006 * 0.9 + 0.002
    by_hand_s = 4.7e3 * 2.2e-9 * math.log((5.0 - rest_v) / (0.311 * 5.0 - rest_v))
    assert simulate(deck("hall", {}, noisy=False))["falls_s"] == pytest.approx(by_hand_s, rel=0.03)


def test_delay_behind_the_isolator_is_what_the_hand_says() -> None:
    # As above, from 20 ohm x 2.3 mA; before it the isolator: (24 - 0.3 - 1.5 - 1.2) V / 1.2 kohm - 1.2 V / 1.5 kohm =
    # 16.7 mA reach the threshold of 1.0 mA after 1 us x ln(16.7 / 15.7).
    rest_v = 5.0 / 2200 * 20
    filter_s = 4.7e3 * 2.2e-9 * math.log((5.0 - rest_v) / (0.311 * 5.0 - rest_v))
    by_hand_s = filter_s + 1e-6 * math.log(16.7 / 15.7)
    assert simulate(deck("proximity", {}, noisy=False))["falls_s"] == pytest.approx(by_hand_s, rel=0.03)


def test_levels_of_the_optical_sensor_are_what_the_hand_says() -> None:
    # Black: 8 % of 2 mA and 0.01 mA of shop light through (3 x 2.5 V / 2 mA) = 3.75 kohm leave 5 - 0.64 = 4.36 V, above
    # U5's threshold of half the supply; white would draw 2 mA x 3.75 kohm = 7.5 V: U4 lies at its lowest, below it.
    text = deck("optical", {}, noisy=False)
    text = re.sub(r"meas tran .*\n", "", text).replace(
        "\nquit", "\nmeas tran black_v FIND v(seen) AT=390u\nmeas tran white_v FIND v(seen) AT=890u\nquit"
    )
    found = simulate(text)
    assert found["black_v"] == pytest.approx(5.0 - (0.08 * 2e-3 + 0.01e-3) * 3750, abs=0.1)
    assert found["white_v"] < 0.5


def test_setting_the_optical_sensor_as_told_keeps_to_what_is_simulated(hardware: Path) -> None:
    """The load that the guide tells to set, times U4's current, against half the supply: within "trimmed"."""
    guide = (hardware / "README.md").read_text(encoding="utf-8")
    words = r"come down to ([\d.]+) V\. .* until it is ([\d.]+) times as much: .* set ([\d.]+) kΩ"
    found = re.search(words, guide, re.DOTALL)
    assert found is not None
    down_v, times, strong_ohm = float(found[1]), float(found[2]), float(found[3]) * 1e3
    ranges = {each.parameter: each for each in read_ranges("optical")}
    least, most = number(ranges["trimmed"].first), number(ranges["trimmed"].second)
    # Where the stripe pulls TP1 down to 0.4 V the load carries 4.6 V; 1.6 times that load, in halves of 5 V.
    assert least < (5.0 - down_v) * times / 2.5 < most
    # Strong light: RV1's lowest, R51 alone (1.5 kohm within 5 %), already does; up to the strongest U4.
    weakest_a, strongest_a = (5.0 - down_v) / (1500 * 1.05), number(ranges["bright_ma"].second) * 1e-3
    for current_a in (weakest_a, strongest_a):
        assert least < strong_ohm * current_a / 2.5 < most


def test_another_way_of_integrating_agrees() -> None:
    damped = simulate(deck("hall", {}, noisy=True))
    exact = simulate(deck("hall", {}, noisy=True, also=[("method=gear reltol=3e-3", "method=trap reltol=1e-3")]))
    assert damped["low_v"] == pytest.approx(exact["low_v"], abs=0.15)
    assert damped["high_v"] == pytest.approx(exact["high_v"], abs=0.15)


@pytest.mark.parametrize("spoilt", [
    {"c_filter": "10p"},                              # no filter
    {"leak_pf_per_m": "40", "clamp_pf": "1"},         # no shield: all couples into the cores
], ids=["no filter", "no shield"])
def test_a_spoilt_circuit_makes_false_edges(spoilt: dict[str, str]) -> None:
    found = simulate(deck("hall", spoilt, noisy=True))
    assert found["pin_high_v"] < PIN_HIGH * 5.0 or found["pin_low_v"] > PIN_LOW * 5.0


@pytest.mark.parametrize(("values", "total_ma", "diode_ma"), [
    # 10.8 V less 0.3 V (D1), 3.5 V (switch), 1.2 V (U3) leave 5.8 V on 1.26 kohm; R2 takes 1.2 V / 1.425 kohm.
    ({"supply_v": "10.8", "on_v": "3.5", "r_led": "1.26k", "r_shunt": "1.425k"}, 4.60, 3.76),
    # 28.8 V less 0.3, 0.5 and 1.3 V leave 26.7 V on 1.14 kohm.
    ({"supply_v": "28.8", "on_v": "0.5", "r_led": "1.14k", "r_shunt": "1.575k"}, 23.4, 22.6),
], ids=["weakest", "strongest"])
def test_isolator_is_driven_enough_and_not_too_much(values: dict[str, str], total_ma: float, diode_ma: float) -> None:
    text = deck("proximity", values, noisy=False)
    text = re.sub(r"meas tran .*\n", "", text).replace(
        "\nquit", "\nmeas tran diode_a FIND i(VU3) AT=890u\nmeas tran supply_v FIND v(supply_b) AT=890u"
        "\nmeas tran anode_v FIND v(anode) AT=890u\nquit"
    )
    found = simulate(text)
    total_a = (found["supply_v"] - found["anode_v"]) / number(values["r_led"])
    assert total_a == pytest.approx(total_ma * 1e-3, rel=0.05)
    assert found["diode_a"] == pytest.approx(diode_ma * 1e-3, rel=0.08)
    assert found["diode_a"] > 1.6e-3 / 0.6 * 1.2    # 1.6 mA turns it on when new, 2.7 when old; a fifth to spare
    assert found["diode_a"] < 30e-3                         # common limit of such isolators' diodes (from memory)
    assert total_a**2 * number(values["r_led"]) < 0.5 * 2.0  # half of what R1 may burn


def test_a_weak_drive_of_the_isolator_is_noticed() -> None:
    old = {"supply_v": "10.8", "on_v": "3.5", "light": "0.6", "threshold_ma": "1.6", "r_led": "3.3k"}
    with pytest.raises(RuntimeError, match="falls_s"):
        simulate(deck("proximity", old, noisy=False))


@pytest.mark.parametrize("front_end", FRONT_ENDS)
@pytest.mark.parametrize("at_us", [64, 143, 206], ids=["rising bursts", "falling bursts", "inverter edge"])
def test_an_edge_amid_the_noise_stays_one_edge_and_comes_in_time(front_end: str, at_us: int) -> None:
    def fall_s(noisy: bool) -> tuple[float, float]:
        text = deck(front_end, {"arrives": f"{at_us}u"}, noisy=noisy)
        text = re.sub(r"meas tran .*\n", "", text).replace("\nquit", (
            f"\nmeas tran first_s TRIG AT={at_us}u TARG v(pin) VAL=2.5 FALL=1"
            f"\nmeas tran last_s TRIG AT={at_us}u TARG v(pin) VAL=2.5 FALL=LAST\nquit"
        ))
        found = simulate(text)
        return found["first_s"], found["last_s"]

    quiet, loud = fall_s(noisy=False), fall_s(noisy=True)
    assert loud[0] == loud[1]
    assert loud[0] == pytest.approx(quiet[0], abs=JITTER_BUDGET_S)
