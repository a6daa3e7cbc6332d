"""The time of readings: moments of real years placed in the typical year, and their time of day against the sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.ranges import Bools, Floats
from aftersun.model.weather import WeatherYear

_FEBRUARY_28 = 59  # day of the year
_SUMMER, _WINTER = (5, 6, 7, 8), (11, 12, 1, 2)  # months well inside and outside summer time, or the reverse
_LEAST_HOURS = 30.0  # of output in a month for its middle to be told


@dataclass(frozen=True, eq=False)
class TypicalTime:
    """The hours from midnight at ``first`` on; ``positions`` (N,) says which hour of the typical year each is.

    So both can be added up over the same intervals. A leap day takes the hours of 28 February once more.
    """

    first: pd.Timestamp
    positions: npt.NDArray[np.intp]

    @classmethod
    def spanning(cls, starts: pd.Series, ends: pd.Series) -> TypicalTime:
        """Return the hours of all days from the first start to the last end; neither may be empty."""
        first, last = starts.min().floor("D"), ends.max().ceil("D")
        days = np.arange(first.to_datetime64(), last.to_datetime64(), dtype="datetime64[D]")
        years = days.astype("datetime64[Y]")
        day = (days - years).astype(np.intp) + 1
        leap = ((years + 1).astype("datetime64[D]") - years.astype("datetime64[D]")).astype(np.intp) == 366
        day = np.where(leap & (day > _FEBRUARY_28), day - 1, day)
        return cls(first, ((day - 1)[:, np.newaxis] * 24 + np.arange(24)).ravel())

    def add_up(self, hourly: npt.ArrayLike, starts: pd.Series, ends: pd.Series) -> Floats:
        """Return the sum of an hourly column of the typical year (H,) over each interval, hours cut in proportion."""
        since, total = self.up_to(hourly)
        sums: Floats = np.interp(self.hours_to(ends), since, total) - np.interp(self.hours_to(starts), since, total)
        return sums

    def up_to(self, hourly: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return hours since ``first`` and the sum of an hourly column (H,) of the typical year up to each."""
        total = np.concatenate([[0.0], np.cumsum(np.asarray(hourly, dtype=np.float64)[self.positions])])
        return np.arange(len(total), dtype=np.float64), total

    def hours_to(self, moments: npt.ArrayLike) -> Floats:
        """Return how many hours after ``first`` moments are, (N,)."""
        apart = np.asarray(moments, dtype="datetime64[s]") - self.first.to_datetime64().astype("datetime64[s]")
        hours: Floats = apart.astype(np.float64) / 3600.0
        return hours


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


def clear_sky_hours(frame: pd.DataFrame, weather: WeatherYear) -> Floats:
    """Return what a clear sky gives a plane that always faces the sun in each interval, hours of 1000 W/m2, (N,).

    After Haurwitz [1]_, divided by the height of the sun; the sun of the neighbouring hours counts where it is higher,
    as hours begin and end in twilight. ``frame`` has the columns starts_at and ends_at and is not empty.

    References
    ----------
    .. [1] B. Haurwitz, "Insolation in relation to cloudiness and cloud density", J. Meteorology 2, 154-166, 1945.
    """
    height = np.cos(np.radians(weather.zenith))
    light = np.where(height > 0.0, 1.098 * np.exp(-0.057 / np.maximum(height, 1e-3)), 0.0)
    light = np.maximum(np.maximum(light, np.roll(light, 1)), np.roll(light, -1))
    time = TypicalTime.spanning(frame["starts_at"], frame["ends_at"])
    return time.add_up(light, frame["starts_at"], frame["ends_at"])


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
