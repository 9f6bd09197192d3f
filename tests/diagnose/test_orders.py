"""Are the waves in the speed found, measured and named, and is what cannot be known said?"""

import json
import math

import numpy as np
import pytest

from kerfbeat.capture.log import read_log
from kerfbeat.diagnose.order_sources import folded, nearest_alias, sources_of
from kerfbeat.diagnose.order_spectrum import spectrum_of
from kerfbeat.diagnose.orders import orders_of
from kerfbeat.errors import MeasureError
from kerfbeat.machine import Setting, demo_machine, demo_text

GEARED = demo_text("saw").replace(
    "[sensor.blade]\ntargets = 1", '[sensor.driven]\ntargets = 1\nstage = "first belt"\ninput = 3'
)


def passes(orders, percent, *, targets=6, turns=800, shaft_hz=2.0, jitter_s=0.0, offsets=None, seed=0):
    """Times at which targets pass a shaft whose speed holds waves: exact to 1e-13 s by Newton's method."""
    random = np.random.default_rng(seed)
    offsets = np.zeros(targets) if offsets is None else np.asarray(offsets)
    numbers = np.arange(turns * targets)
    place = numbers / targets + offsets[numbers % targets]
    phase = random.uniform(0, 1, len(orders))
    # d theta / dt = n (1 + sum a cos 2 pi (q theta + p)) to first order gives t(theta) by one integral
    seconds = place / shaft_hz
    for q, a, p in zip(orders, percent, phase, strict=True):
        seconds = seconds - a / 100 * np.sin(2 * np.pi * (q * place + p)) / (2 * np.pi * q * shaft_hz)
    return numbers, seconds + random.normal(scale=jitter_s, size=len(seconds)) if jitter_s else seconds


def test_belt_and_blade_orders_of_the_published_formulas():
    """Belt pass f = pi D n / L: 3.0 in at 1725 rpm, L = 60 in, 270.962 cycles/min (handbook formula, calculated).

    Blade order seen from the wheel pi (D + t) / L: D 330, t 0.9, L 2750 mm, 0.378019.
    """
    found, _ = sources_of(demo_machine("saw"), Setting(gear="low", hz=50.0), channel="wheel", measured={"motor": 60.0})
    first = {source.element: source.order.middle for source in found if source.harmonic == 1}
    assert first["blade"] == pytest.approx(0.378019, abs=1e-6)
    assert first["wheel"] == 1.0
    assert first["motor"] == pytest.approx(60.0)
    assert first["shaft behind first belt"] == pytest.approx(30.0)
    assert first["belt of first belt"] == pytest.approx(60.0 * math.pi * 80 / 1002)
    short = demo_text("saw").replace('"80 mm"', '"3.0 in"').replace('"1002 mm"', '"60 in"')
    from kerfbeat.machine import parse_machine

    belt = next(
        source
        for source in sources_of(
            parse_machine(short.replace('centre_distance = "310 mm"\n', "")),
            Setting(gear="low"), channel="motor", measured={},
        )[0]
        if source.element == "belt of first belt"
    )  # fmt: skip
    assert belt.order.middle * 1725 == pytest.approx(270.962, abs=1e-3)


def test_folding():
    """Angle-domain Nyquist: with M pulses a turn orders q and k M +- q look alike."""
    assert folded(60.15, per_turn=4) == pytest.approx(0.15)
    assert folded(2.5, per_turn=4) == pytest.approx(1.5)
    assert folded(0.3, per_turn=1) == pytest.approx(0.3)
    assert nearest_alias(0.15, near=60.0, per_turn=4) == pytest.approx(60.15)
    assert nearest_alias(1.5, near=2.4, per_turn=4) == pytest.approx(2.5)


