"""The calendar of the typical year: 365 days, no leap day."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Ints

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DAYS_IN_MONTH = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
FIRST_DAY = np.cumsum(DAYS_IN_MONTH) - DAYS_IN_MONTH
"""Day of the year, from 0, on which each month begins."""


def calendar(hours: npt.ArrayLike) -> tuple[Ints, Ints, Ints]:
    """Return month (1..12), day (1..31) and hour (0..23) of hours 0..8759 of the year."""
    count = np.asarray(hours, dtype=np.int64)
    day = count // 24
    month = np.searchsorted(FIRST_DAY, day, side="right")
    return month, day - FIRST_DAY[month - 1] + 1, count % 24
