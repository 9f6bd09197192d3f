"""Do uncertainties agree with the GUM, with NIST's certified fits and with a general library?"""

import math

import numpy as np
import pytest
import scipy.stats

from kerfbeat.errors import MeasureError
from kerfbeat.measure.uncertainty import (
    Contribution,
    Estimate,
    combine,
    coverage_factor,
    effective_dof,
    fit_line,
    robust_sd,
)

# GUM (JCGM 100:2008) table G.2: Student's t for 95 % and 99 %.
GUM_TABLE_G2 = [
    (1, 12.71, 63.66),
    (2, 4.30, 9.92),
    (3, 3.18, 5.84),
    (5, 2.57, 4.03),
    (10, 2.23, 3.17),
    (20, 2.09, 2.85),
    (50, 2.01, 2.68),
    (100, 1.984, 2.626),
]


@pytest.mark.parametrize(("dof", "k95", "k99"), GUM_TABLE_G2)
def test_coverage_factor_is_that_of_the_gum_table(dof, k95, k99):
    digits = 3 if dof == 100 else 2
    assert coverage_factor(dof) == pytest.approx(k95, abs=0.5001 * 10**-digits)
    assert coverage_factor(dof, 0.99) == pytest.approx(k99, abs=0.5001 * 10**-digits)


@pytest.mark.parametrize("dof", [0.5, 0.7, 1.0, 1.5, 2.0, 3.3, 7.7, 16.75, 123.4, 1e4, 1e6])
@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
def test_coverage_factor_agrees_with_scipy(dof, level):
    assert coverage_factor(dof, level) == pytest.approx(scipy.stats.t.ppf(0.5 + level / 2, dof), rel=1e-8)


def test_coverage_factor_at_its_limits():
    assert coverage_factor(math.inf) == pytest.approx(1.959963985, abs=1e-9)  # normal distribution
    assert coverage_factor(0.0) == math.inf
    assert coverage_factor(math.nan) == math.inf


# GUM H.1 (end gauge): contributions in nm with their degrees of freedom, table H.1; u_c = 32 nm, 16.7 degrees,
# U99 = 93 nm.  (With unrounded inputs a general library gives 31.664 nm and 16.75.)
GUM_H1 = [
    Contribution(u=25.0, dof=18),
    Contribution(u=9.7, dof=25.6),
    Contribution(u=2.9, dof=50),
    Contribution(u=16.6, dof=2),
]


def test_end_gauge_of_the_gum():
    result = combine(50_000_838.0, GUM_H1)
    dof = effective_dof(GUM_H1)
    assert dof == pytest.approx(16.75, abs=0.05)
    assert result.value == 50_000_838.0
    assert result.u95 / coverage_factor(dof) == pytest.approx(31.664, abs=0.05)
    assert 31.664 * coverage_factor(16, 0.99) == pytest.approx(92.5, abs=0.1)


def test_contribution_without_repetition_leaves_the_sum_unknown():
    assert effective_dof([Contribution(u=1.0, dof=0), Contribution(u=1.0)]) == 0.0
    assert combine(1.0, [Contribution(u=1.0, dof=0)]).u95 == math.inf
    assert combine(1.0, [Contribution(u=0.0)]).u95 == 0.0


def test_line_of_the_gum_thermometer():
    # GUM H.3: thermometer corrections; full figures from a general library, printed ones from the GUM.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line(t, b, origin=20.0)
    assert line.intercept == pytest.approx(-0.171203790, abs=1e-9)
    assert line.u_intercept == pytest.approx(0.002877598, abs=1e-9)
    assert line.slope == pytest.approx(0.002182698, abs=1e-9)
    assert line.u_slope == pytest.approx(0.000667939, abs=1e-9)
    assert line.covariance / (line.u_intercept * line.u_slope) == pytest.approx(-0.930430, abs=1e-6)
    assert line.residual_sd == pytest.approx(0.003497564, abs=1e-9)
    assert line.at(30.0) == pytest.approx(-0.149376813, abs=1e-9)
    assert line.u_at(30.0) == pytest.approx(0.004138596, abs=1e-9)


# NIST StRD, linear regression, "Norris": 36 observations (y, x).
NORRIS = np.array(
    [
        (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
        (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
        (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
        (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
        (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
        (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
    ]
)  # fmt: skip


def test_line_is_certified_by_nist():
    # NIST StRD Norris, certified values.
    line = fit_line(NORRIS[:, 1], NORRIS[:, 0])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.dof == 34


def test_weights_equal_repeated_points():
    # Hand rule: a point of weight 2 fits as if observed twice (the freedom, and so the sd, differs).
    x, y = np.array([0.0, 1.0, 2.0, 4.0]), np.array([0.1, 0.9, 2.2, 3.9])
    weighted = fit_line(x, y, weights=[1, 2, 1, 2])
    repeated = fit_line(x[[0, 1, 1, 2, 3, 3]], y[[0, 1, 1, 2, 3, 3]])
    assert weighted.slope == pytest.approx(repeated.slope, rel=1e-12)
    assert weighted.intercept == pytest.approx(repeated.intercept, rel=1e-12)
    assert weighted.residual_sd**2 * 2 == pytest.approx(repeated.residual_sd**2 * 4, rel=1e-12)


def test_impossible_lines_and_estimates_are_refused():
    with pytest.raises(MeasureError, match="at least 3"):
        fit_line([0, 1], [0, 1])
    with pytest.raises(MeasureError, match="same"):
        fit_line([1, 1, 1], [0, 1, 2])
    with pytest.raises(MeasureError, match="no number"):
        Estimate(value=math.nan, u95=0.0)
    with pytest.raises(MeasureError, match="half-width"):
        Estimate(value=1.0, u95=-1.0)
    with pytest.raises(MeasureError, match="half-width"):
        Estimate(value=1.0, u95=math.nan)


def test_change_of_unit_scales_both():
    assert Estimate(value=2.0, u95=0.5).times(-60.0) == Estimate(value=-120.0, u95=30.0)


def test_robust_sd_is_that_of_scipy_and_knows_no_wild_one():
    values = np.random.default_rng(5).normal(scale=3.0, size=400)
    values[:20] = 1e6
    expected = scipy.stats.median_abs_deviation(values, scale="normal")
    assert robust_sd(values - np.median(values)) == pytest.approx(expected, rel=1e-5)
    assert robust_sd([-3.0, 1.0, 0.0, -1.0, 2.0]) == pytest.approx(1.4826)  # median size 1, by hand
