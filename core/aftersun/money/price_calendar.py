"""Which price holds in each hour of the simulated year: periods and dated hours by the clock, the night."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

import aftersun_datasets
from aftersun.model.price_times import (
    SATURDAY,
    SLOTS,
    SUNDAY,
    WEEKDAY,
    PriceCalendar,
    PriceTables,
    cheapest_start,
    pricing_row,
    within_night,
)
from aftersun.model.ranges import Floats, Ints
from aftersun.model.uses import reclaims_tax

_CIVIL_YEAR = 2025  # whose summer time and holidays hold, by month and day: a simulated year is of no year
_HOURS = "hours"  # the period of what tariff_hour prices
_OTHERS = ""  # of what no period prices
_NIGHT = "night"
_TIMER_HOURS = 5  # that a night heater runs on end, as ``hot_water.csv`` has it
_FLAT = ("import_price", "night_import_price", "night_from_hour", "night_until_hour")


@dataclass(frozen=True, eq=False)
class Clock:
    """Of each simulated hour (H,) the month 0..11, kind of day and hour 0..23 by the clock of the place."""

    month: Ints
    kind: Ints
    hour: Ints

    @property
    def slots(self) -> tuple[Ints, Ints, Ints]:
        """Where each hour stands in an array (12, 3, 24)."""
        return self.month, self.kind, self.hour


def summer_time_h(times: pd.DatetimeIndex, zone: str) -> Floats:
    """Return by how many hours the clocks of a zone are ahead of its standard time, (H,); 0 without a zone.

    ``times`` in standard time; the days of change are those of one recent year, whatever year the hours are of.
    """
    if not zone:
        return np.zeros(len(times))
    ahead = _ahead_by_day(zone)
    days = np.minimum(np.asarray(times.day_of_year) - 1, len(ahead) - 1)
    return ahead[days, times.hour]


@lru_cache(maxsize=64)
def _ahead_by_day(zone: str) -> Floats:
    """Return hours ahead of standard time by day of the year and hour in standard time, (365, 24)."""
    place = ZoneInfo(zone)
    offsets = [datetime(_CIVIL_YEAR, month, 1, tzinfo=place).utcoffset() for month in range(1, 13)]
    standard = min(offset for offset in offsets if offset is not None)
    ahead = np.zeros((365, 24))
    first = datetime(_CIVIL_YEAR, 1, 1, tzinfo=ZoneInfo("UTC")) - standard
    for hour in range(8760):
        offset = (first + timedelta(hours=hour)).astimezone(place).utcoffset()
        ahead[divmod(hour, 24)] = ((offset or standard) - standard) / timedelta(hours=1)
    return ahead


def kinds_of_days(days: pd.DatetimeIndex, country: str, region: str = "", dated: bool = True) -> Ints:
    """Return whether days are weekdays, Saturdays, or Sundays and public holidays; no holidays without a country.

    Days that are not ``dated`` are of a simulated year and have the holidays of a recent one, by month and day.
    """
    weekday = np.asarray(days.day_of_week)
    kinds = np.where(weekday == 6, SUNDAY, np.where(weekday == 5, SATURDAY, WEEKDAY))
    if not country:
        return kinds.astype(np.int64)
    years = np.asarray(days.year) if dated else np.full(len(days), _CIVIL_YEAR)
    free = _holidays(country, region, tuple(sorted(set(years.tolist()))))
    number = 10_000 * years + 100 * np.asarray(days.month) + np.asarray(days.day)
    return np.where(np.isin(number, list(free)), SUNDAY, kinds).astype(np.int64)


@lru_cache(maxsize=256)
def _holidays(country: str, region: str, years: tuple[int, ...]) -> frozenset[int]:
    """Return the public holidays of a country, and of a region where it is known, as numbers like 20250106.

    None of an unknown country. Where the tariffs of a country count some holidays alone, those of
    ``tariff_holidays.csv``, they are the ones; a region that is named has all of its own.
    """
    fixed = [row for row in aftersun_datasets.rows("tariff_holidays.csv") if row["country"] == country]
    if fixed and not region:
        return frozenset(10_000 * year + 100 * int(row["month"]) + int(row["day"]) for year in years for row in fixed)
    import holidays  # takes a while, and most tariffs ask for none

    try:
        days = holidays.country_holidays(country, subdiv=region or None, years=years)
        return frozenset(10_000 * day.year + 100 * day.month + day.day for day in days)
    except NotImplementedError:
        return frozenset() if not region else _holidays(country, "", years)


def clock_of(times: pd.DatetimeIndex, zone: str, country: str, region: str = "") -> Clock:
    """Return what the clocks of a place show in simulated hours, given in standard time by their middles."""
    civil = times + pd.to_timedelta(summer_time_h(times, zone), unit="h")
    hour, month = np.asarray(civil.hour, dtype=np.int64), np.asarray(civil.month, dtype=np.int64) - 1
    return Clock(month, kinds_of_days(civil, country, region, dated=False), hour)


@dataclass(frozen=True)
class FlatPrices:
    """What a tariff asks for where no period and no dated hour has a price; the night in standard time, as metered."""

    import_price: float = np.nan
    night_import_price: float = np.nan
    night_from_hour: float = np.nan
    night_until_hour: float = np.nan
    negative_hours_unpaid: bool = False


def price_calendar(
    flat: FlatPrices, tables: PriceTables, clock: Clock, times: pd.DatetimeIndex, country: str = "", region: str = ""
) -> PriceCalendar:
    """Return the registers of one tariff: hours of one month, one period and one price each.

    ``tables`` holds the rows of this tariff alone. An hour that two rows price has the price of the last one.
    """
    periods = tables.periods if len(tables.periods) else _no_periods()
    names = [*map(str, periods["period"]), _OTHERS]
    bought, sold = (pricing_row(periods, price)[clock.slots] for price in ("import_price", "export_price"))
    hourly = _typical(tables.hours, country, region, flat.negative_hours_unpaid)
    import_price, period = _flat(flat, times)
    if len(tables.hours):
        of_hour = hourly["import_price"][clock.slots]
        known = np.isfinite(of_hour)
        import_price, period = np.where(known, of_hour, import_price), np.where(known, _HOURS, period)
    in_period = bought >= 0
    import_price = np.where(in_period, _price_of(periods, "import_price")[bought], import_price)
    period = np.where(in_period, np.array(names, dtype=object)[bought], period)
    paid = hourly["paid"][clock.slots]
    export_price = np.where(sold >= 0, _price_of(periods, "export_price")[sold] * paid, np.nan)
    export_price = np.where(sold >= 0, export_price, hourly["export_price"][clock.slots])
    _, number = np.unique(period.astype(str), return_inverse=True)
    rows = np.stack([clock.month, number, import_price, export_price, paid], axis=1)
    kept, register = np.unique(np.nan_to_num(rows, nan=-1e9), axis=0, return_inverse=True)
    kept = np.where(kept == -1e9, np.nan, kept)
    whole = kept[:, :2].astype(np.int64)
    return PriceCalendar(register.reshape(-1, 24), whole[:, 0], whole[:, 1], *(kept[:, n] for n in (2, 3, 4)))


def _no_periods() -> pd.DataFrame:
    return pd.DataFrame({"period": [], "import_price": [], "export_price": []})


def _price_of(periods: pd.DataFrame, name: str) -> Floats:
    """Return the prices of the rows, and one more for none."""
    return np.append(periods[name].to_numpy(dtype=np.float64, na_value=np.nan), np.nan)


def _flat(flat: FlatPrices, times: pd.DatetimeIndex) -> tuple[Floats, npt.NDArray[np.object_]]:
    """Return the price of each hour by day and night, and its period."""
    hour = times.hour.to_numpy()
    night = within_night(hour, np.array([flat.night_from_hour]), np.array([flat.night_until_hour]))[0]
    night &= np.isfinite(flat.night_import_price)
    price = np.where(night, flat.night_import_price, flat.import_price)
    return price, np.where(night, _NIGHT, _OTHERS).astype(object)


def _typical(hours: pd.DataFrame, country: str, region: str, negative_unpaid: bool) -> Mapping[str, Floats]:
    """Return prices of dated hours averaged by month, kind of day and hour, and the share of hours paid, (12, 3, 24).

    What a kind of day lacks in a month is that of all its days. NaN where nothing is known of the hour.
    """
    unknown = {"import_price": np.full(SLOTS, np.nan), "export_price": np.full(SLOTS, np.nan), "paid": np.ones(SLOTS)}
    if not len(hours):
        return unknown
    starts = pd.DatetimeIndex(hours["starts_at"])
    values = {
        name: hours[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("import_price", "export_price", "spot_price")
    }
    if negative_unpaid:
        market = np.where(np.isnan(values["spot_price"]), values["export_price"], values["spot_price"])
        values["export_price"] = np.where(market < 0, 0.0 * values["export_price"], values["export_price"])
        values["paid"] = np.where(np.isnan(market), np.nan, (market >= 0).astype(np.float64))
    keys = {"month": starts.month - 1, "kind": kinds_of_days(starts, country, region), "hour": starts.hour}
    frame = pd.DataFrame({**keys, **{name: values[name] for name in values if name != "spot_price"}})
    for name in values.keys() - {"spot_price"}:
        by_slot = frame.groupby(["month", "kind", "hour"])[name].mean().dropna()
        any_kind = frame.groupby(["month", "hour"])[name].mean().dropna()
        price = np.full(SLOTS, np.nan)
        month, hour = (any_kind.index.get_level_values(level) for level in (0, 1))
        price[month, :, hour] = any_kind.to_numpy()[:, np.newaxis]
        price[tuple(by_slot.index.get_level_values(level) for level in (0, 1, 2))] = by_slot.to_numpy()
        unknown[name] = np.where(np.isnan(price), 1.0, price) if name == "paid" else price
    return unknown


def with_calendars(
    sites: pd.DataFrame, tables: PriceTables, times: pd.DatetimeIndex, sales_tax_rate: float
) -> tuple[pd.DataFrame, tuple[PriceCalendar, ...]]:
    """Return the sites with the number of their calendar, -1 = none, and the calendars: one a tariff and place.

    ``sites`` has prices as the tariff states them, tax included, and the columns ``country`` and ``time_zone``. Owners
    who get sales tax back have a calendar without it.
    """
    number = np.full(len(sites), -1, dtype=np.int64)
    if not len(tables):
        return sites.assign(price_calendar=number), ()
    known = {str(name) for part in (tables.periods, tables.hours) if len(part) for name in part["tariff_id"]}
    found: dict[tuple[object, ...], int] = {}
    calendars: list[PriceCalendar] = []
    means: list[tuple[float, float, int]] = []
    reclaimed = reclaims_tax(sites)
    for row, site in enumerate(sites.to_dict("records")):
        if pd.isna(site["tariff_id"]) or str(site["tariff_id"]) not in known:
            continue
        country, zone = ("" if pd.isna(site[name]) else str(site[name]) for name in ("country", "time_zone"))
        prices = {name: np.nan if pd.isna(site[name]) else float(site[name]) for name in _FLAT}
        flat = FlatPrices(**prices, negative_hours_unpaid=_told(site["negative_hours_unpaid"], unknown=False))
        no_holidays = not _told(site["holidays_as_sundays"], unknown=True)
        region = "" if pd.isna(site["holiday_region"]) else str(site["holiday_region"])
        country = "" if no_holidays else country
        one_export_price = bool(site.get("one_export_price", False))  # the rule of the periods has ended
        key = (site["tariff_id"], country, region, zone, bool(reclaimed[row]), one_export_price, repr(flat))
        if key not in found:
            found[key] = len(calendars)
            mine = tables.of(pd.Series([site["tariff_id"]]))
            calendar = price_calendar(flat, mine, clock_of(times, zone, country, region), times, country, region)
            by_hour = calendar.import_price[calendar.register].mean(axis=0)
            start = int(cheapest_start(by_hour[np.newaxis], _TIMER_HOURS)[0])
            turned = np.roll(by_hour, -start)
            means.append((float(turned[_TIMER_HOURS:].mean()), float(turned[:_TIMER_HOURS].mean()), start))
            if reclaimed[row]:
                calendar = replace(calendar, import_price=calendar.import_price / (1.0 + sales_tax_rate))
            if one_export_price:
                calendar = replace(calendar, export_price=np.full_like(calendar.export_price, np.nan))
            calendars.append(calendar)
        number[row] = found[key]
    return _with_means(sites.assign(price_calendar=number), means), tuple(calendars)


def _with_means(sites: pd.DataFrame, means: Sequence[tuple[float, float, int]]) -> pd.DataFrame:
    """Return the sites with the mean prices by day and in the cheapest hours on end, for who knows no periods.

    There a night heater has its timer, too.
    """
    by_time = sites["price_calendar"].to_numpy() >= 0
    if not by_time.any():
        return sites
    of_site = np.array(means)[sites["price_calendar"].to_numpy()]
    told = {
        "import_price": of_site[:, 0],
        "night_import_price": of_site[:, 1],
        "night_from_hour": of_site[:, 2].astype(np.int64),
        "night_until_hour": (of_site[:, 2].astype(np.int64) + _TIMER_HOURS) % 24,
    }
    return sites.assign(**{name: sites[name].mask(by_time, pd.array(values)) for name, values in told.items()})


def _told(value: Any, unknown: bool) -> bool:
    return unknown if pd.isna(value) else bool(value)
