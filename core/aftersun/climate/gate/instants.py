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
from scipy.optimize import minimize_scalar

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


def _sun(raw: RawWeather, utc_offset_h: float, at_h: float) -> tuple[pd.DataFrame, Hours]:
    """The sun ``at_h`` after the beginning of each hour of the year: its position, and the cosine of its zenith."""
    times = year_times(utc_offset_h) + pd.Timedelta(hours=at_h - 0.5)
    position = sun_position(times, raw.latitude, raw.longitude, raw.elevation_m)
    return position, np.maximum(np.cos(np.radians(position["zenith"].to_numpy())), 0.0)


def _sky(raw: RawWeather, utc_offset_h: float, at_h: float) -> Sky:
    """The clear sky of Ineichen and Perez (2002) as in pvlib, cleaner than any real one."""
    position, cosine = _sun(raw, utc_offset_h, at_h)
    place = pvlib.location.Location(raw.latitude, raw.longitude, altitude=raw.elevation_m)
    clear = place.get_clearsky(
        position.index,
        solar_position=position.assign(apparent_elevation=90 - position["apparent_zenith"]),
        dni_extra=pvlib.irradiance.get_extra_radiation(
            year_times(utc_offset_h).day_of_year.to_numpy(), method="spencer"
        ),
        linke_turbidity=limit("clear_turbidity"),
    ).fillna(0.0)
    return Sky(cosine, clear["ghi"].to_numpy(), clear["dni"].to_numpy())


def _zone(utc_offset_h: float) -> str:
    return f"UTC{utc_offset_h:+g}" if utc_offset_h else "UTC"


def find_instant(hours: pd.DataFrame, raw: RawWeather) -> tuple[float, float]:
    """Find the instant of the hour at which GHI = DHI + DNI cos z holds best.

    Returns
    -------
    at_h, residual : float
        Hours from the beginning of the hour, and the mean absolute residual over mean GHI that is left.
    """
    ghi, dni, dhi = (hours[name].to_numpy() for name in ("ghi", "dni", "dhi"))

    def residual(at_h: float) -> float:
        return float(np.abs(ghi - dhi - dni * _sun(raw, raw.utc_offset_h, at_h)[1]).mean() / ghi.mean())

    best = minimize_scalar(residual, bounds=(-0.5, 1.0), method="bounded", options={"xatol": 1 / 600})
    return float(best.x), float(best.fun)


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


def settle_instant(hours: pd.DataFrame, raw: RawWeather, findings: Findings) -> float:
    """Return when in its hour, in h from its beginning, irradiance stands; found by its components if not stated."""
    if raw.instants is None:
        return 0.5
    if raw.instants.irradiance_h is not None:
        return raw.instants.irradiance_h
    at, residual = find_instant(hours, raw)
    text = "the file does not say at which minute its irradiance stands"
    if residual > limit("closure_warn"):
        hint = "Get it again from its source, which states the irradiance time offset now."
        findings.refuse(f"{text}, and its components fit none", hint)
    else:
        findings.remark(f"{text}; {60 * at:.0f} fits best")
    return at


def to_mid_hours(hours: pd.DataFrame, raw: RawWeather, at_h: float, findings: Findings) -> pd.DataFrame:
    """Bring a complete year to the middles of the hours of the station's standard time.

    Irradiance, which stands ``at_h`` after the beginning of each hour, follows the clear sky between two instants,
    temperature and wind a straight line; all else is moved by whole hours. A file of hourly means by standard time
    comes back as it is.
    """
    lag = raw.utc_offset_h - raw.zone_h
    air_at = 0.5 if raw.instants is None else raw.instants.air_h
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
