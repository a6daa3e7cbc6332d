"""Readings of many sites by calendar month, beside what the typical year lets expect in the same time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.readings.periods import periods_of
from aftersun.model.ranges import Bools, Floats

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
    output: Floats,
    ageing_per_year: float,
    as_of: pd.Timestamp,
    work: list[tuple[pd.Timestamp, pd.Timestamp]],
    first: np.datetime64,
    count: int,
) -> tuple[Floats, Floats]:
    """Return measured and expected energy of one site in ``count`` months from ``first`` on, kWh, each (M,).

    ``readings`` has its good intervals of one meter, ``output`` (H,) what that meter shows of the typical year, kWh.
    Intervals in which there was ``work``, from a first day to a last one, are left out; so are those longer than a
    month.
    """
    starts, stops = readings["starts_at"].to_numpy(), readings["ends_at"].to_numpy()
    kept = readings["hours"].to_numpy(np.float64) <= 24.0 * 45.0
    for begins, ends in work:
        over = (ends + pd.Timedelta(days=1)).to_datetime64()
        kept = kept & ~((stops > begins.to_datetime64()) & (starts < over))
    measured, expected = np.full(count, np.nan), np.full(count, np.nan)
    if not kept.any():
        return measured, expected
    periods = periods_of(readings[kept], output, as_of)
    # The month a period lies in is that of its middle: readings of the month begin on any day.
    middle = periods.starts.astype("datetime64[h]") + (periods.hours / 2.0).astype("timedelta64[h]")
    month: npt.NDArray[np.intp] = (middle.astype("datetime64[M]") - first).astype(np.intp)
    aged = periods.expected * (1.0 - ageing_per_year) ** -np.maximum(periods.years_ago, 0.0)
    good: Bools = (periods.hours >= 24.0 * LEAST_DAYS) & (periods.expected > 0) & (month >= 0) & (month < count)
    good &= periods.measured >= LEAST_SHARE * aged
    measured[month[good]], expected[month[good]] = periods.measured[good], aged[good]
    return measured, expected
