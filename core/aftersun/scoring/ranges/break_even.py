"""Where the advice turns: the value of each number, all others as they are, at which a retrofit is worth nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.ranges import Bools, Floats
from aftersun.scoring.ranges.drivers import Driver

MOST_ROWS = 6  # of one retrofit on one site, those that move it most

DRIVER_COLUMNS = list(RUN_TABLES["driver"].columns)[1:]  # without run_id


def flips_at(low: float, used: float, high: float, npv_low: Floats, npv_used: Floats, npv_high: Floats) -> Floats:
    """Return the value between ``low`` and ``high`` at which the net present value is 0, NaN = nowhere; shape (S,).

    It runs on straight lines from the low to the value used and from there to the high, as in the draws. If it turns
    on both sides, the nearer value is taken.
    """

    def crossing(end: float, npv_end: Floats) -> Floats:
        turns = (npv_used > 0) != (npv_end > 0)
        fall = np.where(turns, npv_used - npv_end, 1.0)
        return np.where(turns, used + (end - used) * npv_used / fall, np.nan)

    below, above = crossing(low, npv_low), crossing(high, npv_high)
    nearer = np.abs(below - used) <= np.abs(above - used)  # false where one of them is missing
    return np.where(nearer | np.isnan(above), below, above)


def driver_rows(
    retrofit: str, site_ids: pd.Index, where: Bools, drivers: Sequence[Driver], npv: Floats, most: int = MOST_ROWS
) -> pd.DataFrame:
    """Return the numbers that move a retrofit most at the sites ``where``: DRIVER_COLUMNS, the strongest first.

    ``npv`` (S,) is with all values as used. What moves nothing at a site is left out.
    """
    rows = np.flatnonzero(where)
    if not len(rows) or not drivers:
        return pd.DataFrame(columns=DRIVER_COLUMNS)
    low, high = (np.stack([getattr(driver, end).npv[rows] for driver in drivers]) for end in ("at_low", "at_high"))
    swing = np.abs(high - low)
    order = np.argsort(-swing, axis=0, kind="stable")[:most]  # (most, sites)
    which, site = order.T.ravel(), np.repeat(np.arange(len(rows)), len(order))
    flips = np.stack(
        [
            flips_at(driver.low, driver.used, driver.high, at_low, npv[rows], at_high)
            for driver, at_low, at_high in zip(drivers, low, high, strict=True)
        ]
    )
    moves = swing[which, site] > 0
    which, site = which[moves], site[moves]
    of_drivers = {
        name: [getattr(drivers[position], name) for position in which]
        for name in ("name", "meaning", "unit", "low", "used", "high")
    }
    return pd.DataFrame(
        {
            "site_id": site_ids[rows[site]],
            "retrofit": retrofit,
            **of_drivers,
            "npv_low": low[which, site],
            "npv_high": high[which, site],
            "turns": ~np.isnan(flips[which, site]),
            "flips_at": flips[which, site],
        }
    )
