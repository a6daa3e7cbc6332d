"""Air temperature and wind speed of a synthetic year: both follow the sun, with a lag, and the spells of weather.

The daily swing of temperature is what the hourly irradiance of the year drives through a first-order lag, so it is
larger on clear days and in dry, still, continental places, later than the sun, and absent in the polar night.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtr

from aftersun.climate.synthesis.noise import (
    DAYS,
    MONTH_OF_HOUR,
    between_months,
    parameter,
    persistent_noise,
    sums_by_month,
)
from aftersun.model.weather import DAYS_IN_MONTH, HOURS_PER_YEAR, Hours

_NOONS: Hours = np.arange(0.5, DAYS, dtype=np.float64)
_MID_HOURS: Hours = np.arange(0.5, HOURS_PER_YEAR, dtype=np.float64) / 24
_ROUNDS = 20  # each leaves less than a third of the difference to the monthly means


def lagged_swing(ghi: Hours, lag_h: float) -> Hours:
    """Return ``ghi`` (8760,) in W/m2 after a first-order lag, less its running mean of 24 h: the daily swing."""
    from scipy.signal import lfilter  # slow to import, and needed for a made year alone

    keep = np.exp(-1 / lag_h)
    lagged = lfilter([1 - keep], [1.0, -keep], np.tile(ghi, 2))[HOURS_PER_YEAR:]
    swing: Hours = lagged - uniform_filter1d(lagged, 24, mode="wrap")
    return swing


def monthly_means(hours: Hours) -> Hours:
    """Return the means (12,) of hours (8760,)."""
    means: Hours = sums_by_month(hours.reshape(-1, 24).mean(axis=1)) / DAYS_IN_MONTH
    return means


def swing_gain(temp_air_c: Hours, wind_speed_m_s: Hours, extra_kwh_m2_day: Hours) -> Hours:
    """Return K of air temperature per W/m2 of lagged irradiance by month; all (12,)."""
    season = min(float(np.ptp(temp_air_c)), parameter("swing_season_most"))
    wind = np.minimum(wind_speed_m_s, parameter("swing_wind_most"))
    growth = parameter("swing_season") * season + parameter("swing_sun") * extra_kwh_m2_day
    gain: Hours = parameter("swing_gain") * np.exp(growth + parameter("swing_wind") * wind)
    return gain


def spells(temp_air_c: Hours, extra_kwh_m2_day: Hours, score: Hours, rng: np.random.Generator) -> Hours:
    """Return by how much the days (365,) are warmer than the season, in K.

    ``temp_air_c`` and ``extra_kwh_m2_day`` are (12,), ``score`` the normal score of the days' clearness: in the high
    sun clear days are warm, in the low sun cold.
    """
    level = parameter("spell_base") + parameter("spell_season") * float(np.ptp(temp_air_c))
    size: Hours = np.maximum(level + parameter("spell_sun") * extra_kwh_m2_day, 0.0)
    with_sky: Hours = np.clip(
        parameter("spell_clear_base") + parameter("spell_clear_sun") * extra_kwh_m2_day, -0.9, 0.9
    )
    by_day = between_months(with_sky, _NOONS)
    rest = persistent_noise(rng, (DAYS,), parameter("spell_persistence"))
    days: Hours = between_months(size, _NOONS) * (by_day * score + np.sqrt(1 - by_day**2) * rest)
    return days


def air_temperature(
    temp_air_c: Hours,
    wind_speed_m_s: Hours,
    extra_kwh_m2_day: Hours,
    ghi: Hours,
    score: Hours,
    rng: np.random.Generator,
) -> Hours:
    """Return hourly air temperature (8760,) in degrees C with the monthly means ``temp_air_c`` (12,).

    ``ghi`` (8760,) in W/m2; ``score`` (365,), see `spells`; the other monthly normals (12,).
    """
    gain = swing_gain(temp_air_c, wind_speed_m_s, extra_kwh_m2_day)
    temp = between_months(gain, _MID_HOURS) * lagged_swing(ghi, parameter("swing_lag"))
    temp += np.interp(_MID_HOURS, _NOONS, spells(temp_air_c, extra_kwh_m2_day, score, rng), period=DAYS)
    for _ in range(_ROUNDS):  # a smooth course between months, without steps
        temp += between_months(temp_air_c - monthly_means(temp), _MID_HOURS)
    return temp


def wind_speed(wind_speed_m_s: Hours, ghi: Hours, rng: np.random.Generator) -> Hours:
    """Return hourly wind speed (8760,) in m/s at 10 m with the monthly means ``wind_speed_m_s`` (12,)."""
    slow = parameter("wind_slow_share")
    noise = np.sqrt(slow) * persistent_noise(rng, (HOURS_PER_YEAR,), parameter("wind_slow"))
    noise += np.sqrt(1 - slow) * persistent_noise(rng, (HOURS_PER_YEAR,), parameter("wind_fast"))
    weibull = (-np.log(ndtr(-noise))) ** (1 / parameter("wind_shape"))
    course = 1 + parameter("wind_sun") * lagged_swing(ghi, parameter("wind_sun_lag"))
    wind = weibull * np.maximum(course, parameter("wind_least"))
    scaled: Hours = wind * (wind_speed_m_s / monthly_means(wind))[MONTH_OF_HOUR]
    return scaled
