"""Soiling as a ratio: 1 = clean glass, 0.95 = 5 % of the light lost. One sign, whatever the model returns.

References
----------
.. [1] A. Kimber et al., "The effect of soiling on large grid-connected photovoltaic systems in California and
   the Southwest region of the United States", IEEE WCPEC 2006. :doi:`10.1109/WCPEC.2006.279690`
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib.soiling

from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.planes import lit_hours, plant_hours
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

RATIOS_KEPT = 1000  # 35 kB each


DAYS_PER_YEAR = 365


def kimber_ratio(rain_mm: pd.Series, rate_per_day: float, threshold_mm: float, washes_per_year: int = 0) -> pd.Series:
    """Return the soiling ratio by Kimber [1]_ for hourly rain, starting clean.

    ``rate_per_day`` is the share lost per dry day; more than ``threshold_mm`` of rain in 24 h cleans. The
    days of damp ground after rain (14) and the greatest loss (0.3) are pvlib's defaults. Washes are spread evenly, the
    first after half an interval.
    """
    years = range(len(rain_mm) // HOURS_PER_YEAR)
    days = [
        (year + (turn + 0.5) / washes_per_year) * DAYS_PER_YEAR for year in years for turn in range(washes_per_year)
    ]
    loss: pd.Series = pvlib.soiling.kimber(
        rain_mm,
        cleaning_threshold=threshold_mm,
        soiling_loss_rate=rate_per_day,
        manual_wash_dates=rain_mm.index[0] + pd.to_timedelta(np.floor(days), unit="D") if days else None,
    )
    return 1 - loss


def distinct_ratios(
    weather: WeatherYear, rate_per_day: Floats, threshold_mm: Floats, default_loss: float, washes_per_year: Floats
) -> tuple[Float32s, npt.NDArray[np.intp]]:
    """Return the K distinct hourly soiling ratios (K, H) by Kimber and for each of A arrays which one is its own (A,).

    The year before is taken to have been the same. ``rate_per_day``, ``threshold_mm`` and ``washes_per_year`` have the
    shape (A,). A rate of 0 keeps the glass clean. Where the weather year has no rain the ratio is constant, by
    ``default_loss``, or by half of what builds up from wash to wash where that is less. A part of a wash is that part
    of the way to one more. Each distinct set is computed once for a weather year. Raises ValueError if some hours of
    rain have no value.
    """
    columns = (rate_per_day.tolist(), threshold_mm.tolist(), washes_per_year.tolist())
    keys = [(*own, default_loss) for own in zip(*columns, strict=True)]
    row_of = {key: row for row, key in enumerate(dict.fromkeys(keys))}
    rows = weather.memo.recall("soiling", list(row_of), lambda missing: _steady_years(weather, missing), RATIOS_KEPT)
    index = np.array([row_of[key] for key in keys], dtype=np.intp)
    return np.stack(rows) if rows else np.empty((0, HOURS_PER_YEAR), np.float32), index


def annual_soiling_loss(cohort: Cohort, plant: Plant) -> Floats:
    """Return the share of a year's light that soiling takes, weighted by irradiance, per array (A,)."""
    weather = cohort.weather
    light = plant_hours(cohort, plant).effective
    default_loss = system_values(cohort.overrides)["default_soiling_loss"]
    distinct, index = distinct_ratios(
        weather, plant.soiling_rate_per_day, plant.rain_threshold_mm, default_loss, plant.washes_per_year
    )
    lost = (light * (1 - distinct[:, lit_hours(weather)][index])).sum(axis=1, dtype=np.float64)
    total = light.sum(axis=1, dtype=np.float64)
    share: Floats = np.divide(lost, total, out=np.zeros_like(total), where=total > 0)
    return share


def _steady_years(weather: WeatherYear, keys: list[tuple[float, float, float, float]]) -> Iterator[Float32s]:
    rain = weather.rain_mm
    if rain is not None and np.isnan(rain).any():
        raise ValueError("rain_mm has hours without a value; a weather year without rain has None")
    for rate, threshold, washes, default_loss in keys:
        if rate == 0:
            yield np.ones(HOURS_PER_YEAR, dtype=np.float32)
        elif rain is None:
            between = rate * DAYS_PER_YEAR / 2 / washes if washes > 0 else np.inf
            yield np.full(HOURS_PER_YEAR, 1 - min(default_loss, between), dtype=np.float32)
        else:
            hours = pd.date_range("2001-01-01", periods=2 * HOURS_PER_YEAR, freq="h")
            whole, part = divmod(washes, 1)
            ratio = np.zeros(2 * HOURS_PER_YEAR)
            for count, share in ((int(whole), 1 - part), (int(whole) + 1, part)):
                if share:
                    ratio += share * kimber_ratio(pd.Series(np.tile(rain, 2), index=hours), rate, threshold, count)
            yield ratio[HOURS_PER_YEAR:].astype(np.float32)
