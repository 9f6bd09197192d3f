"""Are corrected significance and wear trends those of a general statistics library?"""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

from kerfbeat.diagnose.compare import holm
from kerfbeat.diagnose.wear import wear_between
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate, coverage_factor


@pytest.mark.parametrize("count", [1, 2, 7, 60])
def test_holm_equals_statsmodels(count):
    for seed in range(20):
        chances = np.random.default_rng(seed).uniform(size=count) ** 4
        assert holm(chances, level=0.05).tolist() == multipletests(chances, alpha=0.05, method="holm")[0].tolist()


@pytest.mark.parametrize("scatter", [0.2, 4.0])
def test_wear_trend_equals_weighted_least_squares(scatter):
    """Slope by WLS; its error of known uncertainties, widened by the Birge ratio where the runs scatter more."""
    random = np.random.default_rng(int(10 * scatter))
    days = np.sort(random.uniform(0, 700, 8))
    u = random.uniform(1e-5, 4e-5, 8)
    ratio = 0.02 * (1 - 4e-4 * days / 365.25 + scatter * u * random.normal(size=8))
    start = datetime(2025, 1, 6, tzinfo=UTC)
    normal = coverage_factor(np.inf)
    runs = [
        (
            start + timedelta(days=day),
            SimpleNamespace(
                setting=Setting(hz=50.0), source="run", channel="wheel", u_clock=0.0,
                settled_hz={
                    "wheel": Estimate(value=value, u95=normal * each * value), "motor": Estimate(value=1.0, u95=0.0)
                },
            ),
        )
        for day, value, each in zip(days.tolist(), ratio.tolist(), u.tolist(), strict=True)
    ]  # fmt: skip
    (wear,) = wear_between(runs)
    years = (days - days[0]) / 365.25
    fit = sm.WLS(ratio / ratio[0] - 1, sm.add_constant(years), weights=1 / u**2).fit()
    assert wear.per_year_percent.value == pytest.approx(100 * fit.params[1], rel=1e-6)
    known = fit.bse[1] / np.sqrt(fit.scale)  # with the uncertainties taken as they are
    birge = max(1.0, float(np.sqrt(fit.scale)))
    factor = coverage_factor(6.0 if birge > 1 else np.inf)
    assert wear.per_year_percent.u95 == pytest.approx(100 * known * birge * factor, rel=1e-6)
    assert wear.scatter == pytest.approx(birge, rel=1e-6)
