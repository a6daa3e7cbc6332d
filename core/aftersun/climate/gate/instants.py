"""Values of one instant an hour made into values for the middle of each hour of standard time.

Between two instants irradiance is not straight: the sun moves on. What is interpolated is its ratio to the
irradiance under a clear sky, which also keeps the sum of the year; at 45 N 8 E, from 11 min past the hour, within
0.05 %. The beam and the diffuse part are carried over each by itself and so is what they lack of GHI, so that
a file whose components do not agree still shows it to the gate.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib

from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.gate.findings import Findings
from aftersun.climate.limits import limit
from aftersun.climate.sun import sun_position, year_times
from aftersun.model.weather import HOURS_PER_YEAR, Hours

_EXACT_H = 1 / 120  # half a minute is as good as nothing


class Sky(NamedTuple):
    """Cosine of the zenith (0 at night) and clear-sky irradiance in W/m2, each of shape (H,)."""

    cosine: Hours
    ghi: Hours
    dni: Hours


def _sky(raw: RawWeather, utc_offset_h: float, at_h: float) -> Sky:
    """The clear sky of Ineichen and Perez (2002) as in pvlib, cleaner than any real one.

    It is that ``at_h`` after the beginning of each hour of the year.
    """
    hours = year_times(utc_offset_h)
    position = sun_position(hours + pd.Timedelta(hours=at_h - 0.5), raw.latitude, raw.longitude, raw.elevation_m)
    place = pvlib.location.Location(raw.latitude, raw.longitude, altitude=raw.elevation_m)
    clear = place.get_clearsky(
        position.index,
        solar_position=position.assign(apparent_elevation=90 - position["apparent_zenith"]),
        dni_extra=pvlib.irradiance.get_extra_radiation(hours.day_of_year.to_numpy(), method="spencer"),
        linke_turbidity=limit("clear_turbidity"),
    ).fillna(0.0)
    cosine = np.maximum(np.cos(np.radians(position["zenith"].to_numpy())), 0.0)
    return Sky(cosine, clear["ghi"].to_numpy(), clear["dni"].to_numpy())


def _zone(utc_offset_h: float) -> str:
    return f"UTC{utc_offset_h:+g}" if utc_offset_h else "UTC"


def _between(values: Hours, shift_h: float, use: npt.NDArray[np.bool_] | None = None) -> Hours:
    """Interpolate ``shift_h`` after each value on the circle of the year, between those of ``use``."""
    whole = round(shift_h)
    if abs(shift_h - whole) < _EXACT_H:
        return np.roll(values, -whole)
    stand = np.arange(HOURS_PER_YEAR)
    known = slice(None) if use is None else use
    between: Hours = np.interp(stand + shift_h, stand[known], values[known], period=HOURS_PER_YEAR)
    return between


def _irradiance(hours: pd.DataFrame, raw: RawWeather, at_h: float, shift_h: float) -> dict[str, Hours]:
    """GHI, DNI and DHI ``shift_h`` after their instants, which is at the middle of an hour of standard time."""
    ghi, dni, dhi = (hours[name].to_numpy(dtype=float) for name in ("ghi", "dni", "dhi"))
    if abs(shift_h - round(shift_h)) < _EXACT_H:
        return {name: _between(values, shift_h) for name, values in (("ghi", ghi), ("dni", dni), ("dhi", dhi))}
    then, now = _sky(raw, raw.utc_offset_h, at_h), _sky(raw, raw.zone_h, 0.5)
    use = (then.cosine > np.sin(np.radians(limit("low_sun")))) & (then.dni > 0)

    def carry(values: Hours, clear_then: Hours, clear_now: Hours) -> Hours:
        ratio = np.divide(values, clear_then, out=np.zeros_like(values), where=use)
        return _between(ratio, shift_h, use) * clear_now

    new_dni = carry(dni, then.dni, now.dni)
    new_dhi = carry(dhi, then.ghi, now.ghi)
    lack = carry(ghi - dhi - dni * then.cosine, then.ghi, now.ghi)
    return {"ghi": new_dhi + new_dni * now.cosine + lack, "dni": new_dni, "dhi": new_dhi}


def to_mid_hours(hours: pd.DataFrame, raw: RawWeather, findings: Findings) -> pd.DataFrame:
    """Bring a complete year to the middles of the hours of the station's standard time.

    Irradiance follows the clear sky between two of its instants, temperature and wind a straight line; all else is
    moved by whole hours. A file of hourly means by standard time comes back as it is.
    """
    lag = raw.utc_offset_h - raw.zone_h
    at_h, air_at = raw.instants.irradiance_h, raw.instants.air_h
    if (at_h, air_at, lag) == (0.5, 0.5, 0.0):
        return hours
    if lag:
        findings.remark(f"its hours were turned from {_zone(raw.utc_offset_h)} to {_zone(raw.zone_h)}")
    if abs(at_h - 0.5) > _EXACT_H:
        how = "was brought to mid-hour along the course of a clear sky"
        findings.remark(f"irradiance of {60 * at_h:.0f} min past the hour {how}")
    moved = pd.DataFrame({name: np.roll(hours[name].to_numpy(), -round(lag)) for name in hours}, index=hours.index)
    air = {name: _between(hours[name].to_numpy(dtype=float), 0.5 + lag - air_at) for name in ("temp_air", "wind_speed")}
    return moved.assign(**_irradiance(hours, raw, at_h, 0.5 + lag - at_h), **air)
