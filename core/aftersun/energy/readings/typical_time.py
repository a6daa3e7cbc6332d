"""Places the moments of real years in the typical year, so that both can be added up over the same intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.ranges import Floats

_FEBRUARY_28 = 59  # day of the year


@dataclass(frozen=True, eq=False)
class TypicalTime:
    """The hours from midnight at ``first`` on; ``positions`` (N,) says which hour of the typical year each is.

    A leap day takes the hours of 28 February once more.
    """

    first: pd.Timestamp
    positions: npt.NDArray[np.intp]

    @classmethod
    def spanning(cls, starts: pd.Series, ends: pd.Series) -> TypicalTime:
        """Return the hours of all days from the first start to the last end; neither may be empty."""
        first, last = starts.min().floor("D"), ends.max().ceil("D")
        hours = pd.date_range(first, last, freq="h", inclusive="left")
        day = hours.day_of_year.to_numpy()
        day = np.where(hours.is_leap_year & (day > _FEBRUARY_28), day - 1, day)
        return cls(first, ((day - 1) * 24 + hours.hour.to_numpy()).astype(np.intp))

    def add_up(self, hourly: npt.ArrayLike, starts: pd.Series, ends: pd.Series) -> Floats:
        """Return the sum of an hourly column of the typical year (H,) over each interval, hours cut in proportion."""
        column = np.asarray(hourly, dtype=np.float64)
        total = np.concatenate([[0.0], np.cumsum(column[self.positions])])
        hours = np.arange(len(total), dtype=np.float64)
        since = [((moments - self.first).dt.total_seconds() / 3600).to_numpy() for moments in (starts, ends)]
        sums: Floats = np.interp(since[1], hours, total) - np.interp(since[0], hours, total)
        return sums
