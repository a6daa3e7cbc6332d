"""When which price of a tariff holds: periods and dated hours as they are loaded, and registers of a year made of them.

Hours are those of the clock at the place; kinds of day are 0 = weekday, 1 = Saturday, 2 = Sunday or holiday.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.ranges import Bools, Floats, Ints

WEEKDAY, SATURDAY, SUNDAY = range(3)
DAYS: Mapping[str, tuple[int, ...]] = {
    "every day": (WEEKDAY, SATURDAY, SUNDAY),
    "weekday": (WEEKDAY,),
    "Saturday": (SATURDAY,),
    "Sunday or holiday": (SUNDAY,),
    "weekend or holiday": (SATURDAY, SUNDAY),
}
SLOTS = (12, 3, 24)  # month, kind of day, hour
DAY_SHARES = (5 / 7, 1 / 7, 1 / 7)  # of the kinds of day in a year without holidays
PRICES = ("import_price", "export_price")


@dataclass(frozen=True, eq=False)
class PriceTables:
    """Rows of ``tariff_period`` and ``tariff_hour`` of the tariffs in force, with the dictionary's columns."""

    periods: pd.DataFrame = field(default_factory=pd.DataFrame)
    hours: pd.DataFrame = field(default_factory=pd.DataFrame)

    def of(self, tariff_ids: pd.Series) -> PriceTables:
        """Return the rows of these tariffs."""
        parts = (part[part["tariff_id"].isin(tariff_ids)] if len(part) else part for part in (self.periods, self.hours))
        return PriceTables(*parts)

    def without(self, price: str) -> PriceTables:
        """Return the rows without this price in them; all of them where it is none."""
        if price not in PRICES:
            return self
        parts = (part.assign(**{price: np.nan}) if len(part) else part for part in (self.periods, self.hours))
        return PriceTables(*parts)

    def __len__(self) -> int:
        return len(self.periods) + len(self.hours)


@dataclass(frozen=True, eq=False)
class PriceCalendar:
    """The registers of a tariff: R sets of hours of a year, each of one month and with one price.

    ``register`` (D, 24) says in which each hour of the simulated year is counted; the others have shape (R,).
    """

    register: Ints
    month: Ints  # 0..11
    period: Ints  # number of the period, within which net metering cancels
    import_price: Floats  # per kWh, tax included; NaN = not known
    export_price: Floats  # per kWh, for the share of hours that are paid; NaN = the tariff's one price
    paid: Floats  # share of the hours in which export is paid at the tariff's one price

    @cached_property
    def patterns(self) -> tuple[list[slice | Ints], Ints | None, Ints]:
        """Days that are counted alike, as positions; hours of all patterns in order of register; where each begins.

        The order is None where the hours of the patterns are the registers as they stand.
        """
        distinct, which = np.unique(self.register, axis=0, return_inverse=True)
        days = [_as_slice(np.flatnonzero(which.ravel() == pattern)) for pattern in range(len(distinct))]
        flat = distinct.ravel()
        order = np.argsort(flat, kind="stable")
        starts = np.searchsorted(flat[order], np.arange(len(self.month)))
        return days, None if np.array_equal(flat, np.arange(len(self.month))) else order, starts


def _as_slice(positions: Ints) -> slice | Ints:
    """Return successive positions as a slice, which needs no copy."""
    first, last = int(positions[0]), int(positions[-1]) + 1
    return slice(first, last) if last - first == len(positions) else positions


def slots_of(period: Mapping[Any, Any]) -> Bools:
    """Return which slots (12, 3, 24) a row of ``tariff_period`` is about."""
    months = _running(int(period["from_month"]) - 1, int(period["until_month"]), 12)
    hours = _running(int(period["from_hour"]), int(period["until_hour"]), 24)
    kinds = np.zeros(3, dtype=bool)
    kinds[list(DAYS[str(period["days"])])] = True
    return np.asarray(months[:, None, None] & kinds[:, None] & hours)


def _running(begins: int, ends: int, size: int) -> Bools:
    """Return which of ``size`` numbers lie from one on and before the other, over the end of all if need be."""
    numbers = np.arange(size)
    return (numbers >= begins) & (numbers < ends) if begins < ends else (numbers >= begins) | (numbers < ends)


