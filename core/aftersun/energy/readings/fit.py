"""Of one system and its neighbours: output by day, days without any, output in low light. Arrays only."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.model.ranges import Floats

_WHOLE_DAY_H = 23.0
_LEAST_CELLS = 5
_LEAST_DAYS = 10


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
