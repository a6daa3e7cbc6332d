"""Many uncertain results put together: the mean of a company, of its groups, and what it says of roofs without work.

References
----------
.. [1] R. DerSimonian, N. Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials 7, 177-188, 1986.
.. [2] W. Viechtbauer, "Bias and efficiency of meta-analytic variance estimators in the random-effects model", Journal
   of Educational and Behavioral Statistics 30, 261-293, 2005: restricted maximum likelihood.
.. [3] G. Knapp, J. Hartung, "Improved tests for a random effects meta-regression with a single covariate", Statistics
   in Medicine 22, 2693-2710, 2003; not below the plain error: C. Röver, G. Knapp, T. Friede, BMC Medical Research
   Methodology 15:99, 2015.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from aftersun.delivered.baseline_model import INTERVAL
from aftersun.model.ranges import Floats

_ROUNDS = 500
_SCALES = 5  # rounds in which a robust standard deviation settles
_WITHIN_THREE = 0.99501  # E min(z^2, 9) of a standard normal z: 0.9973 - 6 x 0.004432 + 9 x 0.0027
_STEPS = 401  # of the share
_RELIABILITIES = np.linspace(0.0, 1.0, 21)
_SPREADS = np.concatenate([[0.0], np.geomspace(0.02, 2.0, 15)])  # of results about their mean, shares
_SPREAD_SD = 0.5  # assumption: roofs differ by half of what is promised on average, hardly by all of it


@dataclass(frozen=True)
class Mean:
    """A mean of ``count`` results, its standard error and 90 % interval, and by how much true results differ."""

    count: int
    mean: float
    error: float
    low: float
    high: float
    between_sd: float


def random_effects(estimates: Floats, errors: Floats, plain: bool = False, shared: float = 0.0) -> Mean:
    """Return the mean of N results that differ in truth too, by restricted maximum likelihood [2]_.

    Its error is that of Hartung and Knapp and not below the usual one, with N - 1 degrees of freedom [3]_; ``plain``
    lets it fall below. ``shared`` is the part of the errors that all results have alike, which no number of them
    averages out. Of one result the mean is that, with a normal interval.
    """
    count = len(estimates)
    variance = _between_variance(estimates, errors) if count > 1 else 0.0
    weight = 1.0 / (errors**2 + variance)
    mean = float(weight @ estimates / weight.sum())
    scale = float(weight @ (estimates - mean) ** 2) / (count - 1) if count > 1 else 1.0
    error = float(np.hypot(np.sqrt((scale if plain else max(scale, 1.0)) / weight.sum()), shared if count > 1 else 0.0))
    quantile = stats.t.ppf(0.5 + INTERVAL / 2, count - 1) if count > 1 else stats.norm.ppf(0.5 + INTERVAL / 2)
    reach = float(quantile) * error
    return Mean(count, mean, error, mean - reach, mean + reach, float(np.sqrt(variance)))


def moments_variance(estimates: Floats, errors: Floats) -> float:
    """Return the variance between results by the method of moments [1]_."""
    weight = errors**-2.0
    mean = weight @ estimates / weight.sum()
    q = float(weight @ (estimates - mean) ** 2)
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    return max((q - (len(estimates) - 1)) / scale, 0.0)


def _between_variance(estimates: Floats, errors: Floats) -> float:
    """Return the variance between results by restricted maximum likelihood, 0 or more."""
    variance = moments_variance(estimates, errors)
    for _ in range(_ROUNDS):
        weight = 1.0 / (errors**2 + variance)
        mean = weight @ estimates / weight.sum()
        found = float(weight**2 @ ((estimates - mean) ** 2 - errors**2) / (weight**2).sum() + 1.0 / weight.sum())
        found = max(found, 0.0)
        if abs(found - variance) <= 1e-12 * max(variance, 1e-12):
            break
        variance = found
    return variance


def by_group(estimates: Floats, errors: Floats, groups: pd.Series) -> pd.DataFrame:
    """Return the mean of each group drawn towards that of all by as much as it is uncertain (partial pooling).

    Columns count, mean (of the group alone), pooled, error, low, high; ``groups`` (N,) has the group of each result.
    """
    names = sorted(set(groups.astype(str)))
    alone = [random_effects(estimates[mine], errors[mine]) for mine in ((groups == name).to_numpy() for name in names)]
    mean, error = (np.array([getattr(one, name) for one in alone]) for name in ("mean", "error"))
    variance = _between_variance(mean, error) if len(names) > 1 else 0.0
    weight = 1.0 / (error**2 + variance)
    whole, whole_error = float(weight @ mean / weight.sum()), float(weight.sum() ** -0.5)
    own = variance / (variance + error**2)
    pooled = own * mean + (1.0 - own) * whole
    spread = np.sqrt(own * error**2 + (1.0 - own) ** 2 * whole_error**2)
    reach = float(stats.norm.ppf(0.5 + INTERVAL / 2)) * spread
    columns = {"count": [one.count for one in alone], "mean": mean, "pooled": pooled, "error": spread}
    return pd.DataFrame({**columns, "low": pooled - reach, "high": pooled + reach}, index=pd.Index(names, name="group"))


def robust_sd(values: Floats) -> float:
    """Return the standard deviation of N normal values of which some are not: beyond three of it they count as three.

    Against the plain one it loses a few percent of the values, where the median deviation loses two thirds.
    """
    off = values - np.median(values)
    sd = 1.4826 * float(np.median(np.abs(off)))
    for _ in range(_SCALES):
        near = np.clip(off, -3.0 * sd, 3.0 * sd)
        sd = float(np.sqrt(near @ near / (len(values) - 1) / _WITHIN_THREE))
    return sd


class Belief(Protocol):
    """What is believed of a number: a frozen distribution of scipy, or what behaves as one."""

    def ppf(self, chance: float) -> float:
        """Return the value below which it is with this chance."""

    def logpdf(self, values: Floats) -> Floats:
        """Return the logarithm of the density, (K,)."""


@dataclass(frozen=True, eq=False)
class Share:
    """What is believed of the share of promises that comes true on roofs as they are, not only on those chosen.

    ``values`` (K,) with their ``weights``, which add up to 1. ``reliability`` is by which power of a promise over the
    usual one the truth is away from it too: below 1 the best promises disappoint. ``between`` is the
    standard deviation of true results about what is expected of them, as a share of that.
    """

    values: Floats
    weights: Floats
    reliability: float
    between: float
    usual_promise: float

    @property
    def mean(self) -> float:
        """The expected share."""
        return float(self.values @ self.weights)

    @property
    def sd(self) -> float:
        """Its standard deviation."""
        return float(np.sqrt(self.weights @ (self.values - self.mean) ** 2))

    @property
    def sd_of_one(self) -> float:
        """Standard deviation of what comes at one roof, as a share of what is expected there."""
        return float(np.hypot(self.between, self.sd / max(self.mean, 1e-9)))

    def quantile(self, chance: float) -> float:
        """Return the value below which the share is with this chance."""
        return float(np.interp(chance, np.cumsum(self.weights) - self.weights / 2.0, self.values))

    @property
    def interval(self) -> tuple[float, float]:
        """Its 90 % interval."""
        return self.quantile(0.5 - INTERVAL / 2), self.quantile(0.5 + INTERVAL / 2)

    def expected(self, promised: npt.ArrayLike, usual: npt.ArrayLike | None = None) -> Floats:
        """Return what comes of promises, kWh, on average; ``usual`` is that of such roofs, None = of those done."""
        of_such = np.asarray(self.usual_promise if usual is None else usual, np.float64)
        return np.asarray(self.mean * of_such * (np.asarray(promised, np.float64) / of_such) ** self.reliability)


def share_delivered(
    promised: Floats,
    delivered: Floats,
    errors: Floats,
    usual_promise: npt.ArrayLike,
    prior: Belief,
    spread: float = 0.0,
    shared: npt.ArrayLike = 0.0,
) -> Share:
    """Return what N results teach of the share of promises that comes true, selection taken into account.

    Roofs are chosen by their promise, and part of what makes a promise high is luck: of a promise p the truth is on
    average ``share x usual x (p / usual) ^ reliability``, where ``usual`` is the mean promise of all roofs like it.
    Share, reliability (0..1, each as likely) and how far results differ are all unknown and averaged over; a choice by
    the promise alone does not bias the line that is fitted. Closed form in the share, a grid in the two others.

    Parameters
    ----------
    promised, delivered, errors
        kWh a year of each work, promises above 0, and the standard error of what was delivered, (N,).
    usual_promise
        Mean promise over all roofs of this size that it was valued for, kWh a year, one or (N,).
    prior
        What is believed of the share before.
    spread
        Standard deviation over all roofs of the logarithm of the promise over the usual one.
    shared
        Part of each error that all results have alike, one or (N,): they were held against the same neighbours.
    """
    values = _steps(prior)
    belief = prior.logpdf(values)
    usual = np.broadcast_to(np.asarray(usual_promise, np.float64), np.shape(promised))
    power = _RELIABILITIES[:, np.newaxis]
    # Over all roofs the truth is the usual promise times the share, whatever the power: of lognormal promises.
    line = usual * (promised / usual) ** power * np.exp(power * (1.0 - power) * spread**2 / 2.0)  # (R, N)
    alike = np.broadcast_to(np.asarray(shared, np.float64), np.shape(promised))
    variance = errors**2 - alike**2 + (_SPREADS[:, np.newaxis, np.newaxis] * line) ** 2  # (T, R, N)
    a = (line**2 / variance).sum(axis=2).T  # (R, T)
    b = (line * delivered / variance).sum(axis=2).T
    c = (delivered**2 / variance + np.log(variance)).sum(axis=2).T
    spread_belief = -0.5 * (_SPREADS / _SPREAD_SD) ** 2 + np.log(np.gradient(_SPREADS))
    level = -0.5 * (a[..., np.newaxis] * values**2 - 2.0 * b[..., np.newaxis] * values + c[..., np.newaxis])
    level = level + belief + spread_belief[:, np.newaxis]
    weight = np.exp(level - level.max())
    weight /= weight.sum()
    off = (line * alike / variance).sum(axis=2).T / np.maximum(a, 1e-12)  # the share by what the errors have alike
    return Share(
        values,
        _smeared(values, weight.sum(axis=(0, 1)), float((weight.sum(axis=2) * off).sum())),
        float(weight.sum(axis=(1, 2)) @ _RELIABILITIES),
        float(weight.sum(axis=(0, 2)) @ _SPREADS),
        float(np.mean(usual)) if len(usual) else float(np.mean(np.asarray(usual_promise, np.float64))),
    )


def _smeared(values: Floats, weights: Floats, sd: float) -> Floats:
    """Return the weights of evenly spaced values to which a normal error is added, within the values."""
    step = float(values[1] - values[0])
    edges = (values - values[:, np.newaxis] + step * np.array([[[-0.5]], [[0.5]]])) / max(sd, 1e-3 * step)
    moved = weights @ np.diff(stats.norm.cdf(edges), axis=0)[0]
    return np.asarray(moved / moved.sum())


def _steps(prior: Belief) -> Floats:
    return np.linspace(prior.ppf(1e-4), prior.ppf(1.0 - 1e-4), _STEPS)


def factor_taken(ratios: Floats, prior: Belief) -> tuple[Floats, Floats]:
    """Return what N ratios teach of their mean: values (K,) and weights (K,) that add up to 1.

    Each ratio is lognormal about the mean; how far they scatter is not known and averaged over.
    """
    values = _steps(prior)
    scatter = np.geomspace(0.05, 1.5, 30)
    logs = np.log(ratios)[:, np.newaxis, np.newaxis]
    left = (logs - np.log(np.maximum(values, 1e-9)) + scatter[:, np.newaxis] ** 2 / 2.0) / scatter[:, np.newaxis]
    level = -0.5 * (left**2).sum(axis=0) - len(ratios) * np.log(scatter)[:, np.newaxis] + prior.logpdf(values)
    level = level - 0.5 * (scatter[:, np.newaxis] / _SPREAD_SD) ** 2 + np.log(np.gradient(scatter))[:, np.newaxis]
    weight = np.exp(level - level.max()).sum(axis=0)
    return values, weight / weight.sum()


def calibration(
    promised: Floats, p90: Floats, p10: Floats, delivered: Floats, errors: Floats
) -> tuple[int, int, int, int]:
    """Return how many results lie below P90, from there to the promise, from there to P10, and above it.

    Ranges are widened by the error of the meters, so that of good ranges 10, 40, 40 and 10 % lie there.
    """
    reach = stats.norm.ppf(0.9) * errors
    low = promised - np.hypot(promised - p90, reach)
    high = promised + np.hypot(p10 - promised, reach)
    place = (delivered >= low).astype(int) + (delivered >= promised) + (delivered > high)
    below, lower, upper, above = np.bincount(place, minlength=4)[:4]
    return int(below), int(lower), int(upper), int(above)


def expected_shortfall(guaranteed: npt.ArrayLike, expected: npt.ArrayLike, sd: npt.ArrayLike) -> Floats:
    """Return by how much less than guaranteed comes on average, of a normal distribution; 0 where more comes."""
    wanted, middle, spread = (np.asarray(value, np.float64) for value in (guaranteed, expected, sd))
    z = (wanted - middle) / np.maximum(spread, 1e-12)
    return np.asarray(spread * (stats.norm.pdf(z) + z * stats.norm.cdf(z)))
