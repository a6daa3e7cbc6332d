"""A site's own load from its meters: what it imports and produces, less what it exports, and how it is spread.

Days are kept as they were, each in the place of a day as bright as it was, so that busy and idle days, and what goes
with the sun, stay in the year. How much the load jumps within the hour is what makes the computed import and export
those of the meters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.demand import OWN_SPREAD, day_type, direct_use
from aftersun.energy.readings.checks import EXPORT, IMPORT, PRODUCTION, limits
from aftersun.energy.readings.quality import Checked
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats, Ints
from aftersun.model.weather import DAYS_IN_MONTH, WeatherYear

_METERS = (IMPORT, PRODUCTION, EXPORT)
_WHOLE_HOUR = 0.999
_YEAR = pd.Timedelta(days=365)
_LEAST_DAYS = 15  # of a month, for its sum to be that of the meters
# Tried spreads: an eighth of a doubling changes what is used at once by about one percent.
_EVENNESS = 2.0 ** (np.arange(-40, 49) / 8)
_BASE_SHARES = np.arange(10) / 10


@dataclass(frozen=True, eq=False)
class OwnLoad:
    """A site's load by its meters.

    ``shape`` (H,) are hourly shares of its year, adding up to 1; ``base_share`` is the part of the year's load that
    runs evenly in all hours, ``evenness`` the shape of the gamma distribution of the rest within an hour.
    """

    shape: Floats
    base_share: float
    evenness: float


def own_load(readings: pd.DataFrame, weather: WeatherYear, availability: float = 1.0) -> OwnLoad | None:
    """Return a site's own load, or None if it cannot be told.

    Parameters
    ----------
    readings : DataFrame
        Good intervals of the three meters of one site, columns as ``Checked.intervals``. Those longer than an hour do
        not count. It takes 300 whole days with all three, and hours in which they do not contradict each other.
    weather : WeatherYear
        The typical year, in whose days those of the meters are put.
    availability : float
        Share of the hours with output that the typical year is computed with, 0..1.
    """
    known, hours = limits(), hourly_meters(readings)
    load = _load_of(hours)
    if len(load) < 24 * known["own_load_days"] or (load < 0).mean() > known["own_load_negative"]:
        return None
    load = load.clip(lower=0.0)
    day = pd.DatetimeIndex(load.index).floor("D")
    whole = pd.Series(load.to_numpy()).groupby(day).transform("size").to_numpy() == 24
    if whole.sum() < 24 * known["own_load_days"] or load.sum() <= 0:
        return None
    days = pd.DatetimeIndex(day[whole][::24])
    by_day = load.to_numpy()[whole].reshape(-1, 24)
    sunny = hours[PRODUCTION].to_numpy()[whole].reshape(-1, 24).sum(axis=1)
    kwh = by_day[_days_alike(days, sunny, weather)]
    month, of_month = _months(weather), days.month.to_numpy() - 1
    for number in range(12):
        mine = of_month == number
        if mine.sum() >= _LEAST_DAYS and (put := kwh[month == number].sum()) > 0:
            kwh[month == number] *= by_day[mine].sum(axis=1).mean() * DAYS_IN_MONTH[number] / put
    return OwnLoad(kwh.ravel() / kwh.sum(), *_spread(hours, load.to_numpy(), availability))


def _months(weather: WeatherYear) -> Ints:
    return np.asarray(weather.times.month[::24]) - 1


def _days_alike(days: pd.DatetimeIndex, sunny: Floats, weather: WeatherYear) -> Ints:
    """Return for each of the 365 days of the typical year the position of the day of the meters that stands in.

    It is one of the same month (else of the nearest with any) and the same kind, as bright among these as the day is
    among those of the typical year: the n-th brightest of one for the n-th brightest of the other.
    """
    month, kind = _months(weather), day_type(weather.times[::24])
    bright = weather.ghi.reshape(-1, 24).sum(axis=1)
    measured_month, measured_kind = days.month.to_numpy() - 1, day_type(days)
    chosen = np.zeros(len(month), dtype=np.intp)
    for number, which in {*zip(month.tolist(), kind.tolist(), strict=True)}:
        away = np.abs((measured_month - number + 6) % 12 - 6) + 100 * (measured_kind != which)
        pool = np.flatnonzero(away == away.min())
        pool = pool[np.argsort(sunny[pool], kind="stable")]
        wanted = np.flatnonzero((month == number) & (kind == which))
        wanted = wanted[np.argsort(bright[wanted], kind="stable")]
        chosen[wanted] = pool[((np.arange(len(wanted)) + 0.5) * len(pool) / len(wanted)).astype(np.intp)]
    return chosen


def _spread(hours: pd.DataFrame, load: Floats, availability: float) -> tuple[float, float]:
    """Return base share and evenness with which the use of the meters' own output is what the meters show.

    Of each base share the evenness that meets the sum; of these the pair that meets the months best. It is computed as
    in the typical year, where all output comes in the hours without stops.
    """
    lit = (hours[PRODUCTION] > 0).to_numpy()
    made, taken = (column.astype(np.float32)[None, :] for column in (hours[PRODUCTION].to_numpy()[lit], load[lit]))
    used = np.clip((hours[PRODUCTION] - hours[EXPORT]).to_numpy()[lit], 0.0, None)
    month = pd.DatetimeIndex(hours.index[lit]).month.to_numpy()

    def of_months(kwh: Floats) -> Floats:
        return np.bincount(month, kwh, 13).astype(np.float64)

    metered, mean_kw = of_months(used), float(load.mean())

    def computed(share: float, position: int) -> Floats:
        one = direct_use(taken, made / np.float32(availability), float(_EVENNESS[position]), share * mean_kw)[0]
        return availability * of_months(one.astype(np.float64))

    best, least = (0.0, 1.0), np.inf
    for share in _BASE_SHARES:
        low, high = 0, len(_EVENNESS) - 1  # more even, more used
        while high - low > 1:
            middle = (low + high) // 2
            enough = computed(share, middle).sum() >= metered.sum()
            low, high = (low, middle) if enough else (middle, high)
        for position in (low, high):
            off = computed(share, position) - metered
            if (squares := float((off**2).sum() + off.sum() ** 2)) < least:
                best, least = (float(share), float(_EVENNESS[position])), squares
    return best


def hourly_meters(readings: pd.DataFrame) -> pd.DataFrame:
    """Return import, production and export of one site in the hours that all three cover, kWh, by start of the hour."""
    fine = readings[readings["hours"] <= limits()["fine_step"]]
    hour = fine["starts_at"].dt.floor("h")
    sums = fine.groupby([fine["meter"], hour.rename("hour")])[["kwh", "hours"]].sum()
    return sums.loc[sums["hours"] >= _WHOLE_HOUR, "kwh"].unstack("meter").reindex(columns=list(_METERS)).dropna()


def _load_of(hours: pd.DataFrame) -> pd.Series:
    return hours[IMPORT] + hours[PRODUCTION] - hours[EXPORT]


def hourly_load(readings: pd.DataFrame) -> pd.Series:
    """Return import + production - export of one site in the hours that all three cover, kWh, by start of the hour."""
    return _load_of(hourly_meters(readings))


def own_demand_kwh(readings: pd.DataFrame) -> float:
    """Return a site's load of a year in kWh from meters of any step, NaN if it cannot be told.

    It takes whole years that all three meters cover; the latest ones count.
    """
    kwh = yearly_kwh(readings, _METERS)
    return max(kwh[IMPORT] + kwh[PRODUCTION] - kwh[EXPORT], 0.0) if kwh else np.nan


def yearly_kwh(readings: pd.DataFrame, meters: tuple[str, ...]) -> dict[str, float]:
    """Return what meters of one site show of a year in kWh, the mean of the latest whole years that all of them cover.

    Empty if there is none. ``readings`` has any step.
    """
    readings = readings[readings["meter"].isin(meters)]
    if set(readings["meter"]) != set(meters):
        return {}
    reach = readings.groupby("meter").agg(first=("starts_at", "min"), last=("ends_at", "max"))
    last = reach["last"].min()
    years = (last - reach["first"].max()) // _YEAR
    if years < 1:
        return {}
    first = last - years * _YEAR
    inside = readings["ends_at"].clip(upper=last) - readings["starts_at"].clip(lower=first)
    inside = inside.dt.total_seconds().clip(lower=0.0) / 3600
    covered = inside.groupby(readings["meter"]).sum() / (years * 8760)
    if (covered < limits()["trend_coverage"]).any():
        return {}
    kwh = (readings["kwh"] * inside / readings["hours"]).groupby(readings["meter"]).sum() / covered / years
    return {str(meter): float(one) for meter, one in kwh.items()}


def with_own_load(cohort: Cohort, readings: Checked) -> Cohort:
    """Return the cohort with each site's own load shape, spread and yearly demand where its meters tell them.

    Shapes are further rows of ``load_shapes``; the spread is in the columns ``own_base_share`` and ``own_evenness`` of
    the sites. A site whose clock is doubted keeps what is usual, and so does one with a battery, whose meters show what
    it moved. Measured demand, like the column it replaces, includes electric water heating.
    """
    if readings.intervals.empty:
        return cohort
    doubted, availability = readings.sites_with("clock"), system_values(cohort.overrides)["availability"]
    battery = cohort.sites["battery_kwh"].to_numpy(dtype=np.float64, na_value=0.0) > 0
    shapes: list[Floats] = []
    row = cohort.sites["load_shape"].to_numpy(dtype=np.intp).copy()
    demand = cohort.sites["annual_demand_kwh"].astype("Float64").copy()
    spread = np.full((2, len(cohort)), np.nan)
    by_site = dict(iter(readings.intervals.groupby("site_id")))
    for site, site_id in enumerate(cohort.sites.index):
        if site_id not in by_site or set(by_site[site_id]["meter"]) != set(_METERS):
            continue
        mine = by_site[site_id]
        own = None if site_id in doubted or battery[site] else own_load(mine, cohort.weather, availability)
        if own is not None:
            row[site] = len(cohort.load_shapes) + len(shapes)
            shapes.append(own.shape)
            spread[:, site] = own.base_share, own.evenness
        year_kwh = own_demand_kwh(mine)
        if np.isfinite(year_kwh):
            demand.iloc[site] = year_kwh
    sites = cohort.sites.assign(
        load_shape=row,
        annual_demand_kwh=demand,
        **{name: pd.array(values, dtype="Float64") for name, values in zip(OWN_SPREAD, spread, strict=True)},
    )
    return replace(cohort, sites=sites, load_shapes=np.vstack([cohort.load_shapes, *shapes]))
