"""Readings of one site added up by calendar month, beside the output of the typical year in the same time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.model.cohort import DAYS_PER_YEAR
from aftersun.model.ranges import Bools, Floats

MONTH_H = 24.0 * 45.0  # readings that are longer are none of a month
_EPOCH = pd.Timestamp("2000-01-01")
_FIRST_HOURS = 24 * np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])  # of each month in the typical year


@dataclass(frozen=True, eq=False)
class Periods:
    """N periods of a site in the order of time, each column (N,) but for the last two.

    ``weather_sd`` is the standard deviation of what the weather of its own time makes of a period, as a share; of it
    ``shared_sd`` is what all periods have alike whose weather is known: how much the mean of their time is off.
    ``season`` (N, 12) is the share of each calendar month in a period's computed output, ``month_kwh`` (12,) the
    computed output of the typical year's months.
    """

    measured: Floats  # kWh
    expected: Floats  # kWh, of the plant as it is on the day of the run
    year: Floats  # its middle
    years_ago: Floats  # from its middle to the run
    hours: Floats
    starts: npt.NDArray[np.datetime64]
    weather_sd: Floats
    shared_sd: Floats
    season: Floats
    month_kwh: Floats

    def where(self, chosen: Bools) -> Periods:
        """Return some of the periods."""
        columns = (
            *("measured", "expected", "year", "years_ago", "hours", "starts"),
            *("weather_sd", "shared_sd", "season"),
        )
        return Periods(**{name: getattr(self, name)[chosen] for name in columns}, month_kwh=self.month_kwh)


def year_of(moment: pd.Timestamp) -> float:
    """Return a moment as a year with its fraction."""
    return 2000.0 + (moment - _EPOCH) / pd.Timedelta(days=DAYS_PER_YEAR)


def periods_of(
    produced: pd.DataFrame,
    output: Floats,
    as_of: pd.Timestamp,
    cuts: Sequence[pd.Timestamp] = (),
    sky: Mapping[int, float] | None = None,
) -> Periods:
    """Add up readings of one site by calendar month; longer readings stay as they are.

    ``produced`` has the columns of good intervals, ``output`` (H,) is the computed output of the typical year, kWh. A
    period ends where one of ``cuts`` falls into it. ``sky`` has the weather of single months as
    :func:`aftersun.energy.readings.sky.skies` gives it: more is expected of the better ones then.
    """
    time = TypicalTime.spanning(produced["starts_at"], produced["ends_at"])
    since, total = time.up_to(output)
    hours, kwh = (produced[name].to_numpy(dtype=np.float64) for name in ("hours", "kwh"))
    starts = produced["starts_at"].to_numpy().astype("datetime64[s]")
    from_, to = time.hours_to(starts), time.hours_to(produced["ends_at"])
    middle = (from_ + to) / 2.0
    month = starts.astype("datetime64[M]").astype(np.int64)
    key = np.where(hours <= 24.0 * limits()["fine_bin_days"], month, -1_000_000 - np.arange(len(hours)))
    part = np.searchsorted(time.hours_to(np.array(cuts, dtype="datetime64[s]")), middle, side="right")
    _, first, period = np.unique(key * (len(cuts) + 1) + part, return_index=True, return_inverse=True)
    covered = _sums(period, hours)
    at = _sums(period, middle * hours) / covered
    earliest, latest = from_[first], to[first]
    np.minimum.at(earliest, period, from_)
    np.maximum.at(latest, period, to)
    years_ago = ((as_of - time.first) / pd.Timedelta(hours=1) - at) / (24.0 * DAYS_PER_YEAR)
    order = np.argsort(at, kind="stable")
    expected = _sums(period, np.interp(to, since, total) - np.interp(from_, since, total))
    month_kwh = _month_kwh(output)
    plain = Periods(
        measured=_sums(period, kwh)[order],
        expected=expected[order],
        year=(year_of(as_of) - years_ago)[order],
        years_ago=years_ago[order],
        hours=covered[order],
        starts=starts[first][order],
        weather_sd=limits()["year_sd"] * np.sqrt(month_kwh.sum() / np.maximum(expected[order], 1e-9)),
        shared_sd=np.zeros(len(order)),
        season=_by_month(time, since, total, earliest[order], latest[order]),
        month_kwh=month_kwh,
    )
    return _under(plain, sky) if sky else plain


def month_numbers(periods: Periods) -> npt.NDArray[np.int64]:
    """Return the month in which the middle of each period lies, from January 1970 on, (N,)."""
    middle = periods.starts + (periods.hours * 1800).astype("timedelta64[s]")
    months: npt.NDArray[np.int64] = middle.astype("datetime64[M]").astype(np.int64)
    return months


def _under(periods: Periods, sky: Mapping[int, float]) -> Periods:
    """Return the periods with what the weather of their own months lets expect, where it is known."""
    share = np.array([sky.get(int(month), np.nan) for month in month_numbers(periods)])
    known = ~np.isnan(share) & (periods.hours <= MONTH_H) & (periods.expected > 0)
    if not known.any():
        return periods
    weight = np.where(known, periods.expected, 0.0)
    share = np.where(known, share / (np.nansum(weight * share) / weight.sum()), 1.0)
    years = weight.sum() / periods.month_kwh.sum()
    left = limits()["sky_sd"] / limits()["year_sd"]
    return replace(
        periods,
        expected=periods.expected * share,
        weather_sd=np.where(known, left, 1.0) * periods.weather_sd,
        shared_sd=np.where(known, limits()["year_sd"] / np.sqrt(years), 0.0),
    )


def _sums(period: npt.NDArray[np.intp], values: Floats) -> Floats:
    return np.asarray(np.bincount(period, values), dtype=np.float64)


def _by_month(time: TypicalTime, since: Floats, total: Floats, from_h: Floats, to_h: Floats) -> Floats:
    """Return which share of the computed output of some times falls into each calendar month, (N, 12)."""
    days = len(time.positions) // 24
    first = time.first.to_datetime64().astype("datetime64[D]")
    months = np.arange(first.astype("datetime64[M]"), (first + days).astype("datetime64[M]") + 1)
    edges = np.clip(time.hours_to(np.append(months, months[-1] + 1)), 0.0, 24.0 * days)
    pieces = np.diff(np.interp(np.clip(edges, from_h[:, np.newaxis], to_h[:, np.newaxis]), since, total), axis=1)
    sums = pieces @ np.eye(12)[months.astype(np.int64) % 12]
    shares: Floats = sums / np.maximum(sums.sum(axis=1, keepdims=True), 1e-12)
    return shares


def _month_kwh(output: Floats) -> Floats:
    sums: Floats = np.add.reduceat(np.asarray(output, dtype=np.float64), _FIRST_HOURS)
    return sums
