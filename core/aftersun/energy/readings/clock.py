"""Compares the time of day of fine production readings with the sun."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.energy.readings.typical_time import TypicalTime
from aftersun.model.ranges import Bools, Floats
from aftersun.model.weather import WeatherYear

_SUMMER, _WINTER = (5, 6, 7, 8), (11, 12, 1, 2)  # months well inside and outside summer time, or the reverse
_LEAST_HOURS = 30.0  # of output in a month for its middle to be told


def in_darkness(frame: pd.DataFrame, weather: WeatherYear, night_zenith_deg: float) -> Bools:
    """Tell which intervals lie wholly in hours whose sun is lower than ``night_zenith_deg``.

    ``frame`` has the columns starts_at and ends_at in station standard time.
    """
    if frame.empty:
        return np.zeros(0, dtype=bool)
    light = weather.zenith <= night_zenith_deg
    time = TypicalTime.spanning(frame["starts_at"], frame["ends_at"])
    dark: Bools = time.add_up(light, frame["starts_at"], frame["ends_at"]) < 1e-9
    return dark


def solar_noon(weather: WeatherYear) -> Floats:
    """Return the middle of the daylight of each day of the typical year in hours from midnight, shape (365,)."""
    height = np.maximum(np.cos(np.radians(weather.zenith)), 0.0).reshape(365, 24)
    noon: Floats = (height * (np.arange(24) + 0.5)).sum(axis=1) / height.sum(axis=1).clip(1e-9)
    return noon


def clock_shifts(producing: pd.DataFrame, weather: WeatherYear) -> pd.DataFrame:
    """Return how far the middle of the producing time lies after solar noon, by site.

    ``producing`` has the intervals in which a system gives anything, with site_id, starts_at and hours. Whether it
    gives much does not matter, so that the direction of the modules hardly does. The columns are shift_h, its median
    over the months; season_h, how much later it is from May to August than from November to February (NaN if one is
    missing); and days.
    """
    day = producing["starts_at"].dt.floor("D")
    middle = (producing["starts_at"] - day) / pd.Timedelta(hours=1) + producing["hours"] / 2
    noon = solar_noon(weather)[np.minimum(producing["starts_at"].dt.day_of_year.to_numpy(), 365) - 1]
    angle = 2 * np.pi * (middle.to_numpy() - noon) / 24  # on a circle: a wrong zone may split a day at midnight
    parts = pd.DataFrame(
        {
            "site_id": producing["site_id"],
            "period": producing["starts_at"].dt.to_period("M"),
            "hours": producing["hours"],
            "sine": np.sin(angle) * producing["hours"],
            "cosine": np.cos(angle) * producing["hours"],
        }
    )
    months = parts.groupby(["site_id", "period"]).sum().reset_index()
    months = months[months["hours"] >= _LEAST_HOURS]
    months["shift_h"] = np.arctan2(months["sine"], months["cosine"]) * 24 / (2 * np.pi)
    of_year = months["period"].dt.month
    by_site = months.groupby("site_id")["shift_h"].median().to_frame()
    summer, winter = (
        months[of_year.isin(season)].groupby("site_id")["shift_h"].median() for season in (_SUMMER, _WINTER)
    )
    by_site["season_h"] = (summer - winter).reindex(by_site.index)
    by_site["days"] = day.groupby(producing["site_id"]).nunique().reindex(by_site.index)
    return by_site
