"""Is the warm-up fit that of certified data?

Expected values: NIST Statistical Reference Datasets (StRD), nonlinear regression, Misra1a and BoxBOD, whose model
y = b1 (1 - exp(-b2 x)) is the warm-up's with the start held at 0 (b1 = rise, b2 = 1 / tau).
"""

import numpy as np
import pytest

from kerfbeat.diagnose.warm_up import fit_approach
from kerfbeat.errors import MeasureError

MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
BOXBOD_X, BOXBOD_Y = [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224]


@pytest.mark.parametrize(
    ("x", "y", "b1", "b2", "squares"),
    [
        (MISRA1A_X, MISRA1A_Y, (2.3894212918e2, 2.7070075241), (5.5015643181e-4, 7.2668688436e-6), 1.2455138894e-1),
        (BOXBOD_X, BOXBOD_Y, (2.1380940889e2, 1.2354515176e1), (5.4723748542e-1, 1.0455993237e-1), 1.1680088766e3),
    ],
    ids=["Misra1a", "BoxBOD"],
)
def test_certified_fits(x, y, b1, b2, squares):
    fit = fit_approach(x, y, with_start=False)
    assert (fit.rise, 1 / fit.tau) == pytest.approx((b1[0], b2[0]), rel=1e-6)
    assert fit.u_rise == pytest.approx(b1[1], rel=1e-5)
    assert fit.u_tau / fit.tau**2 == pytest.approx(b2[1], rel=1e-5)  # u(1/tau) to first order
    assert fit.sum_of_squares == pytest.approx(squares, rel=1e-6)


def test_start_and_intervals_of_a_known_curve():
    """2000 noisy curves: rise and tau have no bias, and their standard errors are the spread that is seen."""
    random = np.random.default_rng(3)
    t = np.arange(0.0, 2400.0, 20.0)
    true = 1.0 + 0.004 * (1 - np.exp(-t / 600.0))
    found = [fit_approach(t, true + random.normal(scale=2e-4, size=len(t))) for _ in range(2000)]
    tau, u_tau = np.array([fit.tau for fit in found]), np.array([fit.u_tau for fit in found])
    assert abs(tau.mean() / 600.0 - 1) < 0.02
    inside = np.abs(tau - 600.0) <= 1.96 * u_tau
    assert 0.93 <= inside.mean() <= 0.97
    rise = np.array([fit.rise for fit in found])
    assert 0.93 <= np.mean(np.abs(rise - 0.004) <= 1.96 * np.array([fit.u_rise for fit in found])) <= 0.97


def test_a_straight_line_has_no_time_constant():
    t = np.linspace(0, 100, 50)
    assert not fit_approach(t, 2.0 + 0.1 * t).inside


def test_too_few_points_are_told():
    with pytest.raises(MeasureError, match="too few"):
        fit_approach([0, 1, 2], [1, 2, 3])
    with pytest.raises(MeasureError, match="no numbers"):
        fit_approach([0, 1, 2, 3], [1, 2, np.nan, 3])
