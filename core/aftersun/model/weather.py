"""A weather year: 8760 hours of one station, already checked, with the sun's position at the middle of each hour."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Hours = npt.NDArray[np.float64]

HOURS_PER_YEAR = 8760


@dataclass(frozen=True)
class Station:
    """Where a weather year comes from. ``rain_basis`` says in words what its rain column is, or why there is none."""

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    utc_offset_h: float
    source: str
    sha256: str
    rain_basis: str


@dataclass(frozen=True, eq=False)
class WeatherYear:
    """One year of hours (H = 8760, no leap day), each array of shape (H,).

    ``times`` are the middles of the hours in the station's standard time. Irradiance in W/m2 as hourly mean,
    ``temp_air`` in degrees C, ``wind_speed`` in m/s at 10 m, ``rain_mm`` in mm an hour or None where unknown.
    ``zenith`` is the apparent solar zenith and ``azimuth`` the solar azimuth in degrees, clockwise from north;
    ``dni_extra`` in W/m2; ``airmass`` relative (NaN at night); ``albedo`` 0..1.

    ``memo`` keeps results that depend on this year alone (planes, soiling), so that they are computed once.
    """

    station: Station
    times: pd.DatetimeIndex
    ghi: Hours
    dni: Hours
    dhi: Hours
    temp_air: Hours
    wind_speed: Hours
    rain_mm: Hours | None
    albedo: Hours
    zenith: Hours
    azimuth: Hours
    dni_extra: Hours
    airmass: Hours
    memo: dict[Any, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for name in (
            "ghi",
            "dni",
            "dhi",
            "temp_air",
            "wind_speed",
            "rain_mm",
            "albedo",
            "zenith",
            "azimuth",
            "dni_extra",
            "airmass",
        ):
            values = getattr(self, name)
            if values is None:
                continue
            if values.shape != (HOURS_PER_YEAR,):
                raise ValueError(f"{name} has shape {values.shape}, expected ({HOURS_PER_YEAR},)")
            values.flags.writeable = False
        if len(self.times) != HOURS_PER_YEAR:
            raise ValueError(f"times has {len(self.times)} entries, expected {HOURS_PER_YEAR}")
