"""Does a belt creep and slip as published?"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.errors import SimulateError
from kerfbeat.simulate.friction import Coupling


def belt(
    *, stiffness_n: float = 120_000.0, tension_n: float = 900.0, friction: float = 0.5123, wrap_deg: float = 180.0
) -> Coupling:
    return Coupling(
        name="belt", stiffness_n=stiffness_n, tension_n=tension_n, friction=friction,
        wrap_rad=math.radians(wrap_deg), rise=4.0, least_speed_m_per_s=0.01,
    )  # fmt: skip


def test_creep_of_the_published_example() -> None:
    # Khurmi, Theory of Machines, 11.10: T1 1500, T2 300 N, EA 120 kN: v2/v1 = 0.9901 (first order 0.9900).
    ratio = 1 - belt().creep(1200.0)
    assert ratio == pytest.approx(0.9901, abs=1e-4)
    assert ratio == pytest.approx((120_000 + 300) / (120_000 + 1500), rel=1e-12)


@pytest.mark.parametrize(
    ("friction", "wrap_deg", "tension_ratio"),
    [
        (0.3, 160.0, 2.3112),  # flat belt: Shigley eq. 17-7
        (0.3 / math.sin(math.radians(19)), 160.0, 13.108),  # the same in a groove of 38 degrees
        (0.5123, 180.0, 5.000),  # effective coefficient of V belts: Shigley
    ],
)
def test_greatest_pull_is_that_of_the_capstan(friction: float, wrap_deg: float, tension_ratio: float) -> None:
    limit_n = belt(friction=friction, wrap_deg=wrap_deg).limit_n()
    tight_n, slack_n = 900 + limit_n / 2, 900 - limit_n / 2
    assert tight_n / slack_n == pytest.approx(tension_ratio, rel=1e-4)


@given(force_n=st.floats(-1100.0, 1100.0), speed_m_per_s=st.floats(0.05, 40.0))
def test_pull_is_the_inverse_of_creep(force_n: float, speed_m_per_s: float) -> None:
    coupling = belt()
    driven = speed_m_per_s * (1 - coupling.creep(force_n))
    pull = coupling.pull(speed_m_per_s, driven, limit_n=coupling.limit_n())
    assert pull.force_n == pytest.approx(force_n, rel=1e-6, abs=1e-6)
    assert not pull.slipping


def test_beyond_the_limit_the_arc_slips_and_the_pull_rises_slowly() -> None:
    coupling = belt()
    limit_n = coupling.limit_n()
    limit_slip = coupling.creep(limit_n)
    for excess in (1e-9, 0.05):
        pull = coupling.pull(10.0, 10.0 * (1 - limit_slip - excess), limit_n=limit_n)
        assert pull.slipping
        assert pull.force_n == pytest.approx(limit_n * (1 + 4.0 * excess), rel=1e-9)


def test_extra_slip_lowers_the_driven_rim_at_the_same_pull() -> None:
    coupling = belt()
    pull = coupling.pull(10.0, 10.0 * 0.99 * 0.97, limit_n=coupling.limit_n(), extra_slip=0.03)
    assert pull.slip == pytest.approx(0.01, rel=1e-12)


@pytest.mark.parametrize("driver", [0.0, 0.005, 0.5, 20.0])
@pytest.mark.parametrize("loss", [-0.05, -0.002, 0.003, 0.2])
def test_slopes_are_derivatives(driver: float, loss: float) -> None:
    coupling = belt()
    limit_n, driven, step = coupling.limit_n(), driver * (1 - loss) + 0.001 * loss, 1e-9

    def force_n(up: float, down: float) -> float:
        return coupling.pull(up, down, limit_n=limit_n).force_n

    pull = coupling.pull(driver, driven, limit_n=limit_n)
    by_driver = (force_n(driver + step, driven) - force_n(driver - step, driven)) / (2 * step)
    by_driven = (force_n(driver, driven + step) - force_n(driver, driven - step)) / (2 * step)
    assert pull.slope_driver_n_s_per_m == pytest.approx(by_driver, rel=1e-3)
    assert pull.slope_driven_n_s_per_m == pytest.approx(by_driven, rel=1e-3)


def test_friction_for_a_wanted_limit() -> None:
    coupling = belt()
    assert coupling.limit_n(coupling.friction_factor(400.0)) == pytest.approx(400.0, rel=1e-12)
    assert coupling.friction_factor(coupling.limit_n()) == pytest.approx(1.0, rel=1e-12)
    for impossible_n in (0.0, 1800.0):
        with pytest.raises(SimulateError, match="no friction"):
            coupling.friction_factor(impossible_n)


def test_nothing_pulls_at_rest() -> None:
    assert belt().pull(0.0, 0.0, limit_n=1000.0).force_n == 0.0
