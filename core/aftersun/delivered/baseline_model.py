"""A site's energy after work against the baseline before it, as the whole-facility method of the protocols has it.

The energy of a time is a sum of regressors, each in kWh and known for before and after (what the typical year lets
expect, that times the deviation of the light, or times what the neighbours had), fitted to the time before [1]_ [2]_.
What is measured after less what the fit says is what was delivered. Its variance is the exact one of least squares for
a sum of predictions [3]_; autocorrelation of what the fit leaves takes away from the number of periods, n' = n (1 - r)
/ (1 + r), as in [2]_.

References
----------
.. [1] IPMVP Core Concepts, Efficiency Valuation Organization, 2022: option C, whole facility.
.. [2] ASHRAE Guideline 14-2014, Measurement of Energy, Demand, and Water Savings: fractional savings uncertainty.
.. [3] B. Koran et al., "A comparison of approaches to estimating the time-aggregated uncertainty of savings estimated
   from meter data", International Energy Program Evaluation Conference, 2017: the exact algebraic approach.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from aftersun.model.ranges import Floats

INTERVAL = 0.90
_MOST_AUTOCORRELATION = 0.8


@dataclass(frozen=True, eq=False)
class BaselineFit:
    """A baseline fitted to N periods with P regressors.

    ``coefficients`` (P,) and their ``errors``; ``residual_sd`` is that of a period of variance 1, without
    autocorrelation; ``cv`` the standard deviation of a period over the mean measured; ``autocorrelation`` that of
    neighbouring periods, 0 or more; ``freedom`` the degrees of freedom that are left.
    """

    coefficients: Floats
    covariance: Floats  # (P, P) for a residual variance of 1
    residual_sd: float
    cv: float
    autocorrelation: float
    freedom: float

    @property
    def errors(self) -> Floats:
        """Standard errors of the coefficients, autocorrelation counted."""
        return np.asarray(np.sqrt(np.diag(self.covariance) * self._variance))

    @property
    def _variance(self) -> float:
        r = self.autocorrelation
        return self.residual_sd**2 * (1.0 + r) / (1.0 - r)

    def delivered(self, measured: Floats, regressors: Floats, variance: Floats) -> tuple[float, float, float]:
        """Return adjusted baseline, what was measured beyond it, and its standard error, kWh, of M periods together.

        ``measured`` (M,) kWh, ``regressors`` (M, P) kWh, ``variance`` (M,) as given to :func:`fit_baseline`.
        """
        whole = regressors.sum(axis=0)
        expected = float(whole @ self.coefficients)
        spread = float(variance.sum()) + float(whole @ self.covariance @ whole)
        return expected, float(measured.sum()) - expected, float(np.sqrt(self._variance * spread))


def fit_baseline(measured: Floats, regressors: Floats, variance: Floats | None = None) -> BaselineFit:
    """Fit the baseline by least squares to N periods in the order of time.

    Parameters
    ----------
    measured
        Energy of each period, kWh, (N,).
    regressors
        What its energy is a sum of, (N, P), P < N.
    variance
        Variance of each period over a common one, (N,); None = all the same.
    """
    weight = np.ones(len(measured)) if variance is None else 1.0 / variance
    covariance: Floats = np.asarray(np.linalg.inv((regressors * weight[:, np.newaxis]).T @ regressors), np.float64)
    coefficients = covariance @ (regressors.T @ (weight * measured))
    left = (measured - regressors @ coefficients) * np.sqrt(weight)
    free = len(measured) - regressors.shape[1]
    sd = float(np.sqrt(float(left @ left) / free))
    r = _autocorrelation(left)
    typical = np.sqrt(float(np.mean(1.0 / weight)))
    freedom = max(len(measured) * (1.0 - r) / (1.0 + r) - regressors.shape[1], 1.0)
    return BaselineFit(coefficients, covariance, sd, sd * typical / float(np.mean(measured)), r, freedom)


def _autocorrelation(left: Floats) -> float:
    """Return the correlation of neighbouring residuals, less what a short series lets appear, 0 or more.

    The estimate from N residuals is too low by about (1 + 4 r) / N (Marriott & Pope 1954, Biometrika 41, 390-402).
    """
    count = len(left)
    total = float(left @ left)
    if count < 8 or total <= 0.0:
        return 0.0
    found = (float(left[1:] @ left[:-1]) / total * count + 1.0) / (count - 4.0)
    return float(np.clip(found, 0.0, _MOST_AUTOCORRELATION))


def half_width(error: float, freedom: float) -> float:
    """Return half of the 90 % interval of an estimate with this standard error."""
    return float(special.stdtrit(freedom, 0.5 + INTERVAL / 2.0)) * error


def fractional_uncertainty(cv: float, before: int, after: int, saved_share: float, r: float = 0.0) -> float:
    """Return the half-width of the 90 % interval over the saving by the short formula of ASHRAE Guideline 14.

    ``1.26 t CV sqrt(n / n' (1 + 2 / n') / m) / F``: for comparison with others; the intervals here are the exact ones.
    ``cv`` is that of the residuals, ``before`` and ``after`` numbers of periods, ``saved_share`` F the saving over the
    baseline.
    """
    effective = before * (1.0 - r) / (1.0 + r)
    t = half_width(1.0, max(effective - 2.0, 1.0))
    return 1.26 * t * cv * float(np.sqrt(before / effective * (1.0 + 2.0 / effective) / after)) / abs(saved_share)


def months_to_see(
    effect: float, period_sd: float, before: int, freedom: float, drift_sd: float, most: int
) -> int | None:
    """Return after how many months an effect would stand out of its 90 % interval; None = not within ``most``.

    ``effect`` is a share of the baseline, ``period_sd`` the standard deviation of a month over the baseline,
    autocorrelation counted, ``before`` the months before, ``drift_sd`` by how much a site's level drifts in a year.
    """
    months = np.arange(1, most + 1)
    years = (before + months) / 24.0  # between the middles of before and after
    error = np.sqrt(period_sd**2 * (1.0 / months + 1.0 / before) + drift_sd**2 * years)
    seen = abs(effect) >= half_width(1.0, freedom) * error
    return int(months[seen][0]) if seen.any() else None