def pricing_row(periods: pd.DataFrame, price: str) -> Ints:
    """Return for each slot (12, 3, 24) the position of the row that has this price for it, -1 where none has."""
    row = np.full(SLOTS, -1, dtype=np.intp)
    for position, period in enumerate(periods.to_dict("records")):
        if not pd.isna(period[price]):
            row[slots_of(period)] = position
    return row


def mean_import_price(periods: pd.DataFrame, hours: pd.DataFrame, other: float) -> float:
    """Return the mean price of an hour of the year, NaN = one is not known; ``other`` is that of hours left open."""
    of_hours = float(hours["import_price"].mean()) if len(hours) else np.nan
    left_open = of_hours if np.isfinite(of_hours) else other
    if not len(periods):
        return left_open
    row = pricing_row(periods, "import_price")
    price = np.append(periods["import_price"].to_numpy(dtype=np.float64, na_value=np.nan), left_open)[row]
    return float(np.einsum("mkh,k->", price, DAY_SHARES) / (12 * 24))


def slots_in_words(slots: Bools) -> str:
    """Return the first stretch of hours of a set of slots (12, 3, 24), such as "weekday 3 to 5 in month 1"."""
    month, kind, hour = (int(index[0]) for index in np.nonzero(slots))
    end = hour
    while end < 24 and slots[month, kind, end]:
        end += 1
    return f"{('weekday', 'Saturday', 'Sunday or holiday')[kind]} {hour} to {end} o'clock in month {month + 1}"


def within_night(hour: Ints, begins: Floats, ends: Floats) -> Bools:
    """Return for S tariffs which of N hours lie in the night, (S, N); none where its hours are not known."""
    begins, ends = begins[:, np.newaxis], ends[:, np.newaxis]
    return np.where(begins > ends, (hour >= begins) | (hour < ends), (hour >= begins) & (hour < ends))


def cheapest_start(by_hour: Floats, hours: int) -> Ints:
    """Return the hour of the day at which the cheapest ``hours`` on end begin, (N,), by prices (N, 24).

    Of several alike it is the first from midnight on; unknown prices count as the same.
    """
    day = np.nan_to_num(by_hour)
    sums = np.stack([np.roll(day, -start, axis=1)[:, :hours].sum(axis=1) for start in range(24)], axis=1)
    return np.asarray(np.argmax(sums <= sums.min(axis=1, keepdims=True) + 1e-9, axis=1))


def hourly_import_price(sites: pd.DataFrame, calendars: Sequence[PriceCalendar], hour: Ints) -> Floats:
    """Return what a kWh bought costs each site in each hour of the year, (S, H); NaN = not known.

    ``hour`` (H,) is that of the day in standard time. ``sites`` has the columns that a bill asks for.
    """

    def column(name: str) -> Floats:
        return sites[name].to_numpy(dtype=np.float64, na_value=np.nan)

    number = sites["price_calendar"].to_numpy(dtype=np.intp) if "price_calendar" in sites else np.full(len(sites), -1)
    night = within_night(hour, column("night_from_hour"), column("night_until_hour"))
    night_price = column("night_import_price")[:, np.newaxis]
    price = np.where(night & np.isfinite(night_price), night_price, column("import_price")[:, np.newaxis])
    for one in np.unique(number[number >= 0]):
        calendar = calendars[one]
        price[number == one] = calendar.import_price[calendar.register].ravel()
    return price


def by_tariff(frame: pd.DataFrame) -> Iterator[tuple[tuple[str, pd.Timestamp], pd.DataFrame]]:
    """Yield the rows of each tariff and day that prices hold from, in order."""
    if len(frame):
        for key, rows in frame.groupby(["tariff_id", "valid_from"], sort=True):
            tariff_id, valid_from = cast(tuple[Any, Any], key)
            yield (str(tariff_id), pd.Timestamp(valid_from)), rows


def nearby(values: npt.ArrayLike) -> Floats:
    """Return positive prices by their middle one, NaN for those that are none."""
    prices = np.asarray(values, dtype=np.float64)
    positive = np.where(prices > 0, prices, np.nan)
    middle = np.nanmedian(positive) if np.isfinite(positive).any() else np.nan
    return np.asarray(positive / middle)
