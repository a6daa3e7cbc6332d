"""The weather of the readings' own months against that of the typical year, by light that is loaded or by neighbours.

Only how months differ from one another is taken, not their mean: light from elsewhere has a level of its own, and so
have neighbours. Where neither is there the months keep the whole spread of weather.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.periods import MONTH_H, Periods, month_numbers
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats
from aftersun.model.sphere import great_circle_km
from aftersun.model.weather import calendar

Sky = Mapping[int, float]
"""By month, counted from January 1970: what it gives over what the typical year lets expect, up to one factor."""


def skies(cohort: Cohort, periods: Sequence[Periods | None], ageing_per_year: Floats) -> list[Sky]:
    """Return the weather of each site's months as light or neighbours tell; empty where neither does.

    ``periods`` has the readings of each site beside its typical year, None where there are none.
    """
    first, ratio = _months(periods, ageing_per_year)
    light, others = _by_light(cohort, first, ratio.shape[1]), _by_neighbours(cohort, ratio)
    found: list[Sky] = []
    for own, lit, near in zip(~np.isnan(ratio), light, others, strict=True):
        lit_more = (own & ~np.isnan(lit)).sum() >= (own & ~np.isnan(near)).sum()
        best = lit if lit_more else near
        found.append({first + int(month): float(best[month]) for month in np.flatnonzero(~np.isnan(best))})
    return found


def _months(periods: Sequence[Periods | None], ageing_per_year: Floats) -> tuple[int, Floats]:
    """Return the first month, and measured over expected energy of each site's months by their median, (S, M)."""
    least_h = 24.0 * limits()["sky_days"]
    kept: list[tuple[npt.NDArray[np.int64], Floats]] = []
    for each, ageing in zip(periods, ageing_per_year, strict=True):
        if each is None:
            kept.append((np.zeros(0, dtype=np.int64), np.zeros(0)))
            continue
        good = (each.hours >= least_h) & (each.hours <= MONTH_H) & (each.expected > 0)
        left = (1.0 - ageing) ** np.maximum(each.years_ago[good], 0.0)
        kept.append((month_numbers(each)[good], each.measured[good] / each.expected[good] * left))
    numbers = np.concatenate([month for month, _ in kept])
    first, count = (int(numbers.min()), int(np.ptp(numbers)) + 1) if len(numbers) else (0, 0)
    ratio = np.full((len(periods), count), np.nan)
    for row, (month, values) in enumerate(kept):
        if len(values) and np.median(values) > 0:
            ratio[row, month - first] = values / np.median(values)
    return first, ratio


def _by_light(cohort: Cohort, first: int, count: int) -> Floats:
    """Return the light of each month over that of the typical year at the nearest place that is loaded, (S, M)."""
    found = np.full((len(cohort), count), np.nan)
    light = cohort.past_light
    if light is None or light.empty or not count:
        return found
    month_of_hour, _, _ = calendar(np.arange(len(cohort.weather.ghi)))
    typical = np.bincount(month_of_hour - 1, cohort.weather.ghi, 12) / 1000
    number = light["month"].to_numpy().astype("datetime64[M]").astype(np.int64)
    inside = (number >= first) & (number < first + count)
    number, light = number[inside], light[inside]
    share = light["irradiation_kwh_m2"].to_numpy(np.float64) / np.maximum(typical[number % 12], 1e-9)
    latitude, longitude = (light[name].to_numpy(np.float64) for name in ("latitude", "longitude"))
    for row, place in enumerate(_places(cohort)):
        apart = great_circle_km(place[0], place[1], latitude, longitude)
        near = np.flatnonzero(apart <= limits()["sky_km"])
        near = near[np.argsort(-apart[near], kind="stable")]  # the nearest last, so that it stays
        found[row, number[near] - first] = share[near]
    return found


def _by_neighbours(cohort: Cohort, ratio: Floats) -> Floats:
    """Return the middle of what the sites near each one had, without its own, (S, M); NaN where too few had any."""
    found, places = np.full_like(ratio, np.nan), _places(cohort)
    for row, place in enumerate(places):
        apart = great_circle_km(place[0], place[1], places[:, 0], places[:, 1])
        apart[row] = np.inf
        near = np.argsort(apart, kind="stable")[: int(limits()["sky_neighbours_most"])]
        others = ratio[near[apart[near] <= limits()["sky_km"]]]
        told = np.flatnonzero((~np.isnan(others)).sum(axis=0) >= limits()["sky_neighbours"])
        if len(told):
            found[row, told] = np.nanmedian(others[:, told], axis=0)
    return found


def _places(cohort: Cohort) -> Floats:
    return np.stack([cohort.sites[name].to_numpy(np.float64) for name in ("latitude", "longitude")], axis=1)
