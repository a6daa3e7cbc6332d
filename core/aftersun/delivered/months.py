"""Readings of many sites by calendar month, beside what the typical year lets expect in the same time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.energy.readings.periods import MONTH_H
from aftersun.model.cohort import DAYS_PER_YEAR
from aftersun.model.ranges import Floats

LEAST_DAYS = 10.0  # assumption: a month of which less is read tells nothing of it
LEAST_SHARE = 0.02  # assumption: a month that gives less of what is expected is an outage, snow or a dead meter


@dataclass(frozen=True, eq=False)
class Months:
    """S sites and M months from ``first`` on; a month that straddles work at the site is not there.

    ``measured`` and ``expected`` (S, M) are kWh, NaN where nothing is read; what is expected counts the ageing of then,
    so that a sound system's ratio does not fall with it. ``year_kwh`` (S,) is what a typical year lets expect now.
    """

    site_ids: pd.Index
    first: np.datetime64
    measured: Floats
    expected: Floats
    year_kwh: Floats

    @property
    def ratio(self) -> Floats:
        """Measured over expected energy, (S, M)."""
        return self.measured / self.expected

    @classmethod
    def together(cls, parts: Sequence[Months]) -> Months:
        """Return the sites of several, over all their months."""
        first = min(part.first for part in parts)
        before = [int((part.first - first).astype(int)) for part in parts]
        count = max(skipped + part.measured.shape[1] for skipped, part in zip(before, parts, strict=True))
        measured, expected = (
            np.concatenate(
                [
                    np.pad(kwh, ((0, 0), (skipped, count - skipped - kwh.shape[1])), constant_values=np.nan)
                    for skipped, kwh in zip(before, (getattr(part, name) for part in parts), strict=True)
                ]
            )
            for name in ("measured", "expected")
        )
        site_ids = pd.Index(np.concatenate([part.site_ids.to_numpy(object) for part in parts]))
        return cls(site_ids, first, measured, expected, np.concatenate([part.year_kwh for part in parts]))

    def starting(self, moment: pd.Timestamp) -> int:
        """Return the position of the month in which a moment lies."""
        return int((month_of(moment) - self.first).astype(int))


def month_of(moment: pd.Timestamp) -> np.datetime64:
    """Return the month in which a moment lies."""
    month: np.datetime64 = moment.to_datetime64().astype("datetime64[M]")
    return month


def month_numbers(readings: pd.DataFrame) -> tuple[np.datetime64, int]:
    """Return the first month that readings begin in, and how many months there are to the last."""
    starts = readings["starts_at"].to_numpy().astype("datetime64[M]")
    return starts.min(), int((starts.max() - starts.min()).astype(int)) + 1


def site_months(
    readings: pd.DataFrame,
    time: TypicalTime,
    output: Floats,
    ageing_per_year: float,
    as_of: pd.Timestamp,
    work: list[tuple[pd.Timestamp, pd.Timestamp]],
    first: np.datetime64,
    count: int,
) -> tuple[Floats, Floats]:
    """Return measured and expected energy of one site in ``count`` months from ``first`` on, kWh, each (M,).

    ``readings`` has its good intervals of one meter, all within ``time``, ``output`` (H,) what that meter shows of the
    typical year, kWh. Intervals in which there was ``work``, from a first day to a last one, are left out; so are those
    longer than a month.
    """
    starts, stops = readings["starts_at"].to_numpy(), readings["ends_at"].to_numpy()
    hours, kwh = readings["hours"].to_numpy(np.float64), readings["kwh"].to_numpy(np.float64)
    kept = hours <= MONTH_H
    for begins, ends in work:
        over = (ends + pd.Timedelta(days=1)).to_datetime64()
        kept &= ~((stops > begins.to_datetime64()) & (starts < over))
    from_, to = time.hours_to(starts), time.hours_to(stops)
    since, total = time.up_to(output)
    expected = np.interp(to, since, total) - np.interp(from_, since, total)
    # Readings of the month begin on any day: what is long lies in the month of its middle.
    middle = starts + (hours * 1800.0).astype("timedelta64[s]")
    of = np.where(hours > 24.0 * limits()["fine_bin_days"], middle, starts).astype("datetime64[M]")
    month = (of - first).astype(np.intp)
    kept &= (month >= 0) & (month < count)

    def sums(values: Floats) -> Floats:
        return np.bincount(month[kept], values[kept], minlength=count).astype(np.float64)

    covered, measured, at = sums(hours), sums(kwh), sums((from_ + to) / 2.0 * hours)
    now = (as_of - time.first) / pd.Timedelta(hours=1)
    years_ago = (now - at / np.maximum(covered, 1.0)) / (24.0 * DAYS_PER_YEAR)
    aged = sums(expected) * (1.0 - ageing_per_year) ** -np.maximum(years_ago, 0.0)
    good = (covered >= 24.0 * LEAST_DAYS) & (aged > 0.0) & (measured >= LEAST_SHARE * aged)
    return np.where(good, measured, np.nan), np.where(good, aged, np.nan)
