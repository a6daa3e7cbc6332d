"""Rain of a weather file: sums over one and more hours made into hours, and whether to believe them.

A file may mix sums over 1, 3, 6 and 24 hours that overlap. The shortest is believed first; of a longer sum
only what exceeds the known hours within it is spread evenly over the hours still unknown. So the rain of a
day stays right, which is what cleans a module, and sums that lie within longer ones are not counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from aftersun.climate.limits import limit
from aftersun.model.weather import Hours

LONGEST_PERIOD_H = 24
KINDS = {
    0: "file that does not say of which years, not a climate normal",
    1: "file of a single year, not a climate normal",
}
COMPOSITE = "typical-year file; one composite year, not a climate normal"


@dataclass(frozen=True, eq=False)
class Rain:
    """Rain in mm an hour, shape (H,), or None where the file's is not used; ``basis`` says which and why."""

    mm: Hours | None
    basis: str


def hourly_rain(depth_mm: Hours, period_h: Hours) -> Hours:
    """Make hourly rain of sums that may overlap.

    Parameters
    ----------
    depth_mm, period_h : array (H,)
        Rain in mm that fell in the ``period_h`` hours (1 to 24) up to the end of each hour; NaN where
        missing. The year is a circle: the first sum may reach back into December.

    Returns
    -------
    array (H,)
        Rain in mm an hour, NaN in hours that no sum covers.
    """
    known = np.where(period_h == 1, depth_mm, np.nan)
    for period in range(2, LONGEST_PERIOD_H + 1):
        for end in np.flatnonzero((period_h == period) & np.isfinite(depth_mm)):
            window = np.arange(end - period + 1, end + 1) % len(depth_mm)
            unknown = window[np.isnan(known[window])]
            if unknown.size:
                rest = max(depth_mm[end] - np.nansum(known[window]), 0.0)
                known[unknown] = rest / unknown.size
    return known


def doubt(mm: Hours, missing: float) -> str | None:
    """Why a year's hourly rain in mm with a share of ``missing`` hours is not to be used, if so."""
    year, most = float(mm.sum()), float(mm.max())
    if missing > limit("rain_missing_share"):
        return f"{100 * missing:.0f} % of the hours have no rain value"
    if year == 0:
        return "the rain column is nought throughout, which means no data, not a dry year"
    if not limit("rain_year_min") <= year <= limit("rain_year_max"):
        return f"{year:.4g} mm of rain a year is not believable"
    if most > limit("rain_hour_max"):
        return f"{most:.0f} mm of rain in one hour is not believable; the unit is probably wrong"
    return None


def settle_rain(hours: pd.DataFrame) -> Rain:
    """Judge ``rain_mm`` and ``rain_period_h`` of a year in order; the number of ``year`` tells what it is.

    Hours that no sum covers count as dry as long as they are the smaller part, and the basis says how many.
    """
    depth = hours["rain_mm"].to_numpy(dtype=float)
    period = hours["rain_period_h"].to_numpy(dtype=float)
    depth = np.where(depth < 0, np.nan, depth)
    if not np.isfinite(depth).any():
        return Rain(None, "the file has no rain values")
    usable = np.isfinite(depth) & (period >= 1) & (period <= LONGEST_PERIOD_H)
    how = ""
    if not usable.any():
        period = np.ones_like(period)
        how = "; each value taken as the rain of its hour, since the file states no period"
    elif (longest := period[usable].max()) > 1:
        how = f"; sums over up to {longest:.0f} h spread evenly over their hours, none counted twice"
    known = hourly_rain(depth, period)
    missing = float(np.isnan(known).mean())
    mm = np.nan_to_num(known)
    why_not = doubt(mm, missing)
    if why_not:
        return Rain(None, why_not)
    kind = KINDS.get(hours["year"].nunique(), COMPOSITE)
    gaps = f"; {100 * missing:.1f} % of the hours have no value and count as dry" if missing else ""
    return Rain(mm, f"{kind}; {mm.sum():.0f} mm in it{how}{gaps}")