@pytest.mark.parametrize("order", [0.378, 0.73, 1.41, 2.6, 7.37, 13.05])
def test_amplitude_of_a_small_wave_within_5_percent(order):
    """0.05 % of the speed, 15 us jitter, uneven targets (0.5 degrees): 40 seeds, mean within 1 %, each within 5 %
    where the timing noise lets any estimator be so good: with 4800 passes up to order 3.
    """
    off = []
    for seed in range(40):
        random = np.random.default_rng(100 + seed)
        offsets = random.normal(scale=0.5 / 360, size=6)
        numbers, seconds = passes([order], [0.05], jitter_s=15e-6, offsets=offsets - offsets.mean(), seed=seed)
        found = spectrum_of(numbers / 6, seconds, numbers=numbers, per_turn=6, known=False)
        at = folded(order, per_turn=6)
        wave = min(found.waves, key=lambda each: abs(each.order - at))
        assert wave.order == pytest.approx(at, abs=found.resolution / 4)
        off.append(100 * 2 * math.pi * order * wave.amplitude_turns / 0.05 - 1)
    # The bound for any estimator: sqrt(2 / n) sigma 2 pi q n_shaft / a (Rife & Boorstyn), a tenth at order 13.
    bound = math.sqrt(2 / 4800) * 15e-6 * 2 * math.pi * order * 2.0 / 5e-4
    assert abs(np.mean(off)) < 0.01
    assert np.abs(off).max() < max(0.05, 4.5 * bound)


def test_uncertainty_of_amplitude_holds_the_truth():
    """95 % intervals, 2000 seeded runs: 93 to 97 %, for one wave in white noise, the angles known."""
    held = 0
    for seed in range(2000):
        numbers, seconds = passes([1.3], [0.05], targets=4, turns=120, jitter_s=15e-6, seed=seed)
        found = spectrum_of(numbers / 4, seconds, numbers=numbers, per_turn=4, known=True)
        wave = min(found.waves, key=lambda each: abs(each.order - 1.3))
        held += abs(100 * 2 * math.pi * 1.3 * wave.amplitude_turns - 0.05) <= (
            1.96 * 100 * 2 * math.pi * 1.3 * wave.u_amplitude_turns
        )
    assert 0.93 <= held / 2000 <= 0.97


def test_noise_shows_no_peak():
    """At most one spectrum of noise in a thousand shows a peak by design; in 300 at most 3."""
    seen = 0
    for seed in range(300):
        numbers, seconds = passes([], [], targets=4, turns=300, jitter_s=15e-6, seed=seed)
        seen += bool(spectrum_of(numbers / 4, seconds, numbers=numbers, per_turn=4, known=False).waves)
    assert seen <= 3


SAW = "saw"
ELEMENTS = [
    # machine, setting, parameter, element named, first harmonics expected
    ("saw", {"gear": "high"}, "belt_lump", "belt of first belt"),
    ("saw", {"gear": "low"}, "belt_lump", "belt of first belt"),
    ("saw", {"gear": "high", "creep": 0.02}, "driver_runout", "motor"),
    ("saw", {"gear": "high"}, "blade_joint", "blade"),
    ("grinder", {}, "belt_lump", "belt of step pulleys"),
    ("grinder", {}, "driver_runout", "motor"),
    ("grinder", {}, "driven_runout", "shaft behind step pulleys"),
    ("grinder", {}, "blade_joint", "blade"),
]


@pytest.mark.parametrize(("machine", "setting", "parameter", "element"), ELEMENTS)
def test_every_visible_element_of_the_demo_machines_has_its_name(play, machine, setting, parameter, element):
    log, truth = play("steady", machine=machine, seed=3, duration_s=300, **{parameter: 0.001}, **setting)
    found = orders_of(log)
    peak = found.peaks[0]
    assert peak.source is not None
    assert (peak.source.element, peak.source.harmonic) == (element, 1)
    ripple = max(
        (each for each in truth["ripples"] if each["track"] == "wheel"), key=lambda each: each["amplitude_percent"]
    )
    assert peak.amplitude_percent.value == pytest.approx(
        ripple["amplitude_percent"], rel=0.05, abs=1.5 * peak.amplitude_percent.u95
    )
    others = [each for each in found.peaks if each.source is None or each.source.element != element]
    assert not others


