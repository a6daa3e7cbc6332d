"""The baseline of measurement and verification: certified figures, another library, and simulated sites."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from aftersun.delivered.baseline_model import (
    _autocorrelation,
    fit_baseline,
    fractional_uncertainty,
    half_width,
    months_to_see,
)

# NIST Statistical Reference Datasets, linear regression, Longley: certified values (www.itl.nist.gov/div898/strd)
LONGLEY = {
    "const": (-3482258.63459582, 890420.383607373),
    "GNPDEFL": (15.0618722713733, 84.9149257747669),
    "GNP": (-0.358191792925910e-01, 0.334910077722432e-01),
    "UNEMP": (-2.02022980381683, 0.488399681651699),
    "ARMED": (-1.03322686717359, 0.214274163161675),
    "POP": (-0.511041056535807e-01, 0.226073200069370),
    "YEAR": (1829.15146461355, 455.478499142212),
}
LONGLEY_RESIDUAL_SD = 304.854073561965


def test_the_fit_has_the_certified_figures_of_longley() -> None:
    data = sm.datasets.longley.load_pandas()
    regressors = sm.add_constant(data.exog)[list(LONGLEY)].to_numpy(float)
    # Their sizes differ by six powers of ten; the certificate is of the plain columns.
    scale = np.abs(regressors).max(axis=0)
    fit = fit_baseline(data.endog.to_numpy(float), regressors / scale)
    certified = np.array(list(LONGLEY.values()))
    assert fit.coefficients / scale == pytest.approx(certified[:, 0], rel=1e-6)
    assert fit.residual_sd == pytest.approx(LONGLEY_RESIDUAL_SD, rel=1e-6)
    assert np.sqrt(np.diag(fit.covariance)) * fit.residual_sd / scale == pytest.approx(certified[:, 1], rel=1e-6)


def test_the_error_of_a_sum_of_predictions_is_that_of_weighted_least_squares_elsewhere() -> None:
    rng = np.random.default_rng(1)
    expected = rng.uniform(100.0, 600.0, 24)
    regressors = np.stack([expected, expected * rng.normal(0.0, 0.1, 24)], axis=1)
    measured = regressors @ [0.9, 0.8] + rng.normal(0.0, 1.0, 24) * np.sqrt(expected)
    fit = fit_baseline(measured[:12], regressors[:12], expected[:12])
    whole, beyond, error = fit.delivered(measured[12:], regressors[12:], expected[12:])
    other = sm.WLS(measured[:12], regressors[:12], weights=1.0 / expected[:12]).fit()
    together = regressors[12:].sum(axis=0)
    variance = float(together @ other.cov_params() @ together) + other.mse_resid * expected[12:].sum()
    assert whole == pytest.approx(float(other.predict(regressors[12:]).sum()))
    assert beyond == pytest.approx(measured[12:].sum() - whole)
    r = fit.autocorrelation
    assert error == pytest.approx(np.sqrt(variance * (1 + r) / (1 - r)))


def test_the_standard_error_of_a_mean_is_that_of_the_worked_example() -> None:
    """A published worked example after appendix B of the IPMVP of 2012 (enmanreg.org, uncertain savings): ratios of
    measured to expected energy with a standard deviation of 0.04423 in 24 months have a standard error of 0.00903.
    """
    months = np.tile([1.0, 1.0, -1.0, -1.0], 6)
    ratio = 1.0 + 0.04423 * months / months.std(ddof=1)
    fit = fit_baseline(ratio, np.ones((24, 1)))
    assert fit.residual_sd == pytest.approx(0.04423)
    assert np.sqrt(fit.covariance[0, 0]) * fit.residual_sd == pytest.approx(0.00903, abs=5e-6)


def test_the_short_formula_of_the_guideline_by_hand_and_the_exact_one_beside_it() -> None:
    # 1.26 x 1.8125 (t, 90 %, 10 degrees of freedom) x 0.05 x sqrt((1 + 2/12) / 12) / 0.1
    assert fractional_uncertainty(0.05, 12, 12, 0.1) == pytest.approx(0.35603, abs=1e-4)
    # r = 0.5: n' = 4; 1.26 x 2.9200 (2) x 0.05 x sqrt(12/4 x 1.5 / 12) / 0.1
    assert fractional_uncertainty(0.05, 12, 12, 0.1, 0.5) == pytest.approx(1.12652, abs=1e-4)
    flat = np.full((12, 1), 100.0)
    noise = np.array([1, -1] * 6) * 5.0 * np.sqrt(11 / 12)  # no month goes with the one before; sd 5
    fit = fit_baseline(100.0 + noise, flat)
    whole, _, error = fit.delivered(np.full(12, 110.0), flat, np.ones(12))
    exact = half_width(error, fit.freedom) / (0.1 * whole)
    assert exact == pytest.approx(fractional_uncertainty(0.05, 12, 12, 0.1), rel=0.15)


@pytest.mark.parametrize("r", [0.0, 0.3])
def test_the_interval_holds_the_true_saving_of_simulated_sites(r: float) -> None:
    rng = np.random.default_rng(5)
    season = 300.0 + 200.0 * np.sin(np.arange(36) / 12 * 2 * np.pi)
    inside = 0
    for _ in range(400):
        shocks = rng.normal(size=60)
        noise = np.zeros(60)
        for month in range(1, 60):
            noise[month] = r * noise[month - 1] + np.sqrt(1 - r**2) * shocks[month]
        measured = season * 0.95 + noise[24:] * 2.0 * np.sqrt(season)
        measured[24:] *= 1.06
        fit = fit_baseline(measured[:24], season[:24, np.newaxis], season[:24])
        _, beyond, error = fit.delivered(measured[24:], season[24:, np.newaxis], season[24:])
        truth = 0.06 * 0.95 * season[24:].sum()
        inside += abs(beyond - truth) <= half_width(error, fit.freedom)
    assert 0.86 <= inside / 400 <= 0.97


def test_autocorrelation_of_a_short_series_is_not_too_low_on_average() -> None:
    rng = np.random.default_rng(3)
    series = [np.zeros(24) for _ in range(300)]
    for one in series:
        one[0] = rng.normal()
        for month in range(1, 24):
            one[month] = 0.5 * one[month - 1] + np.sqrt(0.75) * rng.normal()
    assert np.mean([_autocorrelation(one - one.mean()) for one in series]) == pytest.approx(0.5, abs=0.06)


def test_months_until_an_effect_is_seen_by_hand() -> None:
    t = stats.t.ppf(0.95, 20)
    # 6 % against sqrt(0.08^2 (1/m + 1/24)): 1/m <= (0.06 / t / 0.08)^2 - 1/24
    by_hand = int(np.ceil(1.0 / ((0.06 / t / 0.08) ** 2 - 1.0 / 24.0)))
    assert months_to_see(0.06, 0.08, 24, 20.0, 0.0, 60) == by_hand
    assert months_to_see(0.005, 0.08, 24, 20.0, 0.0, 60) is None
    assert months_to_see(0.02, 0.001, 24, 20.0, 0.02, 60) is None  # a level that wanders hides it at one site for ever
