"""Rain from a separate file: the daily sums of one year, or the totals of the twelve months.

A file of days is a CSV table with the columns ``date`` (2023-05-17) and ``rain_mm``; a file of months has the columns
``month`` (1..12), ``rain_mm`` and, if known, ``rain_days``. Lines that begin with ``#`` before the header are left out.

How sums become hours: a day's sum falls evenly over its 24 hours. A month's total is laid on its rain days, which
lie evenly spaced in the month, each in the middle of its share of it. Their sums follow an exponential distribution
(the n quantiles at the middles of n equal shares, scaled to the total), as sums of rain days roughly do; in which
order is settled by the golden ratio, so that heavy days do not lie together. Where ``rain_days`` is not given, it
follows from the total as in `aftersun.climate.synthesis.rain`. There is no chance in it: the same file gives the same
rain.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.climate.limits import limit
from aftersun.climate.plain_table import PlainTable, read_plain_table, to_numbers
from aftersun.climate.rain import Rain, doubt
from aftersun.climate.synthesis.rain import wet_day_counts
from aftersun.climate.text import Unusable, read_bytes, to_text
from aftersun.model.errors import AftersunError
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, MONTHS, Hours

_FORMS = "Give a CSV table with the columns date,rain_mm (one year of days) or month,rain_mm,rain_days (12 months)."
_GOLDEN = (np.sqrt(5) - 1) / 2


def spread_month(total_mm: float, rain_days: int, days: int) -> Hours:
    """Lay a month's rain on its days by the rule of this module.

    Parameters
    ----------
    total_mm : float
        Rain of the month in mm.
    rain_days : int
        Days with rain, 0 to ``days``; 0 only without rain.
    days : int
        Days of the month.

    Returns
    -------
    array (days,)
        Rain in mm a day; sums to the total.
    """
    daily = np.zeros(days)
    if not rain_days:
        return daily
    turn = np.arange(rain_days)
    sizes = -np.log1p(-(turn + 0.5) / rain_days)
    order = np.argsort(np.argsort(turn * _GOLDEN % 1.0))
    daily[((turn + 0.5) * days / rain_days).astype(int)] = total_mm * sizes[order] / sizes.sum()
    return daily


def _rain(table: PlainTable) -> pd.Series:
    mm = to_numbers(table.rows, "rain_mm")
    if (mm < 0).any():
        raise Unusable(f"line {mm.index[mm < 0][0]} has negative rain", "Leave cells without a measurement empty.")
    return mm


def _days_of_year(table: PlainTable) -> tuple[Hours, str]:
    """Rain by day (365,) from dated rows, and what it is."""
    date = pd.to_datetime(table.rows["date"], format="%Y-%m-%d", errors="coerce")
    wrong = date.isna().to_numpy()
    if wrong.any():
        raise Unusable(f"line {table.rows.index[wrong][0]} has no date", "Write dates like 2023-05-17.")
    mm = _rain(table)
    leap = ((date.dt.month == 2) & (date.dt.day == 29)).to_numpy()
    date, mm = date[~leap], mm[~leap]
    day = FIRST_DAY[date.dt.month.to_numpy() - 1] + date.dt.day.to_numpy() - 1
    if len(set(day)) < len(day):
        raise Unusable("it has more than one record for a day of the year", "Give one year, 365 days, or 12 months.")
    daily = np.full(365, np.nan)
    daily[day] = mm
    missing = int(np.isnan(daily).sum())
    if missing > (most := limit("rain_days_missing")):
        raise Unusable(
            f"{missing} of the 365 days have no value", f"Up to {most:.0f} count as dry; give a complete year of days."
        )
    years = sorted(set(date.dt.year))
    basis = f"daily sums of a separate file, {years[0]}" + (f" to {years[-1]}" if len(years) > 1 else "")
    gaps = f"; {missing} days without a value count as dry" if missing else ""
    return np.nan_to_num(daily), f"{basis}, a single year and not a climate normal{gaps}"


def _days_of_months(table: PlainTable) -> tuple[Hours, str]:
    """Rain by day (365,) from monthly totals, and what it is."""
    month = to_numbers(table.rows, "month")
    if sorted(month) != list(range(1, 13)):
        raise Unusable("its months are not 1 to 12, each once", "Give twelve rows, one a month.")
    total = _rain(table).set_axis(month).sort_index()
    if (gaps := total.isna().to_numpy()).any():
        raise Unusable(f"{MONTHS[int(np.argmax(gaps))]} has no rain value", "Give the total of each month.")
    days = np.full(12, np.nan)
    if "rain_days" in table.rows:
        days = to_numbers(table.rows, "rain_days").set_axis(month).sort_index().to_numpy()
    known = np.isfinite(days)
    days = np.where(known, days, wet_day_counts(total.to_numpy()))
    wrong = (days < 0) | (days > DAYS_IN_MONTH) | (days != np.rint(days)) | ((days == 0) & (total > 0))
    if wrong.any():
        raise Unusable(
            f"{MONTHS[int(np.argmax(wrong))]} has an impossible number of rain days",
            "rain_days is a whole number up to the days of the month, and at least 1 where it rained.",
        )
    daily = [spread_month(mm, int(n), d) for mm, n, d in zip(total, days, DAYS_IN_MONTH, strict=True)]
    how = "as given" if known.all() else "as many as usual with so much rain"
    basis = f"monthly totals of a separate file, laid on {days.sum():.0f} rain days ({how}) by rule, not on real days"
    return np.concatenate(daily), basis


def _by_day(text: str) -> tuple[Hours, str]:
    header = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    names = [name.strip() for name in header.split(",")]
    if "date" in names:
        return _days_of_year(read_plain_table(text, ("date", "rain_mm")))
    if "month" in names:
        return _days_of_months(read_plain_table(text, ("month", "rain_mm"), ("rain_days",)))
    raise Unusable("its header names neither date nor month", _FORMS)


def read_rain(path: Path) -> Rain:
    """Read a year's rain from a file of days or of months; which, is told by its header.

    Returns
    -------
    Rain
        ``mm`` in each hour of the year; ``basis`` says what it is made of.

    Raises
    ------
    AftersunError
        If the file cannot be read, or its rain is not believable.
    """
    path = Path(path)
    text = to_text(read_bytes(path))
    try:
        daily, basis = _by_day(text)
    except Unusable as error:
        raise AftersunError(f"The rain in {path.name} cannot be used: {error}.", error.hint) from error
    hourly = np.repeat(daily / 24, 24)
    why_not = doubt(hourly, 0.0)
    if (most := daily.max()) > limit("rain_day_max"):
        why_not = f"{most:.0f} mm of rain in one day is not believable; the unit is probably wrong"
    if why_not:
        raise AftersunError(
            f"The rain in {path.name} cannot be used: {why_not}.", "Give rain in mm, as sums of a day or of a month."
        )
    return Rain(hourly, f"{basis}; {daily.sum():.0f} mm in it, each day's sum spread evenly over its hours")
