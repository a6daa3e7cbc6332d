"""A weather year: 8760 hours of one station, already checked, with the sun's position at the middle of each hour.

Its calendar is that of the typical year: 365 days, no leap day.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.ranges import Ints
from aftersun.model.records import Kept, Result

Hours = npt.NDArray[np.float64]

HOURS_PER_YEAR = 8760
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


@dataclass(frozen=True)
class Station:
    """Where a weather year comes from. ``rain_basis`` says in words what its rain column is, or why there is none."""

    station_id: str  # of the station or, for the built-in normals, of the cell
    name: str  # for people
    latitude: float  # degrees, north positive
    longitude: float  # degrees, east positive
    elevation_m: float  # above sea level
    utc_offset_h: float  # of its standard time
    source: str  # file format and where the file says it comes from
    sha256: str  # of the file
    rain_basis: str  # what the rain column is, or why there is none
    year: int | None = None  # whose hours they are; None = a typical year, put together of several


@dataclass(frozen=True, eq=False)
class WeatherYear:
    """One year of hours (H = 8760, no leap day), each array of shape (H,).

    ``times`` are the middles of the hours in the station's standard time. Irradiance in W/m2 as hourly mean,
    ``temp_air`` in degrees C, ``wind_speed`` in m/s at 10 m, ``rain_mm`` in mm an hour or None where unknown.
    ``zenith`` is the apparent solar zenith and ``azimuth`` the solar azimuth in degrees, clockwise from north;
    ``dni_extra`` in W/m2; ``airmass`` relative (NaN at night); ``albedo`` 0..1.

    ``memo`` keeps results that depend on this year alone (planes, soiling), so that they are computed once;
    a year with other hours begins without any.
    """

    station: Station  # where it comes from
    times: pd.DatetimeIndex  # middles of the hours, standard time of the station
    ghi: Hours  # global horizontal irradiance, W/m2
    dni: Hours  # direct normal irradiance, W/m2
    dhi: Hours  # diffuse horizontal irradiance, W/m2
    temp_air: Hours  # degrees C
    wind_speed: Hours  # m/s at 10 m
    rain_mm: Hours | None  # mm an hour; None where the station has no rain record
    albedo: Hours  # of the ground, 0..1
    zenith: Hours  # apparent solar zenith, degrees
    azimuth: Hours  # of the sun, degrees clockwise from north
    dni_extra: Hours  # extraterrestrial normal irradiance, W/m2
    airmass: Hours  # relative; NaN at night
    memo: Kept = field(default_factory=Kept, init=False, repr=False)  # what the year alone decides: use `once`

    def once(self, name: Hashable, compute: Callable[[], Result]) -> Result:
        """Return what ``compute`` gives, worked out once for this year; ``name`` is a tuple that begins with the id of
        your plugin. An array comes back read-only.
        """
        return self.memo.once(name, compute)

    def __post_init__(self) -> None:
        for column in fields(self):
            values = getattr(self, column.name)
            if column.name in ("station", "times", "memo") or values is None:
                continue
            if values.shape != (HOURS_PER_YEAR,):
                raise ValueError(f"{column.name} has shape {values.shape}, expected ({HOURS_PER_YEAR},)")
            values.flags.writeable = False
        if len(self.times) != HOURS_PER_YEAR:
            raise ValueError(f"times has {len(self.times)} entries, expected {HOURS_PER_YEAR}")
