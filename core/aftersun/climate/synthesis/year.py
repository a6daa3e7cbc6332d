"""A synthetic hourly year from monthly normals, for places without a weather file.

Rain comes first: wet days are cloudier. Then clearness of the days, of the hours, the split into direct and diffuse,
and air temperature and wind, which follow the sun. The parameters stand in ``synthesis.csv``.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from zlib import crc32

import numpy as np
import pandas as pd

from aftersun.climate.normals import Normals, cell_of, normals_at
from aftersun.climate.sun import VALUES, weather_year
from aftersun.climate.synthesis.air import air_temperature, wind_speed
from aftersun.climate.synthesis.noise import DAYS, sums_by_month
from aftersun.climate.synthesis.rain import daily_rain, hourly_rain_of_days, wet_days
from aftersun.climate.synthesis.sun import (
    clearest_sky,
    daily_clearness,
    highest_clearness,
    hourly_clearness,
    split_irradiance,
)
from aftersun.model.ranges import Bools
from aftersun.model.weather import DAYS_IN_MONTH, HOURS_PER_YEAR, Hours, Station, WeatherYear

RAIN_BASIS = "synthetic from monthly normals"

_MONTHLY = ("ghi_kwh_m2_day", "temp_air_c", "rain_mm", "wind_speed_m_s")


def _fingerprint(normals: Normals, seed: int, utc_offset_h: float) -> str:
    digest = hashlib.sha256("\n".join([str(seed), *normals.sources]).encode())
    place = np.array([normals.latitude, normals.longitude, normals.elevation_m, utc_offset_h])
    for values in (place, *(getattr(normals, name) for name in (*_MONTHLY, "clearness_shape"))):
        digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
    return digest.hexdigest()


def synthetic_id(latitude: float, longitude: float) -> str:
    """Return the station id of the synthetic year of a place, such as ``"N+36.25-080.25"``."""
    return f"N{round(latitude, 2) + 0.0:+06.2f}{round(longitude, 2) + 0.0:+07.2f}"  # + 0.0: no negative zero


def _station(normals: Normals, seed: int, utc_offset_h: float) -> Station:
    return Station(
        station_id=synthetic_id(normals.latitude, normals.longitude),
        name=f"synthetic year at {normals.latitude:.2f}, {normals.longitude:.2f}",
        latitude=normals.latitude,
        longitude=normals.longitude,
        elevation_m=normals.elevation_m,
        utc_offset_h=utc_offset_h,
        source=f"{RAIN_BASIS}, seed {seed}: {'; '.join(normals.sources)}",
        sha256=_fingerprint(normals, seed, utc_offset_h),
        rain_basis=RAIN_BASIS,
    )


def seed_of(normals: Normals) -> int:
    """Return the seed of a place's year: the place itself, so that everybody gets the same hours for the same cell."""
    return crc32(f"{normals.latitude:.4f} {normals.longitude:.4f}".encode())


def with_rain(year: WeatherYear) -> WeatherYear:
    """Return the year of a station with the rain that the synthetic year of its cell has, where its own is not known.

    It stays without where the normals have no land.
    """
    place = year.station
    (latitude,), (longitude,) = cell_of(place.latitude, place.longitude)
    if year.rain_mm is not None or np.isnan(latitude):
        return year
    normals = normals_at(latitude, longitude)
    _, rain = _wet_days_and_rain(normals, np.random.default_rng(seed_of(normals)).spawn(1)[0])
    return replace(year, rain_mm=rain)


def _wet_days_and_rain(normals: Normals, rng: np.random.Generator) -> tuple[Bools, Hours]:
    """Return which of 365 days are wet, and mm an hour (8760,)."""
    wet = wet_days(normals.rain_mm, rng)
    return wet, hourly_rain_of_days(daily_rain(normals.rain_mm, wet, rng), rng)


def synthetic_year(normals: Normals, *, seed: int, utc_offset_h: float | None = None) -> WeatherYear:
    """Make an hourly year with the monthly means, sums and daily distribution of the normals.

    Parameters
    ----------
    normals : Normals
        Complete, as `aftersun.climate.normals.normals_at` gives them.
    seed : int
        Not negative. The same normals and seed give the same bytes on the same version of numpy.
    utc_offset_h : float, optional
        Standard time of the hours. Default is the whole hour nearest to the sun's time.

    Returns
    -------
    WeatherYear
        Monthly GHI is kept unless it exceeds what the sun of that month can give at the middles of the hours; air
        temperature, rain and wind are kept. GHI = DHI + DNI cos(zenith) with the year's own zenith; it is dark where
        the sun is down at the middle of the hour.
    """
    offset = float(np.clip(round(normals.longitude / 15), -12, 14)) if utc_offset_h is None else utc_offset_h
    unlit = pd.DataFrame(0.0, index=range(HOURS_PER_YEAR), columns=list(VALUES)).assign(
        hour=np.arange(HOURS_PER_YEAR), albedo=np.nan
    )
    year = weather_year(_station(normals, seed, offset), unlit)

    for_rain, for_days, for_hours, for_air, for_wind = np.random.default_rng(seed).spawn(5)
    wet, rain = _wet_days_and_rain(normals, for_rain)

    sun_height = np.maximum(np.cos(np.radians(year.zenith)), 0.0).reshape(-1, 24)
    extra = year.dni_extra.reshape(-1, 24) * sun_height
    extra_of_day = extra.sum(axis=1)
    monthly_ghi = 1000 * normals.ghi_kwh_m2_day * DAYS_IN_MONTH
    clearest = clearest_sky(year.zenith, year.station.elevation_m).reshape(-1, 24)
    limits = highest_clearness(clearest, extra, monthly_ghi)
    limit_of_day = np.divide((limits * extra).sum(axis=1), extra_of_day, out=np.zeros(DAYS), where=extra_of_day > 0)
    days, score = daily_clearness(monthly_ghi, normals.clearness_shape, extra_of_day, limit_of_day, wet, for_days)
    ghi = (hourly_clearness(days, sun_height, extra, limits, for_hours) * extra).ravel()
    dni, dhi = split_irradiance(ghi, year.zenith, year.times.day_of_year.to_numpy())

    extra_kwh_m2_day = sums_by_month(extra_of_day) / DAYS_IN_MONTH / 1000
    return replace(
        year,
        ghi=ghi,
        dni=dni,
        dhi=dhi,
        temp_air=air_temperature(normals.temp_air_c, normals.wind_speed_m_s, extra_kwh_m2_day, ghi, score, for_air),
        wind_speed=wind_speed(normals.wind_speed_m_s, ghi, for_wind),
        rain_mm=rain,
    )
