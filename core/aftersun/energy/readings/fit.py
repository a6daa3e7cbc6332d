"""Measured against computed output of one system: a robust factor, a trend, zero days, low light. Arrays only.

References
----------
.. [1] P. Huber, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35 (1), 73-101, 1964.
.. [2] P. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. American Statistical Association
   63 (324), 1379-1389, 1968.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.model.ranges import Floats

_BEND = 1.345  # standard deviations from which a period weighs less: 95 % efficient for normal errors [1]_
_EFFICIENCY = 0.95
_BENT_VARIANCE = 0.7102  # mean of min(z, 1.345)^2 for standard normal z
_ROUNDS = 50
_LEAST_FACTOR = 0.1  # keeps the scale of a system that stands still above zero
_WHOLE_DAY_H = 23.0
_LEAST_CELLS = 5
_LEAST_DAYS = 10


def huber_factor(ratio: Floats, relative_sd: Floats) -> tuple[float, float]:
    """Return the factor that N ratios of measured over computed energy have in common, and its standard error.

    ``relative_sd`` (N,) is the standard deviation of each as a share of it. The factor is Huber's estimate [1]_;
    where the ratios scatter more than that says, the error grows with the scatter. N is at least 1.
    """
    precision = relative_sd**-2.0
    order = np.argsort(ratio)
    half = np.searchsorted(np.cumsum(precision[order]), precision.sum() / 2)
    factor = float(ratio[order][half])
    for _ in range(_ROUNDS):
        deviation = np.abs(ratio - factor) / (relative_sd * max(factor, _LEAST_FACTOR))
        weight = precision * np.minimum(1.0, _BEND / np.maximum(deviation, 1e-12))
        before, factor = factor, float(np.sum(weight * ratio) / np.sum(weight))
        if abs(factor - before) < 1e-10:
            break
    bent = np.minimum(deviation, _BEND) ** 2
    excess = float(bent.sum() / (_BENT_VARIANCE * (len(ratio) - 1))) if len(ratio) > 1 else 1.0
    error = max(factor, _LEAST_FACTOR) * np.sqrt(max(excess, 1.0) / (_EFFICIENCY * precision.sum()))
    return factor, float(error)


def yearly_trend(year: Floats, ratio: Floats) -> tuple[float, float, float]:
    """Return Theil and Sen's slope [2]_ of ``ratio`` (N,) over ``year`` (N,) and its 95 % interval.

    As shares of the median ratio a year. NaN if the median is not above zero. N is at least 2.
    """
    from scipy import stats  # slow to import, and needed of few sites

    middle = float(np.median(ratio))
    if middle <= 0:
        return np.nan, np.nan, np.nan
    slope, _, low, high = stats.theilslopes(ratio, year, alpha=0.95)
    return float(slope) / middle, float(low) / middle, float(high) / middle


def day_outputs(produced: pd.DataFrame, rating_kw: pd.Series) -> pd.DataFrame:
    """Return each whole day's output per DC rating, kWh/kW: one row a day, one column a site, NaN where unknown.

    ``produced`` has production intervals with site_id, starts_at, ends_at, hours and kwh; those longer than a day,
    or across midnight, do not count. ``rating_kw`` is by site_id.
    """
    day = produced["starts_at"].dt.floor("D")
    within = produced["ends_at"] <= day + pd.Timedelta(days=1)
    sums = produced[within].groupby(["site_id", day[within].rename("day")])[["hours", "kwh"]].sum()
    kwh = sums.loc[sums["hours"] >= _WHOLE_DAY_H, "kwh"].unstack("site_id")
    per_kw: pd.DataFrame = kwh / rating_kw.reindex(kwh.columns)
    return per_kw


def zero_day_shares(days: pd.DataFrame, zero: float, produces: float, least_days: float) -> pd.Series:
    """Return the share of days without output among those on which most other sites produced, by site.

    ``days`` as from :func:`day_outputs`; a day is zero up to ``zero`` and producing from ``produces`` on, kWh/kW.
    NaN where fewer than ``least_days`` days can be judged so.
    """
    known, producing = days.notna(), days >= produces
    others = known.to_numpy().sum(axis=1, keepdims=True) - known
    others_producing = producing.to_numpy().sum(axis=1, keepdims=True) - producing
    judged = known & (others > 0) & (others_producing * 2 > others)
    count = judged.sum()
    share: pd.Series = (judged & (days <= zero)).sum() / count.where(count >= least_days)
    return share.astype("float64")


def low_light_ratio(fine: pd.DataFrame, expected: Floats, months: Floats) -> float:
    """Return measured over computed output in low light, over the same in full light; 1 = alike.

    Fair weather is much the same in every year, so the fair-weather course of the day is compared: a high quantile of
    each hour of the day in each month. What is low and full light goes by the computed course over its highest point;
    see the limits ``envelope``, ``low_light_from``, ``low_light_to`` and ``full_light_from``. NaN if too few such hours
    are known.

    Parameters
    ----------
    fine : DataFrame
        Production intervals of an hour or less: starts_at, hours, kwh.
    expected : ndarray
        Computed output of the hours of the typical year, kWh, shape (H,).
    months : ndarray
        Month of each of those hours, 1 to 12, shape (H,).
    """
    known = limits()
    hourly = fine.groupby(fine["starts_at"].dt.floor("h"))[["hours", "kwh"]].sum()
    hourly = hourly[hourly["hours"] > 0.99]
    when = pd.DatetimeIndex(hourly.index)
    measured = hourly["kwh"].groupby([when.month, when.hour])
    course = measured.quantile(known["envelope"])[measured.size() >= _LEAST_DAYS].rename_axis(["month", "hour"])
    hours = np.arange(len(expected)) % 24
    cells = pd.Series(expected).groupby([pd.Series(months, name="month"), pd.Series(hours, name="hour")])
    table = pd.DataFrame({"measured": course, "expected": cells.quantile(known["envelope"])}).dropna()
    if table.empty or table["expected"].max() <= 0:
        return np.nan
    light = table["expected"] / table["expected"].max()
    ratio = table["measured"] / table["expected"]
    low = ratio[light.between(known["low_light_from"], known["low_light_to"])]
    full = ratio[light >= known["full_light_from"]]
    if min(len(low), len(full)) < _LEAST_CELLS or full.median() <= 0:
        return np.nan
    return float(low.median() / full.median())
