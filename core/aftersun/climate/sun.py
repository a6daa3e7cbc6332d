"""The sun's position at the middle of each hour, and weather years from plain columns and back."""

from __future__ import annotations

from datetime import timedelta, timezone

import numpy as np
import pandas as pd
import pvlib

from aftersun.climate.limits import limit
from aftersun.model.errors import AftersunError
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear

VALUES = ("ghi", "dni", "dhi", "temp_air", "wind_speed", "rain_mm", "albedo")

# A typical year is laid on this calendar year: the middle of a leap-year cycle, where the calendar is least
# out of step with the sun for months that may come from any year. Of nine years tried, years like it fit the
# extraterrestrial irradiance stated in seven typical-year files best.
CALENDAR_YEAR = 2006


def year_times(utc_offset_h: float) -> pd.DatetimeIndex:
    """Return the middles of the 8760 hours of the calendar year in standard time."""
    zone = timezone(timedelta(hours=utc_offset_h))
    return pd.date_range(f"{CALENDAR_YEAR}-01-01 00:30", periods=HOURS_PER_YEAR, freq="h", tz=zone)


def sun_position(times: pd.DatetimeIndex, latitude: float, longitude: float, elevation_m: float) -> pd.DataFrame:
    """Return ``zenith``, ``apparent_zenith`` (refracted) and ``azimuth`` in degrees at ``times``.

    The solar position algorithm of Reda & Andreas [1]_ as in pvlib, at the air pressure of the standard
    atmosphere for the height above sea level and 12 degrees C.

    References
    ----------
    .. [1] I. Reda and A. Andreas, Solar position algorithm for solar radiation applications,
       NREL/TP-560-34302, revised January 2008.
    """
    position: pd.DataFrame = pvlib.solarposition.get_solarposition(
        times, latitude, longitude, altitude=elevation_m, method="nrel_numpy"
    )
    return position[["zenith", "apparent_zenith", "azimuth"]]


def weather_year(station: Station, hours: pd.DataFrame) -> WeatherYear:
    """Make a weather year from plain columns, adding the sun's position.

    Parameters
    ----------
    station : Station
    hours : DataFrame
        ``hour`` 0..8759 in any order, ``ghi``, ``dni``, ``dhi`` in W/m2, ``temp_air`` in degrees C,
        ``wind_speed`` in m/s, ``rain_mm`` in mm an hour (missing throughout where unknown), ``albedo`` 0..1
        (missing: the usual value).

    Returns
    -------
    WeatherYear
        With apparent zenith and azimuth, extraterrestrial irradiance after Spencer (1971) and relative air
        mass after Kasten & Young (1989), all as in pvlib.

    Raises
    ------
    AftersunError
        If hours or values are missing.
    """

    def fault(what: str) -> AftersunError:
        subject = f"The stored hours of weather station {station.station_id}"
        return AftersunError(f"{subject} {what}.", "Add the station's weather file again.")

    if absent := [name for name in ("hour", *VALUES) if name not in hours]:
        raise fault(f"lack {', '.join(absent)}")
    hours = hours.sort_values("hour")
    if not np.array_equal(hours["hour"].to_numpy(dtype=int), np.arange(HOURS_PER_YEAR)):
        raise fault(f"are not the {HOURS_PER_YEAR} hours of a year")
    values = {name: hours[name].to_numpy(dtype=np.float64, na_value=np.nan, copy=True) for name in VALUES}
    rain, albedo = values.pop("rain_mm"), values.pop("albedo")
    holes = [name for name, column in values.items() if np.isnan(column).any()]
    if np.isnan(rain).any() and not np.isnan(rain).all():
        holes.append("rain_mm")
    if holes:
        raise fault(f"have holes in {', '.join(holes)}")
    times = year_times(station.utc_offset_h)
    sun = sun_position(times, station.latitude, station.longitude, station.elevation_m)
    zenith = sun["apparent_zenith"].to_numpy(copy=True)
    return WeatherYear(
        station=station,
        times=times,
        **values,
        rain_mm=None if np.isnan(rain).all() else rain,
        albedo=np.where(np.isnan(albedo), limit("albedo"), albedo),
        zenith=zenith,
        azimuth=sun["azimuth"].to_numpy(copy=True),
        dni_extra=pvlib.irradiance.get_extra_radiation(times.day_of_year.to_numpy(), method="spencer"),
        airmass=np.array(pvlib.atmosphere.get_relative_airmass(zenith, model="kastenyoung1989")),
    )


def hours_table(year: WeatherYear) -> pd.DataFrame:
    """Return the hours as a frame: ``hour`` 0..8759 and the columns of `VALUES`, ``rain_mm`` NaN where
    unknown.

    `weather_year` makes the same year of it again, bit for bit.
    """
    columns = {name: getattr(year, name) for name in VALUES}
    return pd.DataFrame({"hour": np.arange(HOURS_PER_YEAR)} | columns).astype({"rain_mm": np.float64})
