"""Rain of a synthetic year: which days are wet, how much falls, and in which hours.

Wet days follow a two-state Markov chain and their amounts a gamma distribution, with parameters that follow from
the month's rain alone [1]_.

References
----------
.. [1] S. Geng, F. Penning de Vries, I. Supit, "A simple method for generating daily rainfall data", Agricultural
   and Forest Meteorology 36, 363-376, 1986.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.climate.synthesis.noise import DAYS, parameter
from aftersun.model.ranges import Bools
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, Hours

_DRAWS = 200  # a month's count of wet days is met by one draw in about ten


def wet_day_counts(rain_mm: Hours) -> npt.NDArray[np.int_]:
    """Return the number of wet days of months (12,) with ``rain_mm`` of rain; at least one where it rains at all."""
    amount = parameter("rain_day_factor") * np.maximum(rain_mm, 1e-6) ** parameter("rain_day_power")
    most = np.floor(parameter("rain_days_most") * DAYS_IN_MONTH)
    counts = np.clip(np.round(rain_mm / amount), 1, most)
    return np.where(rain_mm > 0, counts, 0).astype(int)


def wet_days(rain_mm: Hours, rng: np.random.Generator) -> Bools:
    """Return which of 365 days are wet, with the count of each month as `wet_day_counts` says.

    Of many runs of the chain through a month the first with the right count is taken, else the nearest.
    """
    wet = np.zeros(DAYS, dtype=bool)
    for month, count in enumerate(wet_day_counts(rain_mm)):
        first, days = FIRST_DAY[month], DAYS_IN_MONTH[month]
        after_dry = parameter("rain_after_dry") * count / days
        after_wet = 1 - parameter("rain_after_dry") + after_dry
        chance = rng.random((days, _DRAWS))
        state = np.full(_DRAWS, wet[first - 1] if month else rng.random() * days < count)
        runs = np.empty((days, _DRAWS), dtype=bool)
        for day in range(days):
            state = chance[day] < np.where(state, after_wet, after_dry)
            runs[day] = state
        wet[first : first + days] = runs[:, np.argmin(np.abs(runs.sum(axis=0) - count))]
    return wet


def daily_rain(rain_mm: Hours, wet: Bools, rng: np.random.Generator) -> Hours:
    """Return mm a day (365,); each month sums to ``rain_mm`` (12,). A month with rain must have a wet day."""
    rain = np.zeros(DAYS)
    for month in range(12):
        days = FIRST_DAY[month] + np.flatnonzero(wet[FIRST_DAY[month] :][: DAYS_IN_MONTH[month]])
        if not len(days):
            continue
        mean = rain_mm[month] / len(days)
        scale = max(parameter("rain_scale_start") + parameter("rain_scale_slope") * mean, mean)
        amounts = np.maximum(rng.gamma(mean / scale if mean else 1.0, size=len(days)), 1e-6)
        rain[days] = amounts * rain_mm[month] / amounts.sum()
    return rain


def hourly_rain_of_days(rain_mm: Hours, rng: np.random.Generator) -> Hours:
    """Spread mm a day (365,) over one spell of hours within each day; more rain lasts longer. Returns (8760,)."""
    lasts = np.clip(np.round(parameter("rain_hours_factor") * rain_mm ** parameter("rain_hours_power")), 1, 24)
    start = np.floor(rng.random(DAYS) * (25 - lasts))
    hour = np.arange(24)
    rains = (hour >= start[:, None]) & (hour < (start + lasts)[:, None])
    weights = np.where(rains, rng.standard_exponential((DAYS, 24)), 0.0)
    hours: Hours = (weights * (rain_mm / weights.sum(axis=1))[:, None]).ravel()
    return hours