def test_what_four_targets_cannot_see_is_said(play):
    """The saw's driven sheave turns exactly 30 times a wheel turn: with 4 targets it looks like spacing."""
    log, _ = play("steady", seed=3, duration_s=300, driven_runout=0.001, gear="low")
    found = orders_of(log)
    assert not found.peaks
    assert any("shaft behind first belt" in line and "looks like target spacing" in line for line in found.unseen)
    assert any("folded" in line for line in found.unseen)


def test_a_wheel_wobble_is_never_reported_from_one_channel(play):
    log, _ = play("steady", seed=3, duration_s=300, wheel_wobble=0.002, gear="high")
    found = orders_of(log)
    assert not any(peak.source is not None and peak.source.element == "wheel" for peak in found.peaks)
    assert [each.order for each in found.undecided] == [1, 2]
    assert any("wheel, once a turn" in line for line in found.unseen)


def test_a_second_sensor_on_a_geared_shaft_shows_the_wobble(play):
    log, _ = play("steady", machine=GEARED, seed=3, duration_s=300, wheel_wobble=0.002, gear="high", hz=40.0)
    found = orders_of(log)
    (peak,) = [each for each in found.peaks if each.source is not None and each.source.element == "wheel"]
    assert peak.seen_on == "driven"
    assert peak.order == 1.0


def test_calibrated_targets_tell_what_is_new_and_not_why(play):
    """A wobble of 0.1 % at order 1 is all that has changed since calibration: told as that, not as a wobble."""
    log, truth = play("steady", seed=3, duration_s=300, wheel_wobble=0.001, gear="high")
    angles = np.array(truth["channels"]["wheel"]["angles_deg"]) / 360
    found = orders_of(log, spacing_turns={"wheel": np.diff(angles, append=angles[0] + 1.0)})
    assert found.since_calibration
    assert found.undecided[0].amplitude_percent == pytest.approx(0.1, rel=0.05)
    assert found.undecided[1].amplitude_percent < 0.005
    assert not any(peak.source is not None and peak.source.element == "wheel" for peak in found.peaks)


def test_command(play, run, tmp_path):
    log, _ = play("steady", seed=3, duration_s=300, belt_lump=0.001, gear="high")
    result = run("orders", log.source, "--channel", "wheel", "--json", "--plot", tmp_path / "orders.pdf")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["peaks"][0]["source"] == "belt of first belt, once a pass"
    assert document["peaks"][0]["order"] == pytest.approx(6.52, abs=0.05)
    assert document["not_seen"]
    assert (tmp_path / "orders.pdf").read_bytes().startswith(b"%PDF")
    assert "belt of first belt" in run("orders", log.source).stdout


def test_bad_input(play, run):
    log, _ = play("steady", seed=1, duration_s=12)
    with pytest.raises(MeasureError, match=r"too few|never turns"):
        orders_of(log)
    assert run("orders", log.source, "--channel", "driven").exit_code == 1
    assert run("orders", "absent.csv").exit_code == 2


def test_what_uneven_targets_leave_of_a_whole_order_is_no_peak(repository):
    """Six targets, a dozen turns: the spacing that is taken out leaves side lobes, and nothing that could be fitted."""
    found = orders_of(read_log(repository / "sample_logs/board-grinder-reset.csv"), channel="wheel")
    assert [peak for peak in found.peaks if peak.amplitude_percent.value < 3 / 1.96 * peak.amplitude_percent.u95] == []
    assert found.spectrum.amplitude_turns.max() > 0
    assert {each.order for each in found.undecided} == {1, 2, 3}


def test_channel_that_hardly_turns_beside_one_that_does_is_refused_in_one_line(play):
    """A stall in the middle leaves the blade's mark without two turns in a row while the motor has hundreds."""
    log, _ = play("overload", seed=2)
    with pytest.raises(MeasureError, match="blade makes no two unbroken steady turns"):
        orders_of(log, channel="blade")
    assert orders_of(log, channel="motor").spectrum.turns > 100
