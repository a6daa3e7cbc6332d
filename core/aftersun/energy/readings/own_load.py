"""A site's own load from its meters: what it imports and produces, less what it exports."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from aftersun.energy.demand import day_type
from aftersun.energy.readings.checks import EXPORT, IMPORT, PRODUCTION, limits
from aftersun.energy.readings.quality import Checked
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats

_METERS = (IMPORT, PRODUCTION, EXPORT)
_WHOLE_HOUR = 0.999
_YEAR = pd.Timedelta(days=365)


def own_load_shape(readings: pd.DataFrame, times: pd.DatetimeIndex) -> Floats | None:
    """Return a site's hourly shares of its yearly load, shape (H,), adding up to 1, or None if they cannot be told.

    The load of an hour is import + production - export. What the site takes in an hour of the day on a workday, a
    Saturday or a Sunday of a month is the median over the days known; where a month is missing, over all months.

    Parameters
    ----------
    readings : DataFrame
        Good intervals of the three meters of one site, columns as ``Checked.intervals``. Those longer than an hour do
        not count. It takes 300 days with all three, and hours in which they do not contradict each other.
    times : DatetimeIndex
        The middles of the hours of the typical year in standard time, (H,).
    """
    known = limits()
    load = hourly_load(readings)
    if len(load) < 24 * known["own_load_days"] or (load < 0).mean() > known["own_load_negative"]:
        return None
    load = load.clip(lower=0.0)
    when = pd.DatetimeIndex(load.index)
    table = pd.DataFrame({"load": load.to_numpy(), "month": when.month, "day": day_type(when), "hour": when.hour})
    wanted = pd.DataFrame({"month": times.month, "day": day_type(times), "hour": times.hour})
    shape = np.full(len(times), np.nan)
    for keys in (["month", "day", "hour"], ["day", "hour"], ["hour"]):
        medians = table.groupby(keys)["load"].median()
        usual = medians.reindex(pd.MultiIndex.from_frame(wanted[keys]) if len(keys) > 1 else wanted["hour"])
        shape = np.where(np.isnan(shape), usual.to_numpy(), shape)
    total = shape.sum()
    return shape / total if np.isfinite(total) and total > 0 else None


def hourly_load(readings: pd.DataFrame) -> pd.Series:
    """Return import + production - export of one site in the hours that all three cover, kWh, by start of the hour."""
    fine = readings[readings["hours"] <= limits()["fine_step"]]
    hour = fine["starts_at"].dt.floor("h")
    sums = fine.groupby([fine["meter"], hour.rename("hour")])[["kwh", "hours"]].sum()
    kwh = sums.loc[sums["hours"] >= _WHOLE_HOUR, "kwh"].unstack("meter").reindex(columns=list(_METERS)).dropna()
    return kwh[IMPORT] + kwh[PRODUCTION] - kwh[EXPORT]


def own_demand_kwh(readings: pd.DataFrame) -> float:
    """Return a site's load of a year in kWh from meters of any step, NaN if it cannot be told.

    It takes whole years that all three meters cover; the latest ones count.
    """
    if set(readings["meter"]) != set(_METERS):
        return np.nan
    reach = readings.groupby("meter").agg(first=("starts_at", "min"), last=("ends_at", "max"))
    last = reach["last"].min()
    years = (last - reach["first"].max()) // _YEAR
    if years < 1:
        return np.nan
    first = last - years * _YEAR
    inside = readings["ends_at"].clip(upper=last) - readings["starts_at"].clip(lower=first)
    inside = inside.dt.total_seconds().clip(lower=0.0) / 3600
    covered = inside.groupby(readings["meter"]).sum() / (years * 8760)
    if (covered < limits()["trend_coverage"]).any():
        return np.nan
    kwh = (readings["kwh"] * inside / readings["hours"]).groupby(readings["meter"]).sum() / covered / years
    return max(float(kwh[IMPORT] + kwh[PRODUCTION] - kwh[EXPORT]), 0.0)


def with_own_load(cohort: Cohort, readings: Checked) -> Cohort:
    """Return the cohort with each site's own load shape and yearly demand where its meters tell them.

    Shapes are further rows of ``load_shapes``. A site whose clock is doubted keeps the standard shape. Measured
    demand, like the column it replaces, includes electric water heating.
    """
    if readings.intervals.empty:
        return cohort
    doubted = readings.sites_with("clock")
    shapes: list[Floats] = []
    row = cohort.sites["load_shape"].to_numpy(dtype=np.intp).copy()
    demand = cohort.sites["annual_demand_kwh"].astype("Float64").copy()
    by_site = dict(iter(readings.intervals.groupby("site_id")))
    for site, site_id in enumerate(cohort.sites.index):
        if site_id not in by_site or set(by_site[site_id]["meter"]) != set(_METERS):
            continue
        mine = by_site[site_id]
        shape = None if site_id in doubted else own_load_shape(mine, cohort.weather.times)
        if shape is not None:
            row[site] = len(cohort.load_shapes) + len(shapes)
            shapes.append(shape)
        year_kwh = own_demand_kwh(mine)
        if np.isfinite(year_kwh):
            demand.iloc[site] = year_kwh
    sites = cohort.sites.assign(load_shape=row, annual_demand_kwh=demand)
    return replace(cohort, sites=sites, load_shapes=np.vstack([cohort.load_shapes, *shapes]))
